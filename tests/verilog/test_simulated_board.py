"""A whole board in Verilog, simulated behind a TCP port: framefray talks to it as to any board.

- encdec8b10b (PyPI): the line code between its sender and its receiver.
- The sender (board/link_sender.v) is written in Verilog from the standard's tables, without the project's code: its
  line data, decoded without an error, are a check of the decoder, too.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from encdec8b10b import EncDec8B10B  # type: ignore[import-untyped]

from tests.support.patience import patience

HERE = Path(__file__).parent
BENCHES = HERE / "board"
SOURCES = sorted((HERE.parents[1] / "monitor" / "protocol" / "verilog").glob("*.v"))
K_CODES = (0x1C, 0x3C, 0x5C, 0x7C, 0x9C, 0xBC, 0xDC, 0xFC, 0xF7, 0xFB, 0xFD, 0xFE)

pytestmark = [
    pytest.mark.slow,
    pytest.mark.timeout(900),
    pytest.mark.skipif(
        shutil.which("verilator") is None, reason="needs verilator (apt-get install verilator)"
    ),
]


def line_code_tables(folder: Path) -> None:
    """`encode.hex` and `decode.hex`, as line_code.v says."""
    columns: tuple[dict[int, tuple[int, int, int]], ...] = ({}, {})
    encode = []
    for disparity in (0, 1):
        for k in (0, 1):
            for octet in range(256):
                real = k and octet in K_CODES
                after, symbol = EncDec8B10B.enc_8b10b(octet, disparity, 1 if real else 0)
                encode.append(after << 10 | symbol)
                if real or not k:
                    columns[disparity].setdefault(symbol, (k, octet, after))
    decode = []
    for disparity in (0, 1):
        for symbol in range(1024):
            ones = symbol.bit_count()
            wrong, other = 0, 0
            if symbol in columns[disparity]:
                k, octet, after = columns[disparity][symbol]
            elif symbol in columns[1 - disparity]:
                k, octet, after = columns[1 - disparity][symbol]
                other = 1
            else:
                k, octet, wrong = 0, 0, 1
                after = 1 if ones > 5 else 0 if ones < 5 else disparity
            decode.append(after << 11 | other << 10 | wrong << 9 | k << 8 | octet)
    for name, words in (("encode", encode), ("decode", decode)):
        (folder / f"{name}.hex").write_text("".join(f"{word:03x}\n" for word in words))


@pytest.fixture(scope="module")
def programs(tmp_path_factory: pytest.TempPathFactory) -> dict[int, Path]:
    """The simulated board, and the one whose alignment offset is counted from the wrong end."""
    folder = tmp_path_factory.mktemp("board")
    line_code_tables(folder)
    benches = [BENCHES / name for name in ("board_sim.v", "link_sender.v", "line_code.v", "board_sim.cpp")]
    built = {}
    for broken in (0, 1):
        words = [
            "verilator",
            "--cc",
            "--exe",
            "--build",
            "-O3",
            "-Wno-fatal",
            "-CFLAGS",
            "-O2",
            "-Mdir",
            f"obj{broken}",
        ]
        words += [
            "--top-module",
            "board_sim",
            f"-GBROKEN_COMPENSATION={broken}",
            *map(str, [*SOURCES, *benches]),
        ]
        subprocess.run(words, cwd=folder, check=True, capture_output=True, timeout=patience(300))
        built[broken] = folder / f"obj{broken}" / "Vboard_sim"
    return built


@contextmanager
def board(program: Path, seed: int = 3) -> Iterator[str]:
    """Its SOURCE; the board ends when its standard input is closed."""
    words = [str(program), "0", str(seed)]
    with subprocess.Popen(
        words, cwd=program.parents[1], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None and process.stdin is not None
        port = int(process.stdout.readline().split()[1])
        try:
            yield f"socket://127.0.0.1:{port}"
        finally:
            process.stdin.close()
            process.wait(patience(20))


def framefray(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "monitor", *words],
        capture_output=True,
        text=True,
        timeout=patience(400),
        check=False,
        env=os.environ | {"NO_COLOR": "1"},
    )


def test_line_data_of_a_sender_in_verilog_decode_without_an_error(programs: dict[int, Path]) -> None:
    with board(programs[0]) as source:
        done = framefray("decode", source, "--hyperframes", "320", "--json")
    told = json.loads(done.stdout)
    moved = {name for name, count in told["counters"].items() if count}
    assert moved == {"hdlc_frames", "ethernet_frames"}
    assert told["sync"]["state"] == "HFNSYNC" and told["hyperframes"] == 320
    assert told["counters"]["hdlc_frames"] > 40 and told["counters"]["ethernet_frames"] > 150


def test_the_delay_is_constant_only_with_the_right_compensation(programs: dict[int, Path]) -> None:
    with board(programs[0]) as source:
        right = framefray("delay", source, "--yes", "--resets", "20", "--json")
    with board(programs[1]) as source:
        wrong = framefray("delay", source, "--yes", "--resets", "20", "--json")
    assert (right.returncode, wrong.returncode) == (0, 1)
    assert json.loads(right.stdout)["verdict"] == "pass" and json.loads(wrong.stdout)["verdict"] == "fail"
    assert len([count for count in json.loads(right.stdout)["offsets"][0]["counts"] if count]) >= 6


FAULTS = (
    "line.violation", "line.disparity", "line.k", "sync.comma", "sync.byte", "sync.hfn", "sync.hfn_stuck", "sync.bfn",
    "l1.rai", "l1.reset", "l1.alarms", "l1.pointer", "l1.version", "l1.rate", "vendor.value", "vendor.flip",
    "ctrl_axc.flip", "reserved.flip", "iq.flip", "hdlc.fcs", "hdlc.abort", "ethernet.code",
)  # fmt: skip


def test_every_fault_of_the_board_is_found_under_its_heading(programs: dict[int, Path]) -> None:
    with board(programs[0]) as source:
        cases = [word for fault in FAULTS for word in ("--case", fault)]
        done = framefray("campaign", source, "--yes", "--json", *cases)
    told = json.loads(done.stdout)
    verdicts = {case["faults"][0]: case["verdict"] for case in told["cases"] if case.get("faults")}
    assert done.returncode == 0, (verdicts, done.stderr)
    assert len(verdicts) == len(FAULTS)
