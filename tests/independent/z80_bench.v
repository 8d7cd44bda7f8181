// A Z80 host model and a card model on one bus; makes z80_bench.vcd and, from what the host itself
// meant and latched, z80_bench.csv. Nothing here decodes a capture.
//
// Source: Zilog Z80 CPU user's manual (UM0080), timing of the machine cycles: opcode fetch with
// refresh, memory read and write, input and output with one automatic wait, interrupt acknowledge
// with two. Delays: AC list of the 4 MHz grade. Waits' set-up (70 ns), data set-up in T3 (50 ns) and
// M1 to IORQ (565 ns) are from memory, not read. One clock (T state) is 250 ns.
`timescale 1ns / 1ns

module z80_host (
    input             CLK,
    output reg [15:0] A,
    inout      [7:0]  D,
    output reg        M1, MREQ, IORQ, RD, WR, RFSH,
    input             WAIT
);
    integer log, cycle, choice;
    reg [7:0]  drive, latched;
    reg [31:0] chance;
    reg [6:0]  refresh;
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

    integer d_a, d_m1, d_mreq, d_rd, d_wr, d_iorq, d_data, d_free, d_refresh, d_rfsh;
    integer d_m1_off, d_mreq_off, d_rd_off, d_wr_off, d_iorq_off, d_rfsh_off;

    // New delays for each cycle, ns, inside the 4 MHz list in every combination.
    task new_delays;
        begin
            pick(20, 95, d_a);          // clock to address at most 110
            pick(20, 90, d_m1);         // clock to M1 at most 100
            pick(35, 75, d_mreq);       // clock to MREQ at most 85
            pick(25, 85, d_rd);         // clock to RD at most 95
            pick(20, 70, d_wr);         // clock to WR at most 80
            pick(20, 75, d_iorq);       // clock to IORQ at most 85
            pick(60, 150, d_data);      // clock to data out at most 150
            pick(20, 80, d_free);       // data to high impedance
            pick(20, 50, d_mreq_off);   // clock to MREQ high at most 85; high for at least 110
            pick(20, 60, d_rd_off);
            pick(20, 70, d_wr_off);
            pick(20, 75, d_iorq_off);
            pick(20, 90, d_m1_off);
            pick(90, 105, d_refresh);   // refresh address at most 110, after MREQ and RD
            pick(80, 125, d_rfsh);      // clock to RFSH low at most 130
            pick(30, 110, d_rfsh_off);  // clock to RFSH high at most 120
        end
    endtask

    // T2 falls; each falling edge that finds WAIT low adds one clock.
    task sample_wait;
        begin : waiting
            forever begin
                @(negedge CLK);
                if (WAIT !== 1'b0) disable waiting;
            end
        end
    endtask

    // T3 and T4 of an M1 cycle, begun at the rising edge of T3.
    task refresh_states;
        begin
            A <= #(d_refresh) {8'h7F, 1'b0, refresh};
            RFSH <= #(d_rfsh) 1'b0;
            @(negedge CLK) MREQ <= #(d_mreq) 1'b0;        // T3
            @(posedge CLK);                               // T4
            @(negedge CLK) MREQ <= #(d_mreq_off) 1'b1;
            RFSH <= #(125 + d_rfsh_off) 1'b1;             // in the next T1
            row("refresh", {8'h7F, 1'b0, refresh}, 0, 8'h00, 0);
            refresh = refresh + 1;
        end
    endtask

    task fetch(input [15:0] address, output [7:0] opcode);
        begin
            new_delays;
            @(posedge CLK);                               // T1
            A <= #(d_a) address;
            M1 <= #(d_m1) 1'b0;
            @(negedge CLK);
            MREQ <= #(d_mreq) 1'b0;
            RD <= #(d_rd) 1'b0;
            sample_wait;                                  // T2, TW
            @(posedge CLK) latched = D;                   // T3
            MREQ <= #(d_mreq_off) 1'b1;
            RD <= #(d_rd_off) 1'b1;
            M1 <= #(d_m1_off) 1'b1;
            row("fetch", address, 1, latched, 1);
            opcode = latched;
            check(address);
            refresh_states;
        end
    endtask

    task read_memory(input [15:0] address);
        begin
            new_delays;
            @(posedge CLK) A <= #(d_a) address;           // T1
            @(negedge CLK);
            MREQ <= #(d_mreq) 1'b0;
            RD <= #(d_rd) 1'b0;
            sample_wait;                                  // T2, TW
            @(negedge CLK) latched = D;                   // T3
            MREQ <= #(d_mreq_off) 1'b1;
            RD <= #(d_rd_off) 1'b1;
            row("read", address, 1, latched, 1);
            check(address);
        end
    endtask

    task write_memory(input [15:0] address, input [7:0] data);
        begin
            new_delays;
            @(posedge CLK) A <= #(d_a) address;           // T1
            @(negedge CLK);
            MREQ <= #(d_mreq) 1'b0;
            drive <= #(d_data) data;
            @(negedge CLK) WR <= #(d_wr) 1'b0;            // T2
            if (WAIT === 1'b0) sample_wait;               // TW
            @(negedge CLK);                               // T3
            MREQ <= #(d_mreq_off) 1'b1;
            WR <= #(d_wr_off) 1'b1;
            drive <= #(125 + d_free) 8'bz;                // in the next T1
            row("write", address, 1, data, 1);
            mirror[address[3:0]] = data;
        end
    endtask

    task input_port(input [15:0] address);
        begin
            new_delays;
            @(posedge CLK) A <= #(d_a) address;           // T1
            @(posedge CLK);                               // T2
            IORQ <= #(d_iorq) 1'b0;
            RD <= #(d_rd) 1'b0;
            @(negedge CLK);                               // WAIT not looked at in T2
            sample_wait;                                  // TW*, TW
            @(negedge CLK) latched = D;                   // T3
            IORQ <= #(d_iorq_off) 1'b1;
            RD <= #(d_rd_off) 1'b1;
            row("io-read", address, 1, latched, 1);
            if (latched !== ports[address[3:0]])
                $display("FAULT: cycle %0d input %h, the host wrote %h", cycle, latched,
                         ports[address[3:0]]);
        end
    endtask

    task output_port(input [15:0] address, input [7:0] data);
        begin
            new_delays;
            if (address[0]) begin                         // data at its latest, strobes early
                d_data = 150;
                d_iorq = 15;
                d_wr = 19;
            end
            @(posedge CLK) A <= #(d_a) address;           // T1
            @(negedge CLK) drive <= #(d_data) data;       // may come a little after WR
            @(posedge CLK);                               // T2
            IORQ <= #(d_iorq) 1'b0;
            WR <= #(d_wr) 1'b0;
            @(negedge CLK);
            sample_wait;                                  // TW*, TW
            @(negedge CLK);                               // T3
            IORQ <= #(d_iorq_off) 1'b1;
            WR <= #(d_wr_off) 1'b1;
            drive <= #(125 + d_free) 8'bz;
            row("io-write", address, 1, data, 1);
            ports[address[3:0]] = data;
        end
    endtask

    task acknowledge_interrupt(input [15:0] address);
        begin
            new_delays;
            @(posedge CLK);                               // T1
            A <= #(d_a) address;
            M1 <= #(d_m1) 1'b0;
            repeat (3) @(negedge CLK);                    // T1, T2, first TW*
            IORQ <= #(d_iorq) 1'b0;
            sample_wait;                                  // second TW*, TW
            @(posedge CLK) latched = D;                   // T3
            IORQ <= #(d_iorq_off) 1'b1;
            M1 <= #(d_m1_off) 1'b1;
            row("interrupt-acknowledge", address, 1, latched, 1);
            refresh_states;
        end
    endtask

    // One row: what this host did.
    task row(input [21*8-1:0] kind, input [15:0] address, input takes_part, input [7:0] data,
             input waited);
        begin
            $fwrite(log, "%0d,0,%0s,0x", cycle, kind);
            hex(address, 4);
            $fwrite(log, ",%b,", takes_part);
            if (takes_part) begin
                $fwrite(log, "0x");
                hex(data, 2);
            end
            $fdisplay(log, ",%0s", waited ? "acknowledged" : "unacknowledged");
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

    // What the host wrote itself must come back, or the bench is wrong.
    reg [7:0] mirror [0:15];
    reg [7:0] ports [0:15];
    task check(input [15:0] address);
        if (latched !== mirror[address[3:0]])
            $display("FAULT: cycle %0d read %h, the host wrote %h", cycle, latched,
                     mirror[address[3:0]]);
    endtask

    integer i, place, data, high;
    reg [7:0] opcode;
    initial begin
        A = 16'h0000; drive = 8'bz; {M1, MREQ, IORQ, RD, WR, RFSH} = 6'b111111;
        chance = 32'h2801AC3D; cycle = 0; refresh = 7'h5A;
        log = $fopen("z80_bench.csv", "w");
        $fdisplay(log, "cycle,beat,kind,address,lanes,data,ended");
        for (i = 0; i < 16; i = i + 1) begin
            pick(0, 255, data);
            write_memory(16'h93A0 + i, data[7:0]);
        end
        for (i = 0; i < 8; i = i + 1) begin
            pick(0, 255, data);
            pick(0, 255, high);
            output_port({high[7:0], 8'hB0 | i[3:0]}, data[7:0]);
        end
        for (i = 0; i < 64; i = i + 1) begin
            pick(0, 11, choice);
            pick(0, 15, place);
            pick(0, 255, data);
            pick(0, 255, high);
            if (i == 7 || i == 31) acknowledge_interrupt(16'h93A0 | place);
            else case (choice)
                0, 1, 2, 3: fetch(16'h93A0 | place, opcode);
                4, 5: read_memory(16'h93A0 | place);
                6, 7: write_memory(16'h93A0 | place, data[7:0]);
                8, 9: input_port({high[7:0], 8'hB0 | place[2:0]});
                10: output_port({high[7:0], 8'hB0 | place[2:0]}, data[7:0]);
                default: repeat (2) @(posedge CLK);       // idle clocks
            endcase
        end
        repeat (2) @(posedge CLK);
        $fclose(log);
        $finish;
    end
endmodule

// Sixteen bytes of memory at $93A0, eight ports at $B0, a vector, and waits of changing length.
module z80_card (
    input         CLK,
    input  [15:0] A,
    inout  [7:0]  D,
    input         M1, MREQ, IORQ, RD, WR, RFSH,
    output        WAIT
);
    reg [7:0]  memory [0:15];
    reg [7:0]  port [0:15];
    reg [7:0]  drive;
    reg        hold;
    reg [15:0] turn;
    integer    waits;
    assign D = drive;
    assign WAIT = hold ? 1'b0 : 1'bz;                     // open collector, pulled up
    wire reads = (~RD & (~MREQ | ~IORQ)) | (~IORQ & ~M1);
    wire asks = (~MREQ & RFSH) | ~IORQ;
    wire [7:0] answer = IORQ ? memory[A[3:0]] : M1 ? port[A[3:0]] : {turn[5:0], 2'b10};

    initial begin
        drive = 8'bz; hold = 0; is_vector = 0; turn = 16'hB00B;
    end

    // WAIT for some falling edges, from shortly after the request.
    always @(posedge asks) begin
        turn = {turn[14:0], turn[15] ^ turn[13] ^ turn[12] ^ turn[10]};
        waits = turn[2:0] > 5 ? turn[2:0] - 4 : turn[2:0] > 3 ? 1 : 0;
        if (waits > 0) begin
            #10 hold = 1;
            if (~IORQ & M1) @(negedge CLK);               // T2, where no one looks
            repeat (waits) @(negedge CLK);
            #40 hold = 0;
        end
    end

    // While WAIT is low the byte is not there yet. It stays until RD (in an interrupt acknowledge,
    // IORQ) goes away, though MREQ, IORQ or M1 may have gone before.
    reg is_vector;
    always @(posedge reads) begin
        is_vector = RD;
        #25 drive = ~answer;
        if (hold) @(negedge hold);
        #30 drive = answer;
    end
    always @(posedge RD) drive <= #(5 + turn[3:0]) 8'bz;
    always @(posedge IORQ) if (is_vector) begin
        is_vector = 0;
        drive <= #(5 + turn[3:0]) 8'bz;
    end

    // A write is taken as WR goes away; address and data are still there, MREQ or IORQ perhaps not.
    reg to_memory;
    always @(negedge WR) #1 to_memory <= IORQ && ~MREQ;
    always @(posedge WR) if (to_memory) memory[A[3:0]] <= D; else port[A[3:0]] <= D;
endmodule

module z80_bench;
    reg         CLK;
    wire [15:0] A;
    wire [7:0]  D;
    wire        M1, MREQ, IORQ, RD, WR, RFSH, WAIT;
    pullup (WAIT);
    z80_host host (CLK, A, D, M1, MREQ, IORQ, RD, WR, RFSH, WAIT);
    z80_card card (CLK, A, D, M1, MREQ, IORQ, RD, WR, RFSH, WAIT);
    initial begin
        CLK = 0;
        forever #125 CLK = ~CLK;
    end
    initial begin
        $dumpfile("z80_bench.vcd");
        $dumpvars(1, z80_bench);
    end
endmodule
