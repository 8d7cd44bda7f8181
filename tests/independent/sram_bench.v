// A host model and a 32K x 8 static memory on one bus; makes sram_bench.vcd and, from what the host
// itself meant and latched, sram_bench.csv. Nothing here decodes a capture.
//
// Source of the rule: notes 1 to 5 of the HT6116-70 data sheet, p. 4: a write is the overlap of CS
// and WE low; what is timed from its begin counts from the later fall, what is timed from its end
// from the earlier rise. Delays: inside the AS6C1008-55 list (at second hand) and the 62256-70 list
// (from memory) at once; each range below names its parameter. A read lasts while CS and OE are low
// and WE is high.
`timescale 1ns / 1ns

module host_sram (
    output reg [14:0] A,
    inout      [7:0]  D,
    output reg        CS, WE, OE
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

    localparam WE_DECIDES = 0, CS_DECIDES = 1, TOGETHER = 2;
    integer d_set, d_lead, d_width, d_data, d_hold, d_recover, d_enable;
    reg goes_on;                        // CS and OE stay low from a read to a write, or back
    time began;

    // A write of one byte. `first` tells which line falls later and so begins it, `last` which
    // rises earlier and so ends it. CS and OE may be low from a read before, and stay low for one
    // after it.
    task write(input [14:0] address, input [7:0] data, input integer first, input integer last,
               input outputs_on, input reads_next);
        begin
            pick(0, 20, d_set);                           // tAS at least 0
            pick(10, 40, d_lead);                         // between the two falls
            // tWP at least 50; tAW and tCW at least 60; tWC at least 70.
            d_width = first == WE_DECIDES && d_set >= 10 && !goes_on ? 70 - d_set : 70;
            pick(d_width, 100, d_width);
            pick(30, 40, d_data);                         // tDW at least 30
            pick(0, 3, d_hold);                           // tDH at least 0: often just that
            d_hold = d_hold == 3 ? 7 : d_hold == 2 ? 3 : 0;
            pick(0, 9, d_recover);                        // tWR at least 0
            if (goes_on) begin                            // a read is under way
                #(d_set) WE = 0;
                row("read", A, latched);
                goes_on = 0;
                drive <= #20 ~data;                       // tWHZ at most 20: the outputs are off
            end else begin
                OE <= #(d_lead / 2) !outputs_on;
                if (first == WE_DECIDES) CS = 0;
                if (first == CS_DECIDES) WE = 0;
                if (d_lead > d_set) #(d_lead - d_set);
                A <= address;
                #(d_set);
                CS = 0;
                WE = 0;
                drive <= #4 ~data;                        // not yet what is meant
            end
            began = $time;
            drive <= #(d_width - d_data) data;
            pick(0, 2, d_enable);
            if (d_enable == 0 && !reads_next) begin          // OE may do anything inside a write
                OE <= #12 outputs_on;
                OE <= #44 1;
            end
            #(d_width);
            if (last != CS_DECIDES) WE <= 1;
            if (last != WE_DECIDES) CS <= 1;
            row("write", address, data);
            mirror[place_of(address)] = data;
            if (reads_next) begin                         // tOW: off before the outputs are on
                drive <= #(d_hold > 4 ? 4 : d_hold) 8'bz;
                goes_on = 1;
                began = $time;
            end else begin
                drive <= #(d_hold) {data[6:0], ~data[7]} ^ 8'h4C;
                A <= #(d_recover) ~address;
                #10 WE <= 1;                              // the other of the two, 10 later
                CS <= 1;
                #4 drive <= 8'bz;
                OE <= 1;
                #16;
            end
        end
    endtask

    // A read of one byte; where one goes on after a write, at the same or at a new address.
    task read(input [14:0] address, input integer first, input integer last, input writes_next);
        begin
            if (goes_on) begin
                if (A !== address) #(d_recover + 5) A = address;
            end else begin
                pick(0, 30, d_lead);
                A <= address;
                if (first == WE_DECIDES) begin            // OE decides here, WE stays high
                    CS = 0;
                    #(d_lead) OE = 0;
                end else begin
                    OE = 0;
                    #(d_lead) CS = 0;
                end
                began = $time;
            end
            pick(70, 100, d_width);                       // tRC, tAA and tACS 70, tOE 35
            #(d_width) latched = D;
            if (latched !== mirror[place_of(address)])
                $display("FAULT: cycle %0d read %h, the host wrote %h", cycle, latched,
                         mirror[place_of(address)]);
            if (writes_next) goes_on = 1;
            else begin
                if (last == WE_DECIDES) OE = 1; else CS = 1;
                row("read", address, latched);
                goes_on = 0;
                pick(0, 12, d_lead);
                #(d_lead) CS = 1;
                OE = 1;
                #25;
            end
        end
    endtask

    // CS low over three writes by WE alone and three reads by OE alone, at three places.
    task while_selected(input integer from, input [7:0] data);
        integer at;
        begin
            CS = 0;
            for (at = 0; at < 6; at = at + 1) begin
                pick(0, 20, d_set);
                pick(0, 7, d_hold);
                pick(70, 100, d_width);
                A = places[(from + at % 3) % 16];
                #(d_set) began = $time;
                if (at < 3) begin
                    WE = 0;
                    drive <= #4 data + at[7:0];
                    drive <= #(d_width - 30) data ^ {at[3:0], ~at[3:0]};
                    #(d_width) WE <= 1;
                    drive <= #(d_hold) data - 8'h11;
                    mirror[(from + at) % 16] = data ^ {at[3:0], ~at[3:0]};
                    row("write", A, mirror[(from + at) % 16]);
                    #8 drive <= #4 8'bz;
                end else begin
                    OE = 0;
                    #(d_width) latched = D;
                    if (latched !== mirror[(from + at % 3) % 16])
                        $display("FAULT: cycle %0d read %h, the host wrote %h", cycle, latched,
                                 mirror[(from + at % 3) % 16]);
                    OE = 1;
                    row("read", A, latched);
                    #5;
                end
            end
            #(d_hold + 15) CS = 1;
            #10;
        end
    endtask

    // What is meant for another chip: CS stays high.
    task elsewhere(input [14:0] address, input [7:0] data);
        begin
            A <= address;
            #15 WE = 0;
            drive = data;
            #80 WE = 1;
            #10 drive = 8'bz;
            OE = 0;
            #80 OE = 1;
            #20;
        end
    endtask

    // One row: what this host did, and from when to when.
    task row(input [8*8-1:0] kind, input [14:0] address, input [7:0] data);
        begin
            $fwrite(log, "%0d,0,%0s,0x", cycle, kind);
            hex(address, 4);
            $fwrite(log, ",1,0x");
            hex(data, 2);
            $fdisplay(log, ",unacknowledged,%0d000,%0d000", began, $time);
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

    // Sixteen places of the memory, on all address lines; what the host wrote must come back.
    reg [14:0] places [0:15];
    reg [7:0]  mirror [0:15];
    function [3:0] place_of(input [14:0] address);
        integer at;
        begin
            place_of = 0;
            for (at = 0; at < 16; at = at + 1) if (places[at] == address) place_of = at;
        end
    endfunction

    integer i, place, other, data, first, last, on;
    initial begin
        A = 15'h0000; drive = 8'bz; {CS, WE, OE} = 3'b111;
        chance = 32'h62256A11; cycle = 0; goes_on = 0;
        log = $fopen("sram_bench.csv", "w");
        $fdisplay(log, "cycle,beat,kind,address,lanes,data,ended,start_ps,end_ps");
        #100;
        for (i = 0; i < 16; i = i + 1) begin
            pick(0, 32767, place);
            places[i] = {place[14:4], i[3:0]};
        end
        for (i = 0; i < 16; i = i + 1) begin
            pick(0, 255, data);
            // Each way to begin and each way to end, with the outputs off.
            write(places[i], data[7:0], i % 3, (i / 3) % 3, 0, 0);
        end
        for (i = 0; i < 48; i = i + 1) begin
            pick(0, 8, choice);
            pick(0, 15, place);
            pick(0, 15, other);
            pick(0, 255, data);
            pick(0, 2, first);
            pick(0, 2, last);
            case (choice)
                0: read(places[place], first, last, 0);
                1, 2: write(places[place], data[7:0], first, last, 0, 0);
                // OE low throughout; CS falls not before WE and rises not after it.
                3: write(places[place], data[7:0], 1 + first % 2, 1 + last % 2, 1, 0);
                4: begin                                  // read, then write, then read: OE, CS low
                    read(places[place], first, last, 1);
                    write(places[place], data[7:0], WE_DECIDES, WE_DECIDES, 1, 1);
                    read(places[place], first, last, 0);
                end
                5: begin                                  // the same; CS ends the write
                    read(places[place], first, last, 1);
                    write(places[place], data[7:0], WE_DECIDES, 1 + last % 2, 1, 0);
                end
                6: begin                                  // write, then read elsewhere: OE, CS low
                    write(places[place], data[7:0], 1 + first % 2, WE_DECIDES, 1, 1);
                    read(places[other], first, last, 0);
                end
                7: while_selected(place, data[7:0]);
                default: elsewhere(places[place], data[7:0]);
            endcase
        end
        #50 $fclose(log);
        $finish;
    end
endmodule

// The memory. Data and address of a write are those just before the earlier rise.
module chip_sram (
    input  [14:0] A,
    inout  [7:0]  D,
    input         CS, WE, OE
);
    reg [7:0] memory [0:32767];
    integer   i;
    initial for (i = 0; i < 32768; i = i + 1) memory[i] = i * 29 + 77;

    wire writing = ~CS & ~WE;
    wire reading = ~CS & ~OE & WE;

    reg [14:0] before_a, held_a;
    reg [7:0]  before_d;
    always @(A) before_a <= #1 A;
    always @(D) before_d <= #1 D;
    always @(A) held_a <= #10 A;                          // tOH at least 10
    always @(negedge writing) memory[before_a] = before_d;

    // Outputs: on after 5 (tOLZ, tOW at least 5), off after 15 (tWHZ and tOHZ at most 20); the byte
    // after tOE at most 30 and tAA at most 55; what is no byte yet until then.
    wire        on, enabled;
    wire [14:0] settled;
    assign #(5, 15) on = reading;
    assign #(28, 0) enabled = reading;
    assign #52 settled = A;
    wire [7:0] out = held_a !== A ? memory[held_a]
                   : enabled & settled === A ? memory[A] : ~memory[A];
    assign D = on ? out : 8'bz;
endmodule

module bench_sram;
    wire [14:0] A;
    wire [7:0]  D;
    wire        CS, WE, OE;
    host_sram host (A, D, CS, WE, OE);
    chip_sram chip (A, D, CS, WE, OE);
    initial begin
        $dumpfile("sram_bench.vcd");
        $dumpvars(1, bench_sram);
    end
endmodule
