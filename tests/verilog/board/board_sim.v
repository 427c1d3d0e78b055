// A whole board for simulation, option 1, an octet a clock: link_sender, fray_board, line code, word alignment. The program
// around it (board_sim.cpp) carries line bits, draws the phase of the receiver's clock anew at each reset, and serves the octet stream on a
// TCP port.
`default_nettype none
`timescale 1ns / 1ps
module board_sim #(
    parameter FIFO_LOG2 = 16,
    parameter LIST_LOG2 = 8,
    parameter BROKEN_COMPENSATION = 0, // 1: the alignment offset is counted from the wrong end
    parameter WITH_SYMBOLS = 1
) (
    input  wire        tx_clk,
    input  wire        rx_clk,
    input  wire        clk,
    input  wire        rst,
    output wire [9:0]  tx_symbol,
    input  wire [9:0]  rx_bits,
    output wire [7:0]  out_data,
    output wire        out_valid,
    input  wire        out_ready,
    input  wire [7:0]  in_data,
    input  wire        in_valid,
    output wire        reset_receiver,
    output wire        reset_transmitter,
    output wire [1:0]  loopback
);
    wire core_valid, tx_valid;
    wire [7:0] core_data, tx_data, rx_data;
    wire core_k, tx_k, rx_k, tx_code, tx_disparity, rx_code, rx_disparity, aligned;
    wire [9:0] symbol;
    wire [3:0] offset;
    reg [2:0] rx_reset, tx_reset;
    always @(posedge rx_clk) rx_reset <= {rx_reset[1:0], rst || reset_receiver};
    always @(posedge tx_clk) tx_reset <= {tx_reset[1:0], rst || reset_transmitter};
    reg [7:0] traffic_seen;

    link_sender #(.OCTETS(1), .WORD_OCTETS(1), .RATE_CODE(3'd2), .HDLC_OCTETS(1)) core (
        .clk(tx_clk), .rst(rst), .rai(1'b0), .los(1'b0), .lof(1'b0), .hdlc_on(hdlc != 0), .ethernet_on(ethernet != 0),
        .valid(core_valid), .data(core_data), .k(core_k)
    );
    wire [6:0] iq, hdlc, ethernet, vendor;
    fray_board #(
        .OCTETS(1), .WORD_OCTETS(1), .OPTION(8'd1), .FIFO_LOG2(FIFO_LOG2), .LIST_LOG2(LIST_LOG2),
        .WITH_SYMBOLS(WITH_SYMBOLS), .LOOPBACKS(4'b1010), .TRAFFIC(4'b0110), .CLOCK_PS(32'd3255),
        .STATUS_CLOCKS(32'd3072000), .NAME_OCTETS(4), .NAME("RE-1"), .FIRST_DATA(2'd2)
    ) board (
        .rx_clk(rx_clk), .rx_rst(rst), .rx_valid(aligned), .rx_data(rx_data), .rx_k(rx_k), .rx_code_error(rx_code),
        .rx_disparity_error(rx_disparity), .tx_clk(tx_clk), .tx_rst(rst), .core_valid(core_valid),
        .core_data(core_data), .core_k(core_k), .tx_valid(tx_valid), .tx_data(tx_data), .tx_k(tx_k),
        .tx_code_error(tx_code), .tx_disparity(tx_disparity), .clk(clk), .rst(rst), .out_data(out_data),
        .out_valid(out_valid), .out_ready(out_ready), .in_data(in_data), .in_valid(in_valid),
        .hdlc_words(4'b1111), .hdlc_octets(4'd1), .pointer(6'd40),
        .alignment_bits(aligned ? {4'd0, BROKEN_COMPENSATION != 0 ? 4'd9 - offset : offset} : 8'hFF),
        .transmitter_on(1'b1), .receiver_ready(aligned), .trigger(1'b0), .loopback(loopback),
        .reset_transmitter(reset_transmitter), .reset_receiver(reset_receiver), .traffic_iq(iq),
        .traffic_hdlc(hdlc), .traffic_ethernet(ethernet), .traffic_vendor(vendor)
    );
    line_encoder #(.OCTETS(1)) encoder (
        .clk(tx_clk), .rst(tx_reset[2] || !tx_valid), .data(tx_data), .k(tx_k), .code_error(tx_code),
        .disparity(tx_disparity), .symbols(tx_symbol)
    );
    word_aligner aligner (
        .clk(rx_clk), .rst(rx_reset[2]), .bits(rx_bits), .code_error(rx_code), .symbol(symbol), .offset(offset),
        .aligned(aligned)
    );
    line_decoder #(.OCTETS(1)) decoder (
        .clk(rx_clk), .rst(rx_reset[2] || !aligned), .symbols(symbol), .data(rx_data), .k(rx_k), .code_error(rx_code),
        .disparity_error(rx_disparity)
    );
endmodule
`default_nettype wire
