// Tells on the transmit side in which octets of a C&M channel a frame may be damaged so that exactly that frame is lost.
//
// Slow channel (HDLC): a bit between two zeros, inside a frame, inverted, is data or FCS on both sides of the change: no
// flag, no abort and no stuffed bit comes or goes, so the frame has a wrong FCS and nothing else. `hdlc_flip` has that
// bit; FF in place of the octet is an abort (eight ones).
// Fast channel (4B/5B): SETTLED octets behind the last octet of idle a frame is under way; 00 in place of such an octet
// holds at least one group with two leading zeros or three trailing ones, none of which is a code group (IEEE 802.3
// Table 24-1).
// One octet a clock where `put` is 1, in line order; the answer holds for the octet that is put.
`default_nettype none
module fray_frame_watch #(
    parameter LSB_FIRST = 1,
    parameter SETTLED = 16
) (
    input  wire       clk,
    input  wire       rst,
    input  wire       hdlc_put,
    input  wire       ethernet_put,
    input  wire [7:0] octet,
    output wire [7:0] hdlc_flip,     // 0: not in this octet
    output wire       hdlc_open,     // a frame is under way at this octet
    output wire       ethernet_open
);
    // ---- the slow channel, eight bits at once: ones in a row and whether a frame is under way behind this octet ----
    reg [2:0] ones;
    reg in_frame;
    reg [4:0] settled_bits; // data bits since the flag, up to 31
    reg [2:0] run;
    reg open;
    reg [4:0] count;
    reg value;
    integer n;
    always @* begin
        run = ones;
        open = in_frame;
        count = settled_bits;
        value = 1'b0;
        for (n = 0; n < 8; n = n + 1) begin
            value = LSB_FIRST != 0 ? octet[n] : octet[7-n];
            if (value) begin
                if (run == 3'd6)
                    open = 1'b0;
                run = run == 3'd7 ? 3'd7 : run + 1'b1;
            end else begin
                if (run == 3'd6) begin
                    open = 1'b1;
                    count = 0;
                end
                run = 0;
            end
            if (count != 5'd31)
                count = count + 1'b1;
        end
    end
    always @(posedge clk)
        if (rst) begin
            ones <= 0;
            in_frame <= 1'b0;
            settled_bits <= 0;
        end else if (hdlc_put) begin
            ones <= run;
            in_frame <= open;
            settled_bits <= count;
        end

    // No flag and no abort may lie in this octet or end in it: only two ones in a row at most, and few before.
    wire [5:0] between = ~octet[7:2] & ~octet[5:0];           // neighbours of bits 1 to 6 are 0
    wire [5:0] lowest = between & (~between + 6'd1);
    assign hdlc_open = in_frame && settled_bits >= 5'd16;
    assign hdlc_flip = hdlc_open ? {1'b0, lowest, 1'b0} : 8'd0;

    // ---- the fast channel ----
    reg [7:0] settled;
    always @(posedge clk)
        if (rst)
            settled <= 0;
        else if (ethernet_put) begin
            if (octet == 8'hFF)
                settled <= 0;
            else if (settled != 8'd255)
                settled <= settled + 1'b1;
        end
    assign ethernet_open = settled == SETTLED[7:0];
endmodule
`default_nettype wire
