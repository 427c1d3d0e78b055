// The tap with its record former: what the receiver gets, as records of PROTOCOL.md on an octet stream. A board that has
// commands, too, uses fray_board. Ports: see fray_tap_core and fray_record.
`default_nettype none
module fray_tap #(
    parameter OCTETS = 4,
    parameter WORD_OCTETS = 2,
    parameter [7:0] OPTION = 8'd2,
    parameter FIFO_LOG2 = 12,
    parameter LIST_LOG2 = 4,
    parameter WITH_HDLC = 1
) (
    input  wire                rx_clk,
    input  wire                rx_rst,
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
    input  wire [3:0]          hdlc_words,
    input  wire [3:0]          hdlc_octets,
    output wire                fired,
    output wire [7:0]          out_data,
    output wire                out_valid,
    input  wire                out_ready,
    output wire [2:0]          sync_state,
    output wire                los,
    output wire [39:0]         hyperframes,
    output wire [31:0]         code_errors,
    output wire [31:0]         disparity_errors,
    output wire [31:0]         los_events,
    output wire [31:0]         lof_events,
    output wire [31:0]         lost,
    output wire [31:0]         sequence_number
);
    wire [7:0] record_type, octet;
    wire [15:0] flags;
    wire [63:0] time_ns;
    wire valid, last, ready, pair_known, sync_toggle;
    wire [39:0] next_number, pair_hyperframe;
    wire [19:0] pair_index;
    wire unused = &{1'b0, next_number, pair_hyperframe, pair_index, pair_known, sync_toggle};
    fray_tap_core #(
        .OCTETS(OCTETS), .WORD_OCTETS(WORD_OCTETS), .OPTION(OPTION), .FIFO_LOG2(FIFO_LOG2), .LIST_LOG2(LIST_LOG2),
        .WITH_HDLC(WITH_HDLC)
    ) core (
        .rx_clk(rx_clk), .rx_rst(rx_rst), .rx_restart(1'b0), .rx_valid(rx_valid), .rx_data(rx_data), .rx_k(rx_k),
        .rx_code_error(rx_code_error), .rx_disparity_error(rx_disparity_error), .clk(clk), .rst(rst),
        .now_ns(now_ns), .select(select), .every(every), .armed(armed), .sources(sources), .trigger(trigger),
        .pre_trigger(pre_trigger), .post_trigger(post_trigger), .match_x(match_x), .match_y(match_y), .match_value(match_value),
        .match_mask(match_mask), .hdlc_words(hdlc_words), .hdlc_octets(hdlc_octets), .fired(fired),
        .out_type(record_type), .out_flags(flags), .out_time(time_ns), .out_data(octet), .out_valid(valid),
        .out_last(last), .out_ready(ready), .sync_state(sync_state), .los(los), .hyperframes(hyperframes),
        .code_errors(code_errors), .disparity_errors(disparity_errors), .los_events(los_events),
        .lof_events(lof_events), .lost(lost), .next_number(next_number), .pair_hyperframe(pair_hyperframe),
        .pair_index(pair_index), .pair_known(pair_known), .sync_toggle(sync_toggle)
    );
    fray_record record (
        .clk(clk), .rst(rst), .in_type(record_type), .in_flags(flags), .in_time(time_ns), .in_data(octet),
        .in_valid(valid), .in_last(last), .in_ready(ready), .out_data(out_data), .out_valid(out_valid),
        .out_ready(out_ready), .sequence_number(sequence_number)
    );
endmodule
`default_nettype wire
