// An MC68000 host model and a card model on one bus; makes mc68000_bench.vcd and, from what the
// host itself meant and latched, mc68000_bench.csv. Nothing here decodes a capture.
//
// Source: M68000UM/AD, 9th ed. States: 5.1.1 read, 5.1.2 write, 5.1.3 read-modify-write,
// 5.1.4 and Figure 5-11 interrupt acknowledge, NOTE of 5.1.1 for an end by BERR. Lanes: Table 3-1.
// Delays: 10.10, column 8 MHz; each range below names its parameter. One clock is 125 ns.
`timescale 1ns / 100ps

module mc68000_host (
    input             CLK,
    output reg [23:1] A,
    inout      [15:0] D,
    output reg        AS, UDS, LDS, RW,
    output reg [2:0]  FC,
    input             DTACK, BERR
);
    integer log, cycle, choice;
    reg [15:0] drive, latched;
    reg [31:0] chance;
    reg        failed;
    assign D = drive;

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

    integer d_fc, d_a, d_as, d_uds, d_lds, d_rw, d_data, d_z, d_off_as, d_off_uds, d_off_lds;

    // New delays for each cycle, ns, inside 10.10 at 8 MHz in every combination.
    task new_delays;
        begin
            pick(5, 40, d_fc);       // #6A at most 62; #11A FC to AS at least 90: 125 + 10 - 40
            pick(5, 40, d_a);        // #6 at most 62; #11 address to AS at least 30: 62.5 + 10 - 40
            pick(10, 50, d_as);      // #9 3 to 60
            pick(10, 50, d_uds);
            pick(10, 50, d_lds);
            pick(2, d_as + 10, d_rw);        // #20 at most 55, #20A R/W lags AS by 10 at most
            if (d_rw > 50) d_rw = 50;
            pick(d_rw > 30 ? d_rw - 30 : 0, 30, d_data);  // #23; #55 R/W to data; #26 62.5+10-30
            if (d_data > 30) d_data = 30;
            pick(10, 40, d_off_as);  // #12 at most 62
            pick(10, 40, d_off_uds);
            pick(10, 40, d_off_lds);
            pick(20, 70, d_z);       // #7 at most 80; #13 and #25 at least 40: 62.5 + 20 - 40
        end
    endtask

    // S0 and S1, then AS in S2.
    task open_cycle(input [23:1] address, input [2:0] space);
        begin
            @(posedge CLK) FC <= #(d_fc) space;           // S0
            @(negedge CLK) A <= #(d_a) address;           // S1
            @(posedge CLK) AS <= #(d_as) 1'b0;            // S2
        end
    endtask

    // Falling edges from the end of S4 until DTACK or BERR is seen; true for BERR.
    task await_end(output by_error);
        begin : waiting
            by_error = 0;
            forever begin
                @(negedge CLK);                           // end of S4, or of a wait clock
                if (DTACK === 1'b0) disable waiting;
                if (BERR === 1'b0) begin
                    by_error = 1;
                    @(negedge CLK);                       // S7, one clock more: S9
                    disable waiting;
                end
            end
        end
    endtask

    task close_strobes;
        begin
            UDS <= #(d_off_uds) 1'b1;
            LDS <= #(d_off_lds) 1'b1;
        end
    endtask

    // The clock edge after S7 (or S9, S19) is the next S0; the lines go there.
    task leave_bus;
        begin
            AS <= #(d_off_as) 1'b1;
            A <= #(62.5 + d_z) 23'bz;
            drive <= #(62.5 + d_z) 16'bz;
            RW <= #(62.5 + (d_z < 50 ? d_z : 50)) 1'b1;   // #18 at most 55
        end
    endtask

    // One row: what this host did. A byte lane without part is two dashes.
    task row(input integer beat, input writes, input vector, input [23:1] address,
             input [1:0] lanes, input [15:0] data, input by_error, input rmw);
        begin
            $fwrite(log, "%0d,%0d,%0s,0x", cycle, beat,
                    vector ? "interrupt-acknowledge" : writes ? "write" : "read");
            hex({address, ~lanes[1]}, 6);
            $fwrite(log, ",%b,0x", lanes);
            byte_of(lanes[1], data[15:8]);
            byte_of(lanes[0], data[7:0]);
            $fdisplay(log, ",%0s,%0s", by_error ? "error" : "acknowledged",
                      rmw ? "true" : "false");
        end
    endtask

    task byte_of(input takes_part, input [7:0] value);
        if (!takes_part) $fwrite(log, "--");
        else if (^value === 1'bx) $fwrite(log, "??");
        else hex(value, 2);
    endtask

    // Capital hexadecimal, which $fwrite does not have.
    task hex(input [23:0] value, input integer digits);
        integer at;
        reg [3:0] digit;
        for (at = digits - 1; at >= 0; at = at - 1) begin
            digit = value >> 4 * at;
            $fwrite(log, "%c", digit < 10 ? "0" + digit : "A" - 10 + digit);
        end
    endtask

    // What the host wrote itself must come back, or the bench is wrong.
    reg [15:0] mirror [0:7];
    task keep(input [2:0] word, input [1:0] lanes, input [15:0] data);
        begin
            if (lanes[1]) mirror[word][15:8] = data[15:8];
            if (lanes[0]) mirror[word][7:0] = data[7:0];
        end
    endtask
    task check(input [2:0] word, input [1:0] lanes);
        if ((lanes[1] && latched[15:8] !== mirror[word][15:8])
            || (lanes[0] && latched[7:0] !== mirror[word][7:0]))
            $display("FAULT: cycle %0d read %h, the host wrote %h", cycle, latched, mirror[word]);
    endtask

    task read_word(input [23:1] address, input [1:0] lanes, input [2:0] space);
        begin
            new_delays;
            open_cycle(address, space);
            if (lanes[1]) UDS <= #(d_uds) 1'b0;           // S2, with AS
            if (lanes[0]) LDS <= #(d_lds) 1'b0;
            @(posedge CLK);                               // S4
            await_end(failed);
            @(negedge CLK) latched = D;                   // S7
            close_strobes;
            leave_bus;
            if (!failed && space != 7) check(address[3:1], lanes);
            row(0, 0, space == 7, address, lanes, latched, failed, 0);
            cycle = cycle + 1;
        end
    endtask

    task write_word(input [23:1] address, input [1:0] lanes, input [15:0] data,
                    input [2:0] space);
        begin
            new_delays;
            open_cycle(address, space);
            RW <= #(d_rw) 1'b0;                           // S2
            @(negedge CLK)                                // S3; a byte stands on both halves
                drive <= #(d_data) lanes == 2'b10 ? {2{data[15:8]}}
                                 : lanes == 2'b01 ? {2{data[7:0]}} : data;
            @(posedge CLK);                               // S4
            if (lanes[1]) UDS <= #(d_uds) 1'b0;
            if (lanes[0]) LDS <= #(d_lds) 1'b0;
            await_end(failed);
            @(negedge CLK);                               // S7
            close_strobes;
            leave_bus;
            if (!failed) keep(address[3:1], lanes, data);
            row(0, 1, 0, address, lanes, data, failed, 0);
            cycle = cycle + 1;
        end
    endtask

    task test_and_set(input [23:1] address, input [1:0] lanes, input [2:0] space);
        reg [7:0] operand;
        begin
            new_delays;
            open_cycle(address, space);
            if (lanes[1]) UDS <= #(d_uds) 1'b0;
            if (lanes[0]) LDS <= #(d_lds) 1'b0;
            @(posedge CLK);                               // S4
            await_end(failed);
            @(negedge CLK) latched = D;                   // S7
            close_strobes;                                // AS stays
            check(address[3:1], lanes);
            row(0, 0, 0, address, lanes, latched, failed, 1);
            operand = (lanes[1] ? latched[15:8] : latched[7:0]) | 8'h80;
            repeat (3) @(posedge CLK);                    // S8, S10, S12
            @(posedge CLK) RW <= #(d_rw) 1'b0;            // S14
            @(negedge CLK) drive <= #(d_data) {2{operand}};  // S15
            @(posedge CLK);                               // S16
            if (lanes[1]) UDS <= #(d_uds) 1'b0;
            if (lanes[0]) LDS <= #(d_lds) 1'b0;
            await_end(failed);
            @(negedge CLK);                               // S19
            close_strobes;
            leave_bus;
            keep(address[3:1], lanes, {2{operand}});
            row(1, 1, 0, address, lanes, {2{operand}}, failed, 1);
            cycle = cycle + 1;
        end
    endtask

    integer i, lanes_of, place, word_high, word_low, cycle_space;
    reg [2:0] space;
    initial begin
        A = 23'bz; drive = 16'bz; {AS, UDS, LDS, RW} = 4'b1111; FC = 3'd5;
        chance = 32'h68000E1A; cycle = 0;
        log = $fopen("mc68000_bench.csv", "w");
        $fdisplay(log, "cycle,beat,kind,address,lanes,data,ended,rmw");
        repeat (2) @(negedge CLK);
        for (i = 0; i < 72; i = i + 1) begin
            pick(0, 15, choice);
            pick(1, 3, lanes_of);
            pick(0, 7, place);
            pick(0, 255, word_high);
            pick(0, 255, word_low);
            pick(0, 3, cycle_space);
            case (cycle_space)
                0: space = 1; 1: space = 2; 2: space = 5; default: space = 6;
            endcase
            if (i % 10 == 9)                              // an idle clock
                @(posedge CLK) @(negedge CLK);
            if (i == 13 || i == 27)                       // level 1 to 7 on A3-A1
                read_word({20'hFFFFF, (i == 13) ? 3'd4 : 3'd6}, 2'b11, 3'd7);
            else if (i == 11)
                read_word(23'h7A0000 | place, 2'b11, space);
            else if (i == 21)
                write_word(23'h7A0000 | place, lanes_of, {word_high[7:0], word_low[7:0]}, space);
            else if (i < 8)                               // every word once
                write_word(23'h10A5C8 + i, 2'b11, {word_high[7:0], word_low[7:0]}, space);
            else if (choice < 6)
                write_word(23'h10A5C8 + place, lanes_of, {word_high[7:0], word_low[7:0]}, space);
            else if (choice < 13)
                read_word(23'h10A5C8 + place, lanes_of, space);
            else
                test_and_set(23'h10A5C8 + place, lanes_of[0] ? 2'b01 : 2'b10, space);
        end
        repeat (3) @(posedge CLK);
        $fclose(log);
        $finish;
    end
endmodule

// Eight words of memory at byte address $214B90; an interrupt vector; BERR where nobody is.
module mc68000_card (
    input        CLK,
    input [23:1] A,
    inout [15:0] D,
    input        AS, UDS, LDS, RW,
    input [2:0]  FC,
    output       DTACK, BERR
);
    reg [15:0] memory [0:7];
    reg [15:0] drive;
    reg        dtack, berr;
    reg [15:0] turn;
    integer    clocks, late, k;
    wire       selected = ~UDS | ~LDS;
    wire       is_vector = FC == 7 && A[19:16] == 4'hF;
    wire       is_memory = FC != 7 && A >= 23'h10A5C8 && A < 23'h10A5D0;
    wire [2:0] word = A[3:1];
    assign D = drive;
    assign DTACK = dtack ? 1'bz : 1'b0;                   // open collector, pulled up
    assign BERR = berr ? 1'bz : 1'b0;

    initial begin
        drive = 16'bz; dtack = 1; berr = 1; turn = 16'hACE1;
        for (k = 0; k < 8; k = k + 1) memory[k] = 16'bx;  // written before it is read
    end

    task settle;                                          // after both strobes have come
        begin
            turn = {turn[14:0], turn[15] ^ turn[13] ^ turn[12] ^ turn[10]};
            clocks = turn[1:0];
            late = 20 + turn[6:2];
        end
    endtask

    always @(posedge selected) begin : transfer
        settle;
        #55;                                              // both strobes are there, #9 3 to 60
        if (!selected) disable transfer;
        if (is_memory || is_vector) begin
            if (RW && clocks > 1) drive <= #10 16'h00FF;  // not yet the word
            repeat (clocks) @(posedge CLK);
            #5 dtack <= 1'b0;
            if (RW)                                       // #31 at most 90 after DTACK
                drive <= #(late) is_vector ? {8'bz, 5'b01000, word} : memory[word];
        end else begin                                    // a watchdog
            repeat (4) @(posedge CLK);
            #5 berr <= 1'b0;
        end
    end

    // Write: taken as the strobe of the lane goes away.
    always @(posedge UDS) if (!RW && is_memory) memory[word][15:8] <= D[15:8];
    always @(posedge LDS) if (!RW && is_memory) memory[word][7:0] <= D[7:0];

    always @(negedge selected) begin
        settle;
        drive <= #(turn[5:0]) 16'bz;                      // #29 at least 0, #29A at most 187
        dtack <= #(10 + turn[6:0] % 100) 1'b1;            // #28 0 to 240
        berr <= #(late) 1'b1;                             // #30 at least 0
    end
endmodule

module mc68000_bench;
    reg         CLK;
    wire [23:1] A;
    wire [15:0] D;
    wire        AS, UDS, LDS, \R/W ;
    wire [2:0]  FC;
    wire        DTACK, BERR, VPA;
    pullup (DTACK);
    pullup (BERR);
    pullup (VPA);
    mc68000_host host (CLK, A, D, AS, UDS, LDS, \R/W , FC, DTACK, BERR);
    mc68000_card card (CLK, A, D, AS, UDS, LDS, \R/W , FC, DTACK, BERR);
    initial begin
        CLK = 0;
        forever #62.5 CLK = ~CLK;
    end
    initial begin
        $dumpfile("mc68000_bench.vcd");
        $dumpvars(1, mc68000_bench);
    end
endmodule
