// Feeds fray_record with records from a file, a word a line: bit 15 begins a record (type in the low octet), bit 14 ends it. The
// host takes octets at random moments. Out: octets in hexadecimal.
`timescale 1ns / 1ps
module record_bench;
    parameter WORDS = 16;
    reg [15:0] words [0:WORDS-1];
    reg clk = 0, rst = 1, valid = 0, last = 0, take = 0;
    reg [7:0] octet = 0, kind = 0;
    reg [63:0] stamp = 0;
    reg [15:0] flags = 0;
    wire ready, out_valid;
    wire [7:0] out;
    wire [31:0] number;
    integer at = 0, file, idle = 0, seed = 7;
    always #5 clk = ~clk;
    fray_record dut (
        .clk(clk), .rst(rst), .in_type(kind), .in_flags(flags), .in_time(stamp), .in_data(octet), .in_valid(valid),
        .in_last(last), .in_ready(ready), .out_data(out), .out_valid(out_valid), .out_ready(take), .sequence_number(number)
    );
    always @(posedge clk) begin
        if (!rst && out_valid && take) begin
            $fwrite(file, "%02x\n", out);
            idle = 0;
        end else idle = idle + 1;
    end
    always @(negedge clk) take = $random(seed) % 4 != 0;
    initial begin
        file = $fopen("out.hex", "w");
        $readmemh("in.hex", words);
        repeat (3) @(negedge clk);
        rst = 0;
        while (at < WORDS) begin
            @(negedge clk);
            if (words[at][15]) begin
                kind = words[at][7:0];
                flags = 16'd0;
                stamp = stamp + 64'd66667;
                at = at + 1;
            end
            valid = $random(seed) % 8 != 0;
            octet = words[at][7:0];
            last = words[at][14];
            #1 if (valid && ready) begin
                @(posedge clk);
                at = at + 1;
                #1 valid = 0;
            end
        end
        @(negedge clk) valid = 0;
        while (idle < 2000) @(negedge clk);
        $fclose(file);
        $finish;
    end
endmodule
