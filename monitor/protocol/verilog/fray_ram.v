// Memory with one write port and one read port, each with its own clock; synchronous read. Written so that synthesis
// takes a block memory for it. Reading an address in the clock in which it is written gives either value: the users
// here never do.
`default_nettype none
module fray_ram #(
    parameter WIDTH = 8,
    parameter LOG2 = 9
) (
    input  wire             wr_clk,
    input  wire             wr,
    input  wire [LOG2-1:0]  wr_address,
    input  wire [WIDTH-1:0] wr_data,
    input  wire             rd_clk,
    input  wire [LOG2-1:0]  rd_address,
    output reg  [WIDTH-1:0] rd_data
);
    reg [WIDTH-1:0] memory [0:(1 << LOG2) - 1];
    always @(posedge wr_clk)
        if (wr)
            memory[wr_address] <= wr_data;
    always @(posedge rd_clk)
        rd_data <= memory[rd_address];
endmodule
`default_nettype wire
