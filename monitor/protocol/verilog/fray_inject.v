// Damages what a link core gives to its transceiver. Transparent, LATENCY clocks late, while nothing is injected.
//
// The octets must have the sync byte in lane 0. Pipeline: the place is found, the C&M channels are watched an octet a clock,
// then the slots act. `tx_code_error` asks the transceiver for a bad symbol, `tx_disparity` to invert its running
// disparity at this octet; tie them off where it has no such input, and refuse these faults (fray_command: WITH_SYMBOLS).
//
// Loads come one a clock in tx_clk with `load`; slot numbers are the caller's. `busy` shows which slots are not free.
// C&M damage: `cm_load` with operation 1 wrong FCS on the slow channel, 2 abort on the slow channel, 3 bad code group on
// the fast channel: in the first place that is right in the hyperframe `cm_at` or later; `cm_busy` until it is done.
// All `at` count in BFN * 150 + HFN.
`default_nettype none
module fray_inject #(
    parameter OCTETS = 4,
    parameter WORD_OCTETS = 2,
    parameter SLOTS = 4,
    parameter LSB_FIRST = 1
) (
    input  wire                clk,
    input  wire                rst,
    input  wire                in_valid,
    input  wire [8*OCTETS-1:0] in_data,
    input  wire [OCTETS-1:0]   in_k,
    output reg                 out_valid,
    output reg  [8*OCTETS-1:0] out_data,
    output reg  [OCTETS-1:0]   out_k,
    output reg  [OCTETS-1:0]   out_code_error,
    output reg  [OCTETS-1:0]   out_disparity,
    output wire [19:0]         index,          // hyperframe that comes in now
    output wire                known,

    input  wire                clear,
    input  wire [SLOTS-1:0]    load,
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
    output wire [SLOTS-1:0]    busy,

    input  wire                cm_load,
    input  wire [19:0]         cm_at,
    input  wire [1:0]          cm_operation,
    output reg                 cm_busy,
    input  wire [3:0]          hdlc_words,
    input  wire [3:0]          hdlc_octets,
    input  wire [5:0]          pointer         // first subchannel of the fast channel; 0: none
);
    localparam integer LANE_LOG2 = OCTETS > 4 ? 3 : OCTETS > 2 ? 2 : OCTETS > 1 ? 1 : 0;
    localparam integer DEPTH = WORD_OCTETS + 3;
    localparam integer WIDTH = 9 * OCTETS + 38;
    localparam [7:0] LANES = OCTETS[7:0];
    localparam [7:0] CONTROL_OCTETS = WORD_OCTETS[7:0];

    // ---- place ----
    wire placed, begins;
    wire [7:0] now_x, now_offset;
    fray_place #(.OCTETS(OCTETS), .WORD_OCTETS(WORD_OCTETS)) place (
        .clk(clk), .rst(rst), .valid(in_valid), .data(in_data[7:0]), .k(in_k[0]), .placed(placed), .begins(begins),
        .x(now_x), .offset(now_offset), .index(index), .known(known)
    );

    // ---- the way through: DEPTH clocks with in_valid ----
    reg [WIDTH-1:0] line [0:DEPTH-1];
    integer n;
    always @(posedge clk)
        if (rst)
            for (n = 0; n < DEPTH; n = n + 1)
                line[n] <= 0;
        else if (in_valid) begin
            line[0] <= {placed, begins, now_x, now_offset, index, in_k, in_data};
            for (n = 1; n < DEPTH; n = n + 1)
                line[n] <= line[n-1];
        end
    wire [8*OCTETS-1:0] data;
    wire [OCTETS-1:0] flags;
    wire [7:0] at_x, at_offset;
    wire [19:0] at_index;
    wire at_placed, at_begins;
    assign {at_placed, at_begins, at_x, at_offset, at_index, flags, data} = line[DEPTH-1];

    // ---- the C&M channels, an octet a clock ----
    wire [7:0] first_octet = now_offset << LANE_LOG2;
    wire is_slow = now_x[5:0] == 6'd1 && hdlc_words[now_x[7:6]];
    wire is_fast = pointer != 6'd0 && now_x[5:0] >= pointer;
    wire [7:0] channel_octets = is_slow ? {4'd0, hdlc_octets} : is_fast ? CONTROL_OCTETS : 8'd0;
    wire gather = in_valid && placed && first_octet < channel_octets;
    reg [8*16-1:0] gathered;
    reg [4:0] waiting;      // octets gathered and not yet watched
    reg [7:0] watched_octet, watched_x;
    reg [19:0] watched_index;
    reg slow;
    wire watching = waiting != 0 && in_valid;
    wire [7:0] channel_rest = channel_octets - first_octet;
    wire [4:0] comes = !gather ? 5'd0 : channel_rest > LANES ? LANES[4:0] : channel_rest[4:0];
    wire [7:0] hdlc_flip;
    wire hdlc_open, ethernet_open;
    wire [127:0] shifted = watching ? gathered >> 8 : gathered;
    wire [4:0] remain = watching ? waiting - 5'd1 : waiting;
    wire [127:0] added = {{(128 - 8*OCTETS){1'b0}}, in_data} << {remain, 3'd0};
    fray_frame_watch #(.LSB_FIRST(LSB_FIRST)) watch (
        .clk(clk), .rst(rst), .hdlc_put(watching && slow), .ethernet_put(watching && !slow), .octet(gathered[7:0]),
        .hdlc_flip(hdlc_flip), .hdlc_open(hdlc_open), .ethernet_open(ethernet_open)
    );

    reg [19:0] cm_from;
    reg [1:0] cm_what;
    reg cm_due;             // the hyperframe has come
    reg cm_decided;
    reg [7:0] cm_x, cm_octet, cm_flip;
    wire cm_right = cm_what == 2'd1 ? slow && hdlc_flip != 0 : cm_what == 2'd2 ? slow && hdlc_open : !slow && ethernet_open;
    wire cm_here = cm_decided && at_placed && at_x == cm_x && at_offset == (cm_octet >> LANE_LOG2);
    wire [7:0] cm_lane = cm_octet & (LANES - 8'd1);
    always @(posedge clk)
        if (rst || clear) begin
            waiting <= 0;
            gathered <= 0;
            watched_octet <= 0;
            watched_x <= 0;
            watched_index <= 0;
            slow <= 1'b0;
            cm_busy <= 1'b0;
            cm_due <= 1'b0;
            cm_decided <= 1'b0;
        end else begin
            if (in_valid) begin
                gathered <= gather ? (remain == 0 ? added : shifted | added) : shifted;
                waiting <= remain + comes;
                if (gather && first_octet == 8'd0) begin
                    watched_octet <= 0;
                    watched_x <= now_x;
                    watched_index <= index;
                    slow <= is_slow;
                end else if (watching)
                    watched_octet <= watched_octet + 1'b1;
                if (cm_busy && watched_index == cm_from)
                    cm_due <= 1'b1;
                if (watching && cm_busy && !cm_decided && (cm_due || watched_index == cm_from) && cm_right) begin
                    cm_decided <= 1'b1;
                    cm_x <= watched_x;
                    cm_octet <= watched_octet;
                    cm_flip <= hdlc_flip;
                end
                if (cm_here) begin
                    cm_decided <= 1'b0;
                    cm_due <= 1'b0;
                    cm_busy <= 1'b0;
                end
            end
            if (cm_load && !cm_busy) begin
                cm_busy <= 1'b1;
                cm_from <= cm_at;
                cm_what <= cm_operation;
            end
        end

    // ---- the slots ----
    wire [8*OCTETS*SLOTS-1:0] keep, flip, put;
    wire [OCTETS*SLOTS-1:0] k_keep, k_put, bad_symbol, bad_disparity;
    wire [SLOTS-1:0] acting;
    genvar s;
    generate
        for (s = 0; s < SLOTS; s = s + 1) begin : slot
            fray_slot #(.OCTETS(OCTETS)) one (
                .clk(clk), .rst(rst), .clear(clear), .load(load[s]), .at(at), .frames(frames), .pattern(pattern), .x(x),
                .every_x(every_x), .octet(octet), .operation(operation), .mask(mask), .value(value), .k(k),
                .code_error(code_error), .disparity(disparity), .busy(busy[s]), .acting(acting[s]),
                .begins(at_begins), .hyperframe(at_index), .now_x(at_x), .now_offset(at_offset),
                .valid(in_valid && at_placed), .in_data(data),
                .keep(keep[8*OCTETS*s +: 8*OCTETS]), .flip(flip[8*OCTETS*s +: 8*OCTETS]),
                .put(put[8*OCTETS*s +: 8*OCTETS]), .k_keep(k_keep[OCTETS*s +: OCTETS]),
                .k_put(k_put[OCTETS*s +: OCTETS]), .bad_symbol(bad_symbol[OCTETS*s +: OCTETS]),
                .bad_disparity(bad_disparity[OCTETS*s +: OCTETS])
            );
        end
    endgenerate
    reg [8*OCTETS-1:0] changed;
    reg [OCTETS-1:0] changed_k, changed_symbol, changed_disparity;
    integer i;
    always @* begin
        changed = data;
        changed_k = flags;
        changed_symbol = 0;
        changed_disparity = 0;
        for (i = 0; i < SLOTS; i = i + 1) begin
            changed = ((changed & keep[8*OCTETS*i +: 8*OCTETS]) | put[8*OCTETS*i +: 8*OCTETS]) ^
                      flip[8*OCTETS*i +: 8*OCTETS];
            changed_k = (changed_k & k_keep[OCTETS*i +: OCTETS]) | k_put[OCTETS*i +: OCTETS];
            changed_symbol = changed_symbol | bad_symbol[OCTETS*i +: OCTETS];
            changed_disparity = changed_disparity | bad_disparity[OCTETS*i +: OCTETS];
        end
        for (i = 0; i < OCTETS; i = i + 1)
            if (cm_here && cm_lane == i[7:0])
                changed[8*i +: 8] = cm_what == 2'd1 ? changed[8*i +: 8] ^ cm_flip : cm_what == 2'd2 ? 8'hFF : 8'h00;
    end
    always @(posedge clk) begin
        out_valid <= in_valid && !rst;
        if (rst) begin
            out_data <= 0;
            out_k <= 0;
            out_code_error <= 0;
            out_disparity <= 0;
        end else if (in_valid) begin
            out_data <= changed;
            out_k <= changed_k;
            out_code_error <= changed_symbol;
            out_disparity <= changed_disparity;
        end
    end
    wire unused = &{1'b0, acting};
endmodule
`default_nettype wire
