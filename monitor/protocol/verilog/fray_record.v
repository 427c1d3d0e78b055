// One record of the serial line at a time: header, payload, CRC-32, then COBS with a 00 before and after it.
//
// Payload: octets with valid and ready, `in_last` with the last one; at least one octet. Type, flags and time are
// taken with the first octet. `out_*` is the octet stream for the UART or anything else; an octet moves in a clock in
// which valid and ready are both 1, and stays as it is until then.
//
// Two COBS blocks of 254 octets are kept: one is filled while the other one leaves. No 00 leaves but the delimiters.
`default_nettype none
module fray_record (
    input  wire        clk,
    input  wire        rst,
    input  wire [7:0]  in_type,
    input  wire [15:0] in_flags,
    input  wire [63:0] in_time,
    input  wire [7:0]  in_data,
    input  wire        in_valid,
    input  wire        in_last,
    output wire        in_ready,
    output wire [7:0]  out_data,
    output wire        out_valid,
    input  wire        out_ready,
    output reg  [31:0] sequence_number // of the next record
);
    localparam [2:0] IDLE = 3'd0, HEAD = 3'd1, BODY = 3'd2, CHECK = 3'd3, FINISH = 3'd4;
    reg [2:0] state;
    reg [4:0] index;
    reg [31:0] crc;
    wire [31:0] crc_next;
    wire [31:0] check = ~crc;

    // FIRST goes with record 0; the sequence number also wraps to 0, so it needs a bit of its own.
    reg begun;

    // ---- what goes into the block ----
    reg [7:0] head;
    always @* begin
        case (index[3:0])
            4'd0: head = 8'd1;
            4'd1: head = in_type;
            4'd2: head = in_flags[7:0] | {7'd0, !begun};
            4'd3: head = in_flags[15:8];
            4'd4: head = sequence_number[7:0];
            4'd5: head = sequence_number[15:8];
            4'd6: head = sequence_number[23:16];
            4'd7: head = sequence_number[31:24];
            4'd8: head = in_time[7:0];
            4'd9: head = in_time[15:8];
            4'd10: head = in_time[23:16];
            4'd11: head = in_time[31:24];
            4'd12: head = in_time[39:32];
            4'd13: head = in_time[47:40];
            4'd14: head = in_time[55:48];
            default: head = in_time[63:56];
        endcase
    end
    wire feeding = state == HEAD || (state == BODY && in_valid) || state == CHECK;
    wire [7:0] octet = state == HEAD ? head :
                       state == BODY ? in_data :
                       index[1:0] == 2'd0 ? check[7:0] :
                       index[1:0] == 2'd1 ? check[15:8] :
                       index[1:0] == 2'd2 ? check[23:16] : check[31:24];
    fray_crc32 step (.crc(crc), .data(octet), .next(crc_next));

    // ---- two blocks: which is filled, which leaves ----
    reg fill, leave;           // block numbers
    reg [1:0] closed;          // block waits to leave
    reg [7:0] code_0, code_1;  // its code; 0: a full block was the last, only the delimiter is left
    reg [1:0] first, last;     // it begins or ends a record
    reg [7:0] used;            // octets in the block that is filled
    reg just_full;             // the block before it was full, and nothing came since
    reg opening;               // the next block to close is the record's first

    wire room = !closed[fill];
    wire accept = feeding && room;
    assign in_ready = state == BODY && room;
    wire zero = octet == 8'd0;
    wire full = used == 8'd253;
    wire close = (accept && (zero || full)) || (state == FINISH && room);
    wire [7:0] close_code = state == FINISH ? (just_full && used == 8'd0 ? 8'd0 : used + 8'd1) :
                            zero ? used + 8'd1 : 8'hFF;
    wire released;

    always @(posedge clk) begin
        if (rst) begin
            state <= IDLE;
            index <= 0;
            sequence_number <= 0;
            begun <= 1'b0;
            crc <= 32'hFFFFFFFF;
            fill <= 1'b0;
            closed <= 2'b00;
            first <= 2'b00;
            last <= 2'b00;
            code_0 <= 0;
            code_1 <= 0;
            used <= 0;
            just_full <= 1'b0;
            opening <= 1'b1;
        end else begin
            if (released)
                closed[leave] <= 1'b0;
            if (accept) begin
                if (state != CHECK)
                    crc <= crc_next;
                used <= zero || full ? 8'd0 : used + 8'd1;
                just_full <= !zero && full;
            end
            if (close) begin
                closed[fill] <= 1'b1;
                first[fill] <= opening;
                last[fill] <= state == FINISH;
                if (fill)
                    code_1 <= close_code;
                else
                    code_0 <= close_code;
                fill <= ~fill;
                opening <= state == FINISH;
            end
            case (state)
                IDLE: if (in_valid) begin
                    state <= HEAD;
                    index <= 0;
                    crc <= 32'hFFFFFFFF;
                end
                HEAD: if (accept) begin
                    index <= index + 1'b1;
                    if (index == 5'd15)
                        state <= BODY;
                end
                BODY: if (accept && in_last) begin
                    state <= CHECK;
                    index <= 0;
                end
                CHECK: if (accept) begin
                    index <= index + 1'b1;
                    if (index == 5'd3)
                        state <= FINISH;
                end
                default: if (room) begin // FINISH
                    state <= IDLE;
                    used <= 0;
                    just_full <= 1'b0;
                    begun <= 1'b1;
                    sequence_number <= sequence_number + 1'b1;
                end
            endcase
        end
    end

    // ---- a block leaves: 00 if it is the first, its code, its octets, 00 if it is the last ----
    localparam [1:0] WAIT = 2'd0, CODE = 2'd1, DATA = 2'd2, END = 2'd3;
    reg [1:0] phase;
    reg [7:0] at;
    wire [7:0] code = leave ? code_1 : code_0;
    wire is_first = leave ? first[1] : first[0];
    wire is_last = leave ? last[1] : last[0];
    wire waiting = leave ? closed[1] : closed[0];
    wire moved = out_valid && out_ready;
    wire [7:0] at_next = phase == DATA && moved ? at + 8'd1 : at;
    wire [7:0] stored;

    // In WAIT of a first block the opening 00 is offered.
    assign out_valid = phase == WAIT ? waiting && is_first : 1'b1;
    assign out_data = phase == CODE ? code : phase == DATA ? stored : 8'd0;
    wire no_more = at == code - 8'd2;
    wire ends = (phase == CODE && moved && code == 8'd1) || (phase == DATA && moved && no_more);
    assign released = (ends && !is_last) || (phase == END && moved);

    always @(posedge clk) begin
        if (rst) begin
            phase <= WAIT;
            leave <= 1'b0;
            at <= 0;
        end else begin
            at <= at_next;
            case (phase)
                WAIT: begin
                    at <= 0;
                    if (waiting && (!is_first || out_ready))
                        phase <= code == 8'd0 ? END : CODE;
                end
                CODE: if (moved)
                    phase <= code != 8'd1 ? DATA : is_last ? END : WAIT;
                DATA: if (moved && no_more)
                    phase <= is_last ? END : WAIT;
                default: if (moved) // END
                    phase <= WAIT;
            endcase
            if (released)
                leave <= ~leave;
        end
    end

    fray_ram #(.WIDTH(8), .LOG2(9)) blocks (
        .wr_clk(clk), .wr(accept && !zero), .wr_address({fill, used}), .wr_data(octet),
        .rd_clk(clk), .rd_address({leave, at_next}), .rd_data(stored)
    );
endmodule
`default_nettype wire
