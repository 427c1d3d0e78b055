"""Reading value change dumps, written by other hands wherever that is possible.

- pyvcd (PyPI): writes the dumps; its tokenizer is the oracle for what they say.
- Icarus Verilog, where it is installed: $dumpvars of a bench that plays an exported $readmemh file.
- IEEE 1364-2005 clause 18: the small dumps typed in by hand.
"""

from __future__ import annotations

import io
import json
import shutil
import subprocess
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from vcd import VCDWriter

from monitor.cli.main import main
from monitor.errors import InputError
from monitor.sources.vcd import VcdSource, parse_vcd_signals
from monitor.sources.vcd_reader import VcdReader
from tests.support.patience import patience

HEAD = """\
$date today $end
$comment a $var of no account $end
$timescale 10 ps $end
$scope module top $end
$var reg 8 ! data [7:0] $end
$var wire 1 " k $end
$var wire 1 # clk $end
$scope module \\odd/one $end
$var wire 1 $ data $end
$var wire 1 % valid $end
$upscope $end
$upscope $end
$enddefinitions $end
"""


def write(path: Path, body: str, head: str = HEAD) -> str:
    path.write_text(head + body)
    return str(path)


def words(source: VcdSource) -> list[int]:
    kind = np.uint8 if source.form == "octets" else np.dtype("<u2")
    return np.frombuffer(b"".join(bytes(chunk.data) for chunk in source.chunks()), kind).tolist()


def read(path: str, signals: str) -> list[int]:
    return words(VcdSource(path, parse_vcd_signals(signals), "1"))


def test_header_gives_paths_widths_and_time_unit() -> None:
    header = VcdReader(io.BytesIO(HEAD.encode())).header
    assert header.tick_ns == Fraction(1, 100)
    assert [(v.path, v.width, v.code) for v in header.variables] == [
        ("top.data", 8, b"!"),
        ("top.k", 1, b'"'),
        ("top.clk", 1, b"#"),
        ("top.\\odd/one.data", 1, b"$"),
        ("top.\\odd/one.valid", 1, b"%"),
    ]


def test_samples_are_what_stood_before_the_edge(tmp_path: Path) -> None:
    """Data driven by the edge itself belong to the next one."""
    body = '#0\n$dumpvars\nb0 !\n0"\n0#\n1%\n$end\n#5\n1#\nb10111100 !\n1"\n#10 0# #15 1#\nb1 ! 0"\n#20 0#\n#25 1#\n'
    path = write(tmp_path / "a.vcd", body)
    assert read(path, "data=top.data,k=k,clock=clk") == [0x000, 0x1BC, 0x001]
    assert read(path, "data=top.data,k=k,clock=clk,edge=fall") == [0x1BC, 0x001]


def test_chunks_carry_the_time_of_the_dump(tmp_path: Path) -> None:
    path = write(tmp_path / "a.vcd", "#0 b1 ! 0#\n#70000 1#\n")
    (chunk,) = VcdSource(path, parse_vcd_signals("data=top.data,clock=clk"), "1").chunks()
    assert (bytes(chunk.data), chunk.time_ns) == (b"\x01", 700)


def test_valid_leaves_samples_out(tmp_path: Path) -> None:
    body = "#0 b1 ! 0# 1%\n#1 1#\n#2 0# 0% b10 !\n#3 1#\n#4 0# 1% b11 !\n#5 1#\n"
    path = write(tmp_path / "a.vcd", body)
    assert read(path, "data=top.data,clock=clk,valid=*.valid") == [1, 3]


def test_without_clock_each_time_step_is_a_sample(tmp_path: Path) -> None:
    path = write(tmp_path / "a.vcd", "b101 !\n#0\n#1\n#2 b110 !\n#2 b111 !\n#3\n")
    assert read(path, "data=top.data") == [5, 5, 7]
    cut = write(tmp_path / "b.vcd", "b101 !\n#0\n#1\n#2 b110 !\n")
    assert read(cut, "data=top.data") == [5, 5, 6]


def test_comments_between_the_changes_are_left_out(tmp_path: Path) -> None:
    path = write(tmp_path / "a.vcd", "#0 b1 ! 0#\n$comment #9 b10 ! 1# $end\n#1 1#\n")
    assert read(path, "data=top.data,clock=clk") == [1]


def test_unknown_values_become_no_code_and_are_counted(tmp_path: Path) -> None:
    body = '#0 bx0 ! 0" 0#\n#1 1#\n#2 0# b1 !\n#3 1#\n#4 0# bZ !\n#5 1#\n'
    body += "$dumpoff bx ! x# $end\n#9\n$dumpon b1 ! 0# $end\n"
    source = VcdSource(write(tmp_path / "a.vcd", body), parse_vcd_signals("data=top.data,k=k,clock=clk"), "1")
    assert words(source) == [0x200, 0x001, 0x200]
    assert source.unknown == 2
    assert source.warnings == [
        "samples with x or z, or wider than their signal: 2",
        "the dump was switched off 1 time",
    ]


