// 8B/10B for simulation, from two tables that the build makes out of a registry package: `encode.hex` {disparity, K, octet} to
// {next disparity, symbol}, `decode.hex` {disparity, symbol} to {next disparity, disparity error, code error, K, octet}.
// Bit 0 of a symbol is a, the first on the line. Behavioural.
`default_nettype none
`timescale 1ns / 1ps
module line_encoder #(
    parameter OCTETS = 1
) (
    input  wire                 clk,
    input  wire                 rst,
    input  wire [8*OCTETS-1:0]  data,
    input  wire [OCTETS-1:0]    k,
    input  wire [OCTETS-1:0]    code_error,   // send a symbol that is in no column
    input  wire [OCTETS-1:0]    disparity,    // invert the running disparity here
    output reg  [10*OCTETS-1:0] symbols
);
    reg [10:0] encode [0:1023];
    initial $readmemh("encode.hex", encode);
    reg rd;
    reg [10:0] code;
    integer n;
    always @(posedge clk)
        if (rst) begin
            rd = 1'b0;
            symbols <= 0;
        end else
            for (n = 0; n < OCTETS; n = n + 1) begin
                if (disparity[n]) rd = ~rd;
                code = encode[{rd, k[n], data[8*n +: 8]}];
                // No column has nine ones and a zero, or the reverse; the running disparity behind it is the data's.
                symbols[10*n +: 10] <= code_error[n] ? (code[10] ? 10'h3FE : 10'h001) : code[9:0];
                rd = code[10];
            end
endmodule

module line_decoder #(
    parameter OCTETS = 1
) (
    input  wire                 clk,
    input  wire                 rst,
    input  wire [10*OCTETS-1:0] symbols,
    output reg  [8*OCTETS-1:0]  data,
    output reg  [OCTETS-1:0]    k,
    output reg  [OCTETS-1:0]    code_error,
    output reg  [OCTETS-1:0]    disparity_error
);
    reg [11:0] decode [0:2047];
    initial $readmemh("decode.hex", decode);
    reg rd, any;
    reg [11:0] code;
    integer n;
    always @(posedge clk)
        if (rst) begin
            rd = 1'b0;
            any = 1'b0;
            data <= 0;
            k <= 0;
            code_error <= 0;
            disparity_error <= 0;
        end else
            for (n = 0; n < OCTETS; n = n + 1) begin
                code = decode[{rd, symbols[10*n +: 10]}];
                data[8*n +: 8] <= code[7:0];
                k[n] <= code[8];
                code_error[n] <= code[9];
                // The first symbol behind a reset sets the running disparity.
                disparity_error[n] <= code[10] && any;
                rd = code[11];
                any = 1'b1;
            end
endmodule

// Word alignment: looks for the comma of K28.5 in the bits, ten a clock, takes its place once and keeps it until reset or
// until four code errors come in a row.
module word_aligner (
    input  wire       clk,
    input  wire       rst,
    input  wire [9:0] bits,       // bit 0 first on the line
    input  wire       code_error, // of the decoder behind
    output reg  [9:0] symbol,
    output reg  [3:0] offset,     // first bit of a symbol in `bits`
    output reg        aligned
);
    reg [9:0] old;
    reg [2:0] wrong;
    wire [19:0] window = {bits, old};
    integer n;
    always @(posedge clk) begin
        old <= bits;
        if (rst) begin
            aligned <= 1'b0;
            offset <= 0;
            symbol <= 0;
            wrong <= 0;
        end else begin
            wrong <= code_error ? wrong + 1'b1 : 3'd0;
            if (!aligned || (wrong == 3'd3 && code_error)) begin
                aligned <= 1'b0;
                wrong <= 0;
                for (n = 9; n >= 0; n = n - 1)
                    if (window[n +: 10] == 10'b0101111100 || window[n +: 10] == 10'b1010000011) begin
                        // K28.5 in both columns, a in bit 0: abcdei fghj = 001111 1010 and 110000 0101
                        aligned <= 1'b1;
                        offset <= n[3:0];
                    end
            end
            symbol <= window[offset +: 10];
        end
    end
endmodule
`default_nettype wire
