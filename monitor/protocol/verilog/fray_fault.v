// Reads the text of INJECT_FAULT (PROTOCOL.md section 6) from the memory of fray_receive, and says what fray_inject is to
// be loaded with. Names and parameters are told apart by CRC-16 (polynomial 1021, preset 1D0F) of their characters; the
// numbers below come from tests/verilog/test_fault_names.py, which also shows that no two names of the catalogue meet.
//
// `start` with the payload's length; `done` for one clock, then `reason` (0: none, else that of REFUSE) and the fields.
// Values that the text leaves out have the defaults of FAULTS.md.
`default_nettype none
module fray_fault #(
    parameter WORD_OCTETS = 2,
    parameter WITH_SYMBOLS = 1   // the transceiver has inputs for a bad symbol and for the running disparity
) (
    input  wire        clk,
    input  wire        rst,
    input  wire        start,
    input  wire [8:0]  length,
    output wire [8:0]  address,      // octet that is wanted: it comes a clock later
    input  wire [7:0]  octet,
    output reg         done,
    output reg  [2:0]  reason,
    output reg         placed,       // the text has an @
    output reg  [39:0] at,
    output reg  [1:0]  cm_operation, // not 0: damage on a C&M channel, the rest does not count
    output reg  [16:0] frames,
    output reg  [15:0] pattern,
    output reg  [7:0]  x,
    output reg         every_x,
    output reg  [7:0]  place,        // octet of the basic frame
    output reg  [1:0]  operation,
    output reg  [7:0]  mask,
    output reg  [7:0]  value,
    output reg  [1:0]  k,
    output reg         code_error,
    output reg         disparity
);
    localparam [2:0] IDLE = 3'd0, NAME = 3'd1, AT = 3'd2, KEY = 3'd3, NUMBER = 3'd4, COMPOSE = 3'd5, REST = 3'd6;
    localparam [2:0] MALFORMED = 3'd2, OUT_OF_RANGE = 3'd3, NOT_SUPPORTED = 3'd4;
    localparam [7:0] WORD = WORD_OCTETS[7:0];

    reg [2:0] state;
    reg [8:0] at_octet, end_octet;
    reg fetched;             // `octet` is that of at_octet
    reg [15:0] hash, name, key;
    reg point;               // a point was in the name
    reg [39:0] number;
    reg digits, huge;

    function [15:0] stepped(input [15:0] from, input [7:0] character);
        integer n;
        begin
            stepped = from ^ {character, 8'd0};
            for (n = 0; n < 8; n = n + 1)
                stepped = stepped[15] ? {stepped[14:0], 1'b0} ^ 16'h1021 : {stepped[14:0], 1'b0};
        end
    endfunction

    // ---- values of parameters ----
    reg [16:0] p_value, p_hyperframes, p_count, p_xor, p_mask;
    reg [7:0] p_x, p_w, p_y, p_ns, p_xs, p_bit, p_code, p_level, p_word;
    reg p_octets, p_apart;   // not 0: another frame than the one the text says, which is not to be had here

    localparam [15:0] COMMA = 16'hECD3, BYTE = 16'h665E, FILLER = 16'hB2B3, HFN = 16'h9562, BFN = 16'h52A3,
        PATTERN = 16'hBAFE, RESET = 16'hDE77, RAI = 16'h2592, SDI = 16'hED57, LOS = 16'hED84, LOF = 16'hAF10,
        ALARMS = 16'hE688, RESERVED_BITS = 16'h7A97, POINTER = 16'h2858, VERSION = 16'hF8BF, RATE = 16'hAFEB,
        VENDOR = 16'h88FF, VENDOR_FLIP = 16'h8DDD, CTRL_FLIP = 16'h88A6, RESERVED_FLIP = 16'h0440, IQ_FLIP = 16'h18E0,
        IQ_STUCK = 16'h77BF, K_CHARACTER = 16'hA752, VIOLATION = 16'hD77E, DISPARITY = 16'hAC56, HFN_STUCK = 16'hAEF1,
        HDLC_DATA = 16'hB7F7, HDLC_FCS = 16'h0F20, HDLC_ABORT = 16'h4316, ETHERNET_CODE = 16'h8BA7;

    wire ends = at_octet == end_octet;
    wire letter = octet >= 8'h61 && octet <= 8'h7A || octet == 8'h5F || octet >= 8'h30 && octet <= 8'h39;
    wire digit = octet >= 8'h30 && octet <= 8'h39;
    wire [43:0] tens = {1'b0, number, 3'd0} + {3'd0, number, 1'b0} + {40'd0, octet[3:0]};
    wire [8:0] next_octet = state != IDLE && state < COMPOSE && fetched && !ends ? at_octet + 9'd1 : at_octet;
    assign address = next_octet;
    wire looking = state != IDLE && state < COMPOSE && (fetched || ends);
    wire [15:0] hash_now = stepped(hash, octet);

    // The value of a parameter that has just ended goes to its place.
    wire value_ends = state == NUMBER && looking && (ends || octet == 8'h2C);

    reg [7:0] k_value;
    always @* begin
        case (p_code[3:0])
            4'd8: k_value = 8'hF7;
            4'd9: k_value = 8'hFB;
            4'd10: k_value = 8'hFD;
            4'd11: k_value = 8'hFE;
            default: k_value = {p_code[2:0], 5'h1C};
        endcase
    end
    reg [7:0] reserved_x, reserved_mask;
    always @* begin
        case (p_word[1:0])
            2'd0: begin reserved_x = 8'd130; reserved_mask = 8'hE0; end
            2'd1: begin reserved_x = 8'd194; reserved_mask = 8'hC0; end
            2'd2: begin reserved_x = 8'd66; reserved_mask = 8'hF8; end
            default: begin reserved_x = 8'd192; reserved_mask = 8'hF0; end
        endcase
    end
    wire [7:0] word_place = p_w * WORD + p_y;
    wire [7:0] control_x = {p_xs[1:0], p_ns[5:0]};
    wire [7:0] one_bit = 8'd1 << p_bit[2:0];
    wire bad_place = p_y >= WORD || p_w > 8'd15 || p_ns > 8'd63 || p_xs > 8'd3 || p_bit > 8'd7;

    always @(posedge clk) begin
        done <= 1'b0;
        if (rst) begin
            state <= IDLE;
            fetched <= 1'b0;
            at_octet <= 0;
            end_octet <= 0;
            reason <= 0;
        end else begin
            fetched <= state != IDLE || start;
            at_octet <= next_octet;
            case (state)
                IDLE: if (start) begin
                    state <= NAME;
                    fetched <= 1'b0;
                    at_octet <= 9'd16;
                    end_octet <= 9'd16 + length;
                    hash <= 16'h1D0F;
                    point <= 1'b0;
                    placed <= 1'b0;
                    at <= 0;
                    reason <= 0;
                    p_x <= 8'd100;
                    p_w <= 8'd5;
                    p_y <= 0;
                    p_ns <= 8'd20;
                    p_xs <= 8'd1;
                    p_bit <= 0;
                    p_code <= 0;
                    p_level <= 8'd1;
                    p_word <= 0;
                    p_octets <= 1'b0;
                    p_apart <= 1'b0;
                    p_hyperframes <= 17'd1;
                    p_count <= 17'd1;
                    p_xor <= 17'd16;
                    p_mask <= 17'd24;
                    p_value <= 17'd165;
                end
                NAME: if (looking) begin
                    if (ends || octet == 8'h40 || octet == 8'h3A) begin
                        name <= hash;
                        if (!point)
                            reason <= MALFORMED;
                        // Defaults that differ from one fault to the other.
                        case (hash)
                            BYTE: p_code <= 8'd1;
                            FILLER: begin p_value <= 17'd176; p_y <= 8'd1; end
                            HFN: p_value <= 17'd200;
                            PATTERN: p_mask <= 17'd11;
                            POINTER: p_value <= 17'd12;
                            VERSION: p_value <= 17'd3;
                            RATE: p_value <= 17'd7;
                            VENDOR: p_hyperframes <= 17'd0;
                            CTRL_FLIP: p_ns <= 8'd5;
                            RESERVED_FLIP: p_ns <= 8'd9;
                            default: ;
                        endcase
                        number <= 0;
                        digits <= 1'b0;
                        huge <= 1'b0;
                        hash <= 16'h1D0F;
                        state <= ends ? COMPOSE : octet == 8'h40 ? AT : KEY;
                        placed <= !ends && octet == 8'h40;
                    end else begin
                        hash <= hash_now;
                        if (octet == 8'h2E)
                            point <= 1'b1;
                        else if (!letter)
                            reason <= MALFORMED;
                    end
                end
                AT: if (looking) begin
                    if (ends || octet == 8'h3A) begin
                        at <= number;
                        if (!digits)
                            reason <= MALFORMED;
                        else if (huge && reason == 0)
                            reason <= OUT_OF_RANGE;
                        hash <= 16'h1D0F;
                        state <= ends ? COMPOSE : KEY;
                    end else if (digit) begin
                        number <= tens[39:0];
                        huge <= huge || tens[43:40] != 0;
                        digits <= 1'b1;
                    end else
                        reason <= MALFORMED;
                end
                KEY: if (looking) begin
                    if (ends) begin
                        reason <= MALFORMED;
                        state <= COMPOSE;
                    end else if (octet == 8'h3D) begin
                        key <= hash;
                        number <= 0;
                        digits <= 1'b0;
                        huge <= 1'b0;
                        state <= NUMBER;
                    end else begin
                        hash <= hash_now;
                        if (!letter)
                            reason <= MALFORMED;
                    end
                end
                NUMBER: if (looking) begin
                    if (value_ends) begin
                        if (!digits)
                            reason <= MALFORMED;
                        else if (reason == 0 && (huge || number > 40'd100000))
                            reason <= OUT_OF_RANGE;
                        case (key)
                            16'h2B0E: p_value <= number[16:0];
                            16'hD376: p_hyperframes <= number[16:0];
                            16'hAE32: p_count <= number[16:0];
                            16'h2564: p_xor <= number[16:0];
                            16'h42D8: p_mask <= number[16:0];
                            16'h3303: p_x <= number[7:0];
                            16'hC2EC: p_w <= number[7:0];
                            16'h2322: p_y <= number[7:0];
                            16'hE211: p_ns <= number[7:0];
                            16'h4BC4: p_xs <= number[7:0];
                            16'h6BA6: p_bit <= number[7:0];
                            16'h80A9: p_code <= number[7:0];
                            16'hB5F3: p_level <= number[7:0];
                            16'hE80B: p_word <= number[7:0];
                            16'h2E5D: p_octets <= number != 0;
                            16'hFC45: p_apart <= number != 0;
                            16'h81E1, 16'h92CA, 16'h82C8, 16'h1EBA: ; // octet, after, at, group: the place is found here
                            default: if (reason == 0) reason <= OUT_OF_RANGE;
                        endcase
                        hash <= 16'h1D0F;
                        state <= ends ? COMPOSE : KEY;
                    end else if (digit) begin
                        number <= tens[39:0];
                        huge <= huge || tens[43:40] != 0;
                        digits <= 1'b1;
                    end else if (octet == 8'h2D && !digits) // a negative value: none of these faults takes one
                        huge <= 1'b1;
                    else
                        reason <= MALFORMED;
                end
                COMPOSE: begin
                    cm_operation <= 0;
                    frames <= p_hyperframes;
                    pattern <= 16'hFFFF;
                    x <= p_x;
                    every_x <= 1'b0;
                    place <= 0;
                    operation <= 0;
                    mask <= 8'hFF;
                    value <= p_value[7:0];
                    k <= 0;
                    code_error <= 1'b0;
                    disparity <= 1'b0;
                    state <= REST;
                    if (reason == 0 && bad_place)
                        reason <= OUT_OF_RANGE;
                    case (name)
                        COMMA: begin x <= 0; value <= 8'h50; k <= 2'd1; frames <= p_count; end
                        PATTERN: begin
                            x <= 0; value <= 8'h50; k <= 2'd1; frames <= 17'd16; pattern <= p_mask[15:0];
                        end
                        BYTE: begin
                            x <= 0; value <= p_code == 8'd12 ? 8'hBC : k_value; k <= p_code == 8'd12 ? 2'd1 : 2'd2;
                        end
                        FILLER: begin x <= 0; place <= p_y; end
                        HFN: begin x <= 8'd64; frames <= 17'd1; end
                        HFN_STUCK: begin x <= 8'd64; operation <= 2'd2; end
                        BFN: begin
                            frames <= 17'd1;
                            operation <= 2'd1;
                            x <= p_xor[7:0] != 0 ? 8'd128 : 8'd192;
                            mask <= p_xor[7:0] != 0 ? p_xor[7:0] : {4'd0, p_xor[11:8]};
                            if (reason == 0 && p_xor[7:0] != 0 && p_xor[11:8] != 0)
                                reason <= NOT_SUPPORTED;
                        end
                        RESET: begin x <= 8'd130; mask <= 8'h01; value <= 8'hFF; end
                        RAI: begin x <= 8'd130; mask <= 8'h02; value <= 8'hFF; end
                        SDI: begin x <= 8'd130; mask <= 8'h04; value <= 8'hFF; end
                        LOS: begin x <= 8'd130; mask <= 8'h08; value <= 8'hFF; end
                        LOF: begin x <= 8'd130; mask <= 8'h10; value <= 8'hFF; end
                        ALARMS: begin x <= 8'd130; mask <= p_mask[7:0]; value <= 8'hFF; end
                        RESERVED_BITS: begin x <= reserved_x; mask <= reserved_mask; value <= 8'hFF; end
                        POINTER: x <= 8'd194;
                        VERSION: x <= 8'd2;
                        RATE: x <= 8'd66;
                        VENDOR: begin x <= control_x; place <= p_y; end
                        VENDOR_FLIP, CTRL_FLIP, RESERVED_FLIP: begin
                            x <= control_x; place <= p_y; operation <= 2'd1; mask <= one_bit; frames <= 17'd1;
                        end
                        IQ_FLIP: begin place <= word_place; operation <= 2'd1; mask <= one_bit; frames <= 17'd1; end
                        IQ_STUCK: begin
                            every_x <= 1'b1; place <= word_place; mask <= one_bit; value <= {8{p_level[0]}};
                        end
                        K_CHARACTER: begin place <= word_place; value <= k_value; k <= 2'd2; end
                        VIOLATION: begin
                            place <= word_place; mask <= 0; code_error <= 1'b1; frames <= p_count;
                            if (reason == 0 && WITH_SYMBOLS == 0) reason <= NOT_SUPPORTED;
                        end
                        DISPARITY: begin
                            place <= word_place; mask <= 0; disparity <= 1'b1; frames <= p_count;
                            if (reason == 0 && WITH_SYMBOLS == 0) reason <= NOT_SUPPORTED;
                        end
                        HDLC_DATA, HDLC_FCS: begin
                            cm_operation <= 2'd1;
                            if (reason == 0 && (p_octets || p_apart)) reason <= NOT_SUPPORTED;
                        end
                        HDLC_ABORT: cm_operation <= 2'd2;
                        ETHERNET_CODE: cm_operation <= 2'd3;
                        default: if (reason == 0) reason <= NOT_SUPPORTED;
                    endcase
                end
                default: begin // REST
                    done <= 1'b1;
                    state <= IDLE;
                end
            endcase
        end
    end
    wire unused = &{1'b0, p_count[16], p_xor[16:12], p_mask[16], p_value[16:8], p_level[7:1], p_word[7:2], p_code[7:4]};
endmodule
`default_nettype wire
