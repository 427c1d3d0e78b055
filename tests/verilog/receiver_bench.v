// A small receiver for ten-bit characters, to hold against other receivers of the same line.
//
// Reads the characters with $readmemh (+line=FILE, bit 0 = a, first on the line) and the 8B/10B code of
// IEEE 802.3 tables 36-1 and 36-2 from a second file (+code=FILE), one word for each of the 1024 symbols:
// bit 10 legal after positive disparity, bit 9 legal after negative disparity, bit 8 K, bits 7..0 octet.
// Follows the running disparity (clause 36.2.4.4), takes the first K28.5 for the start of a hyperframe, and
// counts on from there: CPRI V7.0 clause 4.2.7. It does not look for sync anew.

`timescale 1ps / 1ps

module receiver_bench;
  parameter CHARACTERS = 1;       // words in the line file
  parameter WORD_OCTETS = 1;      // T / 8
  localparam HYPERFRAME = 256 * 16 * WORD_OCTETS;
  localparam HFN_AT = 64 * 16 * WORD_OCTETS;

  reg [9:0] line [0:CHARACTERS-1];
  reg [10:0] code [0:1023];
  reg [8*256-1:0] name;

  reg clock = 0;
  integer n = 0;
  reg in_sync = 0;
  reg know_disparity = 0, positive = 0;
  reg know_hfn = 0;
  integer at = 0, expected_hfn = 0;
  integer hyperframes = 0, missed = 0, unexpected_k = 0;
  integer violations = 0, disparity_errors = 0;
  integer hfn_invalid = 0, hfn_discontinuities = 0;

  reg [9:0] symbol;
  reg [10:0] entry;
  reg after_six;

  // Disparity at the end of a sub-block of clause 36.2.4.4, from the disparity before it.
  function six_block(input [5:0] b, input before);  // b[0] = a
    integer ones;
    begin
      ones = b[0] + b[1] + b[2] + b[3] + b[4] + b[5];
      if (ones > 3 || b == 6'b111000) six_block = 1;       // 000111 as abcdei
      else if (ones < 3 || b == 6'b000111) six_block = 0;  // 111000
      else six_block = before;
    end
  endfunction

  function four_block(input [3:0] b, input before);  // b[0] = f
    integer ones;
    begin
      ones = b[0] + b[1] + b[2] + b[3];
      if (ones > 2 || b == 4'b1100) four_block = 1;        // 0011 as fghj
      else if (ones < 2 || b == 4'b0011) four_block = 0;   // 1100
      else four_block = before;
    end
  endfunction

  initial begin
    if (!$value$plusargs("line=%s", name)) $finish;
    $readmemh(name, line);
    if (!$value$plusargs("code=%s", name)) $finish;
    $readmemh(name, code);
    repeat (2 * CHARACTERS) #5 clock = ~clock;
    $display("hyperframes %0d", hyperframes);
    $display("code_violations %0d", violations);
    $display("disparity_errors %0d", disparity_errors);
    $display("missed_sync_bytes %0d", missed);
    $display("unexpected_k %0d", unexpected_k);
    $display("hfn_invalid %0d", hfn_invalid);
    $display("hfn_discontinuities %0d", hfn_discontinuities);
    $finish;
  end

  always @(posedge clock) begin
    symbol = line[n];
    entry = code[symbol];
    // Line code.
    if (!know_disparity && entry[10] != entry[9]) begin
      know_disparity = 1;
      positive = entry[10];
    end
    if (entry[10:9] == 0) violations = violations + 1;
    else if (know_disparity && !(positive ? entry[10] : entry[9])) disparity_errors = disparity_errors + 1;
    after_six = six_block(symbol[5:0], positive);
    positive = four_block(symbol[9:6], after_six);
    // Hyperframe.
    if (!in_sync && entry[10:9] != 0 && entry[8:0] == 9'h1BC) begin
      in_sync = 1;
      at = 0;
    end
    if (in_sync) begin
      if (at == 0) begin
        hyperframes = hyperframes + 1;
        if (entry[10:9] == 0 || entry[8:0] != 9'h1BC) missed = missed + 1;
      end else if (entry[10:9] != 0 && entry[8]) unexpected_k = unexpected_k + 1;
      if (at == HFN_AT) begin
        if (entry[7:0] > 149) hfn_invalid = hfn_invalid + 1;
        else begin
          if (know_hfn && entry[7:0] != expected_hfn) hfn_discontinuities = hfn_discontinuities + 1;
          expected_hfn = entry[7:0];
        end
        know_hfn = 1;
        expected_hfn = (expected_hfn + 1) % 150;
      end
      at = (at == HYPERFRAME - 1) ? 0 : at + 1;
    end
    n = n + 1;
  end
endmodule
