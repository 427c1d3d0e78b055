// A board's side of the record protocol: tap, injector, commands, status and delay counter, on one octet stream.
//
// Clocks: rx_clk of the receiver, tx_clk of the transmitter, clk for the rest. Resets are synchronous, each to its clock;
// hold all three at the same time for a few clocks of the slowest. Between the clocks: fray_bus_cross, fray_queue and
// synchronisers, nothing else.
//
// The octet stream (out_*, in_*) goes to fray_uart, a USB FIFO, a network core. Commands that act on the board leave as
// levels or pulses: loopback, reset_transmitter, reset_receiver, traffic_*. What the board does not have is refused:
// LOOPBACKS has a bit for each of none, internal, cable, pair; TRAFFIC one for IQ, HDLC, Ethernet, vendor.
`default_nettype none
module fray_board #(
    parameter OCTETS = 4,
    parameter WORD_OCTETS = 2,
    parameter [7:0] OPTION = 8'd2,
    parameter FIFO_LOG2 = 12,
    parameter LIST_LOG2 = 4,
    parameter WITH_HDLC = 1,
    parameter WITH_SYMBOLS = 1,
    parameter [3:0] LOOPBACKS = 4'b0001,
    parameter [3:0] TRAFFIC = 4'b0000,
    parameter [31:0] CLOCK_PS = 32'd8138,      // period of clk
    parameter [31:0] STATUS_CLOCKS = 32'd122880000,
    parameter [15:0] RESET_CLOCKS = 16'd64,
    parameter NAME_OCTETS = 4,
    parameter [8*NAME_OCTETS-1:0] NAME = "RE-1",
    parameter [1:0] FIRST_DATA = 2'd3          // line data after the start: 0 none, 1 OCTETS, 2 FLAGGED, 3 CONTROL
) (
    input  wire                rx_clk,
    input  wire                rx_rst,
    input  wire                rx_valid,
    input  wire [8*OCTETS-1:0] rx_data,
    input  wire [OCTETS-1:0]   rx_k,
    input  wire [OCTETS-1:0]   rx_code_error,
    input  wire [OCTETS-1:0]   rx_disparity_error,

    input  wire                tx_clk,
    input  wire                tx_rst,
    input  wire                core_valid,     // from the link core
    input  wire [8*OCTETS-1:0] core_data,
    input  wire [OCTETS-1:0]   core_k,
    output wire                tx_valid,       // to the transceiver
    output wire [8*OCTETS-1:0] tx_data,
    output wire [OCTETS-1:0]   tx_k,
    output wire [OCTETS-1:0]   tx_code_error,
    output wire [OCTETS-1:0]   tx_disparity,

    input  wire                clk,
    input  wire                rst,
    output wire [7:0]          out_data,
    output wire                out_valid,
    input  wire                out_ready,
    input  wire [7:0]          in_data,
    input  wire                in_valid,

    input  wire [3:0]          hdlc_words,
    input  wire [3:0]          hdlc_octets,
    input  wire [5:0]          pointer,
    input  wire [7:0]          alignment_bits, // FF: unknown
    input  wire                transmitter_on,
    input  wire                receiver_ready,
    input  wire                trigger,
    output reg  [1:0]          loopback,
    output wire                reset_transmitter,
    output wire                reset_receiver,
    output reg  [6:0]          traffic_iq,
    output reg  [6:0]          traffic_hdlc,
    output reg  [6:0]          traffic_ethernet,
    output reg  [6:0]          traffic_vendor
);
    localparam SLOTS = 4;
    localparam [7:0] ACKNOWLEDGE = 8'h20, REFUSE = 8'h21, STATUS = 8'h10, LOG = 8'h12;
    localparam [19:0] INDEXES = 20'd614400;

    // ---- time ----
    reg [63:0] now_ns;
    reg [31:0] below_ns; // picoseconds
    wire [31:0] ps_sum = below_ns + CLOCK_PS;
    reg [31:0] spare;
    always @(posedge clk)
        if (rst) begin
            now_ns <= 0;
            below_ns <= 0;
            spare <= 0;
        end else begin
            // CLOCK_PS below 64 ns: whole nanoseconds are taken off one by one in a small sum.
            below_ns <= ps_sum % 32'd1000;
            now_ns <= now_ns + {32'd0, ps_sum / 32'd1000};
            spare <= spare;
        end

    // ---- tap ----
    reg [1:0] rx_restart; // synchroniser of a level of RESET_CLOCKS
    always @(posedge rx_clk) rx_restart <= {rx_restart[0], reset_receiver};
    reg [1:0] select;
    reg [15:0] every, before_frames, behind_frames;
    reg armed;
    reg [6:0] sources;
    reg [7:0] match_x, match_y, match_value, match_mask;
    wire fired, tap_valid, tap_last, tap_ready, los, pair_known, rx_toggle;
    wire [7:0] tap_type, tap_data;
    wire [15:0] tap_flags;
    wire [63:0] tap_time;
    wire [2:0] sync_state;
    wire [39:0] hyperframes, next_number, pair_hyperframe;
    wire [31:0] code_errors, disparity_errors, los_events, lof_events, lost;
    wire [19:0] pair_index;
    fray_tap_core #(
        .OCTETS(OCTETS), .WORD_OCTETS(WORD_OCTETS), .OPTION(OPTION), .FIFO_LOG2(FIFO_LOG2), .LIST_LOG2(LIST_LOG2),
        .WITH_HDLC(WITH_HDLC)
    ) tap (
        .rx_clk(rx_clk), .rx_rst(rx_rst), .rx_restart(rx_restart[1]), .rx_valid(rx_valid), .rx_data(rx_data), .rx_k(rx_k),
        .rx_code_error(rx_code_error), .rx_disparity_error(rx_disparity_error), .clk(clk), .rst(rst),
        .now_ns(now_ns), .select(select), .every(every), .armed(armed), .sources(sources), .trigger(trigger),
        .pre_trigger(before_frames), .post_trigger(behind_frames), .match_x(match_x), .match_y(match_y),
        .match_value(match_value), .match_mask(match_mask), .hdlc_words(hdlc_words), .hdlc_octets(hdlc_octets),
        .fired(fired), .out_type(tap_type), .out_flags(tap_flags), .out_time(tap_time), .out_data(tap_data),
        .out_valid(tap_valid), .out_last(tap_last), .out_ready(tap_ready), .sync_state(sync_state), .los(los),
        .hyperframes(hyperframes), .code_errors(code_errors), .disparity_errors(disparity_errors),
        .los_events(los_events), .lof_events(lof_events), .lost(lost), .next_number(next_number),
        .pair_hyperframe(pair_hyperframe), .pair_index(pair_index), .pair_known(pair_known), .sync_toggle(rx_toggle)
    );

    // ---- injector: loads cross in a queue, one goes to the first free slot ----
    wire [19:0] core_index, tx_index;
    wire core_known, tx_known, cm_busy, tx_cm_busy, load_ready, load_full, load_dropped;
    wire [SLOTS-1:0] busy, tx_busy;
    wire [SLOTS-1:0] free_slot = ~busy & (busy + 1'b1); // the lowest one
    wire [1:0] load_cm;
    wire [19:0] load_at;
    wire [16:0] load_frames;
    wire [15:0] load_pattern;
    wire [7:0] load_x, load_place, load_mask, load_value;
    wire [1:0] load_operation, load_k;
    wire load_every, load_code, load_disparity;
    wire [SLOTS-1:0] load = load_ready && load_cm == 2'd0 ? free_slot : {SLOTS{1'b0}};
    wire cm_load = load_ready && load_cm != 2'd0 && !cm_busy;
    wire load_pop = cm_load || load != 0;

    reg push;
    reg [19:0] target;
    wire [1:0] cm_operation, fault_operation, fault_k;
    wire [16:0] fault_frames;
    wire [15:0] fault_pattern;
    wire [7:0] fault_x, fault_place, fault_mask, fault_value;
    wire fault_every, fault_code, fault_disparity;
    fray_queue #(.WIDTH(94), .LOG2(2)) loads (
        .wr_clk(clk), .wr_rst(rst), .push(push),
        .entry({cm_operation, target, fault_frames, fault_pattern, fault_x, fault_every, fault_place, fault_operation,
                fault_mask, fault_value, fault_k, fault_code, fault_disparity}),
        .full(load_full), .dropped(load_dropped), .rd_clk(tx_clk), .rd_rst(tx_rst), .pop(load_pop),
        .head({load_cm, load_at, load_frames, load_pattern, load_x, load_every, load_place, load_operation, load_mask,
               load_value, load_k, load_code, load_disparity}), .ready(load_ready)
    );
    fray_inject #(.OCTETS(OCTETS), .WORD_OCTETS(WORD_OCTETS), .SLOTS(SLOTS)) inject (
        .clk(tx_clk), .rst(tx_rst), .in_valid(core_valid), .in_data(core_data), .in_k(core_k), .out_valid(tx_valid),
        .out_data(tx_data), .out_k(tx_k), .out_code_error(tx_code_error), .out_disparity(tx_disparity),
        .index(core_index), .known(core_known), .clear(1'b0), .load(load), .at(load_at), .frames(load_frames),
        .pattern(load_pattern), .x(load_x), .every_x(load_every), .octet(load_place), .operation(load_operation),
        .mask(load_mask), .value(load_value), .k(load_k), .code_error(load_code), .disparity(load_disparity),
        .busy(busy), .cm_load(cm_load), .cm_at(load_at), .cm_operation(load_cm), .cm_busy(cm_busy),
        .hdlc_words(hdlc_words), .hdlc_octets(hdlc_octets), .pointer(pointer)
    );
    fray_bus_cross #(.WIDTH(26)) tx_status (
        .from_clk(tx_clk), .from_rst(tx_rst), .from_value({core_index, core_known, cm_busy, busy}),
        .to_clk(clk), .to_rst(rst), .to_value({tx_index, tx_known, tx_cm_busy, tx_busy})
    );

    // ---- delay: clocks of clk from a sync byte sent to a sync byte received ----
    reg tx_toggle;
    always @(posedge tx_clk)
        if (tx_rst)
            tx_toggle <= 1'b0;
        else if (tx_valid && tx_k[0] && tx_data[7:0] == 8'hBC)
            tx_toggle <= ~tx_toggle;
    reg [2:0] tx_seen, rx_seen;
    reg [31:0] clocks, delay_clocks;
    reg counting;
    wire sync_sent = tx_seen[2] ^ tx_seen[1];
    wire sync_received = rx_seen[2] ^ rx_seen[1];
    always @(posedge clk) begin
        tx_seen <= {tx_seen[1:0], tx_toggle};
        rx_seen <= {rx_seen[1:0], rx_toggle};
        if (rst) begin
            clocks <= 0;
            delay_clocks <= 0;
            counting <= 1'b0;
        end else begin
            clocks <= sync_sent ? 32'd0 : clocks + 1'b1;
            counting <= sync_sent || (counting && !sync_received);
            if (reset_receiver || reset_transmitter)
                delay_clocks <= 0; // unknown, until the receiver is in sync again
            else if (sync_received && counting && !sync_sent && sync_state == 3'd4)
                delay_clocks <= clocks + 1'b1;
        end
    end

    // ---- commands ----
    wire good;
    reg taken;
    wire [7:0] command, octet;
    wire [31:0] command_sequence, bad_records;
    wire [8:0] length, fault_address;
    reg [8:0] board_address;
    reg parsing;
    fray_receive receive (
        .clk(clk), .rst(rst), .in_data(in_data), .in_valid(in_valid), .good(good), .taken(taken), .command(command),
        .sequence_number(command_sequence), .length(length), .address(parsing ? fault_address : board_address),
        .octet(octet), .bad(bad_records)
    );
    reg fault_start;
    wire fault_done, fault_at_given;
    wire [2:0] fault_reason;
    wire [39:0] fault_at;
    fray_fault #(.WORD_OCTETS(WORD_OCTETS), .WITH_SYMBOLS(WITH_SYMBOLS)) fault (
        .clk(clk), .rst(rst), .start(fault_start), .length(length), .address(fault_address), .octet(octet),
        .done(fault_done), .reason(fault_reason), .placed(fault_at_given), .at(fault_at),
        .cm_operation(cm_operation), .frames(fault_frames), .pattern(fault_pattern), .x(fault_x),
        .every_x(fault_every), .place(fault_place), .operation(fault_operation), .mask(fault_mask),
        .value(fault_value), .k(fault_k), .code_error(fault_code), .disparity(fault_disparity)
    );

    // Where the fault goes: its hyperframe of the receiver's count is turned into BFN and HFN.
    function [19:0] wrapped(input [20:0] number); // of a sum below twice INDEXES
        wrapped = number >= {1'b0, INDEXES} ? number[19:0] - INDEXES : number[19:0];
    endfunction
    wire [39:0] ahead = fault_at - pair_hyperframe;
    wire [19:0] wanted = wrapped({1'b0, pair_index} + {8'd0, ahead[12:0]});
    wire [19:0] soon = wrapped({1'b0, tx_index} + 21'd3);
    wire [19:0] chosen = fault_at_given ? wanted : soon;
    wire [19:0] distance = wrapped({1'b0, chosen} + {1'b0, INDEXES} - {1'b0, tx_index});
    wire [19:0] from_pair = wrapped({1'b0, chosen} + {1'b0, INDEXES} - {1'b0, pair_index});
    wire in_time = distance >= 20'd2 && distance <= 20'd4200 && (!fault_at_given || ahead < 40'd4200);
    wire no_room = cm_operation != 2'd0 ? tx_cm_busy : &tx_busy;

    localparam [3:0] IDLE = 4'd0, FETCH = 4'd1, LOOK = 4'd2, FAULT = 4'd3, PLACE = 4'd4, SETTLE = 4'd5, ANSWER = 4'd6,
        REPORT = 4'd7, ARGUMENTS = 4'd8;
    reg [3:0] state;
    reg [3:0] argument;
    reg [95:0] arguments; // the first twelve octets of the payload
    reg refused, answered, last_refused;
    reg [2:0] reason, last_reason;
    reg [39:0] answer_hyperframe, last_hyperframe;
    reg [7:0] last_command;
    reg [31:0] last_sequence;
    reg [5:0] settle;
    reg [31:0] resets, status_timer;
    reg status_due, log_due;
    reg [15:0] reset_left_tx, reset_left_rx;
    assign reset_transmitter = reset_left_tx != 0;
    assign reset_receiver = reset_left_rx != 0;
    wire [7:0] first = arguments[7:0], second = arguments[15:8];
    wire again = answered && command == last_command && command_sequence == last_sequence;

    // ---- what the board itself sends: one record at a time ----
    reg sending;
    reg [7:0] kind;
    reg [6:0] index;
    reg own; // the record former takes this board's record, not the tap's
    reg record_busy;
    wire record_ready;
    reg [7:0] out_octet;
    wire [6:0] last_index = kind == ACKNOWLEDGE ? 7'd15 : kind == REFUSE ? 7'd7 : kind == LOG ? 7'd6 :
                            7'd51 + NAME_OCTETS[6:0];
    wire own_last = index == last_index;
    wire own_moved = own && sending && record_ready;
    wire [7:0] status_type = {6'd0, select};
    wire lof = sync_state < 3'd2;
    wire [8*52-1:0] status_octets = {
        bad_records, lost, resets, lof_events, los_events, disparity_errors, code_errors, 24'd0, next_number, CLOCK_PS,
        delay_clocks, 8'd0, lof || delay_clocks == 0 ? 8'hFF : alignment_bits, 8'd0, 4'd0, receiver_ready, transmitter_on, lof, los,
        6'd0, loopback, 5'd0, sync_state, status_type, OPTION
    };
    reg [8*52-1:0] status_held;
    localparam [55:0] STARTED = "detrats"; // the first character in the low octet
    integer i;
    always @* begin
        out_octet = 8'd0;
        if (kind == STATUS) begin
            out_octet = status_held[7:0];
            for (i = 0; i < NAME_OCTETS; i = i + 1)
                if (index == 7'd52 + i[6:0])
                    out_octet = NAME[8*(NAME_OCTETS-1-i) +: 8];
        end else if (kind == LOG)
            out_octet = STARTED[8*index[2:0] +: 8];
        else
            case (index[3:0])
                4'd0: out_octet = last_sequence[7:0];
                4'd1: out_octet = last_sequence[15:8];
                4'd2: out_octet = last_sequence[23:16];
                4'd3: out_octet = last_sequence[31:24];
                4'd4: out_octet = last_command;
                4'd5: out_octet = kind == REFUSE ? {5'd0, last_reason} : 8'd0;
                4'd8: out_octet = last_hyperframe[7:0];
                4'd9: out_octet = last_hyperframe[15:8];
                4'd10: out_octet = last_hyperframe[23:16];
                4'd11: out_octet = last_hyperframe[31:24];
                4'd12: out_octet = last_hyperframe[39:32];
                default: out_octet = 8'd0;
            endcase
    end
    wire [31:0] unused_sequence;
    fray_record record (
        .clk(clk), .rst(rst), .in_type(own ? kind : tap_type), .in_flags(own ? 16'd0 : tap_flags),
        .in_time(own ? now_held : tap_time), .in_data(own ? out_octet : tap_data),
        .in_valid(record_busy && (own ? sending : tap_valid)), .in_last(own ? own_last : tap_last),
        .in_ready(record_ready), .out_data(out_data), .out_valid(out_valid), .out_ready(out_ready),
        .sequence_number(unused_sequence)
    );
    assign tap_ready = record_busy && !own && record_ready;
    reg [63:0] now_held;
    always @(posedge clk)
        if (rst) begin
            record_busy <= 1'b0;
            own <= 1'b0;
        end else if (!record_busy) begin
            if (sending || tap_valid) begin
                record_busy <= 1'b1;
                own <= sending;
                now_held <= now_ns;
            end
        end else if (own ? own_moved && own_last : tap_valid && record_ready && tap_last)
            record_busy <= 1'b0;

    // ---- the commands, one after the other ----
    always @(posedge clk) begin
        taken <= 1'b0;
        fault_start <= 1'b0;
        push <= 1'b0;
        if (rst) begin
            state <= IDLE;
            sending <= 1'b0;
            kind <= LOG;
            index <= 0;
            status_due <= 1'b1;
            log_due <= 1'b1;
            status_timer <= 0;
            answered <= 1'b0;
            parsing <= 1'b0;
            select <= FIRST_DATA;
            every <= 16'd1;
            armed <= 1'b0;
            sources <= 0;
            before_frames <= 0;
            behind_frames <= 0;
            match_x <= 0;
            match_y <= 0;
            match_value <= 0;
            match_mask <= 0;
            loopback <= 0;
            resets <= 0;
            reset_left_tx <= 0;
            reset_left_rx <= 0;
            traffic_iq <= 7'd100;
            traffic_hdlc <= 7'd100;
            traffic_ethernet <= 7'd100;
            traffic_vendor <= 7'd100;
            settle <= 0;
            target <= 0;
            board_address <= 0;
            last_command <= 0;
            last_sequence <= 0;
            last_hyperframe <= 0;
            last_reason <= 0;
            last_refused <= 1'b0;
        end else begin
            if (reset_left_tx != 0)
                reset_left_tx <= reset_left_tx - 1'b1;
            if (reset_left_rx != 0)
                reset_left_rx <= reset_left_rx - 1'b1;
            status_timer <= status_timer == 0 ? STATUS_CLOCKS : status_timer - 1'b1;
            if (status_timer == 0)
                status_due <= 1'b1;
            if (own_moved) begin
                index <= index + 1'b1;
                status_held <= status_held >> 8;
                if (own_last)
                    sending <= 1'b0;
            end
            case (state)
                IDLE: if (!sending && !record_busy) begin
                    index <= 0;
                    if (log_due) begin
                        kind <= LOG;
                        sending <= 1'b1;
                        log_due <= 1'b0;
                    end else if (good) begin
                        state <= ARGUMENTS;
                        argument <= 0;
                        arguments <= 0;
                        board_address <= 9'd16;
                    end else if (status_due) begin
                        kind <= STATUS;
                        status_held <= status_octets;
                        sending <= 1'b1;
                        status_due <= 1'b0;
                    end
                end
                ARGUMENTS: begin
                    // Octets come a clock after their address; those behind the payload read 0.
                    board_address <= board_address + 1'b1;
                    argument <= argument + 1'b1;
                    if (argument != 0 && {5'd0, argument} <= length)
                        arguments[8*(argument - 4'd1) +: 8] <= octet;
                    if (argument == 4'd12)
                        state <= again ? ANSWER : LOOK;
                    refused <= last_refused;
                    reason <= last_reason;
                    answer_hyperframe <= last_hyperframe;
                end
                LOOK: begin
                    state <= ANSWER;
                    refused <= 1'b0;
                    reason <= 0;
                    answer_hyperframe <= next_number + 40'd2;
                    if (length == 0 && command != 8'h40) begin
                        refused <= 1'b1;
                        reason <= 3'd2;
                    end else
                        case (command)
                            8'h40: answer_hyperframe <= next_number;
                            8'h41: if (first > 8'd3) begin
                                refused <= 1'b1;
                                reason <= 3'd3;
                            end else if (!LOOPBACKS[first[1:0]]) begin
                                refused <= 1'b1;
                                reason <= 3'd4;
                            end else
                                loopback <= first[1:0];
                            8'h42: if (first == 0 || first > 8'd3) begin
                                refused <= 1'b1;
                                reason <= 3'd3;
                            end else begin
                                resets <= resets + 1'b1;
                                if (first[0])
                                    reset_left_tx <= RESET_CLOCKS;
                                if (first[1])
                                    reset_left_rx <= RESET_CLOCKS;
                            end
                            8'h43: if (length < 9'd2) begin
                                refused <= 1'b1;
                                reason <= 3'd2;
                            end else if (first == 0 || first > 8'd4 || second > 8'd100) begin
                                refused <= 1'b1;
                                reason <= 3'd3;
                            end else if (!TRAFFIC[first[1:0] - 2'd1]) begin
                                refused <= 1'b1;
                                reason <= 3'd4;
                            end else
                                case (first[2:0])
                                    3'd1: traffic_iq <= second[6:0];
                                    3'd2: traffic_hdlc <= second[6:0];
                                    3'd3: traffic_ethernet <= second[6:0];
                                    default: traffic_vendor <= second[6:0];
                                endcase
                            8'h44: begin
                                state <= FAULT;
                                parsing <= 1'b1;
                                fault_start <= 1'b1;
                            end
                            8'h45: if (first > 8'd4) begin
                                refused <= 1'b1;
                                reason <= 3'd3;
                            end else if (first == 8'd4) begin
                                refused <= 1'b1;
                                reason <= 3'd4;
                            end else
                                select <= first[1:0];
                            8'h48: if (length < 9'd12) begin
                                refused <= 1'b1;
                                reason <= 3'd2;
                            end else begin
                                armed <= first[0];
                                sources <= second[6:0];
                                before_frames <= arguments[31:16];
                                behind_frames <= arguments[47:32];
                                match_x <= arguments[55:48];
                                match_y <= arguments[63:56];
                                match_value <= arguments[71:64];
                                match_mask <= arguments[79:72];
                                every <= arguments[95:80];
                            end
                            default: begin
                                refused <= 1'b1;
                                reason <= 3'd1;
                            end
                        endcase
                end
                FAULT: if (fault_done) begin
                    parsing <= 1'b0;
                    state <= PLACE;
                    reason <= fault_reason;
                end
                PLACE: begin
                    state <= ANSWER;
                    target <= chosen;
                    answer_hyperframe <= pair_hyperframe + {20'd0, from_pair};
                    refused <= 1'b1;
                    if (reason != 0)
                        ;
                    else if (!tx_known || !pair_known || no_room || load_full)
                        reason <= 3'd5;
                    else if (!in_time)
                        reason <= 3'd3;
                    else begin
                        refused <= 1'b0;
                        push <= 1'b1;
                        settle <= 6'd63; // until the slots are seen to be taken
                        state <= SETTLE;
                    end
                end
                SETTLE: begin
                    settle <= settle - 1'b1;
                    if (settle == 0)
                        state <= ANSWER;
                end
                ANSWER: if (!sending && !record_busy) begin
                    kind <= refused ? REFUSE : ACKNOWLEDGE;
                    index <= 0;
                    sending <= 1'b1;
                    answered <= 1'b1;
                    last_refused <= refused;
                    last_reason <= reason;
                    last_hyperframe <= answer_hyperframe;
                    last_command <= command;
                    last_sequence <= command_sequence;
                    status_due <= status_due || command == 8'h40;
                    state <= REPORT;
                end
                default: if (!sending) begin // REPORT: the answer has left
                    taken <= 1'b1;
                    state <= FETCH;
                end
                FETCH: state <= IDLE; // `good` falls
            endcase
        end
    end
    wire unused = &{1'b0, spare, fired, hyperframes, load_dropped, unused_sequence, ahead[39:13]};
endmodule
`default_nettype wire
