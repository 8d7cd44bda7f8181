// An 8086 in minimum mode and a card with memory, ports and an interrupt controller on one bus;
// makes i8086_bench.vcd and, from what the host itself meant and latched, i8086_bench.csv.
// Nothing here decodes a capture.
//
// Source: 8086 data sheet (231455): pin description (what AD, A19-A16 and BHE carry in T1 and after
// it; AD floats in an interrupt acknowledge), HALT (one ALE and nothing else), timing responses and
// requirements, column 8086 (5 MHz); each range below names its symbol. One clock is 200 ns. The
// BHE/A0 table and an odd word in two cycles: read at second hand. From memory, not read: in which
// T state each line moves, that M/IO and DT/R move in the T4 before, READY moving as CLK falls,
// that the vector stands on AD7-AD0, BHE and A19-A16 in an interrupt acknowledge, idle states between
// its two cycles, and what AD shows at a HALT.
`timescale 1ns / 1ns

module i8086_host (
    input              CLK,
    inout       [15:0] AD,
    output reg  [19:16] A,
    output reg         BHE, ALE, RD, WR, MIO, INTA, DTR, DEN,
    input              READY
);
    integer log, cycle;
    reg [15:0] drive, latched;
    reg [31:0] chance;
    assign AD = drive;

    // A 32-bit shift register with feedback, so that every simulator makes the same run.
    function [31:0] shifted(input [31:0] from);
        shifted = {from[30:0], from[31] ^ from[21] ^ from[1] ^ from[0]};
    endfunction

    // A number from low to high, both included.
    task pick(input integer low, input integer high, output integer number);
        begin
            repeat (7) chance = shifted(chance);
            number = low + chance[15:0] % (high - low + 1);
        end
    endtask

    function integer least(input integer one, input integer other);
        least = one < other ? one : other;
    endfunction

    function integer most(input integer one, input integer other);
        most = one > other ? one : other;
    endfunction

    integer d_lh, d_ll, d_a, d_high, d_bhe, d_free, d_status, d_s7, d_low, d_data, d_den, d_ct;
    integer d_rise, d_den_off, d_data_off, rest;

    // New delays for each cycle, ns, inside the column 8086 in every combination.
    task new_delays(input reads);
        begin
            pick(0, 3, rest);
            rest = rest == 3 ? 2 : rest == 2;       // idle states after this cycle
            pick(5, 60, d_ll);                      // TCHLL at most 85; in T1 here
            pick(5, least(75, 20 + d_ll), d_lh);    // TCLLH at most 80; TLHLL at least 110
            pick(12, least(105, 60 + d_ll), d_a);   // TCLAV 10 to 110; TAVAL at least 70: 130 - 60
            pick(12, least(105, 60 + d_ll), d_high);
            pick(12, least(105, 60 + d_ll), d_bhe);
            pick(most(10, d_ll - 10), 80, d_free);  // TCLAZ 10 to 80; TLLAX at least 60: 70 - 10
            pick(most(10, d_ll - 10), 110, d_status);  // TCLAX at least 10, TCLDV at most 110
            pick(most(10, d_ll - 10), 110, d_s7);
            pick(most(10, d_ll - 10), 110, d_data);
            pick(10, 110, d_ct);                    // TCHCTV 10 to 110
            pick(10, 110, d_den);                   // TCVCTV 10 to 110
            pick(10, 110, d_den_off);               // TCVCTX 10 to 110
            if (reads) begin
                pick(10, rest ? 150 : 50, d_rise);  // TCLRH 10 to 150; TRHAV at least 155: 200 - 45
                pick(most(10, d_free), least(165, 75 + d_rise), d_low);  // TCLRL; TAZRL; TRLRH 325
            end else begin
                pick(10, 100, d_rise);              // TCVCTX 10 to 110
                pick(10, least(110, 60 + d_rise), d_low);  // TCVCTV 10 to 110; TWLWH at least 340
                pick(most(10, d_rise - 30), 75, d_data_off);  // TCHDX; TWHDX at least 100
            end
        end
    endtask

    // M/IO and DT/R move in the state before T1.
    task settle(input memory, input reads);
        begin
            @(posedge CLK);
            MIO <= #(d_ct) memory;
            DTR <= #(d_ct) !reads;
        end
    endtask

    // T1: the address, and ALE, whose fall latches it.
    integer latched_at, began, ended;
    task open_cycle(input [19:0] address, input bhe, input floats);
        begin
            @(negedge CLK);                         // T1
            ALE <= #(d_lh) 1'b1;
            if (!floats) begin
                drive <= #(11) 16'h5AC3;            // not yet the address
                drive <= #(d_a) address[15:0];
            end
            A <= #(d_high) address[19:16];
            BHE <= #(d_bhe) bhe;
            @(posedge CLK) ALE <= #(d_ll) 1'b0;
            latched_at = $time + d_ll;
        end
    endtask

    // T2: A19-A16 become S6-S3, BHE becomes S7.
    reg [2:0] status;
    reg       s7;
    task status_out;
        begin
            {s7, status} = chance[11:8];
            A <= #(d_status) {1'b0, status};
            BHE <= #(d_s7) s7;
        end
    endtask

    // T3 and wait states; returns as T4 begins.
    task await_ready;
        begin
            @(negedge CLK);                         // T3
            @(posedge CLK);
            while (READY !== 1'b1) @(posedge CLK);  // TW
            @(negedge CLK);                         // T4
        end
    endtask

    task idle;
        repeat (rest) @(posedge CLK) @(negedge CLK);
    endtask

    task read_cycle(input memory, input [19:0] address, input bhe);
        begin
            new_delays(1);
            settle(memory, 1);
            open_cycle(address, bhe, 0);
            @(negedge CLK) drive <= #(d_free) 16'bz;  // T2
            status_out;
            RD <= #(d_low) 1'b0;
            began = $time + d_low;
            DEN <= #(130 + d_den) 1'b0;             // from the middle of T2
            await_ready;
            latched = AD;
            RD <= #(d_rise) 1'b1;
            ended = $time + d_rise;
            DEN <= #(130 + d_den_off) 1'b1;
            row(memory ? "read" : "io-read", address, {!bhe, !address[0]}, latched);
            check(memory, address, {!bhe, !address[0]});
            idle;
        end
    endtask

    task write_cycle(input memory, input [19:0] address, input bhe, input [15:0] data);
        begin
            new_delays(0);
            settle(memory, 0);
            open_cycle(address, bhe, 0);
            @(negedge CLK) drive <= #(d_data) data;  // T2
            status_out;
            WR <= #(d_low) 1'b0;                    // perhaps before the data
            began = $time + d_low;
            DEN <= #(d_den) 1'b0;
            await_ready;
            WR <= #(d_rise) 1'b1;
            ended = $time + d_rise;
            drive <= #(130 + d_data_off) 16'bz;
            DEN <= #(130 + d_den_off) 1'b1;
            row(memory ? "write" : "io-write", address, {!bhe, !address[0]}, data);
            keep(memory, address, {!bhe, !address[0]}, data);
            idle;
        end
    endtask

    // Two cycles; the vector comes in the second, on AD7-AD0. In neither is there an address.
    task acknowledge_cycle(input second);
        begin
            new_delays(1);
            settle(0, 1);
            open_cycle(20'h0, second, 1);
            @(negedge CLK) status_out;              // T2
            d_low = d_low > 110 ? 110 : d_low;      // TCVCTV 10 to 110
            INTA <= #(d_low) 1'b0;
            began = $time + d_low;
            DEN <= #(130 + d_den) 1'b0;
            await_ready;
            latched = AD;
            d_rise = d_rise > 110 ? 110 : d_rise;   // TCVCTX 10 to 110
            INTA <= #(d_rise) 1'b1;
            ended = $time + d_rise;
            DEN <= #(130 + d_den_off) 1'b1;
            $fwrite(log, "%0d,0,interrupt-acknowledge,,01,0x--", cycle);
            byte_of(1, latched[7:0]);
            $fdisplay(log, ",acknowledged,%0d000,%0d000,%0d000", latched_at, began, ended);
            cycle = cycle + 1;
            rest = second ? rest : 2;
            idle;
        end
    endtask

    // A single ALE; no strobe follows.
    task halt(input [19:0] address);
        begin
            new_delays(1);
            settle(1, 1);
            open_cycle(address, 1, 0);
            @(negedge CLK) drive <= #(d_free) 16'bz;
            status_out;
            $fwrite(log, "%0d,0,address-only,0x", cycle);
            hex(address, 5);
            $fdisplay(log, ",00,,unacknowledged,%0d000,,", latched_at);
            cycle = cycle + 1;
            rest = 4;
            idle;
        end
    endtask

    // One row: what this host did. A byte lane without part is two dashes.
    task row(input [8*8-1:0] kind, input [19:0] address, input [1:0] lanes, input [15:0] data);
        begin
            $fwrite(log, "%0d,0,%0s,0x", cycle, kind);
            hex(address, 5);
            $fwrite(log, ",%b,0x", lanes);
            byte_of(lanes[1], data[15:8]);
            byte_of(lanes[0], data[7:0]);
            $fdisplay(log, ",acknowledged,%0d000,%0d000,%0d000", latched_at, began, ended);
            cycle = cycle + 1;
        end
    endtask

    task byte_of(input takes_part, input [7:0] value);
        if (!takes_part) $fwrite(log, "--");
        else if (^value === 1'bx) $fwrite(log, "??");
        else hex(value, 2);
    endtask

    // Capital hexadecimal, which $fwrite does not have.
    task hex(input [19:0] value, input integer digits);
        integer at;
        reg [3:0] digit;
        for (at = digits - 1; at >= 0; at = at - 1) begin
            digit = value >> 4 * at;
            $fwrite(log, "%c", digit < 10 ? "0" + digit : "A" - 10 + digit);
        end
    endtask

    // What the host wrote itself, or the card begins with, must come back, or the bench is wrong.
    reg [7:0] mirror [0:31];
    task keep(input memory, input [19:0] address, input [1:0] lanes, input [15:0] data);
        begin
            if (lanes[0]) mirror[{memory, address[3:1], 1'b0}] = data[7:0];
            if (lanes[1]) mirror[{memory, address[3:1], 1'b1}] = data[15:8];
        end
    endtask
    task check(input memory, input [19:0] address, input [1:0] lanes);
        if ((lanes[0] && latched[7:0] !== mirror[{memory, address[3:1], 1'b0}])
            || (lanes[1] && latched[15:8] !== mirror[{memory, address[3:1], 1'b1}]))
            $display("FAULT: cycle %0d read %h at %h", cycle - 1, latched, address);
    endtask

    // A byte or a word, as software asks: an odd word goes in two cycles, its low byte first.
    task access(input writes, input memory, input is_word, input [19:0] address,
                input [15:0] data);
        begin
            if (is_word && address[0]) begin
                part(writes, memory, address, 1'b0, {data[7:0], data[7:0]});
                part(writes, memory, address + 20'd1, 1'b1, {data[15:8], data[15:8]});
            end else if (is_word)
                part(writes, memory, address, 1'b0, data);
            else
                part(writes, memory, address, !address[0], {data[7:0], data[7:0]});
        end
    endtask

    task part(input writes, input memory, input [19:0] address, input bhe, input [15:0] data);
        if (writes) write_cycle(memory, address, bhe, data);
        else read_cycle(memory, address, bhe);
    endtask

    integer i, k, place, data, high, sort;
    initial begin
        drive = 16'bz; A = 4'h0; {BHE, ALE, RD, WR, MIO, INTA, DTR, DEN} = 8'b1011_1111;
        chance = 32'h8086D5A1; cycle = 0;
        for (k = 0; k < 32; k = k + 1) mirror[k] = 8'hC7 ^ 8'd37 * k;
        log = $fopen("i8086_bench.csv", "w");
        $fdisplay(log, "cycle,beat,kind,address,lanes,data,ended,address_ps,data_ps,release_ps");
        repeat (2) @(negedge CLK);
        for (i = 0; i < 60; i = i + 1) begin
            pick(0, 15, place);
            pick(0, 65535, data);
            pick(0, 65535, high);
            sort = (i * 7 + 3) % 12;                // every sort at even and odd places
            place = {place[3:1], 1'b0} + (i / 12 + i) % 2;
            access(sort[0], sort < 8, sort[1],
                   {sort < 8 ? high[15:12] : 4'h0, high[11:0], place[3:0]}, data[15:0]);
            if (i == 16 || i == 44) begin
                acknowledge_cycle(0);
                acknowledge_cycle(1);
            end
            if (i == 37) begin                      // halts until an interrupt comes
                halt({high[15:0], place[3:0]});
                acknowledge_cycle(0);
                acknowledge_cycle(1);
            end
        end
        repeat (3) @(posedge CLK);
        $fclose(log);
        $finish;
    end
endmodule

// Sixteen bytes of memory and sixteen ports, by the low address lines. READY is high except in wait
// states at first, and after a while low except where the card is ready.
module i8086_card (
    input         CLK,
    inout  [15:0] AD,
    input [19:16] A,
    input         BHE, ALE, RD, WR, MIO, INTA,
    output reg    READY
);
    reg [7:0]  memory [0:31];
    reg [15:0] drive, word;
    reg [4:0]  place;
    reg        bhe, a0, second, normally, stopped;
    reg [31:0] turn;
    integer    k, waits, cycles, after, soon;
    assign AD = drive;

    initial begin
        drive = 16'bz; READY = 1; normally = 1; second = 0; cycles = 0; turn = 32'h0BADF00D;
        for (k = 0; k < 32; k = k + 1) memory[k] = 8'hC7 ^ 8'd37 * k;
    end

    task new_turn;
        repeat (11) turn = {turn[30:0], turn[31] ^ turn[21] ^ turn[1] ^ turn[0]};
    endtask

    // READY moves as CLK falls: by TRYLCL low until 8 after T3 has begun, by TRYHCH high 118 before
    // CLK rises: 130 - 12; by TCHRYX for 30 after that.
    always @(negedge ALE) if ($time > 0) begin
        place = {MIO, AD[3:1], 1'b0};
        a0 = AD[0];
        bhe = BHE;
        new_turn;
        waits = turn[0] ? 0 : 1 + turn[2:1] % 3;
        soon = turn[3];
        cycles = cycles + 1;
        if (normally) begin
            if (waits > 0) begin
                repeat (soon ? 1 : 2) @(negedge CLK);  // T2 or T3
                READY <= #(turn[6:4]) 1'b0;
                if (soon) @(negedge CLK);           // T3
                repeat (waits) @(negedge CLK);      // the last TW
                READY <= #(turn[9:7]) 1'b1;
            end
            if (cycles == 44) begin
                normally = 0;
                repeat (waits > 0 ? 1 : 3) @(negedge CLK);  // T4
                READY <= #(5) 1'b0;
            end
        end else begin
            repeat (2 + waits) @(negedge CLK);      // T3, or the last TW
            READY <= #(turn[6:4]) 1'b1;
            @(negedge CLK) READY <= #(turn[9:7]) 1'b0;  // T4
        end
    end

    // Reads: TDVCL at least 30 before T4: RD falls 235 before it at least, 200 a wait state more. A
    // port drives the lanes that take part, memory both. Nothing drives at a first INTA.
    always @(negedge RD) begin
        word = {memory[place | 1], memory[place]};
        if (!place[4]) begin
            if (a0) word[7:0] = 8'bz;
            if (bhe) word[15:8] = 8'bz;
        end
        after = 20 + turn[17:10] % 180 + 200 * waits;
        drive <= #(18) ~word;                       // not yet the word
        drive <= #(after) word;
    end
    always @(negedge INTA) begin
        if (second) drive <= #(20 + turn[17:10] % 180 + 200 * waits) {8'bz, 4'h6, turn[23:20]};
        second = !second;
    end
    always @(posedge RD) drive <= #(3 + turn[23:18] % 50) 16'bz;  // TCLDX at least 10
    always @(posedge INTA) drive <= #(3 + turn[23:18] % 50) 16'bz;

    // A write is taken as WR goes away.
    always @(posedge WR) begin
        if (!a0) memory[place] <= AD[7:0];
        if (!bhe) memory[place | 1] <= AD[15:8];
    end
endmodule

module i8086_bench;
    reg          CLK;
    wire [15:0]  AD;
    wire [19:16] A;
    wire         BHE, ALE, RD, WR, \M/IO , INTA, \DT/R , DEN, READY;
    i8086_host host (CLK, AD, A, BHE, ALE, RD, WR, \M/IO , INTA, \DT/R , DEN, READY);
    i8086_card card (CLK, AD, A, BHE, ALE, RD, WR, \M/IO , INTA, READY);
    initial begin
        CLK = 1;
        #20 forever begin                           // TCLCH at least 118, TCHCL at least 69
            CLK = 0;
            #130 CLK = 1;
            #70;
        end
    end
    initial begin
        $dumpfile("i8086_bench.vcd");
        $dumpvars(1, i8086_bench);
    end
endmodule
