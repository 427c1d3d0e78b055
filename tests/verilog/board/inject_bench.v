// fray_inject with a sender in front; counts the clocks in which its output is not its input LATENCY clocks before.
`timescale 1ns / 1ps
module inject_bench;
    parameter OCTETS = 2, WORD_OCTETS = 2, CLOCKS = 28000;
    localparam LATENCY = WORD_OCTETS + 4;
    reg clk = 0, rst = 1, pause = 0, load = 0;
    wire valid;
    wire [8*OCTETS-1:0] data, out;
    wire [OCTETS-1:0] k, out_k, code, parity;
    wire out_valid, known, cm_busy;
    wire [19:0] index;
    wire [3:0] busy;
    integer n, wrong = 0, changed = 0, i, seed = 3;
    reg [9*OCTETS-1:0] past [0:LATENCY-1];
    always #5 clk = ~clk;
    link_sender #(.OCTETS(OCTETS), .WORD_OCTETS(WORD_OCTETS), .RATE_CODE(3'd3), .HDLC_OCTETS(2)) core (
        .clk(clk && !pause), .rst(rst), .rai(1'b0), .los(1'b0), .lof(1'b0), .hdlc_on(1'b1), .ethernet_on(1'b1),
        .valid(valid), .data(data), .k(k)
    );
    fray_inject #(.OCTETS(OCTETS), .WORD_OCTETS(WORD_OCTETS)) dut (
        .clk(clk), .rst(rst), .in_valid(valid), .in_data(data), .in_k(k), .out_valid(out_valid), .out_data(out),
        .out_k(out_k), .out_code_error(code), .out_disparity(parity), .index(index), .known(known), .clear(1'b0),
        .load({3'd0, load}), .at(20'd15004), .frames(17'd2), .pattern(16'hFFFF), .x(8'd84), .every_x(1'b0), .octet(8'd1),
        .operation(2'd1), .mask(8'h10), .value(8'd0), .k(2'd0), .code_error(1'b0), .disparity(1'b0), .busy(busy),
        .cm_load(1'b0), .cm_at(20'd0), .cm_operation(2'd0), .cm_busy(cm_busy), .hdlc_words(4'hF), .hdlc_octets(4'd2),
        .pointer(6'd40)
    );
    initial begin
        repeat (4) @(posedge clk);
        @(negedge clk) rst = 0;
        for (i = 0; i < LATENCY; i = i + 1) past[i] = 0;
        for (n = 0; n < CLOCKS; n = n + 1) begin
            @(posedge clk);
            #1;
            if (n > 20 && {out_k, out} !== past[LATENCY-1]) begin
                wrong = wrong + 1;
                if (^({out_k, out} ^ past[LATENCY-1]) === 1'b1 && busy[0]) changed = changed + 1;
            end
            if (code !== 0 || parity !== 0) wrong = wrong + 1000;
            for (i = LATENCY - 1; i > 0; i = i - 1) past[i] = past[i-1];
            past[0] = {k, data};
            if (n == 100 && $test$plusargs("fault")) begin
                @(negedge clk) load = 1;
                @(negedge clk) load = 0;
                for (i = LATENCY - 1; i > 0; i = i - 1) past[i] = past[i-1];
                past[0] = {k, data};
            end
        end
        $display("wrong %0d changed %0d busy %b", wrong, changed, busy);
        $finish;
    end
endmodule
