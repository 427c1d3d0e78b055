// UART, 8 data bits, no parity, one stop bit; CLOCKS clocks a bit, 8 or more. The receiver looks at the middle of each bit.
`default_nettype none
module fray_uart #(
    parameter CLOCKS = 8
) (
    input  wire       clk,
    input  wire       rst,
    input  wire [7:0] tx_data,
    input  wire       tx_valid,
    output wire       tx_ready,
    output reg        txd,
    output reg  [7:0] rx_data,
    output reg        rx_valid,     // for one clock; there is no wait
    input  wire       rxd
);
    localparam [15:0] LAST = CLOCKS[15:0] - 16'd1;
    localparam [15:0] HALF = LAST >> 1;

    reg [15:0] tx_wait;
    reg [3:0] tx_bits;   // bits still to be sent, start and stop bit included
    reg [8:0] tx_shift;
    assign tx_ready = tx_bits == 0;
    always @(posedge clk) begin
        if (rst) begin
            txd <= 1'b1;
            tx_bits <= 0;
            tx_wait <= 0;
            tx_shift <= 9'h1FF;
        end else if (tx_bits == 0) begin
            txd <= 1'b1;
            if (tx_valid) begin
                txd <= 1'b0;
                tx_shift <= {1'b1, tx_data};
                tx_bits <= 4'd10;
                tx_wait <= LAST;
            end
        end else if (tx_wait != 0)
            tx_wait <= tx_wait - 1'b1;
        else begin
            txd <= tx_shift[0];
            tx_shift <= {1'b1, tx_shift[8:1]};
            tx_wait <= LAST;
            tx_bits <= tx_bits - 1'b1;
        end
    end

    reg [2:0] level; // synchroniser
    reg [15:0] rx_wait;
    reg [3:0] rx_bits;
    reg [7:0] rx_shift;
    always @(posedge clk) begin
        level <= {level[1:0], rxd};
        rx_valid <= 1'b0;
        if (rst) begin
            level <= 3'b111;
            rx_bits <= 0;
            rx_wait <= 0;
        end else if (rx_bits == 0) begin
            if (level[2] && !level[1]) begin
                rx_bits <= 4'd10;
                rx_wait <= HALF;
            end
        end else if (rx_wait != 0)
            rx_wait <= rx_wait - 1'b1;
        else begin
            rx_wait <= LAST;
            rx_bits <= rx_bits - 1'b1;
            rx_shift <= {level[1], rx_shift[7:1]};
            if (rx_bits == 4'd10 && level[1])
                rx_bits <= 0; // no start bit
            if (rx_bits == 4'd1) begin
                // Stop bit: its own level is not shifted in.
                rx_data <= rx_shift;
                rx_valid <= level[1];
            end
        end
    end
endmodule
`default_nettype wire
