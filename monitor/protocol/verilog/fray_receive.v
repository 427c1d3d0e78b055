// Records from the host: COBS taken off, CRC-32 and version looked at, the record in a memory of 512 octets.
//
// `good` is 1 from a whole command until `taken`; octets that come meanwhile are dropped with their record and counted.
// The memory is read with `address` (0 is the version), the octet comes a clock later. `length` counts the payload.
// What is not a record (noise, console text, a damaged record) is counted in `bad` and left out.
`default_nettype none
module fray_receive (
    input  wire        clk,
    input  wire        rst,
    input  wire [7:0]  in_data,
    input  wire        in_valid,
    output reg         good,
    input  wire        taken,
    output reg  [7:0]  command,
    output reg  [31:0] sequence_number,
    output reg  [8:0]  length,
    input  wire [8:0]  address,
    output wire [7:0]  octet,
    output reg  [31:0] bad
);
    localparam [8:0] MOST = 9'd276; // header, 256 octets, CRC
    reg [7:0] left;       // octets of the COBS piece that are still to come
    reg zero;             // a 00 stands behind the piece
    reg any;              // an octet came since the last 00
    reg spoiled;
    reg [8:0] count;
    reg [31:0] crc;
    reg [7:0] version;
    wire [31:0] crc_next;

    // The 00 behind a piece comes out when the next code is read; that of the last piece never does.
    wire is_code = left == 8'd0;
    wire ends = in_valid && in_data == 8'd0;
    wire put = in_valid && !ends && !good && (is_code ? any && zero : 1'b1);
    wire [7:0] value = is_code ? 8'd0 : in_data;
    fray_crc32 step (.crc(crc), .data(value), .next(crc_next));

    // The residue over a record and its own check sequence (IEEE 802.3, reflected).
    localparam [31:0] RESIDUE = 32'hDEBB20E3;
    wire whole = any && !spoiled && is_code && count >= 9'd20 && crc == RESIDUE && version == 8'd1;

    always @(posedge clk) begin
        if (rst) begin
            left <= 0;
            zero <= 1'b0;
            any <= 1'b0;
            spoiled <= 1'b0;
            count <= 0;
            crc <= 32'hFFFFFFFF;
            good <= 1'b0;
            bad <= 0;
            command <= 0;
            sequence_number <= 0;
            length <= 0;
            version <= 0;
        end else begin
            if (taken)
                good <= 1'b0;
            if (in_valid) begin
                if (ends) begin
                    if (whole && !good) begin
                        if (command >= 8'h40) begin
                            good <= 1'b1;
                            length <= count - 9'd20;
                        end
                    end else if (any)
                        bad <= bad + 1'b1;
                    left <= 0;
                    zero <= 1'b0;
                    any <= 1'b0;
                    spoiled <= 1'b0;
                    count <= 0;
                    crc <= 32'hFFFFFFFF;
                end else begin
                    any <= 1'b1;
                    spoiled <= spoiled || good;
                    if (is_code) begin
                        left <= in_data - 8'd1;
                        zero <= in_data != 8'hFF;
                    end else
                        left <= left - 8'd1;
                    if (put) begin
                        if (count == MOST)
                            spoiled <= 1'b1;
                        else
                            count <= count + 1'b1;
                        crc <= crc_next;
                        case (count)
                            9'd0: version <= value;
                            9'd1: command <= value;
                            9'd4: sequence_number[7:0] <= value;
                            9'd5: sequence_number[15:8] <= value;
                            9'd6: sequence_number[23:16] <= value;
                            9'd7: sequence_number[31:24] <= value;
                            default: ;
                        endcase
                    end
                end
            end
        end
    end
    fray_ram #(.WIDTH(8), .LOG2(9)) record_memory (
        .wr_clk(clk), .wr(put && count != MOST), .wr_address(count), .wr_data(value),
        .rd_clk(clk), .rd_address(address), .rd_data(octet)
    );
endmodule
`default_nettype wire
