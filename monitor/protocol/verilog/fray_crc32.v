// CRC-32 of IEEE 802.3, one octet a step: reflected polynomial EDB88320. The register starts with FFFFFFFF; the check
// sequence is its complement, low octet first. Combinational.
`default_nettype none
module fray_crc32 (
    input  wire [31:0] crc,
    input  wire [7:0]  data,
    output wire [31:0] next
);
    reg [31:0] c;
    integer i;
    always @* begin
        c = crc ^ {24'd0, data};
        for (i = 0; i < 8; i = i + 1)
            c = {1'b0, c[31:1]} ^ (c[0] ? 32'hEDB88320 : 32'd0);
    end
    assign next = c;
endmodule
`default_nettype wire
