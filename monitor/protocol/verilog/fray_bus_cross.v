// Carries the newest value of a bus from one clock to another: the value is held while a request toggles over and its
// acknowledgement toggles back, so the receiving side never sees a mixture of two values. A change arrives after about
// three clocks of each side; values that come and go within that time are left out.
//
// Reset: both sides, each with its own synchronous reset; DEFAULT is the value until the first one arrives. Resets
// may end at different times: the toggles then differ or agree, and either way the next value goes over.
// Constraint for timing analysis: `held` to `to_value` is a path of many clocks.
`default_nettype none
module fray_bus_cross #(
    parameter WIDTH = 8,
    parameter [WIDTH-1:0] DEFAULT = {WIDTH{1'b0}}
) (
    input  wire             from_clk,
    input  wire             from_rst,
    input  wire [WIDTH-1:0] from_value,
    input  wire             to_clk,
    input  wire             to_rst,
    output reg  [WIDTH-1:0] to_value
);
    reg [WIDTH-1:0] held;
    reg request;
    reg [1:0] acknowledged; // synchroniser
    reg [1:0] requested;    // synchroniser
    reg taken;

    always @(posedge from_clk) begin
        acknowledged <= {acknowledged[0], taken};
        if (from_rst) begin
            request <= 1'b0;
            held <= DEFAULT;
        end else if (acknowledged[1] == request) begin
            held <= from_value;
            request <= ~request;
        end
    end

    always @(posedge to_clk) begin
        requested <= {requested[0], request};
        if (to_rst) begin
            taken <= 1'b0;
            to_value <= DEFAULT;
        end else if (requested[1] != taken) begin
            to_value <= held;
            taken <= requested[1];
        end
    end
endmodule
`default_nettype wire
