// The tap without its record former: octets of the receiver in, payloads of line data records out.
//
// Two clocks. In rx_clk hyperframes are found (fray_framing) and those that are wanted are written into a memory, whole
// or not at all: where there is no room for one it is left out and counted, and the next record gets flag LOST. In clk a
// hyperframe that is complete is read out as payload. What crosses: the memory (two ports), one queue entry a
// hyperframe, the read pointer and the settings (fray_bus_cross).
//
// Settings, in clk, may change at any time and hold from one of the next hyperframes on:
//   select      0 nothing, 1 OCTETS, 2 FLAGGED, 3 CONTROL (PROTOCOL.md section 4)
//   every       one hyperframe in `every` (0 and 1: all)
//   armed       1: only around a trigger; 0: all the time
//   sources     which events trigger: 0 code error, 1 disparity error, 2 sync byte missed, 3 unexpected K character,
//               4 wrong FCS on the slow HDLC channel, 5 match, 6 signal `trigger`
//   pre_trigger hyperframes sent from before the trigger, as far as the memory holds them; post_trigger: from behind it. Then
//               `fired` stays 1 until armed goes to 0.
//   match_*     a value at basic frame X, word W = 0 (control words), octet Y: octet & mask == value & mask
//   hdlc_rate   rate code of the slow channel, 1 to 7 (for source 4): number of its octets, see hdlc_octets below
//
// FIFO_LOG2 is the size of the memory in octets (with their flags), as a power of two.
`default_nettype none
module fray_tap_core #(
    parameter OCTETS = 4,
    parameter WORD_OCTETS = 2,
    parameter [7:0] OPTION = 8'd2,
    parameter FIFO_LOG2 = 12,
    parameter LIST_LOG2 = 4,   // hyperframes that may wait: more than `before`
    parameter WITH_HDLC = 1
) (
    input  wire                rx_clk,
    input  wire                rx_rst,
    input  wire                rx_restart,      // the receiver is reset: look for the sync byte anew
    input  wire                rx_valid,
    input  wire [8*OCTETS-1:0] rx_data,
    input  wire [OCTETS-1:0]   rx_k,
    input  wire [OCTETS-1:0]   rx_code_error,
    input  wire [OCTETS-1:0]   rx_disparity_error,

    input  wire                clk,
    input  wire                rst,
    input  wire [63:0]         now_ns,
    input  wire [1:0]          select,
    input  wire [15:0]         every,
    input  wire                armed,
    input  wire [6:0]          sources,
    input  wire                trigger,
    input  wire [15:0]         pre_trigger,
    input  wire [15:0]         post_trigger,
    input  wire [7:0]          match_x,
    input  wire [7:0]          match_y,
    input  wire [7:0]          match_value,
    input  wire [7:0]          match_mask,
    input  wire [3:0]          hdlc_words,      // which Xs of Ns = 1 carry the slow channel
    input  wire [3:0]          hdlc_octets,     // octets Y of each
    output reg                 fired,

    output wire [7:0]          out_type,
    output wire [15:0]         out_flags,
    output wire [63:0]         out_time,
    output reg  [7:0]          out_data,
    output wire                out_valid,
    output wire                out_last,
    input  wire                out_ready,

    // Status, in clk.
    output wire [2:0]          sync_state,
    output wire                los,
    output wire [39:0]         hyperframes,     // number of the next one
    output wire [31:0]         code_errors,
    output wire [31:0]         disparity_errors,
    output wire [31:0]         los_events,
    output wire [31:0]         lof_events,
    output wire [31:0]         lost,            // hyperframes for which there was no room
    output wire [39:0]         next_number,     // of the next hyperframe that can be sent
    output wire [39:0]         pair_hyperframe, // a hyperframe of the count, and
    output wire [19:0]         pair_index,      // BFN * 150 + HFN of it,
    output wire                pair_known,      // if known
    output reg                 sync_toggle      // in rx_clk: changes with each sync byte in its place
);
    localparam LANE_LOG2 = OCTETS > 4 ? 3 : OCTETS > 2 ? 2 : OCTETS > 1 ? 1 : 0;
    localparam LOG2 = FIFO_LOG2 - LANE_LOG2;                    // of the memory in entries
    localparam ENTRY = 11 * OCTETS;
    localparam FRAME_CLOCKS = 16 * WORD_OCTETS / OCTETS;
    localparam CONTROL_CLOCKS = (WORD_OCTETS + OCTETS - 1) / OCTETS;
    localparam integer WHOLE = 256 * FRAME_CLOCKS;              // entries of a hyperframe
    localparam integer CONTROL = 256 * CONTROL_CLOCKS;
    localparam integer DEPTH = 1 << LOG2;

    // ---- settings and signals from clk to rx_clk ----
    wire [1:0] rx_select;
    wire [15:0] rx_every;
    wire [7:0] rx_match_x, rx_match_y, rx_match_value, rx_match_mask;
    wire [3:0] rx_hdlc_words, rx_hdlc_octets;
    wire [6:0] rx_sources;
    wire [LOG2:0] rx_read;
    reg [LOG2:0] read_pointer;
    fray_bus_cross #(.WIDTH(65 + LOG2 + 1)) settings (
        .from_clk(clk), .from_rst(rst),
        .from_value({select, every, match_x, match_y, match_value, match_mask, hdlc_words, hdlc_octets, sources,
                     read_pointer}),
        .to_clk(rx_clk), .to_rst(rx_rst),
        .to_value({rx_select, rx_every, rx_match_x, rx_match_y, rx_match_value, rx_match_mask, rx_hdlc_words,
                   rx_hdlc_octets, rx_sources, rx_read})
    );
    reg [2:0] rx_trigger; // synchroniser of a signal that stays for a few clocks of rx_clk, and its edge
    always @(posedge rx_clk) rx_trigger <= {rx_trigger[1:0], trigger};

    // ---- framing ----
    wire valid, placed, begins, ends, unexpected_k, missed_sync, framing_los, framing_lof;
    wire [8*OCTETS-1:0] data;
    wire [OCTETS-1:0] k, code_error, disparity_error;
    wire [7:0] x, offset;
    wire [2:0] framing_state;
    wire [39:0] hyperframe;
    wire [31:0] framing_code, framing_disparity, framing_los_events, framing_lof_events;
    fray_framing #(.OCTETS(OCTETS), .WORD_OCTETS(WORD_OCTETS)) framing (
        .clk(rx_clk), .rst(rx_rst), .restart(rx_restart), .rx_valid(rx_valid), .rx_data(rx_data), .rx_k(rx_k),
        .rx_code_error(rx_code_error), .rx_disparity_error(rx_disparity_error),
        .valid(valid), .placed(placed), .data(data), .k(k), .code_error(code_error),
        .disparity_error(disparity_error), .x(x), .offset(offset), .begins(begins), .ends(ends),
        .unexpected_k(unexpected_k), .sync_state(framing_state), .los(framing_los), .lof(framing_lof),
        .missed_sync(missed_sync), .hyperframe(hyperframe), .code_errors(framing_code),
        .disparity_errors(framing_disparity), .los_events(framing_los_events), .lof_events(framing_lof_events)
    );

    // ---- which BFN and HFN a hyperframe of the count has ----
    wire place_known, place_placed, place_begins;
    wire [7:0] place_x, place_offset;
    wire [19:0] place_index;
    fray_place #(.OCTETS(OCTETS), .WORD_OCTETS(WORD_OCTETS)) numbers (
        .clk(rx_clk), .rst(rx_rst), .valid(valid && placed), .data(data[7:0]), .k(k[0]), .placed(place_placed),
        .begins(place_begins), .x(place_x), .offset(place_offset), .index(place_index), .known(place_known)
    );
    reg [39:0] paired;
    reg [19:0] paired_index;
    reg paired_known;
    always @(posedge rx_clk)
        if (rx_rst) begin
            paired <= 0;
            paired_index <= 0;
            paired_known <= 1'b0;
            sync_toggle <= 1'b0;
        end else if (valid && placed && begins) begin
            if (place_begins)
                sync_toggle <= ~sync_toggle;
            paired <= hyperframe;
            paired_index <= place_index;
            paired_known <= place_known && place_begins;
        end

    // ---- triggers ----
    localparam integer CONTROL_OCTETS = WORD_OCTETS;
    reg match_now;
    reg [7:0] y;
    integer n;
    always @* begin
        match_now = 1'b0;
        for (n = 0; n < OCTETS; n = n + 1) begin
            y = (offset << LANE_LOG2) + n[7:0];
            if (x == rx_match_x && y == rx_match_y && y < CONTROL_OCTETS[7:0] &&
                    ((data[8*n +: 8] ^ rx_match_value) & rx_match_mask) == 8'd0)
                match_now = 1'b1;
        end
    end

    wire fcs_wrong;
    generate
        if (WITH_HDLC != 0) begin : hdlc
            // The octets of a control word of the channel come OCTETS a clock; they are put one a clock.
            reg [8*OCTETS-1:0] held;
            reg [3:0] left;
            wire [7:0] first_y = offset << LANE_LOG2; // below 256: a basic frame has so many octets at most
            wire channel = valid && placed && x[5:0] == 6'd1 && rx_hdlc_words[x[7:6]] &&
                           first_y < {4'd0, rx_hdlc_octets};
            wire [7:0] rest = {4'd0, rx_hdlc_octets} - first_y;
            localparam [7:0] LANES = OCTETS[7:0];
            always @(posedge rx_clk)
                if (rx_rst)
                    left <= 0;
                else if (channel) begin
                    held <= data;
                    left <= rest > LANES ? LANES[3:0] : rest[3:0];
                end else if (left != 0) begin
                    held <= held >> 8;
                    left <= left - 1'b1;
                end
            wire unused;
            fray_fcs_watch watch (
                .clk(rx_clk), .rst(rx_rst), .put(left != 0), .octet(held[7:0]), .wrong(fcs_wrong), .good(unused)
            );
        end else begin : no_hdlc
            assign fcs_wrong = 1'b0;
        end
    endgenerate
    wire [6:0] happens = {rx_trigger[1] && !rx_trigger[2], valid && placed && match_now, fcs_wrong,
                          valid && placed && unexpected_k, missed_sync, valid && placed && |disparity_error,
                          valid && placed && |code_error};
    wire triggers = |(happens & rx_sources);

    // ---- into the memory ----
    localparam [7:0] LAST_CONTROL = CONTROL_CLOCKS[7:0] - 8'd1;
    reg [LOG2:0] write_pointer, start;
    reg capturing, triggered, was_lost;
    reg [1:0] kind;
    reg [15:0] skip;
    reg [31:0] rx_lost;
    wire [LOG2:0] free = DEPTH[LOG2:0] - (write_pointer - rx_read);
    localparam [31:0] WHOLE_32 = WHOLE, CONTROL_32 = CONTROL;
    wire [31:0] need = rx_select == 2'd3 ? CONTROL_32 : WHOLE_32;
    wire fits = {{(31 - LOG2){1'b0}}, free} >= need;
    wire queue_full;
    wire starts = valid && placed && begins;
    wire wanted = starts && rx_select != 2'd0 && skip == 16'd0;
    wire takes = wanted && fits && !queue_full;
    wire [1:0] kind_now = starts ? rx_select : kind;
    wire writes = valid && placed && (starts ? takes : capturing) && (kind_now != 2'd3 || offset <= LAST_CONTROL);
    wire done = valid && placed && ends && capturing;

    reg [ENTRY-1:0] entry;
    always @* begin
        for (n = 0; n < OCTETS; n = n + 1)
            entry[11*n +: 11] = {disparity_error[n], code_error[n], k[n], data[8*n +: 8]};
    end

    always @(posedge rx_clk) begin
        if (rx_rst) begin
            write_pointer <= 0;
            start <= 0;
            capturing <= 1'b0;
            triggered <= 1'b0;
            was_lost <= 1'b0;
            kind <= 0;
            skip <= 0;
            rx_lost <= 0;
        end else begin
            if (triggers)
                triggered <= 1'b1;
            if (writes)
                write_pointer <= write_pointer + 1'b1;
            if (starts) begin
                skip <= skip != 16'd0 ? skip - 1'b1 : rx_every > 16'd1 ? rx_every - 1'b1 : 16'd0;
                capturing <= takes;
                kind <= rx_select;
                start <= write_pointer;
                if (wanted && !takes) begin
                    rx_lost <= rx_lost + 1'b1;
                    was_lost <= 1'b1;
                end
            end
            if (done) begin
                capturing <= 1'b0;
                triggered <= triggers;
                was_lost <= 1'b0;
            end
            if ((rx_restart || (valid && !placed)) && capturing) begin
                // The place was lost in the middle: what was written is given up, and counted.
                capturing <= 1'b0;
                write_pointer <= start;
                rx_lost <= rx_lost + 1'b1;
                was_lost <= 1'b1;
            end
        end
    end

    // ---- one queue entry a hyperframe ----
    wire ready, pop, queue_dropped;
    wire [39:0] head_hyperframe;
    wire [1:0] head_kind;
    wire head_lost, head_triggered;
    fray_queue #(.WIDTH(44), .LOG2(3)) queue (
        .wr_clk(rx_clk), .wr_rst(rx_rst), .push(done),
        .entry({hyperframe, kind, was_lost, triggered || triggers}), .full(queue_full), .dropped(queue_dropped),
        .rd_clk(clk), .rd_rst(rst), .pop(pop),
        .head({head_hyperframe, head_kind, head_lost, head_triggered}), .ready(ready)
    );

    wire status_loss;
    fray_bus_cross #(.WIDTH(266)) status (
        .from_clk(rx_clk), .from_rst(rx_rst),
        .from_value({framing_state, framing_los, framing_lof, hyperframe, framing_code, framing_disparity,
                     framing_los_events, framing_lof_events, rx_lost,
                     paired, paired_index, paired_known}),
        .to_clk(clk), .to_rst(rst),
        .to_value({sync_state, los, status_loss, hyperframes, code_errors, disparity_errors, los_events, lof_events,
                   lost, pair_hyperframe, pair_index, pair_known})
    );

    // ---- the list of hyperframes in the memory, oldest first ----
    // While a trigger is waited for, the list is kept at `before` hyperframes: the oldest is given up.
    localparam integer MOST_WHOLE = DEPTH / WHOLE > 2 ? DEPTH / WHOLE - 2 : 0;
    localparam integer MOST_CONTROL = DEPTH / CONTROL > 2 ? DEPTH / CONTROL - 2 : 0;
    localparam [31:0] MOST_WHOLE_32 = MOST_WHOLE, MOST_CONTROL_32 = MOST_CONTROL;
    localparam [LOG2:0] WHOLE_SIZE = WHOLE_32[LOG2:0], CONTROL_SIZE = CONTROL_32[LOG2:0];
    localparam [63:0] HYPERFRAME_NS = 64'd66667; // 256 / 3.84 MHz
    reg [LIST_LOG2:0] list_in, list_out;
    wire [LIST_LOG2:0] listed = list_in - list_out;
    wire [31:0] most = select == 2'd3 ? MOST_CONTROL_32 : MOST_WHOLE_32;
    wire [31:0] pre_32 = {16'd0, pre_trigger};
    wire [31:0] keep = most < pre_32 ? most : pre_32;
    wire list_full = listed[LIST_LOG2];
    wire holding_back = armed && !fired;
    wire list_any = listed != 0;

    wire [63:0] began_ns = now_ns - HYPERFRAME_NS;
    wire [63:0] item_ns;
    wire [39:0] item_hyperframe;
    wire [1:0] item_kind;
    wire item_lost;
    wire forget; // the item at list_out leaves the list
    wire [LIST_LOG2-1:0] list_address = forget ? list_out[LIST_LOG2-1:0] + 1'b1 : list_out[LIST_LOG2-1:0];
    assign pop = ready && !list_full;
    fray_ram #(.WIDTH(107), .LOG2(LIST_LOG2)) list (
        .wr_clk(clk), .wr(pop), .wr_address(list_in[LIST_LOG2-1:0]),
        .wr_data({began_ns, head_hyperframe, head_kind, head_lost}),
        .rd_clk(clk), .rd_address(list_address), .rd_data({item_ns, item_hyperframe, item_kind, item_lost})
    );

    // ---- out of the memory ----
    localparam [2:0] IDLE = 3'd0, LOOK = 3'd1, PLACE = 3'd2, HEAD = 3'd3, DATA = 3'd4;
    localparam [7:0] CONTROL_LAST = WORD_OCTETS[7:0] - 8'd1;
    localparam integer FRAME_OCTETS = 16 * WORD_OCTETS;
    localparam [8:0] FRAME_LAST = FRAME_OCTETS[8:0] - 9'd1;
    localparam [3:0] LAST_LANE = OCTETS[3:0] - 4'd1;
    reg [2:0] state;
    reg [16:0] to_send;   // behind the trigger: hyperframes still to be sent
    reg [3:0] index;      // octet of the payload's head
    reg [7:0] frame;      // basic frame
    reg [8:0] octet;      // octet in the part of it that is sent
    reg high;             // the high octet of a flagged word
    reg [3:0] place;      // lane
    reg [LOG2:0] entry_pointer;
    wire [ENTRY-1:0] stored;
    wire [10:0] lane_now = stored[11*place[LANE_LOG2:0] +: 11];

    wire words = item_kind != 2'd1;
    wire [8:0] octet_last = item_kind == 2'd3 ? {1'b0, CONTROL_LAST} : FRAME_LAST;
    wire moved = out_valid && out_ready;
    wire octet_done = state == DATA && moved && (!words || high);
    wire frame_done = octet_done && octet == octet_last;
    wire entry_done = octet_done && (place == LAST_LANE || octet == octet_last);
    wire [LOG2:0] entry_next = entry_pointer + {{LOG2{1'b0}}, entry_done};
    wire sent = frame_done && frame == 8'd255;
    wire too_many = holding_back && list_any && state == LOOK && {{(31-LIST_LOG2){1'b0}}, listed} > keep;
    wire may_send = !armed || (fired && to_send != 0);
    wire give_up = too_many || (state == LOOK && list_any && fired && armed && to_send == 0);
    assign forget = sent || give_up;

    assign out_type = {6'd0, item_kind};
    assign out_flags = {14'd0, item_lost, 1'b0};
    assign out_time = item_ns;
    assign out_valid = state == HEAD || state == DATA;
    assign out_last = sent;
    always @* begin
        if (state == HEAD)
            case (index)
                4'd0: out_data = item_hyperframe[7:0];
                4'd1: out_data = item_hyperframe[15:8];
                4'd2: out_data = item_hyperframe[23:16];
                4'd3: out_data = item_hyperframe[31:24];
                4'd4: out_data = item_hyperframe[39:32];
                4'd12: out_data = OPTION;
                default: out_data = 8'd0;
            endcase
        else
            out_data = high ? {5'd0, lane_now[10:8]} : lane_now[7:0];
    end

    fray_ram #(.WIDTH(ENTRY), .LOG2(LOG2)) hyperframe_memory (
        .wr_clk(rx_clk), .wr(writes), .wr_address(write_pointer[LOG2-1:0]), .wr_data(entry),
        .rd_clk(clk), .rd_address(entry_next[LOG2-1:0]), .rd_data(stored)
    );

    always @(posedge clk) begin
        if (rst) begin
            list_in <= 0;
            list_out <= 0;
            state <= IDLE;
            fired <= 1'b0;
            to_send <= 0;
            read_pointer <= 0;
            entry_pointer <= 0;
            index <= 0;
            frame <= 0;
            octet <= 0;
            high <= 1'b0;
            place <= 0;
        end else begin
            if (pop)
                list_in <= list_in + 1'b1;
            if (!armed)
                fired <= 1'b0;
            else if (pop && head_triggered && !fired) begin
                fired <= 1'b1;
                to_send <= {{(16-LIST_LOG2){1'b0}}, listed} + 17'd1 + {1'b0, post_trigger};
            end
            if (forget) begin
                list_out <= list_out + 1'b1;
                read_pointer <= read_pointer + (item_kind == 2'd3 ? CONTROL_SIZE : WHOLE_SIZE);
            end
            case (state)
                // The memories read synchronously: an item and an entry are good one clock after their address.
                IDLE: if (list_any)
                    state <= LOOK;
                LOOK: begin
                    if (give_up || !list_any)
                        state <= IDLE;
                    else if (may_send)
                        state <= PLACE;
                    entry_pointer <= read_pointer;
                    index <= 0;
                    frame <= 0;
                    octet <= 0;
                    high <= 1'b0;
                    place <= 0;
                end
                PLACE: state <= HEAD;
                HEAD: if (moved) begin
                    index <= index + 1'b1;
                    if (index == 4'd15)
                        state <= DATA;
                end
                default: begin // DATA
                    entry_pointer <= entry_next;
                    if (moved && words)
                        high <= ~high;
                    if (octet_done) begin
                        octet <= frame_done ? 9'd0 : octet + 1'b1;
                        place <= entry_done ? 4'd0 : place + 1'b1;
                    end
                    if (frame_done)
                        frame <= frame + 1'b1;
                    if (sent) begin
                        state <= IDLE;
                        if (armed && fired && to_send != 0)
                            to_send <= to_send - 1'b1;
                    end
                end
            endcase
        end
    end

    assign next_number = list_any ? item_hyperframe : ready ? head_hyperframe : hyperframes;

    wire unused = &{1'b0, queue_dropped, status_loss, place_placed, place_x, place_offset};
endmodule
`default_nettype wire
