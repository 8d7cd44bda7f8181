// A host model and an HD44780 model on an 8-bit bus; makes hd44780_bench.vcd and, from what the
// host itself meant and latched, hd44780_bench.csv. Nothing here decodes a capture.
//
// Source: HD44780U data sheet, bus timing characteristics for 4.5 to 5.5 V, at second hand; each
// range below names its parameter. Execution time 37 us and tADD 4 us: Table 6, Figure 10 (p. 25);
// the 1.52 ms of the clearing instruction are from memory. Everything is latched as E falls.
`timescale 1ns / 1ns

module host_hd44780 (
    output reg RS, RW, E,
    inout [7:0] DB
);
    integer log, cycle, choice;
    reg [7:0]  drive, latched;
    reg [31:0] chance;
    assign DB = drive;

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

    // One pulse of E. Its kind is told by RS and R/W.
    integer d_set, d_width, d_data, d_hold, d_data_hold, d_rest;
    time began;
    task pulse(input register, input reads, input [7:0] data);
        begin
            pick(40, 70, d_set);                          // tAS at least 40
            pick(230, 300, d_width);                      // PWEH at least 230
            pick(80, 120, d_data);                        // tDSW at least 80
            pick(10, 25, d_hold);                         // tAH at least 10
            pick(10, 25, d_data_hold);                    // tH at least 10
            pick(500, 620, d_rest);                       // tcycE at least 500
            RS = register;
            RW = reads;
            if (!reads) drive <= #12 ~data;               // not yet what is meant
            #(d_set) E = 1;
            began = $time;
            if (!reads) drive <= #(d_width - d_data) data;
            #(d_width) E <= 0;
            latched = DB;
            case ({register, reads})
                2'b00: row("command", data);
                2'b01: row("status", latched);
                2'b10: row("write", data);
                default: row("read", latched);
            endcase
            RS <= #(d_hold) ~register;                    // nobody looks now
            RW <= #(d_hold + 3) ~reads;
            if (!reads) begin
                drive <= #(d_data_hold) {data[0], ~data[7:1]};
                drive <= #(d_data_hold + 40) 8'bz;
            end
            #(d_rest - d_width - 40);
        end
    endtask

    // What the display must answer: its own count of what was asked of it.
    reg [7:0]  mirror [0:127];
    reg [6:0]  address, address_before;
    time       busy_until, address_from;
    reg [7:0]  wanted;

    task instruct(input [7:0] code);
        begin
            pulse(0, 0, code);
            busy_until = began + d_width + (code == 8'h01 ? 1520000 : 37000);
            if (code[7]) address = code[6:0];
            if (code == 8'h01) address = 0;
            address_before = address;
            address_from = busy_until;
            if (code == 8'h01) for (i = 0; i < 128; i = i + 1) mirror[i] = 8'h20;
        end
    endtask

    task look;
        begin
            pulse(0, 1, 8'h00);
            wanted = {began < busy_until, began < address_from ? address_before : address};
            if (latched !== wanted)
                $display("FAULT: cycle %0d status %h, must be %h", cycle, latched, wanted);
        end
    endtask

    task until_ready;
        begin
            look;
            while (latched[7]) begin
                pick(24000, 40000, d_rest);
                #(busy_until - began > 60000 ? 12 * d_rest : d_rest) look;
            end
            #5000;                                        // tADD
        end
    endtask

    task move(input reads, input [7:0] data);
        begin
            pulse(1, reads, data);
            if (reads && latched !== mirror[address])
                $display("FAULT: cycle %0d read %h, the host wrote %h", cycle, latched,
                         mirror[address]);
            if (!reads) mirror[address] = data;
            busy_until = began + d_width + 37000;
            address_from = busy_until + 4000;
            address_before = address;
            address = address + 1;
        end
    endtask

    // One row: what this host did, and from when to when.
    task row(input [8*8-1:0] kind, input [7:0] data);
        begin
            $fwrite(log, "%0d,0,%0s,1,0x", cycle, kind);
            digit(data[7:4]);
            digit(data[3:0]);
            $fdisplay(log, ",unacknowledged,%0d000,%0d000", began, $time);
            cycle = cycle + 1;
        end
    endtask

    // Capital hexadecimal, which $fwrite does not have.
    task digit(input [3:0] value);
        $fwrite(log, "%c", value < 10 ? "0" + value : "A" - 10 + value);
    endtask

    integer i, n, data;
    initial begin
        RS = 1; RW = 1; E = 0; drive = 8'bz; chance = 32'h44780B0B; cycle = 0;
        address = 0; address_before = 0; address_from = 0; busy_until = 0;
        log = $fopen("hd44780_bench.csv", "w");
        $fdisplay(log, "cycle,beat,kind,lanes,data,ended,start_ps,end_ps");
        #900;
        instruct(8'h38); until_ready;                     // 8 bits, two lines
        instruct(8'h0C); until_ready;                     // display on
        instruct(8'h01); until_ready;                     // clear
        instruct(8'h06); until_ready;                     // address counter counts up
        for (n = 0; n < 20; n = n + 1) begin
            pick(0, 4, choice);
            pick(0, 255, data);
            if (address > 7'h20) choice = 0;
            case (choice)
                0: begin
                    instruct(8'h80 | data[3:0]);          // address of the display's memory
                    until_ready;
                end
                1, 2: begin
                    move(0, data[7:0]);
                    until_ready;
                    look;                                 // the address has counted up
                end
                3: begin
                    instruct(8'h80 | data[3:0]);
                    until_ready;
                    repeat (3) begin
                        move(1, 8'h00);
                        until_ready;
                    end
                end
                default: begin                            // waits out the time instead
                    move(0, data[7:0]);
                    #45000 move(0, ~data[7:0]);
                    #45000;
                end
            endcase
        end
        #500 $fclose(log);
        $finish;
    end
endmodule

module chip_hd44780 (
    input RS, RW, E,
    inout [7:0] DB
);
    reg [7:0] memory [0:127];
    reg [7:0] drive, answer, turn;
    reg [6:0] counter, shown;
    reg       busy, to_register, is_read;
    integer   i;
    assign DB = drive;
    initial begin
        drive = 8'bz; counter = 0; shown = 0; busy = 0; turn = 8'hA7;
    end

    always @(posedge E) begin
        to_register = RS;
        is_read = RW;
        turn = {turn[6:0], turn[7] ^ turn[5] ^ turn[4] ^ turn[3]};
        if (RW) begin
            answer = RS ? memory[counter] : {busy, shown};
            drive <= #20 ~answer;                         // not there yet
            drive <= #(97 + turn[5:0]) answer;            // tDDR at most 160
        end
    end

    // Everything is taken as E falls.
    always @(negedge E) if (is_read !== 1'bx) begin
        if (is_read) begin
            drive <= #(5 + turn[3:0]) 8'bz;               // tDHR at least 5
            if (to_register) finish_move;
        end else if (to_register) begin
            memory[counter] = DB;
            finish_move;
        end else instruct(DB);
    end

    task instruct(input [7:0] code);
        begin
            if (code[7]) counter = code[6:0];
            if (code == 8'h01) begin
                counter = 0;
                for (i = 0; i < 128; i = i + 1) memory[i] = 8'h20;
            end
            shown = counter;
            busy = 1;
            busy <= #(code == 8'h01 ? 1520000 : 37000) 0;
        end
    endtask

    task finish_move;
        begin
            counter = counter + 1;
            busy = 1;
            busy <= #37000 0;
            shown <= #41000 counter;                      // tADD
        end
    endtask
endmodule

module bench_hd44780;
    wire       RS, \R/W , E;
    wire [7:0] DB;
    host_hd44780 host (RS, \R/W , E, DB);
    chip_hd44780 chip (RS, \R/W , E, DB);
    initial begin
        $dumpfile("hd44780_bench.vcd");
        $dumpvars(1, bench_hd44780);
    end
endmodule
