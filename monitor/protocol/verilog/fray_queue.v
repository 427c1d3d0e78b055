// Queue between two clocks with Gray pointers: one entry a push, one a pop. A push into a full queue is not done, and
// `dropped` is 1 for that clock: nothing is lost unseen. `head` is the oldest entry while `ready` is 1.
//
// Reset both sides; while one side is in reset the other must be, too, or the queue may show entries that were never
// pushed. fray_reset_pair does that.
`default_nettype none
module fray_queue #(
    parameter WIDTH = 8,
    parameter LOG2 = 4
) (
    input  wire             wr_clk,
    input  wire             wr_rst,
    input  wire             push,
    input  wire [WIDTH-1:0] entry,
    output wire             full,
    output wire             dropped,
    input  wire             rd_clk,
    input  wire             rd_rst,
    input  wire             pop,
    output wire [WIDTH-1:0] head,
    output wire             ready
);
    reg [LOG2:0] wr_count, wr_gray, rd_count, rd_gray;
    reg [LOG2:0] rd_gray_1, rd_gray_2; // in wr_clk
    reg [LOG2:0] wr_gray_1, wr_gray_2; // in rd_clk
    wire [LOG2:0] wr_next = wr_count + 1'b1;
    wire [LOG2:0] rd_next = rd_count + 1'b1;

    // Full: the pointers differ in their two highest bits only, in Gray code.
    assign full = wr_gray == {~rd_gray_2[LOG2:LOG2-1], rd_gray_2[LOG2-2:0]};
    assign dropped = push && full;
    wire write = push && !full;

    always @(posedge wr_clk) begin
        rd_gray_1 <= rd_gray;
        rd_gray_2 <= rd_gray_1;
        if (wr_rst) begin
            wr_count <= 0;
            wr_gray <= 0;
            rd_gray_1 <= 0;
            rd_gray_2 <= 0;
        end else if (write) begin
            wr_count <= wr_next;
            wr_gray <= wr_next ^ {1'b0, wr_next[LOG2:1]};
        end
    end

    // The memory reads synchronously: `shown` says that `head` is the entry at rd_count.
    reg shown;
    wire take = pop && shown;
    wire more = wr_gray_2 != rd_gray;
    wire more_after = wr_gray_2 != (rd_next ^ {1'b0, rd_next[LOG2:1]});
    wire [LOG2-1:0] address = take ? rd_next[LOG2-1:0] : rd_count[LOG2-1:0];

    always @(posedge rd_clk) begin
        wr_gray_1 <= wr_gray;
        wr_gray_2 <= wr_gray_1;
        if (rd_rst) begin
            rd_count <= 0;
            rd_gray <= 0;
            wr_gray_1 <= 0;
            wr_gray_2 <= 0;
            shown <= 1'b0;
        end else begin
            if (take) begin
                rd_count <= rd_next;
                rd_gray <= rd_next ^ {1'b0, rd_next[LOG2:1]};
            end
            shown <= take ? more_after : more;
        end
    end
    assign ready = shown;

    fray_ram #(.WIDTH(WIDTH), .LOG2(LOG2)) entries (
        .wr_clk(wr_clk), .wr(write), .wr_address(wr_count[LOG2-1:0]), .wr_data(entry),
        .rd_clk(rd_clk), .rd_address(address), .rd_data(head)
    );
endmodule
`default_nettype wire
