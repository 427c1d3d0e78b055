// Finds hyperframes in the received octets, in the clock of the receiver, and counts what is wrong with them.
//
// In: OCTETS octets a clock while rx_valid is 1, lane 0 first on the line, each with K, code error and disparity error
// flags. A signal that a transceiver does not have is tied to 0. The sync byte may stand in any lane.
// Out, two clocks later: the same octets turned so that a hyperframe begins in lane 0, with the place of lane 0.
//
// The place is held while sync bytes are missed, up to MISSES in a row, so that a damaged hyperframe is still sent; LOS and
// LOF are those of the sync machine (XACQ1, XACQ2, XSYNC1, XSYNC2, HFNSYNC; a bad sync byte goes one state back) and
// of 16 code errors in one hyperframe, cleared by a hyperframe without one.
`default_nettype none
module fray_framing #(
    parameter OCTETS = 4,      // a clock: 1, 2, 4 or 8
    parameter WORD_OCTETS = 2, // T/8 of the line rate option
    parameter MISSES = 4
) (
    input  wire                clk,
    input  wire                rst,
    input  wire                restart,         // the place is given up at once: the receiver was reset
    input  wire                rx_valid,
    input  wire [8*OCTETS-1:0] rx_data,
    input  wire [OCTETS-1:0]   rx_k,
    input  wire [OCTETS-1:0]   rx_code_error,
    input  wire [OCTETS-1:0]   rx_disparity_error,
    output reg                 valid,
    output reg                 placed,          // a place is known and held
    output reg  [8*OCTETS-1:0] data,
    output reg  [OCTETS-1:0]   k,
    output reg  [OCTETS-1:0]   code_error,
    output reg  [OCTETS-1:0]   disparity_error,
    output reg  [7:0]          x,               // basic frame of lane 0
    output reg  [7:0]          offset,          // clocks since the basic frame began
    output reg                 begins,          // lane 0 is where the sync byte belongs
    output reg                 ends,            // last clock of the hyperframe
    output reg                 unexpected_k,    // a K character anywhere but at the sync byte
    output reg  [2:0]          sync_state,      // 0 XACQ1 to 4 HFNSYNC
    output reg                 los,
    output wire                lof,
    output reg                 missed_sync,     // for one clock
    output reg  [39:0]         hyperframe,      // count of the hyperframe that lane 0 is in
    output reg  [31:0]         code_errors,
    output reg  [31:0]         disparity_errors,
    output reg  [31:0]         los_events,
    output reg  [31:0]         lof_events
);
    localparam LANE_BITS = OCTETS > 4 ? 4 : OCTETS > 2 ? 3 : OCTETS > 1 ? 2 : 1; // of a lane of two clocks
    localparam FRAME_CLOCKS = 16 * WORD_OCTETS / OCTETS;
    localparam [7:0] LAST_OFFSET = FRAME_CLOCKS[7:0] - 8'd1;
    localparam [2:0] XACQ1 = 3'd0, XSYNC1 = 3'd2, HFNSYNC = 3'd4;
    localparam [2:0] MISS_LIMIT = MISSES[2:0];

    function [3:0] ones(input [OCTETS-1:0] bits);
        integer n;
        begin
            ones = 0;
            for (n = 0; n < OCTETS; n = n + 1)
                ones = ones + {3'd0, bits[n]};
        end
    endfunction

    // ---- the clock before, so that any lane can come first ----
    reg [8*OCTETS-1:0] old_data;
    reg [OCTETS-1:0] old_k, old_code, old_disparity;
    reg [LANE_BITS-1:0] turn;
    wire [16*OCTETS-1:0] both_data = {rx_data, old_data};
    wire [2*OCTETS-1:0] both_k = {rx_k, old_k};
    wire [2*OCTETS-1:0] both_code = {rx_code_error, old_code};
    wire [2*OCTETS-1:0] both_disparity = {rx_disparity_error, old_disparity};
    wire [LANE_BITS+2:0] turn_bits = {turn, 3'd0};
    // Of what is turned the lower half is wanted.
    wire [8*OCTETS-1:0] data_turned = both_data[turn_bits +: 8*OCTETS];
    wire [OCTETS-1:0] k_turned = both_k[turn +: OCTETS];
    wire [OCTETS-1:0] code_turned = both_code[turn +: OCTETS];
    wire [OCTETS-1:0] disparity_turned = both_disparity[turn +: OCTETS];

    // ---- a sync byte in any lane of this clock ----
    reg found;
    reg [LANE_BITS-1:0] found_lane;
    integer lane;
    always @* begin
        found = 1'b0;
        found_lane = 0;
        for (lane = OCTETS - 1; lane >= 0; lane = lane - 1)
            if (rx_k[lane] && !rx_code_error[lane] && rx_data[8*lane +: 8] == 8'hBC) begin
                found = 1'b1;
                found_lane = lane[LANE_BITS-1:0];
            end
    end

    // ---- place ----
    reg holding;               // the octets of the next clock have a place
    reg [7:0] next_x, next_offset;
    reg [2:0] misses;
    reg sure;                  // the place was confirmed by a second sync byte
    reg seen;                  // the place has had its first sync byte
    reg counting;              // the first hyperframe with a place has begun
    reg [4:0] errors_here;     // code errors of this hyperframe, up to 16
    reg [2:0] state_before;    // its LOF is told from the state

    assign lof = sync_state < XSYNC1;
    wire at_sync = next_x == 8'd0 && next_offset == 8'd0;
    wire good_sync = k_turned[0] && !code_turned[0] && data_turned[7:0] == 8'hBC;
    wire lets_go = at_sync && !good_sync && (!sure || misses + 3'd1 >= MISS_LIMIT);
    wire [OCTETS-1:0] errors_now = code_turned | disparity_turned;
    wire [4:0] errors_sum = errors_here[4] ? 5'd16 : errors_here + {1'b0, ones(errors_now)};
    wire last_clock = next_x == 8'd255 && next_offset == LAST_OFFSET;

    always @(posedge clk) begin
        missed_sync <= 1'b0;
        valid <= 1'b0;
        state_before <= sync_state;
        if (rst) begin
            holding <= 1'b0;
            placed <= 1'b0;
            sure <= 1'b0;
            seen <= 1'b0;
            counting <= 1'b0;
            misses <= 0;
            turn <= 0;
            next_x <= 0;
            next_offset <= 0;
            errors_here <= 0;
            sync_state <= XACQ1;
            state_before <= XACQ1;
            los <= 1'b0;
            hyperframe <= 0;
            code_errors <= 0;
            disparity_errors <= 0;
            los_events <= 0;
            lof_events <= 0;
            old_k <= 0;
            begins <= 1'b0;
            ends <= 1'b0;
        end else if (rx_valid) begin
            old_data <= rx_data;
            old_k <= rx_k;
            old_code <= rx_code_error;
            old_disparity <= rx_disparity_error;
            code_errors <= code_errors + {28'd0, ones(rx_code_error)};
            disparity_errors <= disparity_errors + {28'd0, ones(rx_disparity_error)};

            valid <= 1'b1;
            placed <= holding && !lets_go;
            data <= data_turned;
            k <= k_turned;
            code_error <= code_turned;
            disparity_error <= disparity_turned;
            x <= next_x;
            offset <= next_offset;
            begins <= holding && at_sync;
            ends <= holding && last_clock;
            unexpected_k <= |(k_turned & ~{{(OCTETS-1){1'b0}}, at_sync});

            if (!holding || lets_go) begin
                // Look for a sync byte; the octets behind it come with the next clock.
                holding <= found;
                turn <= found_lane;
                next_x <= 0;
                next_offset <= 0;
                sure <= 1'b0;
                seen <= 1'b0;
                misses <= 0;
            end else begin
                next_offset <= next_offset == LAST_OFFSET ? 8'd0 : next_offset + 8'd1;
                if (next_offset == LAST_OFFSET)
                    next_x <= next_x + 8'd1;
            end

            if (holding && at_sync && !lets_go) begin
                misses <= good_sync ? 3'd0 : misses + 3'd1;
                if (counting)
                    hyperframe <= hyperframe + 1'b1;
                counting <= 1'b1;
                seen <= 1'b1;
                sure <= sure || (good_sync && seen);
            end

            // ---- sync machine and LOS, once a hyperframe ----
            if (holding && at_sync) begin
                missed_sync <= !good_sync;
                if (good_sync)
                    sync_state <= sync_state == HFNSYNC ? HFNSYNC : sync_state + 3'd1;
                else
                    sync_state <= sync_state <= XSYNC1 ? XACQ1 : sync_state - 3'd1;
                errors_here <= {1'b0, ones(errors_now)};
            end else if (holding)
                errors_here <= errors_sum;
            if (holding && last_clock) begin
                los <= errors_sum[4] || (los && errors_sum != 5'd0);
                if (errors_sum[4] && !los)
                    los_events <= los_events + 1'b1;
                if (errors_sum[4])
                    sync_state <= XACQ1;
            end
            if (state_before >= XSYNC1 && sync_state < XSYNC1)
                lof_events <= lof_events + 1'b1;
        end
        if (restart && !rst) begin
            holding <= 1'b0;
            placed <= 1'b0;
            sync_state <= XACQ1;
            old_k <= 0;
        end
    end
endmodule
`default_nettype wire
