// A VMEbus master, a slave that is also an interrupter, the slots beside it and a bus timer; makes
// vmebus_bench.vcd and, from what the master itself meant and latched, vmebus_bench.csv. Nothing
// here decodes a capture.
//
// Sources, named in tests/published/vmebus/SOURCE.md. Read: order of a cycle, and the strobe that
// tells that the data is latched; AM codes; A16, A24, A32 and an interrupt acknowledge use A15-A01,
// A23-A01, A31-A01 and A03-A01; a block stays inside 256 bytes; time-out 8 us; an idle line is
// high. Read at second hand: codes of strobes, A01 and LWORD, and their lanes; address 35 ns before
// AS; AS high for 30 ns at a slave. Everything marked "memory" below was not read.
// All lines are as seen at the master.
`timescale 1ns / 1ns

module vmebus_master (
    output reg [31:1] A,
    output reg        LWORD,
    output reg [5:0]  AM,
    output reg        AS, DS1, DS0, WRITE, IACK,
    inout      [31:0] D,
    input             DTACK, BERR, IACKIN
);
    localparam READ = 0, WRITES = 1, RMW = 2, ADDRESS_ONLY = 3, VECTOR = 4;
    localparam IDLE = 0, CLOSE = 1, PIPELINED = 2;
    localparam SCRIPT = 66, LENGTH = 180;
    integer log, cycle, i;
    reg [31:0] drive, latched, chance;
    assign D = drive;

    // A 32-bit shift register with feedback, so that every simulator makes the same run.
    function [31:0] shifted(input [31:0] from);
        shifted = {from[30:0], from[31] ^ from[21] ^ from[1] ^ from[0]};
    endfunction

    task automatic pick(input integer low, input integer high, output integer number);
        begin
            repeat (7) chance = shifted(chance);
            number = low + chance[15:0] % (high - low + 1);
        end
    endtask

    task automatic pick_word(output [31:0] word);
        begin
            repeat (37) chance = shifted(chance);
            word = chance;
        end
    endtask

    // ---- what is meant: one cycle

    integer    q_kind, q_shape, q_beats, q_follow;
    reg        q_block;
    reg [5:0]  q_am;
    reg [31:0] q_address;                                 // of the lowest byte; level * 2

    // The lane table; shapes in its order. A strobe that is asserted is 1 here.
    function [1:0] strobes_of(input integer shape);       // DS1, DS0
        case (shape)
            0, 2, 7: strobes_of = 2'b10;
            1, 3, 8: strobes_of = 2'b01;
            default: strobes_of = 2'b11;
        endcase
    endfunction
    function a01_of(input integer shape);
        a01_of = shape == 2 || shape == 3 || shape == 5 || shape == 9;
    endfunction
    function lword_of(input integer shape);
        lword_of = shape < 6;
    endfunction
    function [3:0] lanes_of(input integer shape);         // D31-24 D23-16 D15-8 D7-0
        case (shape)
            0, 2: lanes_of = 4'b0010;
            1, 3: lanes_of = 4'b0001;
            4, 5: lanes_of = 4'b0011;
            6: lanes_of = 4'b1111;
            7: lanes_of = 4'b1110;
            8: lanes_of = 4'b0111;
            default: lanes_of = 4'b0110;
        endcase
    endfunction
    function [1:0] first_of(input integer shape);         // lowest byte of the group of four
        case (shape)
            1, 8, 9: first_of = 2'd1;
            2, 5: first_of = 2'd2;
            3: first_of = 2'd3;
            default: first_of = 2'd0;
        endcase
    endfunction

    // A beat moves one to four bytes; a block of single bytes turns the strobes over.
    function [1:0] strobes_at(input integer shape, input [31:0] address);
        strobes_at = shape < 4 ? (address[0] ? 2'b01 : 2'b10) : strobes_of(shape);
    endfunction
    function [3:0] lanes_at(input integer shape, input [31:0] address);
        lanes_at = shape < 4 ? (address[0] ? 4'b0001 : 4'b0010) : lanes_of(shape);
    endfunction
    function integer bytes_in(input [3:0] lanes);
        bytes_in = lanes[3] + lanes[2] + lanes[1] + lanes[0];
    endfunction

    // AM codes: which lines carry the address.
    function [31:0] used(input [5:0] am, input vector);
        if (vector) used = 32'h0000000F;
        else case (am[5:4])
            2'b10: used = 32'h0000FFFF;                   // 29, 2D
            2'b11: used = 32'h00FFFFFF;                   // 38 to 3F
            default: used = 32'hFFFFFFFF;                 // 08 to 0F
        endcase
    endfunction

    // ---- what is done

    integer t_as, t_as_off, t_ds_off, t_ready, t_data, t_chain, t_acknowledge, e_wait;
    integer d_a, d_am, d_lword, d_iack, d_as, d_data, late, pause, first, other;
    reg [31:0] b_address, b_data, noise;
    reg [1:0]  b_strobes;
    reg [3:0]  b_lanes;
    reg        failed;
    integer    beat;

    // The address phase: 35 ns from the last of address, AM, LWORD, IACK to AS; AS high for 40
    // (memory; a slave may see 30).
    task open_cycle;
        reg [31:0] wires, means;
        begin
            pick_word(wires);                             // on lines that the code does not use
            means = used(q_am, q_kind == VECTOR);
            wires = (wires & ~means) | (q_address & means);
            if (q_kind != VECTOR) wires[1] = a01_of(q_shape);
            pick(0, 5, d_a);
            pick(0, 5, d_am);
            pick(0, 5, d_lword);
            pick(0, 5, d_iack);
            pick(0, 40, d_as);
            if (d_as > 25) d_as = 0;
            A <= #(d_a) wires[31:1];
            AM <= #(d_am) q_am;
            LWORD <= #(d_lword) lword_of(q_shape);
            IACK <= #(d_iack) q_kind != VECTOR;
            #(5 + 35 + d_as);
            if ($time < t_as_off + 40) #(t_as_off + 40 - $time);
            AS = 1'b0;
            t_as = $time;
        end
    endtask

    // WRITE and data, once the last beat is over: strobes high for 40, DTACK and BERR high. They
    // stand 35 ns before the first strobe (all memory).
    task prepare(input writes);
        begin
            wait (DS1 && DS0 && DTACK && BERR);
            if ($time < t_ds_off + 31) #(t_ds_off + 31 - $time);
            pick(0, 12, d_data);
            WRITE <= !writes;
            if (writes) begin
                pick_word(b_data);                        // noise on the lanes without part
                drive <= #(d_data) b_data;
            end
            t_ready = $time + (writes ? d_data : 0) + 35;
        end
    endtask

    // The data phase until DTACK or BERR. Strobes come up to 10 ns apart (memory), either first.
    task strobe;
        begin
            pick(0, 90, late);
            late = late > 60 ? 0 : late;                  // AS and the first strobe at once
            if ($time < t_as + late) #(t_as + late - $time);
            if ($time < t_ready) #(t_ready - $time);
            if ($time < t_ds_off + 40) #(t_ds_off + 40 - $time);
            pick(0, 10, other);
            pick(0, 1, first);
            if (b_strobes[1]) DS1 <= #(b_strobes[0] && first == 0 ? other : 0) 1'b0;
            if (b_strobes[0]) DS0 <= #(b_strobes[1] && first == 1 ? other : 0) 1'b0;
            t_data = $time;
            t_chain = 0;
            wait (!DTACK || !BERR);
            failed = !BERR;
            t_acknowledge = $time;
        end
    endtask
    always @(negedge IACKIN) t_chain = $time;

    // ---- the end of a beat, perhaps beside the next address phase: its own copies

    integer    e_beat, e_kind, e_t_as, e_t_data, e_t_chain, e_t_acknowledge;
    integer    hold, off1, off0;
    reg        e_block, e_writes, e_failed, e_last;
    reg [5:0]  e_am;
    reg [31:0] e_address, e_data, e_noise;
    reg [3:0]  e_lanes;
    integer    e_cycle;

    task keep_for_end(input writes);
        begin
            e_cycle = cycle; e_beat = beat; e_kind = q_kind; e_block = q_block;
            e_am = q_am; e_address = b_address; e_data = b_data; e_lanes = b_lanes;
            e_writes = writes; e_failed = failed; e_last = failed || beat + 1 >= q_beats;
            e_t_as = t_as; e_t_data = t_data; e_t_chain = t_chain; e_t_acknowledge = t_acknowledge;
        end
    endtask

    // Read: latched 26 ns after DTACK or later, since data may be 25 late at the master (memory);
    // then the strobes. Write: the data may go after DTACK (memory).
    task end_beat;
        begin
            if (e_writes) begin
                pick(0, 2, hold);
                pick_word(e_noise);
                pick(2, 20, off1);
                if (hold == 0) drive <= #(off1) e_noise;
                if (hold == 1) drive <= #(off1) 32'bz;
            end
            #(e_wait) latched = D;
            pick(0, 10, off1);
            pick(0, 10, off0);
            if (!DS1) DS1 <= #(off1) 1'b1;
            if (!DS0) DS0 <= #(off0) 1'b1;
            wait (DS1 && DS0);
            t_ds_off = $time;
            if (e_writes) begin
                pick(0, 4, off1);
                drive <= #(off1) 32'bz;
                if (!e_failed) keep(e_address, e_lanes, e_data);
            end else begin
                if (!e_failed && e_kind != VECTOR) check(e_address, e_lanes);
                e_data = latched;
            end
            pick(0, 40, off0);                            // WRITE stays for 10 ns (memory)
            if (e_last && off0 < 20) WRITE <= #(10 + off0) 1'bz;  // or is left as it is
            row;
        end
    endtask

    // ---- one row: what this master did

    task row;
        begin
            $fwrite(log, "%0d,%0d,%0s,0x", e_cycle, e_beat,
                    e_kind == VECTOR ? "interrupt-acknowledge"
                    : e_kind == ADDRESS_ONLY ? "address-only"
                    : e_block ? (e_writes ? "block-write" : "block-read")
                    : e_writes ? "write" : "read");
            // Where no lane took part, the table shows the address of the long word.
            hex(e_address & used(e_am, e_kind == VECTOR)
                & (e_kind == ADDRESS_ONLY ? 32'hFFFFFFFC : 32'hFFFFFFFF), 8);
            $fwrite(log, ",%b,", e_lanes);
            if (e_kind != ADDRESS_ONLY) begin
                $fwrite(log, "0x");
                byte_of(e_lanes[3], e_data[31:24]);
                byte_of(e_lanes[2], e_data[23:16]);
                byte_of(e_lanes[1], e_data[15:8]);
                byte_of(e_lanes[0], e_data[7:0]);
            end
            $fwrite(log, ",%0s,%0s,0x", e_kind == ADDRESS_ONLY ? "unacknowledged"
                    : e_failed ? "error" : "acknowledged", e_kind == RMW ? "true" : "false");
            hex({26'b0, e_am}, 2);
            moment(e_t_as);
            moment(e_t_data);
            moment(e_t_chain);
            moment(e_t_acknowledge);
            moment(e_kind == ADDRESS_ONLY ? 0 : t_ds_off);
            $fdisplay(log, "");
        end
    endtask

    task moment(input integer at);                        // ps; 0 did not come
        if (at == 0) $fwrite(log, ",");
        else $fwrite(log, ",%0d000", at);
    endtask

    task byte_of(input takes_part, input [7:0] value);
        if (!takes_part) $fwrite(log, "--");
        else if (^value === 1'bx) $fwrite(log, "??");
        else hex({24'b0, value}, 2);
    endtask

    // Capital hexadecimal, which $fwrite does not have.
    task hex(input [31:0] value, input integer digits);
        integer at;
        reg [3:0] digit;
        for (at = digits - 1; at >= 0; at = at - 1) begin
            digit = value >> 4 * at;
            $fwrite(log, "%c", digit < 10 ? "0" + digit : "A" - 10 + digit);
        end
    endtask

    // ---- what the master wrote itself must come back, or the bench is wrong

    reg [7:0] mirror [0:255];
    task keep(input [31:0] address, input [3:0] lanes, input [31:0] data);
        integer lane;
        reg [7:0] at;
        begin
            at = address[7:0];
            for (lane = 3; lane >= 0; lane = lane - 1)
                if (lanes[lane]) begin
                    mirror[at] = data >> 8 * lane;
                    at = at + 8'd1;
                end
        end
    endtask
    task check(input [31:0] address, input [3:0] lanes);
        integer lane;
        reg [7:0] at, found;
        begin
            at = address[7:0];
            for (lane = 3; lane >= 0; lane = lane - 1)
                if (lanes[lane]) begin
                    found = latched >> 8 * lane;
                    if (found !== mirror[at])
                        $display("FAULT: cycle %0d read %h at %h, the master wrote %h", e_cycle,
                                 found, at, mirror[at]);
                    at = at + 8'd1;
                end
        end
    endtask

    // ---- the requests

    task request(input integer kind, input integer shape, input [5:0] am, input [31:0] address,
                 input integer beats, input integer follow);
        begin
            q_kind = kind; q_shape = shape; q_am = am; q_beats = beats; q_follow = follow;
            q_address = kind == VECTOR ? address | (shape == 1) : address | first_of(shape);
            q_block = kind != VECTOR && (am == 6'h0B || am == 6'h0F || am == 6'h3B || am == 6'h3F);
        end
    endtask

    function [31:0] home(input [5:0] am);                 // 256 bytes, the same in every space
        home = am[5:4] == 2'b10 ? 32'h0000C600
             : am[5:4] == 2'b11 ? 32'h005AC600 : 32'h8D3FC600;
    endfunction

    function [5:0] single_code(input integer number);
        case (number)
            0: single_code = 6'h29;  1: single_code = 6'h2D;  2: single_code = 6'h39;
            3: single_code = 6'h3A;  4: single_code = 6'h3D;  5: single_code = 6'h3E;
            6: single_code = 6'h09;  7: single_code = 6'h0A;  8: single_code = 6'h0D;
            default: single_code = 6'h0E;
        endcase
    endfunction
    function [5:0] block_code(input integer number);
        case (number)
            0: block_code = 6'h0B;  1: block_code = 6'h0F;  2: block_code = 6'h3B;
            default: block_code = 6'h3F;
        endcase
    endfunction

    integer r_kind, r_shape, r_code, r_place, r_beats, r_follow, r_chance;
    reg [5:0] r_am;
    task next_request;
        begin
            pick(0, 9, r_shape);
            pick(0, 9, r_code);
            pick(0, 63, r_place);
            pick(0, 5, r_follow);
            r_follow = r_follow > 3 ? IDLE : r_follow > 1 ? PIPELINED : r_follow;
            pick(0, 99, r_chance);
            case (i)
                // all bytes: written in 64 beats of D32, read in 128 of D16; parts the other way
                0: request(WRITES, 6, 6'h0B, 32'h8D3FC600, 64, IDLE);
                1: request(READ, 4, 6'h3F, 32'h005AC600, 128, PIPELINED);
                2: request(WRITES, 4, 6'h3B, 32'h005AC630, 20, CLOSE);
                3: request(READ, 6, 6'h0F, 32'h8D3FC61C, 20, PIPELINED);
                // blocks of one, two, three; single bytes, from either strobe; up to the boundary
                4: request(READ, 6, 6'h3B, 32'h005AC640, 1, PIPELINED);
                5: request(WRITES, 4, 6'h0B, 32'h8D3FC67C, 1, CLOSE);
                6: request(READ, 0, 6'h3B, 32'h005AC620, 7, PIPELINED);
                7: request(WRITES, 1, 6'h0F, 32'h8D3FC630, 6, CLOSE);
                8: request(READ, 3, 6'h3F, 32'h005AC6FC, 1, CLOSE);
                9: request(READ, 5, 6'h0B, 32'h8D3FC6F8, 3, PIPELINED);
                // a block that ends by BERR in its fourth beat
                10: request(READ, 6, 6'h0F, 32'h8D3FC6E0, 8, IDLE);
                // nobody there: the timer; a card that refuses
                11: request(READ, 4, 6'h39, 32'h00712340, 1, CLOSE);
                12: request(WRITES, 8, 6'h09, 32'h71ABCD08, 1, PIPELINED);
                13: request(READ, 1, 6'h2D, 32'h0000C754, 1, CLOSE);
                14: request(WRITES, 6, 6'h29, 32'h0000C758, 1, PIPELINED);
                // vectors: answered here, one slot further on; one byte, two; AM means nothing
                15: request(VECTOR, 1, 6'h2D, 32'd10, 1, IDLE);
                16: request(VECTOR, 1, 6'h3F, 32'd6, 1, CLOSE);
                17: request(VECTOR, 4, 6'h3D, 32'd10, 1, PIPELINED);
                18: request(VECTOR, 4, 6'h09, 32'd14, 1, IDLE);
                // address-only, with neighbours
                19: request(ADDRESS_ONLY, 4, 6'h3D, 32'h00E1F0A4, 0, CLOSE);
                20: request(ADDRESS_ONLY, 5, 6'h29, 32'h00004D28, 0, IDLE);
                21: request(READ, 9, 6'h0D, 32'h8D3FC6C4, 1, CLOSE);
                22: request(ADDRESS_ONLY, 6, 6'h0E, 32'h40F00A60, 0, CLOSE);
                // read-modify-write, every width that is aligned
                23: request(RMW, 0, 6'h3D, 32'h005AC610, 2, CLOSE);
                24: request(RMW, 3, 6'h2D, 32'h0000C610, 2, PIPELINED);
                25: request(RMW, 4, 6'h0D, 32'h8D3FC614, 2, IDLE);
                26: request(RMW, 6, 6'h39, 32'h005AC618, 2, PIPELINED);
                default:
                    if (i < 47)                           // the lane table, written and read
                        request(i < 37 ? WRITES : READ, (i - 27) % 10, single_code((i * 7) % 10),
                                home(single_code((i * 7) % 10)) | (i - 27) % 10 << 2, 1, i % 3);
                    else if (i < SCRIPT)                  // pipelined, reads and writes mixed
                        request((i >> 1) & 1 ? WRITES : READ, (i * 3) % 10, 6'h39,
                                32'h005AC680 | (i - 47) << 2, 1, PIPELINED);
                    else if (r_chance < 8) begin
                        pick(1, 3, r_beats);
                        pick(0, 3, r_code);
                        pick(0, 1, r_kind);
                        r_am = block_code(r_code);
                        r_shape = r_shape < 4 ? r_shape : r_shape & 1 ? 4 : 6;
                        request(r_kind, r_shape, r_am, home(r_am) | (r_place & 55) << 2, r_beats,
                                r_follow);
                    end else if (r_chance < 14)
                        request(RMW, r_shape % 7, single_code(r_code),
                                home(single_code(r_code)) | r_place << 2, 2, r_follow);
                    else if (r_chance < 18)
                        request(ADDRESS_ONLY, r_shape & 1 ? 4 : 6, single_code(r_code),
                                home(single_code(r_code)) | r_place << 2, 0,
                                r_follow == PIPELINED ? CLOSE : r_follow);
                    else if (r_chance < 22)
                        request(VECTOR, r_shape & 1 ? 1 : 4, single_code(r_code),
                                (r_place % 7 + 1) << 1, 1, r_follow);
                    else
                        request(r_chance & 1 ? WRITES : READ, r_shape, single_code(r_code),
                                home(single_code(r_code)) | r_place << 2, 1, r_follow);
            endcase
        end
    endtask

    // ---- the run

    reg next_writes, is_last;
    integer f_follow;

    task start_next;                                      // address phase and first preparation
        begin
            cycle = cycle + 1;
            i = i + 1;
            next_request;
            beat = 0;
            b_address = q_address;
            next_writes = q_kind == WRITES;
            if (q_kind == ADDRESS_ONLY) open_cycle;
            else fork
                open_cycle;
                prepare(next_writes);
            join
        end
    endtask

    task beats_of_cycle;                                  // all but the end of the last
        begin : beats
            forever begin
                b_strobes = q_kind == VECTOR ? strobes_of(q_shape) : q_block
                    ? strobes_at(q_shape, b_address) : strobes_of(q_shape);
                b_lanes = q_block ? lanes_at(q_shape, b_address) : lanes_of(q_shape);
                strobe;
                keep_for_end(next_writes);
                if (e_last) disable beats;
                if (q_block && beat == 0 && cycle[0]) begin   // needed no more (memory)
                    pick_word(noise);
                    A <= #3 noise[31:1];
                    LWORD <= #5 noise[0];
                    AM <= #4 6'h2D;
                end
                pick(26, 60, e_wait);
                end_beat;
                beat = beat + 1;
                if (q_block) b_address = b_address + bytes_in(b_lanes);
                if (q_kind == RMW) next_writes = 1;
                prepare(next_writes);
            end
        end
    endtask

    initial begin
        A = 31'bz; AM = 6'bz; LWORD = 1'bz; IACK = 1'bz; WRITE = 1'bz; drive = 32'bz;
        AS = 1; DS1 = 1; DS0 = 1;
        chance = 32'h1014E1A5; cycle = -1; i = -1;
        t_as = 0; t_as_off = 0; t_ds_off = 0; t_ready = 0; t_chain = 0;
        log = $fopen("vmebus_bench.csv", "w");
        $fwrite(log, "cycle,beat,kind,address,lanes,data,ended,rmw,modifier");
        $fdisplay(log, ",address_ps,data_ps,chain_ps,acknowledge_ps,release_ps");
        is_last = 0;
        #60 start_next;
        while (!is_last) begin
            is_last = i == LENGTH - 1;
            f_follow = is_last ? IDLE : q_follow;
            if (q_kind == ADDRESS_ONLY) begin
                pick(40, 90, pause);                      // AS low for 40 (memory)
                #(pause) AS = 1'b1;
                t_as_off = $time;
                b_lanes = 4'b0000; failed = 0;
                t_data = 0; t_chain = 0; t_acknowledge = 0;
                b_address = {A, 1'b0};
                keep_for_end(0);
                row;
            end else begin
                beats_of_cycle;
                if (f_follow == PIPELINED) begin          // AS again before the strobes are up
                    pick(2, 20, pause);
                    AS <= #(pause) 1'b1;
                    t_as_off = $time + pause;
                    pick(115, 160, e_wait);
                    fork
                        end_beat;
                        begin
                            #(pause);
                            start_next;
                        end
                    join
                end else begin
                    pick(26, 60, e_wait);
                    pick(2, e_wait + 45, pause);          // AS before or after the strobes
                    AS <= #(pause) 1'b1;
                    t_as_off = $time + pause;
                    if (pause & 1) begin                  // the address may go after DTACK
                        A <= #2 31'bz; AM <= #2 6'bz; LWORD <= #3 1'bz; IACK <= #3 1'bz;
                    end
                    end_beat;
                    if ($time < t_as_off) #(t_as_off - $time);
                end
            end
            if (f_follow == IDLE) begin
                A <= #2 31'bz; AM <= #4 6'bz; LWORD <= #3 1'bz; IACK <= #1 1'bz;
                pick(10, 300, pause);
                #(pause);
            end
            if (!is_last && f_follow != PIPELINED) start_next;
        end
        WRITE = 1'bz;
        #300;
        $fclose(log);
        $finish;
    end
endmodule

// 256 bytes of memory in each space, and an interrupter at level 5. Its own reading of the codes.
module vmebus_slave (
    input [31:1]  A,
    input         LWORD,
    input [5:0]   AM,
    input         AS, DS1, DS0, WRITE, IACK,
    inout  [31:0] D,
    output        DTACK, BERR,
    input         IACKIN,
    output reg    IACKOUT
);
    reg [7:0]  memory [0:255];
    reg [31:0] drive, word;
    reg        dtack, berr, waiting_address, is_block, is_ours, refuses, takes, early;
    reg [31:1] held, at;
    reg [5:0]  held_am;
    reg        held_lword, held_iack, odd, strobed1, strobed0;
    reg [3:0]  lanes;
    reg [31:0] turn;
    integer    n, lane, work, late;
    reg [7:0]  where;
    assign D = drive;
    assign DTACK = dtack ? 1'bz : 1'b0;                   // open collector
    assign BERR = berr ? 1'bz : 1'b0;

    initial begin
        drive = 32'bz; dtack = 1; berr = 1; IACKOUT = 1; waiting_address = 0; turn = 32'h5EED1014;
        for (n = 0; n < 256; n = n + 1) memory[n] = 8'bx; // written before it is read
    end

    task settle;
        repeat (33) turn = {turn[30:0], turn[31] ^ turn[21] ^ turn[1] ^ turn[0]};
    endtask

    // The address is taken as AS falls; the beat before may still be at work on the old one.
    always @(negedge AS) begin
        held = A; held_am = AM; held_lword = LWORD; held_iack = IACK;
        waiting_address = 1;
    end
    always @(posedge AS) IACKOUT <= #(3 + turn[2:0]) 1'b1;

    wire selected = !DS1 || !DS0;
    always @(posedge selected) begin : transfer
        settle;
        #20;                                              // the strobes may be 20 apart (memory)
        if (waiting_address) begin
            at = held;
            odd = DS1;
            waiting_address = 0;
            is_block = held_iack && (held_am == 6'h0B || held_am == 6'h0F || held_am == 6'h3B
                                     || held_am == 6'h3F);
            case (held_am)
                6'h29, 6'h2D: begin
                    is_ours = at[15:8] == 8'hC6;
                    refuses = at[15:8] == 8'hC7;
                end
                6'h39, 6'h3A, 6'h3B, 6'h3D, 6'h3E, 6'h3F: begin
                    is_ours = at[23:8] == 16'h5AC6;
                    refuses = 0;
                end
                6'h09, 6'h0A, 6'h0B, 6'h0D, 6'h0E, 6'h0F: begin
                    is_ours = at[31:8] == 24'h8D3FC6;
                    refuses = 0;
                end
                default: {is_ours, refuses} = 2'b00;
            endcase
            if (!held_iack) {is_ours, refuses} = 2'b00;
        end else if (is_block) begin                      // own counter
            if (lanes == 4'b1111) at = at + 31'd2;
            else if (lanes == 4'b0011) at = at + 31'd1;
            else if (!odd) odd = 1;
            else begin
                odd = 0;
                at = at + 31'd1;
            end
            if (lanes != 4'b1111 && lanes != 4'b0011 && odd != DS1)
                $display("FAULT: the strobes of a block of bytes do not turn over");
        end
        // the strobes, A01 and LWORD
        if (held_lword) lanes = {2'b00, !DS1, !DS0};
        else case ({DS1, DS0, is_block ? 1'b0 : at[1]})
            3'b000: lanes = 4'b1111;
            3'b010: lanes = 4'b1110;
            3'b100: lanes = 4'b0111;
            3'b001: lanes = 4'b0110;
            default: lanes = 4'b0000;
        endcase
        where = held_lword ? {at[7:1], DS1} : {at[7:2], 1'b0, lanes == 4'b0111 || lanes == 4'b0110};
        if (is_block && is_ours && held_am == 6'h0F && where == 8'hEC && lanes == 4'b1111)
            {is_ours, refuses} = 2'b01;                   // a word with bad parity
        takes = is_ours;
        if (!held_iack) begin
            wait (!IACKIN || !selected);
            if (at[3:1] == 3'd5) takes = 1;
            else begin
                #(10 + turn[4:0]) IACKOUT = 1'b0;         // the next slot answers
                disable transfer;
            end
        end
        work = 20 + turn[7:0];                            // 40 to 295 after the first strobe
        if (takes) begin
            word = 32'h0;
            for (lane = 3; lane >= 0; lane = lane - 1)
                if (lanes[lane]) begin
                    word = word | memory[where] << 8 * lane;
                    where = where + 8'd1;
                end
            if (!held_iack) word = {24'h3C7E91, 8'h5B};
            settle;
            late = turn[8] ? 0 : turn[12:8] % 26;         // data up to 25 after DTACK (memory)
            if (WRITE) begin
                if (turn[9]) drive <= #10 turn;           // not yet the word
                drive <= #(work + late) mixed(word, turn);
            end
            #(work);
            if (!WRITE) begin
                where = held_lword ? {at[7:1], DS1}
                                   : {at[7:2], 1'b0, lanes == 4'b0111 || lanes == 4'b0110};
                for (lane = 3; lane >= 0; lane = lane - 1)
                    if (lanes[lane]) begin
                        memory[where] = D >> 8 * lane;
                        where = where + 8'd1;
                    end
            end
            dtack = 0;
            strobed1 = !DS1;
            strobed0 = !DS0;
            early = turn[13];
            if (early) begin                              // one strobe up: the master has latched
                wait (strobed1 && DS1 || strobed0 && DS0);
                drive <= #(turn[16:14]) 32'bz;
            end
            wait (!selected);
            drive <= #(turn[17:14] + (early ? 0 : 1)) 32'bz;
            #(turn[18:14] + 16) dtack = 1;                // data first, then DTACK (memory)
        end else if (refuses) begin
            #(work) berr = 0;
            wait (!selected);
            #(5 + turn[4:0]) berr = 1;
        end
    end
    // On lanes without part this card drives what it likes, or nothing.
    function [31:0] mixed(input [31:0] right, input [31:0] noise);
        integer k;
        for (k = 0; k < 4; k = k + 1)
            mixed[8 * k +: 8] = lanes[k] ? right[8 * k +: 8] : noise[k] ? noise[8 * k +: 8] : 8'bz;
    endfunction
endmodule

// The slot before ours lets an acknowledge in; 40 ns after AS and the first strobe (memory).
module vmebus_chain (input AS, DS1, DS0, IACK, output reg IACKIN);
    reg [15:0] turn;
    wire selected = !DS1 || !DS0;
    initial begin IACKIN = 1; turn = 16'hCA1D; end
    always @(posedge selected) begin
        turn = {turn[14:0], turn[15] ^ turn[13] ^ turn[12] ^ turn[10]};
        if (!IACK && !AS) IACKIN <= #(40 + turn[5:0]) 1'b0;
    end
    always @(posedge AS) IACKIN <= #(3 + turn[2:0]) 1'b1;
endmodule

// The slot after ours answers every level that ours lets through.
module vmebus_next_slot (input DS1, DS0, IACKOUT, input [3:1] A, inout [31:0] D, output DTACK);
    reg [31:0] drive;
    reg        dtack;
    assign D = drive;
    assign DTACK = dtack ? 1'bz : 1'b0;
    initial begin drive = 32'bz; dtack = 1; end
    always @(negedge IACKOUT) begin
        #30 drive[7:0] = {5'b10100, A};
        if (!DS1) drive[15:8] = 8'h6D;
        #12 dtack = 0;
        wait (DS1 && DS0);
        #7 drive = 32'bz;
        #9 dtack = 1;
    end
endmodule

// BERR where a strobe stays for 8 us.
module vmebus_timer (input DS1, DS0, DTACK, inout BERR);
    reg  expired;
    wire selected = !DS1 || !DS0;
    assign BERR = expired ? 1'b0 : 1'bz;
    initial expired = 0;
    always @(posedge selected) begin : timing
        fork : race
            #8000 begin
                expired = 1;
                disable race;
            end
            begin
                wait (!DTACK || !BERR || !selected);
                disable race;
            end
        join
        wait (!selected);
        #18 expired = 0;
    end
endmodule

module vmebus_bench;
    tri1 [31:1] A;                                        // terminated: an idle line is high
    tri1        LWORD, AS, DS1, DS0, WRITE, DTACK, BERR, IACK;
    wire        IACKIN, IACKOUT;
    tri1 [5:0]  AM;
    tri1 [31:0] D;
    vmebus_master master (A, LWORD, AM, AS, DS1, DS0, WRITE, IACK, D, DTACK, BERR, IACKIN);
    vmebus_slave slave (A, LWORD, AM, AS, DS1, DS0, WRITE, IACK, D, DTACK, BERR, IACKIN, IACKOUT);
    vmebus_chain chain (AS, DS1, DS0, IACK, IACKIN);
    vmebus_next_slot next_slot (DS1, DS0, IACKOUT, A[3:1], D, DTACK);
    vmebus_timer timer (DS1, DS0, DTACK, BERR);
    initial begin
        $dumpfile("vmebus_bench.vcd");
        $dumpvars(1, vmebus_bench);
    end
endmodule
