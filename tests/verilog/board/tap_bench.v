// Feeds fray_tap with flagged words from in.hex, OCTETS a clock, and writes what leaves as octets in hexadecimal.
`timescale 1ns/1ps
module tap_bench;
  parameter OCTETS=4, FIFO_LOG2=16, N=400000;
  reg [15:0] mem [0:N-1];
  reg rxclk=0, clk=0, rst=1; 
  always #4 rxclk=~rxclk; always #3 clk=~clk;
  reg [8*OCTETS-1:0] d; reg [OCTETS-1:0] k,c,p; reg v=0;
  integer i, idx, f, n, idle=0; reg [63:0] now=0; always @(posedge clk) now<=now+6;
  wire [7:0] o; wire ov; reg ordy=0; wire [2:0] st; wire los; wire [39:0] hf; wire [31:0] ce,de,le,fe,lost,sq; wire fired;
  reg [1:0] sel; reg armed; reg [15:0] pre, post, every; reg [6:0] src; integer bp;
  fray_tap #(.OCTETS(OCTETS),.WORD_OCTETS(1),.OPTION(8'd1),.FIFO_LOG2(FIFO_LOG2),.LIST_LOG2(8)) dut(.rx_clk(rxclk),.rx_rst(rst),.rx_valid(v),.rx_data(d),.rx_k(k),.rx_code_error(c),.rx_disparity_error(p),
   .clk(clk),.rst(rst),.now_ns(now),.select(sel),.every(every),.armed(armed),.sources(src),.trigger(1'b0),.pre_trigger(pre),.post_trigger(post),
   .match_x(8'd0),.match_y(8'd0),.match_value(8'd0),.match_mask(8'd0),.hdlc_words(4'b1111),.hdlc_octets(4'd1),.fired(fired),.out_data(o),.out_valid(ov),.out_ready(ordy),
   .sync_state(st),.los(los),.hyperframes(hf),.code_errors(ce),.disparity_errors(de),.los_events(le),.lof_events(fe),.lost(lost),.sequence_number(sq));
  always @(posedge clk) begin if (ov&&ordy) begin $fwrite(f,"%02x\n",o); idle=0; end else idle=idle+1; ordy <= bp==0 ? 1 : ($random & 7) < bp; end
  initial begin
    f=$fopen("out.hex","w"); $readmemh("in.hex",mem);
    if(!$value$plusargs("n=%d",n)) n=N; if(!$value$plusargs("sel=%d",sel)) sel=2; if(!$value$plusargs("bp=%d",bp)) bp=0;
    if(!$value$plusargs("armed=%d",armed)) armed=0; if(!$value$plusargs("pre=%d",pre)) pre=0; if(!$value$plusargs("post=%d",post)) post=0;
    if(!$value$plusargs("src=%d",src)) src=0; if(!$value$plusargs("every=%d",every)) every=1;
    #100 rst=0; #100;
    for (idx=0; idx<n; idx=idx+OCTETS) begin
      @(negedge rxclk); v=1;
      for(i=0;i<OCTETS;i=i+1) begin d[8*i+:8]=mem[idx+i][7:0]; k[i]=mem[idx+i][8]; c[i]=mem[idx+i][9]; p[i]=mem[idx+i][10]; end
      if (idx % 4096 < 64) begin @(negedge rxclk); v=0; end
    end
    @(negedge rxclk); v=0; idle=0; while (idle < 3000) @(negedge clk);
    $display("state %0d hf %0d lost %0d ce %0d fired %0d sq %0d",st,hf,lost,ce,fired,sq); $fclose(f); $finish;
  end
endmodule
