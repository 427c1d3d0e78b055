// One fault of fray_inject: waits, acts for some hyperframes at one place of each, and is free again.
//
// `load` takes it over while `busy` is 0. Place: basic frame X (or every one), octet of the basic frame
// (WORD_OCTETS * W + Y). Operation: 0 replace the bits of `mask` by those of `value`, 1 invert the bits of `mask`, 2 hold the
// octet as it was in the hyperframe before. `k` 0 leaves the K flag, 1 clears it, 2 sets it. `code_error` and `disparity`
// go to the transceiver (bad symbol; running disparity inverted). `pattern` says in which of the 16 hyperframes from the
// start on it acts, again and again; all ones: in each. `frames` 0: until it is cleared.
`default_nettype none
module fray_slot #(
    parameter OCTETS = 4
) (
    input  wire                clk,
    input  wire                rst,
    input  wire                clear,       // free at once
    input  wire                load,
    input  wire [19:0]         at,
    input  wire [16:0]         frames,
    input  wire [15:0]         pattern,
    input  wire [7:0]          x,
    input  wire                every_x,
    input  wire [7:0]          octet,
    input  wire [1:0]          operation,
    input  wire [7:0]          mask,
    input  wire [7:0]          value,
    input  wire [1:0]          k,
    input  wire                code_error,
    input  wire                disparity,
    output reg                 busy,
    output reg                 acting,      // in this hyperframe

    input  wire                begins,      // this clock is the first of a hyperframe
    input  wire [19:0]         hyperframe,  // of this clock
    input  wire [7:0]          now_x,
    input  wire [7:0]          now_offset,  // clocks since the basic frame began
    input  wire                valid,
    input  wire [8*OCTETS-1:0] in_data,
    output reg  [8*OCTETS-1:0] keep,        // 1: the bit stays
    output reg  [8*OCTETS-1:0] flip,        // 1: inverted
    output reg  [8*OCTETS-1:0] put,         // where it does not stay: the bit
    output reg  [OCTETS-1:0]   k_keep,
    output reg  [OCTETS-1:0]   k_put,
    output reg  [OCTETS-1:0]   bad_symbol,
    output reg  [OCTETS-1:0]   bad_disparity
);
    localparam LANE_LOG2 = OCTETS > 4 ? 3 : OCTETS > 2 ? 2 : OCTETS > 1 ? 1 : 0;
    reg [19:0] start;
    reg [16:0] left;
    reg endless, any_x, symbol, parity, running;
    reg [15:0] when_now;
    reg [7:0] place_x, place_octet, bits, level, held;
    reg [1:0] what, k_what;

    wire [7:0] clock_of = place_octet >> LANE_LOG2;
    wire [7:0] lane_of = place_octet & (OCTETS[7:0] - 8'd1);
    wire new_frame = begins && valid;
    wire starts = busy && !running && new_frame && hyperframe == start;
    wire over = running && new_frame && !endless && left == 17'd1;
    wire acts = new_frame ? (starts || (running && !over)) && when_now[0] : acting;
    wire here = valid && (any_x || now_x == place_x) && now_offset == clock_of;
    integer n;

    always @* begin
        keep = {8*OCTETS{1'b1}};
        flip = 0;
        put = 0;
        k_keep = {OCTETS{1'b1}};
        k_put = 0;
        bad_symbol = 0;
        bad_disparity = 0;
        for (n = 0; n < OCTETS; n = n + 1)
            if (acts && here && lane_of == n[7:0]) begin
                if (what == 2'd1)
                    flip[8*n +: 8] = bits;
                else begin
                    keep[8*n +: 8] = ~bits;
                    put[8*n +: 8] = (what == 2'd2 ? held : level) & bits;
                end
                k_keep[n] = k_what == 2'd0;
                k_put[n] = k_what == 2'd2;
                bad_symbol[n] = symbol;
                bad_disparity[n] = parity;
            end
    end

    always @(posedge clk) begin
        if (rst) begin
            busy <= 1'b0;
            acting <= 1'b0;
            running <= 1'b0;
            left <= 0;
            held <= 0;
            endless <= 1'b0;
        end else begin
            if (load && !busy) begin
                busy <= 1'b1;
                start <= at;
                left <= frames;
                endless <= frames == 0;
                when_now <= pattern;
                place_x <= x;
                any_x <= every_x;
                place_octet <= octet;
                bits <= mask;
                level <= value;
                what <= operation;
                k_what <= k;
                symbol <= code_error;
                parity <= disparity;
            end
            for (n = 0; n < OCTETS; n = n + 1)
                if (here && lane_of == n[7:0] && !running && !starts)
                    held <= in_data[8*n +: 8];
            if (new_frame) begin
                acting <= acts;
                if (starts || (running && !over))
                    when_now <= {when_now[0], when_now[15:1]};
                if (starts)
                    running <= 1'b1;
                else if (over) begin
                    running <= 1'b0;
                    busy <= 1'b0;
                end else if (running && !endless)
                    left <= left - 1'b1;
            end
            if (clear) begin
                running <= 1'b0;
                acting <= 1'b0;
                busy <= 1'b0;
            end
        end
    end
endmodule
`default_nettype wire