def test_wide_buses_are_taken_apart_lowest_first(tmp_path: Path) -> None:
    head = (
        '$timescale 1ns $end $var wire 64 ! d $end $var wire 8 " k $end $var wire 20 # s[19:0] $end\n'
        "$enddefinitions $end\n"
    )
    octets = sum(value << 8 * i for i, value in enumerate(range(0xF1, 0xF9)))
    body = f'#0 b{octets:b} ! b10000001 "\nb{0x155 << 10 | 0x2AA:020b} #\n#1\n'
    path = write(tmp_path / "a.vcd", body, head)
    assert read(path, "data=d,k=k") == [0x1F1, 0xF2, 0xF3, 0xF4, 0xF5, 0xF6, 0xF7, 0x1F8]
    assert read(path, "data=d") == list(range(0xF1, 0xF9))
    assert read(path, "data=s") == [0x2AA, 0x155]


def test_line_ends_and_spacing_do_not_matter(tmp_path: Path) -> None:
    body = '#0 b1 ! 0" 0#\n#1 1#\n#2 0# b10 ! 1"\n#3 1#\n'
    plain = read(write(tmp_path / "a.vcd", body), "data=top.data,k=k,clock=clk")
    crlf = (HEAD + body.replace(" 0#", "\t0#")).replace("\n", "\r\n")
    (tmp_path / "b.vcd").write_bytes(crlf.encode())
    assert plain == read(str(tmp_path / "b.vcd"), "data=top.data,k=k,clock=clk") == [1, 0x102]


@pytest.mark.parametrize("seed", [1, 2])
def test_dumps_of_pyvcd_come_back(tmp_path: Path, seed: int) -> None:
    random = np.random.default_rng(seed)
    data, k = random.integers(0, 256, 3000).tolist(), random.integers(0, 2, 3000).tolist()
    path = tmp_path / "a.vcd"
    with path.open("w") as file, VCDWriter(file, timescale="1 ps", date="", version="") as writer:
        octet = writer.register_var("top.dut", "octet", "reg", size=8, init=0)
        flag = writer.register_var("top.dut", "is_k", "wire", size=1, init=0)
        clock = writer.register_var("top", "clk", "wire", size=1, init=0)
        other = writer.register_var("top", "other", "integer", size=32, init=0)
        for n in range(3000):
            writer.change(octet, 10 * n, data[n])
            writer.change(flag, 10 * n, k[n])
            writer.change(clock, 10 * n, 0)
            writer.change(other, 10 * n + 2, int(random.integers(0, 1 << 30)))
            writer.change(clock, 10 * n + 5, 1)
    expected = [flag << 8 | octet for octet, flag in zip(data, k, strict=True)]
    assert read(str(path), "data=top.dut.octet,k=*is_k,clock=top.clk") == expected


@pytest.mark.parametrize(
    ("words_", "signals"),
    [
        ("symbols", "data=symbol"),
        ("symbols", "data=symbol,clock=clk"),
        ("flagged", "data=octet,k=k"),
        ("flagged", "data=octet,k=k,clock=clk"),
    ],
)
def test_an_exported_dump_decodes_like_its_capture(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words_: str, signals: str
) -> None:
    capture, dump = tmp_path / "a.bits", tmp_path / "a.vcd"
    make = ["--option", "1", "--hyperframes", "20", "--fault", "hdlc.fcs@3", "--fault", "sync.hfn@9"]
    assert main(["craft", str(capture), *make]) == 0
    clock = ["--clock-name", "clk"] if "clock" in signals else []
    assert main(["export", str(capture), str(dump), "--words", words_, *clock]) == 0
    records = []
    for source in ([str(capture)], [str(dump), "--option", "1", "--vcd", signals]):
        capsys.readouterr()
        assert main(["decode", *source, "--json"]) == 0
        record = json.loads(capsys.readouterr().out)
        records.append((record["hyperframes"], record["counters"], record["first"], record["last"]))
    assert records[0] == records[1]
    assert records[0][1]["hdlc_fcs_errors"] == records[0][1]["hfn_invalid"] == 1


BENCH = """\
`timescale 1ps / 1ps
module player;
  reg [9:0] line [0:COUNT-1];
  reg [9:0] symbol;
  reg clock = 0;
  integer n = 0;
  always @(posedge clock) begin
    symbol <= line[n];
    n = n + 1;
  end
  initial begin
    $readmemh("line.hex", line);
    $dumpfile("player.vcd");
    $dumpvars(0, player);
    repeat (2 * COUNT + 2) #500 clock = ~clock;
    $finish;
  end
endmodule
"""


