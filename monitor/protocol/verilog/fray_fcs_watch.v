// Watches the slow HDLC channel for frames with a wrong FCS, for a trigger. Control octets of the channel go into a
// buffer of 16 octets and are looked at bit by bit, a bit a clock; between two words of the channel there are 64 basic frames,
// so the buffer is empty again. Bit order: least significant bit first (LSB_FIRST), as the host's default.
//
// A frame of fewer than 32 bits, an aborted one and one with a number of bits that is no multiple of eight is no
// wrong FCS. FCS: ISO/IEC 13239 CRC-16, good residue F0B8 (RFC 1662 appendix C).
`default_nettype none
module fray_fcs_watch #(
    parameter LSB_FIRST = 1
) (
    input  wire       clk,
    input  wire       rst,
    input  wire       put,
    input  wire [7:0] octet,
    output reg        wrong,  // for one clock
    output reg        good    // for one clock
);
    reg [7:0] waiting [0:15];
    reg [3:0] wr, rd;
    reg [2:0] bit_number;
    wire busy = wr != rd;
    wire [7:0] now = waiting[rd];
    wire value = LSB_FIRST != 0 ? now[bit_number] : now[3'd7 - bit_number];

    reg [2:0] ones;        // in a row, up to 7
    reg in_frame;            // behind a flag
    reg [15:0] fcs;        // over the bits up to seven before the last one
    reg [6:0] delay;       // the last seven bits: those of a flag are no data
    reg [2:0] delayed;     // how many of them are valid
    reg [5:0] bits;        // data bits into fcs, up to 32, then counting in eights
    wire leaving = delay[6];
    wire [15:0] stepped = (fcs[0] ^ leaving) ? {1'b0, fcs[15:1]} ^ 16'h8408 : {1'b0, fcs[15:1]};

    always @(posedge clk) begin
        wrong <= 1'b0;
        good <= 1'b0;
        if (rst) begin
            wr <= 0;
            rd <= 0;
            bit_number <= 0;
            ones <= 0;
            in_frame <= 1'b0;
            fcs <= 16'hFFFF;
            delay <= 0;
            delayed <= 0;
            bits <= 0;
        end else begin
            if (put) begin
                waiting[wr] <= octet;
                wr <= wr + 1'b1;
            end
            if (busy) begin
                bit_number <= bit_number + 1'b1;
                if (bit_number == 3'd7)
                    rd <= rd + 1'b1;
                ones <= !value ? 3'd0 : ones == 3'd7 ? 3'd7 : ones + 1'b1;
                if (!value && ones == 3'd6) begin
                    // A flag. Its 0111111 waits in `delay`: it never reached the FCS.
                    if (in_frame && bits >= 6'd32 && bits[2:0] == 3'd0) begin
                        wrong <= fcs != 16'hF0B8;
                        good <= fcs == 16'hF0B8;
                    end
                    in_frame <= 1'b1;
                    fcs <= 16'hFFFF;
                    delayed <= 0;
                    bits <= 0;
                end else if (ones == 3'd7 || (value && ones == 3'd6))
                    in_frame <= 1'b0; // abort, or idle
                else if (in_frame && !(!value && ones == 3'd5)) begin // a stuffed zero is no data
                    delay <= {delay[5:0], value};
                    if (delayed != 3'd7)
                        delayed <= delayed + 1'b1;
                    else begin
                        fcs <= stepped;
                        bits <= bits == 6'd39 ? 6'd32 : bits + 1'b1;
                    end
                end
            end
        end
    end
endmodule
`default_nettype wire
