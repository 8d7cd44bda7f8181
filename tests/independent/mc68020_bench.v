// An MC68020 host model and cards of 8, 16 and 32 bits on one bus; makes mc68020_bench.vcd and,
// from what the host itself meant and latched, mc68020_bench.csv (one row a bus cycle) and
// mc68020_bench_operands.csv (one row an operand). Nothing here decodes a capture.
//
// Source: M68020UM. Dynamic bus sizing: 5.2.1, Tables 5-1 and 5-2; misaligned operands: 5.2.2; what
// BERR does alone and after DSACKx: 5.5 and 5.5.1; interrupt acknowledge: 5.4.1.1; where ports
// stand: 9.2. Delays: section 10, column 16.67 MHz; each range below names its parameter. One clock
// is 60 ns. From memory, not read: #23, #25, the times and meaning of OCS and of RMC, DBEN in a
// write from S1, and which byte the master puts on lanes that take no part.
`timescale 1ns / 1ns

module mc68020_host (
    input             CLK,
    output reg [31:0] A,
    inout      [31:0] D,
    output reg        AS, DS, RW, ECS, OCS, DBEN, RMC,
    output reg [1:0]  SIZ,
    output reg [2:0]  FC,
    input             DSACK1, DSACK0, BERR
);
    integer log, operands, cycle, number;
    reg [31:0] drive, latched;
    reg [31:0] chance;
    assign D = drive;

    // A 32-bit shift register with feedback, so that every simulator makes the same run.
    function [31:0] shifted(input [31:0] from);
        shifted = {from[30:0], from[31] ^ from[21] ^ from[1] ^ from[0]};
    endfunction

    // A number from low to high, both included.
    task pick(input integer low, input integer high, output integer picked);
        begin
            repeat (7) chance = shifted(chance);
            picked = low + chance[15:0] % (high - low + 1);
        end
    endtask

    function integer least(input integer one, input integer other);
        least = one < other ? one : other;
    endfunction

    integer d_fc, d_a, d_siz, d_rw, d_ecs, d_ecs_off, d_as, d_ds, d_dben, d_data, d_z;
    integer d_off_as, d_off_ds, d_off_dben, soonest;

    // New delays for each cycle, ns, inside section 10 at 16.67 MHz in every combination.
    task new_delays;
        begin
            pick(3, 23, d_off_as);       // #12 at most 30; #15 high for at least 40: 60 + 3 - 23
            pick(3, 23, d_off_ds);
            pick(3, least(28, 20 + least(d_off_as, d_off_ds)), d_as);  // #9 3 to 30; #14: 120 - 20
            pick(d_as > 13 ? d_as - 10 : 3, least(d_as + 10, 20 + d_off_ds), d_ds);  // #14A
            if (d_ds > 28) d_ds = 28;
            soonest = least(d_as, d_ds);
            pick(8, least(30, 15 + soonest), d_fc);   // #6 at most 30; #11 at least 15: 33 - 18
            pick(8, least(30, 15 + soonest), d_siz);  // #13 at least 15: 30 + 8 - 23
            pick(9, least(30, 15 + soonest), d_a);
            pick(8, least(30, 15 + soonest), d_rw);   // #17, #21 at least 15; #22 at least 75
            pick(d_rw > 15 ? d_rw - 15 : 0, 30, d_dben);  // #44 at least 15: 30 - 15
            pick(6, least(30, 15 + d_ds), d_data);    // #23 at most 30; #26 at least 15: 30 - 15
            pick(8, 30, d_z);                         // #25 at least 15: 30 + 8 - 23
            pick(2, 18, d_ecs);
            pick(2, 18, d_ecs_off);
            pick(2, 28, d_off_dben);                  // #45 at least 60 in a read, 120 in a write
        end
    endtask

    // One bus cycle: asks for `remaining` bytes from `address` on, tells what the port gave back.
    reg [31:0] address, word;
    reg [1:0]  port;
    reg        failed;
    integer    moved, first, lane;
    task bus_cycle(input writes, input [2:0] space, input is_first, input integer remaining,
                   input [31:0] bytes);
        begin
            new_delays;
            @(posedge CLK);                                    // S0
            ECS <= #(d_ecs) 1'b0;
            if (is_first) OCS <= #(d_ecs) 1'b0;
            FC <= #(d_fc) space;
            SIZ <= #(d_siz) remaining;                         // 4 is 00, Table 5-2
            A <= #(8) A & address;                             // not all lines at once
            A <= #(d_a) address;
            RW <= #(d_rw) !writes;
            @(negedge CLK);                                    // S1
            ECS <= #(d_ecs_off) 1'b1;
            OCS <= #(d_ecs_off) 1'b1;
            AS <= #(d_as) 1'b0;
            if (writes) DBEN <= #(d_dben) 1'b0;
            else DS <= #(d_ds) 1'b0;
            @(posedge CLK);                                    // S2
            if (writes) begin
                word = {bytes_on(0, remaining, bytes), bytes_on(1, remaining, bytes),
                        bytes_on(2, remaining, bytes), bytes_on(3, remaining, bytes)};
                drive <= #(3) ~word;                           // not yet what is meant
                drive <= #(d_data) word;
            end else DBEN <= #(d_dben) 1'b0;
            @(negedge CLK);                                    // S3, or a wait state
            if (writes) DS <= #(d_ds) 1'b0;
            while (DSACK1 !== 1'b0 && DSACK0 !== 1'b0 && BERR !== 1'b0) @(negedge CLK);
            @(posedge CLK) port = {DSACK1, DSACK0};            // S4: #31A is over
            @(negedge CLK) latched = D;                        // S5
            failed = BERR === 1'b0;                            // 5.5.1: takes precedence
            AS <= #(d_off_as) 1'b1;
            DS <= #(d_off_ds) 1'b1;
            DBEN <= #(writes ? 30 + d_off_dben : d_off_dben) 1'b1;
            drive <= #(30 + d_z) 32'bz;
            case (port)                                        // Table 5-1; 9.2: ports begin at D31
                2'b00: begin first = address[1:0]; moved = 4 - first; end
                2'b01: begin first = address[0]; moved = 2 - first; end
                2'b10: begin first = 0; moved = 1; end
                default: begin first = 0; moved = 0; end
            endcase
            moved = least(moved, remaining);
            row(writes, space, remaining, writes ? word : latched);
            cycle = cycle + 1;
        end
    endtask

    // What a byte lane carries in a write. The first byte stands where a port of any width looks
    // for it, the next ones after it; the rest is filling.
    function [7:0] bytes_on(input integer lane, input integer remaining, input [31:0] bytes);
        integer which;
        begin
            case (lane)
                0: which = 0;
                1: which = address[0] ? 0 : 1;
                2: which = address[1] ? address[0] : 2 - address[0];
                default: which = 3 - address[1:0];
            endcase
            bytes_on = bytes >> 24 - 8 * (which % remaining);
        end
    endfunction

    // One row: what this host did. Two dashes for a lane without part; nobody knows the lanes where
    // no port told its size.
    task row(input writes, input [2:0] space, input integer asked, input [31:0] data);
        begin
            $fwrite(log, "%0d,0,", cycle);
            kind(log, writes, space);
            hex(log, address, 8);
            $fwrite(log, ",");
            for (lane = 0; lane < 4; lane = lane + 1)
                if (&port) $fwrite(log, "?");
                else $fwrite(log, "%0d", lane >= first && lane < first + moved);
            $fwrite(log, ",0x");
            for (lane = 0; lane < 4; lane = lane + 1)
                if (&port) $fwrite(log, "??");
                else if (lane < first || lane >= first + moved) $fwrite(log, "--");
                else hex(log, data[31 - 8 * lane -: 8], 2);
            $fdisplay(log, ",%0s,0x%0d,%0d", failed ? "error" : "acknowledged", space, asked);
        end
    endtask

    task kind(input integer file, input writes, input [2:0] space);
        $fwrite(file, "%0s,0x", writes ? "write" : space == 7 ? "interrupt-acknowledge" : "read");
    endtask

    // Capital hexadecimal, which $fwrite does not have.
    task hex(input integer file, input [31:0] value, input integer digits);
        integer at;
        reg [3:0] digit;
        for (at = digits - 1; at >= 0; at = at - 1) begin
            digit = value >> 4 * at;
            $fwrite(file, "%c", digit < 10 ? "0" + digit : "A" - 10 + digit);
        end
    endtask

    // An operand: as many bus cycles as the ports that answer make of it (5.2.1), or to an error.
    reg [31:0] operand_at, left, result;
    reg [3:0]  known;
    integer    done, began, beats, byte_at;
    task operand(input writes, input [31:0] at, input integer size, input [31:0] value,
                 input [2:0] space);
        begin
            operand_at = at;
            address = at;
            left = value << 32 - 8 * size;                     // the byte that goes next is on top
            {result, known, failed} = 0;
            {done, beats} = 0;
            began = cycle;
            while (done < size && !failed) begin
                bus_cycle(writes, space, beats == 0, size - done, left);
                beats = beats + 1;
                repeat (moved) begin
                    result[31 - 8 * done -: 8] = writes ? left[31:24]
                                                        : latched[31 - 8 * first -: 8];
                    known[3 - done] = 1;
                    if (!failed && space != 7)
                        remember(writes, address, result[31 - 8 * done -: 8]);
                    first = first + 1;
                    left = left << 8;
                    address = address + 1;
                    done = done + 1;
                end
            end
            $fwrite(operands, "%0d,%0d,%0d,", number, began, beats);
            kind(operands, writes, space);
            hex(operands, operand_at, 8);
            $fwrite(operands, ",%0d,0x", size);
            for (byte_at = 0; byte_at < size; byte_at = byte_at + 1)
                if (known[3 - byte_at]) hex(operands, result[31 - 8 * byte_at -: 8], 2);
                else $fwrite(operands, "??");
            $fdisplay(operands, ",%0s", failed ? "false" : "true");
            number = number + 1;
        end
    endtask

    // What the host wrote itself, or the cards begin with, must come back, or the bench is wrong.
    reg [7:0] mirror [0:63];
    task remember(input writes, input [31:0] at, input [7:0] value);
        if (writes) mirror[at[5:0]] = value;
        else if (value !== mirror[at[5:0]])
            $display("FAULT: cycle %0d read %h at %h, must be %h", cycle, value, at,
                     mirror[at[5:0]]);
    endtask

    integer i, k, which, size, offset, value_high, value_low, high, low, rest, space_of;
    reg [2:0] space;
    task new_operand;
        begin
            pick(0, 65535, value_high);
            pick(0, 65535, value_low);
            pick(0, 65535, high);
            pick(0, 511, low);
            pick(0, 3, space_of);
            case (space_of)
                0: space = 1; 1: space = 2; 2: space = 5; default: space = 6;
            endcase
            pick(0, 5, rest);
            if (rest > 3) repeat (rest - 3) @(posedge CLK) @(negedge CLK);  // idle clocks
        end
    endtask

    // An operand of each size at an offset of 64 bytes of address; see the card.
    task go(input writes, input integer bytes, input integer at);
        begin
            new_operand;
            operand(writes, {high[15:0], low[8:0], 7'd0} + at, bytes, {value_high[15:0],
                    value_low[15:0]} & (bytes == 4 ? 32'hFFFFFFFF : (1 << 8 * bytes) - 1), space);
        end
    endtask

    // The read half and the write half of a TAS: RMC low over both, AS high between them.
    task test_and_set(input integer at);
        begin
            new_operand;
            @(posedge CLK) RMC <= #(8) 1'b0;
            @(negedge CLK);
            operand(1'b0, {high[15:0], low[8:0], 7'd0} + at, 1, 0, space);
            @(posedge CLK) @(negedge CLK);
            operand(1'b1, {high[15:0], low[8:0], 7'd0} + at, 1, result[31:24] | 8'h80, space);
            RMC <= #(30 + 12) 1'b1;
        end
    endtask

    initial begin
        A = 32'h7E40C1A5; drive = 32'bz; {AS, DS, RW, ECS, OCS, DBEN, RMC} = 7'h7F; SIZ = 0; FC = 6;
        chance = 32'h68020E1A; cycle = 0; number = 0;
        for (k = 0; k < 64; k = k + 1) mirror[k] = 8'h5B ^ 8'd29 * k;
        log = $fopen("mc68020_bench.csv", "w");
        operands = $fopen("mc68020_bench_operands.csv", "w");
        $fdisplay(log, "cycle,beat,kind,address,lanes,data,ended,modifier,asked");
        $fdisplay(operands, "operand,first_cycle,beats,kind,address,size,data,whole");
        repeat (2) @(negedge CLK);
        // Each size at each alignment on each port, written and read, in a mixed order.
        for (i = 0; i < 72; i = i + 1) begin
            which = (i * 29 + 5) % 72;
            size = 1 << which / 2 % 3;
            offset = which / 6 % 4 + 4 * (i % 3);
            if (offset + size > 16) offset = offset - 4;
            go(which % 2, size, 16 * (which / 24) + offset);
            case (i)
                4: go(1, 4, 16 * 1 - 1);                       // from the 32-bit port to 16 bits
                9: go(0, 4, 16 * 1 - 2);
                13: go(0, 4, 16 * 2 - 2);                      // from the 16-bit port to 8 bits
                17: go(1, 4, 16 * 2 - 3);
                21: go(1, 2, 16 * 3 + 5);                      // nobody there
                26: go(0, 4, 16 * 3 + 8);
                31: go(0, 4, 16 * 3 - 2);                      // the third byte finds nobody
                36: go(1, 4, 16 * 3 - 1);
                41: go(0, 4, 16 * 4 + 4);                      // answered, then BERR
                45: go(1, 2, 16 * 4 + 2);
                48: test_and_set(7);
                54: test_and_set(16 + 6);
                58: begin new_operand; operand(1'b0, 32'hFFFFFFF5, 1, 0, 3'd7); end  // level 2
                62: begin new_operand; operand(1'b0, 32'hFFFFFFFB, 1, 0, 3'd7); end  // level 5
                66: begin new_operand; operand(1'b0, 32'hFFFFFFF7, 1, 0, 3'd7); end  // level 3
                69: begin new_operand; operand(1'b0, 32'hFFFFFFF3, 1, 0, 3'd7); end  // spurious
            endcase
        end
        repeat (3) @(posedge CLK);
        $fclose(log);
        $fclose(operands);
        $finish;
    end
endmodule

// By A6-A4: 0 a port of 32 bits, 1 of 16 bits, 2 of 8 bits, 16 bytes each; 3 nobody, ended by BERR;
// 4 a port of 32 bits whose data turns out wrong, so that BERR follows DSACKx. Higher address lines
// are not looked at. In CPU space: vectors of levels 2, 5, 3 from ports of 8, 16, 32 bits.
module mc68020_card (
    input        CLK,
    input [31:0] A,
    inout [31:0] D,
    input        AS, DS, RW,
    input [1:0]  SIZ,
    input [2:0]  FC,
    output       DSACK1, DSACK0, BERR
);
    reg [7:0]  memory [0:63];
    reg [31:0] drive, word, early;
    reg        dsack1, dsack0, berr;
    reg [31:0] turn;
    integer    k, width, first, count, waits, skew, answer, late;
    assign D = drive;
    assign DSACK1 = dsack1 ? 1'bz : 1'b0;                      // open collector, pulled up
    assign DSACK0 = dsack0 ? 1'bz : 1'b0;
    assign BERR = berr ? 1'bz : 1'b0;

    initial begin
        drive = 32'bz; {dsack1, dsack0, berr} = 3'b111; turn = 32'hACE1D5A3;
        for (k = 0; k < 64; k = k + 1) memory[k] = 8'h5B ^ 8'd29 * k;
    end

    // Bytes of the port that answers; 0 for none.
    function integer width_at(input [31:0] at, input [2:0] space);
        if (space == 7)
            case (at[3:1])
                2: width_at = 1; 5: width_at = 2; 3: width_at = 4; default: width_at = 0;
            endcase
        else
            case (at[6:4])
                0, 4: width_at = 4; 1: width_at = 2; 2: width_at = 1; default: width_at = 0;
            endcase
    endfunction

    task new_turn;
        repeat (11) turn = {turn[30:0], turn[31] ^ turn[21] ^ turn[1] ^ turn[0]};
    endtask

    always @(negedge AS) begin
        new_turn;
        width = width_at(A, FC);
        waits = turn[0] ? turn[2:1] : 0;
        skew = turn[7:3] > 15 ? 15 : turn[7:3];                // #31A at most 15
        answer = 3 + turn[12:8] % 22;                          // #47A at least 5: 30 - 24
        late = turn[17:13] + 19;                               // #31 at most 50
        @(posedge CLK);                                        // S2
        if (width == 0) begin                                  // a watchdog
            repeat (3) @(posedge CLK);
            berr <= #(answer) 1'b0;
        end else begin
            {word, early} = 64'bz;
            for (k = 0; k < width; k = k + 1) begin
                word[31 - 8 * k -: 8] = FC == 7 ? (k == width - 1 ? 8'h40 + A[3:1] : 8'hzz)
                                      : A[6] ? 8'hE0 + k : memory[(A & ~(width - 1)) + k & 63];
                early[31 - 8 * k -: 8] = turn[15:8] + k;
            end
            if (RW && turn[18]) drive <= #(2) early;           // not yet the word
            repeat (waits) @(posedge CLK);
            if (width == 4 || width == 2) dsack1 <= #(answer + (turn[19] ? skew : 0)) 1'b0;
            if (width == 4 || width == 1) dsack0 <= #(answer + (width == 4 && !turn[19] ? skew : 0))
                                                    1'b0;
            if (RW) drive <= #(answer + late) word;
            if (A[6] && FC != 7) berr <= #(answer + 16 + turn[23:20] % 15) 1'b0;  // #48 at most 30
        end
    end

    // Write: taken as DS goes away; the lanes by 9.2.
    always @(posedge DS) if (!RW && width > 0 && !A[6]) begin
        first = A & (width - 1);
        count = SIZ == 0 ? 4 : SIZ;
        if (count > width - first) count = width - first;
        for (k = 0; k < count; k = k + 1)
            memory[A + k & 63] <= D[31 - 8 * (first + k) -: 8];
    end

    // #28 at most 80 after the first strobe goes, and before S2 of the next cycle (5.5), 90 after
    // S5 began; #29 at least 0 after the last one, #29A at most 60. An answer so outlasts the begin
    // of many a next cycle.
    wire done = AS && DS;
    integer edge_at, first_at, longest;
    initial {edge_at, first_at} = 0;
    always @(negedge CLK) edge_at = $time;
    always @(posedge AS) if (!DS) first_at = $time;
    always @(posedge DS) if (!AS) first_at = $time;
    always @(posedge done) begin
        new_turn;
        longest = (first_at > edge_at ? first_at : $time) + 80;
        if (longest > edge_at + 86) longest = edge_at + 86;
        longest = longest - $time;
        dsack1 <= #(turn[6] ? longest - turn[1:0] : turn[5:0] % 50) 1'b1;
        dsack0 <= #(turn[13] ? longest - turn[8:7] : turn[12:7] % 50) 1'b1;
        berr <= #(longest - turn[15:14]) 1'b1;
        drive <= #(1 + turn[22:18]) 32'bz;
    end
endmodule

module mc68020_bench;
    reg         CLK;
    wire [31:0] A, D;
    wire        AS, DS, \R/W , ECS, OCS, DBEN, RMC;
    wire [1:0]  SIZ;
    wire [2:0]  FC;
    wire        DSACK1, DSACK0, BERR, HALT;
    pullup (DSACK1);
    pullup (DSACK0);
    pullup (BERR);
    pullup (HALT);
    mc68020_host host (CLK, A, D, AS, DS, \R/W , ECS, OCS, DBEN, RMC, SIZ, FC,
                       DSACK1, DSACK0, BERR);
    mc68020_card card (CLK, A, D, AS, DS, \R/W , SIZ, FC, DSACK1, DSACK0, BERR);
    initial begin
        CLK = 0;
        forever #30 CLK = ~CLK;
    end
    initial begin
        $dumpfile("mc68020_bench.vcd");
        $dumpvars(1, mc68020_bench);
    end
endmodule
