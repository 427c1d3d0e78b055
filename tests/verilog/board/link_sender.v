// A small link core for simulation: sends hyperframes with every plane of the standard. Behavioural, not for synthesis.
//
// Slow channel: UI frames of counting octets with their FCS (ISO/IEC 13239), flags between. Fast channel: frames of 64 octets
// and more, 4B/5B with J K, T R (IEEE 802.3 clause 24). IQ: PN9 (ITU-T O.150), one generator over all words. Vendor octets
// are constant. Percent values of traffic: 0 is off, anything else on.
`default_nettype none
`timescale 1ns / 1ps
module link_sender #(
    parameter OCTETS = 2,
    parameter WORD_OCTETS = 2,
    parameter [2:0] RATE_CODE = 3'd3,
    parameter HDLC_OCTETS = 2,
    parameter [5:0] POINTER = 6'd40,
    parameter [11:0] FIRST_BFN = 12'd100
) (
    input  wire                clk,
    input  wire                rst,
    input  wire                rai,         // sent in Z.130.0
    input  wire                los,
    input  wire                lof,
    input  wire                hdlc_on,
    input  wire                ethernet_on,
    output reg                 valid,
    output reg  [8*OCTETS-1:0] data,
    output reg  [OCTETS-1:0]   k
);
    integer x, w, y, hfn, bfn, lane;
    reg [8:0] pn;

    // ---- the slow channel: bits of frames, in line order ----
    reg [7:0] hdlc_number;      // counts frames
    integer hdlc_bit;           // of the frame in hand; -1: flags
    integer hdlc_flag_bit, hdlc_gap, hdlc_ones;
    reg [15:0] hdlc_fcs;
    integer hdlc_length;        // octets without FCS
    function [7:0] hdlc_octet(input integer at, input [7:0] number);
        hdlc_octet = at == 0 ? 8'h03 : at == 1 ? 8'h03 : at == 2 ? number : number + at[7:0];
    endfunction
    task hdlc_next(output b);
        reg [7:0] o;
        reg data_bit;
        begin
            if (hdlc_bit < 0) begin
                b = hdlc_flag_bit != 0 && hdlc_flag_bit != 7;
                hdlc_flag_bit = hdlc_flag_bit + 1;
                if (hdlc_flag_bit == 8) begin
                    hdlc_flag_bit = 0;
                    if (hdlc_gap > 0)
                        hdlc_gap = hdlc_gap - 1;
                    else if (hdlc_on) begin
                        hdlc_bit = 0;
                        hdlc_ones = 0;
                        hdlc_fcs = 16'hFFFF;
                        hdlc_length = 8 + hdlc_number[3:0];
                    end
                end
            end else if (hdlc_ones == 5) begin
                b = 1'b0;
                hdlc_ones = 0;
                if (hdlc_bit == 8 * hdlc_length + 16) hdlc_end;
            end else begin
                if (hdlc_bit < 8 * hdlc_length) begin
                    o = hdlc_octet(hdlc_bit / 8, hdlc_number);
                    data_bit = o[hdlc_bit % 8];
                    hdlc_fcs = (hdlc_fcs[0] ^ data_bit) ? {1'b0, hdlc_fcs[15:1]} ^ 16'h8408 : {1'b0, hdlc_fcs[15:1]};
                end else
                    data_bit = ~hdlc_fcs[hdlc_bit - 8 * hdlc_length];
                b = data_bit;
                hdlc_ones = data_bit ? hdlc_ones + 1 : 0;
                hdlc_bit = hdlc_bit + 1;
                if (hdlc_bit == 8 * hdlc_length + 16 && hdlc_ones != 5) hdlc_end;
            end
        end
    endtask
    task hdlc_end;
        begin
            hdlc_bit = -1;
            hdlc_flag_bit = 0;
            hdlc_gap = 2;
            hdlc_number = hdlc_number + 1;
        end
    endtask

    // ---- the fast channel ----
    integer eth_group, eth_bit, eth_idle, eth_length;
    reg [7:0] eth_number;
    reg [31:0] eth_fcs;
    reg [4:0] eth_code;
    function [4:0] code_group(input [3:0] nibble);
        case (nibble)
            4'h0: code_group = 5'b11110; 4'h1: code_group = 5'b01001; 4'h2: code_group = 5'b10100; 4'h3: code_group = 5'b10101;
            4'h4: code_group = 5'b01010; 4'h5: code_group = 5'b01011; 4'h6: code_group = 5'b01110; 4'h7: code_group = 5'b01111;
            4'h8: code_group = 5'b10010; 4'h9: code_group = 5'b10011; 4'hA: code_group = 5'b10110; 4'hB: code_group = 5'b10111;
            4'hC: code_group = 5'b11010; 4'hD: code_group = 5'b11011; 4'hE: code_group = 5'b11100; default: code_group = 5'b11101;
        endcase
    endfunction
    function [7:0] eth_octet(input integer at, input [7:0] number, input integer length);
        // Locally administered addresses, the type for local experiments (IEEE 802 clause 9.2.3)
        case (at)
            0: eth_octet = 8'h02; 1: eth_octet = 8'h00; 2: eth_octet = 8'h00; 3: eth_octet = 8'h00; 4: eth_octet = 8'h00; 5: eth_octet = 8'h0A;
            6: eth_octet = 8'h02; 7: eth_octet = 8'h00; 8: eth_octet = 8'h00; 9: eth_octet = 8'h00; 10: eth_octet = 8'h00; 11: eth_octet = 8'h01;
            12: eth_octet = 8'h88; 13: eth_octet = 8'hB5;
            default: eth_octet = at[7:0] * 8'd7 + number + length[7:0];
        endcase
    endfunction
    task eth_next_group;
        integer nibble;
        reg [7:0] o;
        reg [3:0] n;
        integer i;
        begin
            // Groups of a frame: J K, 13 times 5 and the SFD D, the nibbles, 8 of the FCS, T R. J K stand for two of the 16.
            nibble = eth_group - 16;
            if (eth_group < 0)
                eth_code = 5'b11111;
            else if (eth_group == 0) eth_code = 5'b11000;
            else if (eth_group == 1) eth_code = 5'b10001;
            else if (eth_group < 15) eth_code = code_group(4'h5);
            else if (eth_group == 15) eth_code = code_group(4'hD);
            else if (nibble < 2 * eth_length) begin
                o = eth_octet(nibble / 2, eth_number, eth_length);
                n = nibble % 2 == 0 ? o[3:0] : o[7:4];
                for (i = 0; i < 4; i = i + 1)
                    eth_fcs = {1'b0, eth_fcs[31:1]} ^ ((eth_fcs[0] ^ n[i]) ? 32'hEDB88320 : 32'd0);
                eth_code = code_group(n);
            end else if (nibble < 2 * eth_length + 8)
                eth_code = code_group(~eth_fcs[4 * (nibble - 2 * eth_length) +: 4]);
            else if (nibble == 2 * eth_length + 8) eth_code = 5'b01101;
            else eth_code = 5'b00111;
            if (eth_group >= 0) begin
                eth_group = eth_group + 1;
                if (nibble == 2 * eth_length + 9) begin
                    eth_group = -1;
                    eth_idle = 40;
                    eth_number = eth_number + 1;
                end
            end else if (eth_idle > 0)
                eth_idle = eth_idle - 1;
            else if (ethernet_on) begin
                eth_group = 0;
                eth_fcs = 32'hFFFFFFFF;
                eth_length = 60 + eth_number[4:0];
            end
        end
    endtask
    task eth_next(output b);
        begin
            if (eth_bit == 0) eth_next_group;
            b = eth_code[4 - eth_bit]; // the highest bit is the first on the line
            eth_bit = eth_bit == 4 ? 0 : eth_bit + 1;
        end
    endtask

    // ---- the hyperframe ----
    reg [7:0] octet;
    reg is_k, b;
    integer i;
    task control_octet;
        begin
            octet = 8'h00;
            is_k = 1'b0;
            if (x == 0) begin
                octet = y == 0 ? 8'hBC : 8'h50;
                is_k = y == 0;
            end else if (x % 64 == 0) begin
                if (y == 0)
                    octet = x == 64 ? hfn[7:0] : x == 128 ? bfn[7:0] : {4'd0, bfn[11:8]};
            end else if (x % 64 == 1) begin
                if (y < HDLC_OCTETS)
                    for (i = 0; i < 8; i = i + 1) begin
                        hdlc_next(b);
                        octet[i] = b;
                    end
            end else if (x % 64 == 2) begin
                if (y == 0)
                    octet = x == 2 ? 8'd1 : x == 66 ? {5'd0, RATE_CODE} : x == 130 ? {3'd0, lof, los, 1'b0, rai, 1'b0} : {2'd0, POINTER};
            end else if (x % 64 >= POINTER)
                for (i = 0; i < 8; i = i + 1) begin
                    eth_next(b);
                    octet[i] = b;
                end
            else if (x % 64 >= 16)
                octet = 8'h30 + x[7:0] + y[7:0]; // vendor specific
            else if (x % 64 >= 4 && x % 64 < 8)
                octet = 8'hC0 + x[7:0]; // Ctrl_AxC
        end
    endtask
    task next_octet;
        begin
            if (w == 0)
                control_octet;
            else begin
                is_k = 1'b0;
                for (i = 0; i < 8; i = i + 1) begin
                    octet[i] = pn[8];
                    pn = {pn[7:0], pn[8] ^ pn[4]};
                end
            end
            y = y + 1;
            if (y == WORD_OCTETS) begin
                y = 0;
                w = w + 1;
                if (w == 16) begin
                    w = 0;
                    x = x + 1;
                    if (x == 256) begin
                        x = 0;
                        hfn = hfn + 1;
                        if (hfn == 150) begin
                            hfn = 0;
                            bfn = (bfn + 1) % 4096;
                        end
                    end
                end
            end
        end
    endtask

    always @(posedge clk)
        if (rst) begin
            valid <= 1'b0;
            x = 0; w = 0; y = 0; hfn = 0;
            bfn = FIRST_BFN;
            pn = 9'h1FF;
            hdlc_number = 0; hdlc_bit = -1; hdlc_flag_bit = 0; hdlc_gap = 2; hdlc_ones = 0; hdlc_length = 8; hdlc_fcs = 0;
            eth_group = -1; eth_bit = 0; eth_idle = 40; eth_length = 60; eth_number = 0; eth_fcs = 0; eth_code = 5'h1F;
            data <= 0;
            k <= 0;
        end else begin
            valid <= 1'b1;
            for (lane = 0; lane < OCTETS; lane = lane + 1) begin
                next_octet;
                data[8*lane +: 8] <= octet;
                k[lane] <= is_k;
            end
        end
endmodule
`default_nettype wire