@pytest.mark.skipif(
    shutil.which("iverilog") is None, reason="needs iverilog (Debian and Ubuntu: apt-get install iverilog)"
)
def test_a_simulators_dump_gives_the_words_it_was_fed(tmp_path: Path) -> None:
    line = tmp_path / "line.hex"
    assert main(["export", "emulated", str(line), "--option", "1", "--hyperframes", "2"]) == 0
    fed = [int(text, 16) for text in line.read_text().splitlines() if not text.startswith("//")]
    (tmp_path / "player.v").write_text(BENCH.replace("COUNT", str(len(fed))))
    subprocess.run(
        ["iverilog", "-o", "player.vvp", "player.v"], cwd=tmp_path, check=True, timeout=patience(60)
    )
    subprocess.run(["vvp", "player.vvp"], cwd=tmp_path, check=True, timeout=patience(60), capture_output=True)
    source = VcdSource(str(tmp_path / "player.vcd"), parse_vcd_signals("data=player.symbol,clock=clock"), "1")
    # The first edge finds the register not yet loaded.
    assert words(source) == [0, *fed]
    assert source.unknown == 1


@pytest.mark.parametrize(
    ("signals", "says"),
    [
        ("data=nothing", "no signal 'nothing'"),
        ("data=data", "fits 2: top.data, top.\\odd/one.data"),
        ("data=k", "1 bits"),
        ("data=top.data,k=top.data", "8 bits for 1 octets"),
        ("k=k", "lack data="),
        ("data=top.data,edge=both", "rise or fall"),
        ("data=top.data,data=k", "each once"),
        ("colour=red", "each once"),
    ],
)
def test_signals_that_cannot_be(tmp_path: Path, signals: str, says: str) -> None:
    path = write(tmp_path / "a.vcd", "#0\n")
    with pytest.raises(InputError) as caught:
        read(path, signals)
    assert says in str(caught.value) and "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "$enddefinitions is missing"),
        ("hello world", "'hello' at its start"),
        ("$timescale 1 parsec $end $enddefinitions $end", "timescale"),
        (f"$timescale {'9' * 5000} ns $end $enddefinitions $end", "timescale '99"),
        ("$var wire x ! a $end $enddefinitions $end", "$var"),
        (f"$var wire {'9' * 5000} ! a $end $enddefinitions $end", "$var 'wire 99"),
        (HEAD + "#1 b1 !\n#0\n", "runs back"),
        (HEAD + "#one\n", "no number"),
    ],
)
def test_what_is_no_dump_says_so(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "a.vcd"
    path.write_text(text)
    with pytest.raises(InputError) as caught:
        read(str(path), "data=top.data")
    assert says in str(caught.value)
    assert str(path) in str(caught.value)


def test_decode_asks_for_what_it_must_know(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path / "a.vcd", "#0\n")
    assert main(["decode", path]) == 2
    assert "--vcd" in capsys.readouterr().err
    assert main(["decode", path, "--vcd", "data=top.data"]) == 2
    assert "--option" in capsys.readouterr().err


WIDE = """\
$timescale 1 ns $end
$scope module top $end
$var wire 64 ! data $end
$var wire 8 " k $end
$upscope $end
$enddefinitions $end
"""


@pytest.mark.parametrize(
    ("data", "k", "unknown"),
    [
        ("b" + "1" * 64, "b0", 0),
        ("b" + "1" * 65, "b0", 1),
        ("b" + "1" * 5000, "b0", 1),
        ("b" + "0" * 5000 + "1", "b0", 0),
        ("b1", "b-1", 2),
        ("b-1", "b1", 1),
        ("b1_0", "b1", 1),
        ("b0b1", "b1", 1),
        ("b+1", "b1", 1),
        ("b1", "b111111111", 2),
    ],
)
def test_a_value_that_its_signal_cannot_hold_is_no_code(
    tmp_path: Path, data: str, k: str, unknown: int
) -> None:
    path = write(tmp_path / "x.vcd", f'#0\n{data} !\n{k} "\n#1\nb0 !\n', WIDE)
    source = VcdSource(path, parse_vcd_signals("data=data,k=k"), "1")
    got = words(source)
    assert source.unknown == unknown
    assert len(got) == 16 and (got[:8] == [0x200] * 8) == bool(unknown)


def test_times_beyond_all_clocks_are_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "x.vcd", f"#{10**25}\nb1 !\n#{10**26}\n")
    with pytest.raises(InputError, match="is more than 292 years"):
        read(path, "data=top.data")
    path = write(tmp_path / "y.vcd", "#-4\nb1 !\n")
    with pytest.raises(InputError, match="time '#-4' in the dump is no number"):
        read(path, "data=top.data")
