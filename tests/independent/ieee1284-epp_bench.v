// An EPP 1.9 host and a peripheral on one cable; makes ieee1284-epp_bench.vcd and, from what the
// host itself meant and latched, ieee1284-epp_bench.csv. Nothing here decodes a capture.
//
// Sources, named in tests/published/ieee1284/SOURCE.md. Read: signals, the steps of a write and of
// a read, nWait high as acknowledge, the trailing edge of the strobe as the last moment to latch.
// From memory, not read: that EPP 1.9 waits for nWait both ways, all times, the host's time-out.
`timescale 1ns / 1ns

module epp_host (
    output reg       nWrite, nDataStb, nAddrStb, nReset,
    inout      [8:1] AD,
    input            nWait
);
    localparam LENGTH = 150;
    integer log, cycle, i;
    reg [7:0]  drive, latched;
    reg [31:0] chance;
    assign AD = drive;

    // A 32-bit shift register with feedback, so that every simulator makes the same run.
    function [31:0] shifted(input [31:0] from);
        shifted = {from[30:0], from[31] ^ from[21] ^ from[1] ^ from[0]};
    endfunction

    task pick(input integer low, input integer high, output integer number);
        begin
            repeat (7) chance = shifted(chance);
            number = low + chance[15:0] % (high - low + 1);
        end
    endtask

    integer d_write, d_data, d_strobe, d_off, d_after, noise;
    integer t_strobe, t_acknowledge, t_off;
    reg     timed_out;

    // Step 3 to 5: the strobe falls while nWait is low, and rises 60 to 190 after nWait is high.
    task handshake(input to_address);
        begin
            wait (!nWait);
            if (to_address) nAddrStb = 0; else nDataStb = 0;
            t_strobe = $time;
            timed_out = 0;
            pick(11000, 11900, d_off);                    // time-out 10 to 12 us
            fork : waiting
                begin
                    wait (nWait);
                    disable waiting;
                end
                #(d_off) begin
                    timed_out = 1;
                    disable waiting;
                end
            join
            t_acknowledge = timed_out ? 0 : $time;
            if (!timed_out) begin
                pick(60, 190, d_off);
                #(d_off);
            end
            latched = AD;
            if (to_address) nAddrStb = 1; else nDataStb = 1;
            t_off = $time;
        end
    endtask

    task write(input to_address, input [7:0] data);
        begin
            wait (!nWait);                                // step 2, 60 to 185 after nWait
            pick(60, 185, d_write);
            pick(0, 40, d_data);
            pick(10, 60, d_strobe);                       // data 10 before the strobe at least
            #(d_write) nWrite = 0;
            #(d_data) drive = data;
            #(d_strobe) handshake(to_address);
            row(to_address, 1, data);
            wait (!nWait);                                // step 6
            pick(0, 60, d_after);                         // step 7: data stays until then
            pick(0, 255, noise);
            #(d_after);
            if (noise[1]) nWrite = 1;                     // or is left low for the next cycle
            drive = noise[0] ? 8'bz : noise[7:0];
        end
    endtask

    task read(input to_address);
        begin
            wait (!nWait);
            pick(20, 150, d_write);
            pick(20, 90, d_strobe);
            #(d_write) nWrite = 1;
            drive = 8'bz;
            #(d_strobe) handshake(to_address);
            row(to_address, 0, latched);
            wait (!nWait);
        end
    endtask

    // One row: what this host did.
    task row(input to_address, input writes, input [7:0] data);
        begin
            $fwrite(log, "%0d,0,%0s,1,0x", cycle, to_address
                    ? (writes ? "address-write" : "address-read") : writes ? "write" : "read");
            if (^data === 1'bx) $fwrite(log, "??");
            else begin
                digit(data[7:4]);
                digit(data[3:0]);
            end
            $fwrite(log, ",%0s,false,%0d000,", timed_out ? "timeout" : "acknowledged", t_strobe);
            if (!timed_out) $fwrite(log, "%0d000", t_acknowledge);
            $fdisplay(log, ",%0d000", t_off);
            cycle = cycle + 1;
        end
    endtask

    // Capital hexadecimal, which $fwrite does not have.
    task digit(input [3:0] value);
        $fwrite(log, "%c", value < 10 ? "0" + value : "A" - 10 + value);
    endtask

    // What the host wrote itself must come back, or the bench is wrong.
    reg [7:0] mirror [0:15];
    reg [7:0] place;
    task check(input [7:0] wanted);
        if (latched !== wanted)
            $display("FAULT: cycle %0d read %h, the host wrote %h", cycle - 1, latched, wanted);
    endtask

    task select(input [7:0] address);
        begin
            write(1, address);
            place = address;
        end
    endtask
    task put(input [7:0] data);
        begin
            write(0, data);
            if (place < 8'hE0) mirror[place[3:0]] = data;
        end
    endtask
    task get;
        begin
            read(0);
            if (place < 8'hE0) check(mirror[place[3:0]]);
        end
    endtask

    task reset;
        begin
            nReset = 0;
            #1500 nReset = 1;
            place = 8'h00;
            #400;
        end
    endtask

    integer choice, where, byte_to_write, pause;
    initial begin
        {nWrite, nDataStb, nAddrStb, nReset} = 4'b1111; drive = 8'bz; place = 8'h00;
        chance = 32'h1284E990; cycle = 0;
        log = $fopen("ieee1284-epp_bench.csv", "w");
        $fdisplay(log, "cycle,beat,kind,lanes,data,ended,rmw,data_ps,acknowledge_ps,release_ps");
        #200 reset;
        for (i = 0; i < 16; i = i + 1) begin              // every register once
            pick(0, 255, byte_to_write);
            select(8'h40 | i);
            put(byte_to_write[7:0]);
        end
        for (i = 0; i < LENGTH; i = i + 1) begin
            pick(0, 11, choice);
            pick(0, 15, where);
            pick(0, 255, byte_to_write);
            if (i == 40) begin
                reset;
                select(8'h43);
            end else if (i == 60 || i == 110) begin       // where nobody answers: write, read
                select(8'hE5);
                if (i == 60) put(byte_to_write[7:0]); else get;
                select(8'h47);
            end else case (choice)
                0, 1, 2: get;
                3, 4, 5: put(byte_to_write[7:0]);
                6, 7, 8: select(8'h40 | where);
                9, 10: begin
                    read(1);
                    check(place);
                end
                default: begin
                    pick(1, 2500, pause);
                    #(pause);
                end
            endcase
        end
        #500;
        $fclose(log);
        $finish;
    end
endmodule

// An address register and sixteen data registers; silent at addresses E0 to FF. nWait low: ready.
module epp_peripheral (
    input            nWrite, nDataStb, nAddrStb, nReset,
    inout      [8:1] AD,
    output reg       nWait, Intr
);
    reg [7:0]  register [0:15];
    reg [7:0]  address, drive;
    reg [15:0] turn;
    integer    n, work, rest, ahead, off;
    reg        at_once, to_address, reads;
    wire       strobed = !nDataStb || !nAddrStb;
    assign AD = drive;

    initial begin
        nWait = 0; Intr = 0; drive = 8'bz; address = 8'h00; turn = 16'hE991;
        for (n = 0; n < 16; n = n + 1) register[n] = 8'bx; // written before it is read
    end

    task settle;
        repeat (9) turn = {turn[14:0], turn[15] ^ turn[13] ^ turn[12] ^ turn[10]};
    endtask

    task take;
        if (to_address) address = AD;
        else register[address[3:0]] = AD;
    endtask

    always @(posedge strobed) begin : transfer
        settle;
        to_address = !nAddrStb;
        reads = nWrite;
        work = turn[2:0] == 0 ? 2000 + turn[14:3] : turn[2:0] < 3 ? 5 + turn[6:3] : 30 + turn[10:3];
        if (!to_address && address >= 8'hE0) disable transfer;
        settle;
        ahead = 1 + turn[3:0] % 5;                        // the byte stands before nWait is high
        at_once = turn[4];
        if (reads) begin
            if (turn[5]) drive = turn[13:6];              // not yet the byte
            #(work) drive = to_address ? address : register[address[3:0]];
            #(ahead) nWait = 1;
        end else begin
            #(work);
            if (at_once) take;                            // while the strobe is low
            nWait = 1;
        end
        wait (!strobed);
        if (!reads && !at_once) take;                     // at its trailing edge
        settle;
        off = turn[3:0];
        rest = turn[6:4] == 0 ? 1500 + turn[14:7] : 5 + turn[12:7];
        if (off < 4) off = 0;
        drive <= #(off) 8'bz;                             // the bus is free before nWait is low
        #(off + rest) nWait = 0;
    end

    always @(negedge nReset) address = 8'h00;

    // A rising edge on Intr means nothing to a cycle.
    always begin
        #3000 Intr = 1;
        #(300 + turn[8:0]) Intr = 0;
        #(turn[12:0]);
    end
endmodule

module epp_bench;
    wire       nWrite, nDataStb, nAddrStb, nWait, Intr, nReset;
    wire [8:1] AD;
    epp_host host (nWrite, nDataStb, nAddrStb, nReset, AD, nWait);
    epp_peripheral peripheral (nWrite, nDataStb, nAddrStb, nReset, AD, nWait, Intr);
    initial begin
        $dumpfile("ieee1284-epp_bench.vcd");
        $dumpvars(1, epp_bench);
    end
endmodule
