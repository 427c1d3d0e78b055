// Place in the hyperframe of octets that already begin a hyperframe in lane 0, and its number from BFN and HFN.
// `index` is BFN * 150 + HFN of this hyperframe, as counted on from the one before (0 to 614 399); it is `known` once one
// hyperframe was read whole. Combinational outputs hold for the octets at the inputs.
`default_nettype none
module fray_place #(
    parameter OCTETS = 4,
    parameter WORD_OCTETS = 2
) (
    input  wire                clk,
    input  wire                rst,
    input  wire                valid,
    input  wire [7:0]          data,      // of lane 0
    input  wire                k,
    output wire                placed,
    output wire                begins,
    output wire [7:0]          x,
    output wire [7:0]          offset,
    output wire [19:0]         index,
    output reg                 known
);
    localparam integer FRAME_CLOCKS = 16 * WORD_OCTETS / OCTETS;
    localparam [7:0] LAST_OFFSET = FRAME_CLOCKS[7:0] - 8'd1;
    localparam [19:0] INDEXES = 20'd614400; // 4096 * 150
    reg holding;
    reg [7:0] next_x, next_offset, hfn, bfn_low;
    reg [19:0] next_index;
    wire sync = valid && k && data == 8'hBC;
    wire at_sync = next_x == 8'd0 && next_offset == 8'd0;
    assign begins = sync && (!holding || at_sync);
    assign placed = holding ? !(at_sync && !sync) : sync;
    assign x = begins ? 8'd0 : next_x;
    assign offset = begins ? 8'd0 : next_offset;
    assign index = next_index;

    // BFN * 150 = 128 + 16 + 4 + 2 times
    wire [19:0] bfn = {8'd0, data[3:0], bfn_low};
    wire [19:0] seen_index = (bfn << 7) + (bfn << 4) + (bfn << 2) + (bfn << 1) + {12'd0, hfn};
    wire last = x == 8'd255 && offset == LAST_OFFSET;
    reg [19:0] this_index;
    reg this_read;
    always @(posedge clk)
        if (rst) begin
            holding <= 1'b0;
            known <= 1'b0;
            this_read <= 1'b0;
            next_x <= 0;
            next_offset <= 0;
            next_index <= 0;
            this_index <= 0;
            hfn <= 0;
            bfn_low <= 0;
        end else if (valid) begin
            holding <= placed;
            if (!placed)
                known <= 1'b0;
            next_offset <= offset == LAST_OFFSET ? 8'd0 : offset + 1'b1;
            next_x <= offset == LAST_OFFSET ? x + 1'b1 : x;
            if (begins)
                this_read <= 1'b0;
            if (placed && offset == 8'd0) begin
                if (x == 8'd64)
                    hfn <= data;
                if (x == 8'd128)
                    bfn_low <= data;
                if (x == 8'd192) begin
                    this_index <= seen_index;
                    this_read <= 1'b1;
                end
            end
            if (placed && last && this_read) begin
                next_index <= this_index + 20'd1 == INDEXES ? 20'd0 : this_index + 20'd1;
                known <= 1'b1;
            end
        end
endmodule
`default_nettype wire
