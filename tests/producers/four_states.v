// A small bus whose values are printed at each change, to be held against the VCD of the run.
// Four states: released and unknown bits, contention, changes of no width, dumping off and on.
// Invented for this test; it follows no real bus. For event-driven Verilog simulators.
`timescale 1ns / 100ps

module card (
    input      [7:0] address,
    inout      [7:0] data,
    input            strobe,
    input            is_read,
    output reg       acknowledge
);
    reg [7:0] kept [0:3];
    reg [7:0] given;
    reg       drives;

    assign #3 data = drives ? given : 8'bz;

    initial begin
        drives = 0;
        acknowledge = 1'bz;
    end

    always @(negedge strobe) begin
        if (is_read) given = kept[address[1:0]];
        else kept[address[1:0]] = data;
        #2.5 drives = is_read;
        #4.3 acknowledge = 0;
    end

    always @(posedge strobe) begin
        #1.7 drives = 0;
        #0.6 acknowledge = 1'bz;
    end
endmodule

module bench;
    reg  [7:0]  address;
    wire [7:0]  data;
    reg  [7:0]  host;
    reg         strobe, is_read;
    wire        acknowledge;
    wire [0:3]  lanes;
    wire [11:4] high;
    wire        parity;
    reg  [69:0] wide;
    integer     count, chance, number;
    real        volts;
    event       started;

    assign data   = host;
    assign lanes  = {address[0], ~address[0], strobe, acknowledge};
    assign high   = {address[3:0], data[7:4]};
    assign #1.3 parity = ^data;

    card card_1 (address, data, strobe, is_read, acknowledge);

    // A shift register with feedback, so that every simulator makes the same run.
    task next;
        chance = {chance[30:0], chance[31] ^ chance[21] ^ chance[1] ^ chance[0]};
    endtask

    task access(input [7:0] where, input reading, input [7:0] what);
        begin
            is_read = reading;
            address = where;
            host = reading ? 8'bz : what;
            #5 strobe = 0;
            -> started;
            #20 strobe = 1;
            count = count + 1;
            volts = 3.3 / count;
            #2 host = 8'bz;
            next;
            #(3 + chance[2:0]) wide = {wide[61:0], data};
        end
    endtask

    initial begin
        $timeformat(-12, 0, "", 0);
        $write("lines bench.address[7:0] bench.data[7:0] bench.strobe bench.is_read");
        $write(" bench.acknowledge bench.lanes[0:3] bench.high[11:4] bench.parity");
        $write(" bench.wide[69:0] bench.count[31:0] bench.card_1.data[7:0]");
        $display(" bench.card_1.given[7:0] bench.card_1.drives");
        $monitor("row %0t %b %b %b %b %b %b %b %b %b %b %b %b %b", $realtime, address, data, strobe,
            is_read, acknowledge, lanes, high, parity, wide, count, card_1.data, card_1.given,
            card_1.drives);
        $dumpfile("made.vcd");
        $dumpvars(0, bench);
        strobe = 1;
        host = 8'bz;
        count = -2;
        chance = 32'h1234567;
        #10;
        for (number = 0; number < 12; number = number + 1) begin
            next;
            access(chance[7:0], number[1] | number[0], chance[15:8]);
        end
        // Both drive: bits that differ are unknown.
        is_read = 1;
        #5 strobe = 0;
        #9 host = 8'b0101xz01;
        #4 strobe = 1;
        #1 host = 8'bz;
        // There and back at one time: no width, so no row.
        #5 strobe = 0;
        #0 strobe = 1;
        #30 $dumpoff;
        $display("off %0t", $realtime);
        access(8'h41, 0, 8'hA5);
        access(8'h42, 0, 8'h5A);
        #40 $dumpon;
        $display("on %0t", $realtime);
        #10 access(8'h41, 1, 8'h00);
        #5 $dumpall;
        #7 address = 8'bzzzzz01x;
        #50 $display("end %0t", $realtime);
        $finish;
    end
endmodule
