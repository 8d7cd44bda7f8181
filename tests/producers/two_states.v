// A small bus whose values are printed at each change, to be held against the VCD of the run.
// Two states only, for simulators that compile Verilog to a program.
// Invented for this test; it follows no real bus.
`timescale 1ns / 100ps

module card (
    input      [7:0] address,
    input      [7:0] written,
    output reg [7:0] given,
    input            strobe,
    input            is_read
);
    reg [7:0] kept [0:3];

    always @(negedge strobe) begin
        if (is_read) given = kept[address[1:0]];
        else kept[address[1:0]] = written;
    end
endmodule

module bench;
    reg  [7:0]  address, written;
    wire [7:0]  given;
    reg         strobe, is_read;
    wire [0:3]  lanes;
    wire [11:4] high;
    reg  [69:0] wide;
    reg  [31:0] chance;
    integer     count, number;
    real        volts;

    assign lanes = {address[0], ~address[0], strobe, is_read};
    assign high  = {address[3:0], given[7:4]};

    card card_1 (address, written, given, strobe, is_read);

    initial begin
        $timeformat(-12, 0, "", 0);
        $write("lines bench.address[7:0] bench.written[7:0] bench.given[7:0] bench.strobe");
        $display(" bench.is_read bench.lanes[0:3] bench.high[11:4] bench.wide[69:0] bench.count[31:0]");
        $monitor("row %0t %b %b %b %b %b %b %b %b %b", $realtime, address, written, given, strobe,
            is_read, lanes, high, wide, count);
        $dumpfile("made.vcd");
        $dumpvars(0, bench);
        strobe = 1;
        is_read = 1;
        address = 0;
        written = 0;
        wide = 0;
        count = -2;
        volts = 0.0;
        chance = 32'h1234567;
        #10;
        for (number = 0; number < 24; number = number + 1) begin
            chance = {chance[30:0], chance[31] ^ chance[21] ^ chance[1] ^ chance[0]};
            is_read = number[1];
            address = chance[7:0];
            written = chance[15:8];
            #5 strobe = 0;
            #20.3 strobe = 1;
            count = count + 1;
            volts = 3.3 * count;
            #3.2 wide = {wide[61:0], given};
        end
        #50 $display("end %0t", $realtime);
        $finish;
    end
endmodule
