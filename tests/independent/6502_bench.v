// A 6502 host model and a card model on one bus; makes 6502_bench.vcd and, from what the host
// itself meant and latched, 6502_bench.csv. Nothing here decodes a capture.
//
// Source: W65C02S data sheet, AC list of the 8 MHz grade, at second hand; each range below names
// its parameter. Cycles of each instruction: MCS6500 hardware manual, appendix A, at second hand;
// the read-modify-write with two reads and one write as the W65C02S has it. RDY: W65C02S data
// sheet, pin description, at second hand: PHI2 goes on, the address stays, and the processor goes
// on at the fall of PHI2 at which RDY is high. Which outputs share tADS and tAH is from memory.
`timescale 1ns / 1ns

module host_6502 (
    input             PHI2,
    output reg [15:0] A,
    inout      [7:0]  D,
    output reg        RW, SYNC,
    input             RDY
);
    integer log, cycle, choice;
    reg [7:0]  drive, latched;
    reg [31:0] chance;
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

    integer d_mix, d_a, d_rw, d_sync, d_data, d_off;

    // New delays for each cycle, ns.
    task new_delays;
        begin
            pick(10, 18, d_mix);        // tAH at least 10: some address lines change early
            pick(20, 40, d_a);          // tADS at most 40: all of them have
            pick(10, 40, d_rw);         // tAH, tADS
            pick(10, 40, d_sync);       // tAH, tADS
            pick(6, 40, d_data);        // tMDS at most 40 from the rise of PHI2
            pick(10, 20, d_off);        // tDHW at least 10
        end
    endtask

    // One cycle; called at a fall of PHI2, comes back at the fall that ends it.
    time began;
    task bus_cycle(input [8*8-1:0] kind, input [15:0] address, input [7:0] data);
        begin
            new_delays;
            A <= #(d_mix) A & address;
            A <= #(d_a) address;
            RW <= #(d_rw) kind != "write";
            SYNC <= #(d_sync) kind == "fetch";
            @(posedge PHI2) began = $time;
            if (kind == "write") begin
                drive <= #(3) ~data;                      // not yet what is meant
                drive <= #(d_data) data;
            end
            begin : stretched
                forever begin
                    @(negedge PHI2);
                    if (RDY !== 1'b0) disable stretched;
                end
            end
            latched = D;
            if (kind == "write") begin
                drive <= #(d_off) 8'bz;
                mirror[address[2:0]] = data;
            end else check(address);
            row(kind, address, latched);
        end
    endtask

    // One row: what this host did.
    task row(input [8*8-1:0] kind, input [15:0] address, input [7:0] data);
        begin
            $fwrite(log, "%0d,0,%0s,0x", cycle, kind);
            hex(address, 4);
            $fwrite(log, ",1,0x");
            hex(data, 2);
            $fdisplay(log, ",acknowledged,%0d000,%0d000", began, $time);
            cycle = cycle + 1;
        end
    endtask

    task cut_off;
        begin
            $fdisplay(log, "%0d,0,,,,,cut-off,,", cycle);
            cycle = cycle + 1;
        end
    endtask

    // Capital hexadecimal, which $fwrite does not have.
    task hex(input [15:0] value, input integer digits);
        integer at;
        reg [3:0] digit;
        for (at = digits - 1; at >= 0; at = at - 1) begin
            digit = value >> 4 * at;
            $fwrite(log, "%c", digit < 10 ? "0" + digit : "A" - 10 + digit);
        end
    endtask

    // What the host wrote itself, or the known ROM, must come back, or the bench is wrong.
    reg [7:0] mirror [0:7];
    reg [7:0] wanted;
    task check(input [15:0] address);
        begin
            wanted = address[15] ? (address[7:0] * 8'd5 + address[15:8]) ^ 8'h3C
                                 : mirror[address[2:0]];
            if (latched !== wanted)
                $display("FAULT: cycle %0d read %h, must be %h", cycle, latched, wanted);
        end
    endtask

    // The instructions: opcode fetch, operands, then what they do.
    reg [15:0] pc, effective;
    task operands(input integer count);
        begin
            bus_cycle("fetch", pc, 8'h00);
            repeat (count) begin
                pc = pc + 1;
                bus_cycle("read", pc, 8'h00);
            end
            pc = pc + 1;
        end
    endtask

    integer i, place, data, high;
    initial begin
        A = 16'hB7E4; RW = 1; SYNC = 1; drive = 8'bz; chance = 32'h6502A5C3; cycle = 0;
        log = $fopen("6502_bench.csv", "w");
        $fdisplay(log, "cycle,beat,kind,address,lanes,data,ended,data_ps,release_ps");
        // The capture begins in the high of a fetch that RDY stretches.
        @(negedge PHI2);
        if (RDY !== 1'b0) $display("FAULT: the first cycle is not stretched");
        @(negedge PHI2) cut_off;
        pc = 16'h8C53;
        for (i = 0; i < 8; i = i + 1) begin
            pick(0, 255, data);
            pick(0, 127, high);
            operands(2);                                  // STA absolute
            bus_cycle("write", {1'b0, high[6:0], 5'h15, i[2:0]}, data[7:0]);
        end
        for (i = 0; i < 24; i = i + 1) begin
            pick(0, 7, choice);
            pick(0, 7, place);
            pick(0, 255, data);
            pick(0, 127, high);
            effective = {1'b0, high[6:0], data[7:3], place[2:0]};
            case (choice)
                0: begin                                  // implied: next opcode read, discarded
                    operands(1);
                    pc = pc - 1;
                end
                1, 2: begin                               // LDA absolute
                    operands(2);
                    bus_cycle("read", effective, 8'h00);
                end
                3, 4: begin                               // STA absolute
                    operands(2);
                    bus_cycle("write", effective, data[7:0]);
                end
                5: begin                                  // INC absolute, W65C02S
                    operands(2);
                    bus_cycle("read", effective, 8'h00);
                    bus_cycle("read", effective, 8'h00);
                    bus_cycle("write", effective, latched + 8'h01);
                end
                6: begin                                  // PHA
                    operands(1);
                    pc = pc - 1;
                    bus_cycle("write", {13'h003F, place[2:0]}, data[7:0]);
                end
                default: begin                            // JMP absolute
                    operands(2);
                    pc = {1'b1, high[6:0], data[7:0]} & 16'hEFFF;
                end
            endcase
        end
        // The capture ends in the high of a fetch from the slow page.
        new_delays;
        A <= #(d_a) 16'hFFFC;
        RW <= #(d_rw) 1'b1;
        SYNC <= #(d_sync) 1'b1;
        repeat (2) @(negedge PHI2);
        if (RDY !== 1'b0) $display("FAULT: the last cycle is not stretched");
        @(posedge PHI2) #30 cut_off;
        $fclose(log);
        $finish;
    end
endmodule

// Eight bytes of memory below $8000, a ROM above, and a page $FF that is slow for ever; RDY
// stretches reads only. Data is on the lines in the high of PHI2.
module card_6502 (
    input         PHI2,
    input  [15:0] A,
    inout  [7:0]  D,
    input         RW,
    output        RDY
);
    reg [7:0]  memory [0:7];
    reg [7:0]  drive;
    reg        hold;
    reg [15:0] turn;
    integer    waits;
    assign D = drive;
    assign RDY = hold ? 1'b0 : 1'bz;                      // open collector, pulled up
    wire [7:0] answer = A[15] ? (A[7:0] * 8'd5 + A[15:8]) ^ 8'h3C : memory[A[2:0]];

    initial begin
        drive = 8'h91; turn = 16'h1D0F; waits = 0; hold = 1;
        @(negedge PHI2) #24 hold = 0;                     // the cycle cut off at the begin
    end

    // RDY goes low in phase one, after the address, or early in phase two: tPCS at least 15 before
    // the fall. It goes high in phase one, tPCH at least 10 after a fall, or early in phase two.
    initial begin
        @(negedge PHI2);
        forever begin
            @(negedge PHI2);
            turn = {turn[14:0], turn[15] ^ turn[13] ^ turn[12] ^ turn[10]};
            #45 waits = RW === 1'b0 ? 0 : &A[15:8] ? 1000 : turn[2:0] > 4 ? turn[2:0] - 4 : 0;
            if (waits > 0) begin
                if (turn[3]) @(posedge PHI2) #(turn[7:4] + 5) hold = 1;
                else hold = 1;
                repeat (waits) @(negedge PHI2);
                if (turn[8]) @(posedge PHI2) #(turn[12:9] + 5) hold = 0;
                else #(10 + turn[12:9]) hold = 0;
            end else if (turn[6:4] == 3'd5) begin
                hold = 1;                                 // gone again before PHI2 rises
                #9 hold = 0;
            end
        end
    end

    // While RDY is low, or has only just gone high, the byte is not there yet.
    always @(posedge PHI2) if (RW && $time > 0) begin
        drive <= #4 ~answer;
        #(22 + turn[12:9]) if (!hold) drive = answer;     // tDSR at least 15 before the fall
    end
    always @(negedge PHI2) drive <= #(10 + turn[2:0]) 8'bz;    // tDHR at least 10

    // A write is taken as PHI2 falls.
    always @(negedge PHI2) if (!RW && !A[15]) memory[A[2:0]] <= D;
endmodule

// Each low and each high has its own width: tPWL at least 63, tPWH 62, tCYC 125.
module clock_6502 (output reg PHI2);
    reg [15:0] width;
    initial begin
        PHI2 = 1; width = 16'hC0DE;
        #37 forever begin
            PHI2 = 0;
            width = {width[14:0], width[15] ^ width[13] ^ width[12] ^ width[10]};
            #(63 + width[3:0]) PHI2 = 1;
            #(62 + width[7:4]);
        end
    end
endmodule

module bench_6502;
    wire        PHI2;
    wire [15:0] A;
    wire [7:0]  D;
    wire        \R/W , SYNC, RDY;
    wire        IRQ, NMI, RES;
    clock_6502 clock (PHI2);
    pullup (RDY);
    pullup (IRQ);
    pullup (NMI);
    pullup (RES);
    host_6502 host (PHI2, A, D, \R/W , SYNC, RDY);
    card_6502 card (PHI2, A, D, \R/W , RDY);

    initial begin
        $dumpfile("6502_bench.vcd");
        $dumpvars(1, bench_6502);
    end
endmodule
