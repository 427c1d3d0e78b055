"""Exported line stimulus, run through a receiver written in Verilog and simulated by Icarus Verilog.

- IEEE 1364-2005 clause 17.2.9: $readmemh, as the simulator has it.
- encdec8b10b (PyPI): the 8B/10B code by other hands; the bench's table of legal words is made from it.
- receiver_bench.v: line code, hyperframe and HFN counting by its own code; its counts must be those of decode.
"""

from __future__ import annotations

import json
import shlex
import shutil
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest
from encdec8b10b import EncDec8B10B  # type: ignore[import-untyped]

from decoders.line_coding.characters import LineForm
from decoders.linerates import option_named
from monitor.campaign.campaign import Baselines
from monitor.campaign.cases import Case
from monitor.campaign.conditions import LinkConditions
from monitor.campaign.receiver_process import receiver_command
from monitor.cli.main import main
from monitor.faults.verdict import Verdict
from tests.support.patience import patience

BENCH = Path(__file__).with_name("receiver_bench.v")
K_CODES = (0x1C, 0x3C, 0x5C, 0x7C, 0x9C, 0xBC, 0xDC, 0xFC, 0xF7, 0xFB, 0xFD, 0xFE)
HYPERFRAMES = 12

pytestmark = pytest.mark.skipif(
    shutil.which("iverilog") is None, reason="needs iverilog (Debian and Ubuntu: apt-get install iverilog)"
)


@cache
def code_words() -> str:
    words = [0] * 1024
    for octet, k in [(o, 0) for o in range(256)] + [(o, 1) for o in K_CODES]:
        for disparity in (0, 1):
            _, symbol = EncDec8B10B.enc_8b10b(octet, disparity, k)
            words[symbol] |= 1 << 9 + disparity | k << 8 | octet
    return "".join(f"{word:03x}\n" for word in words)


def run_bench(folder: Path, line: Path, option: str) -> dict[str, int]:
    words = [text for text in line.read_text().splitlines() if not text.startswith("//")]
    code = folder / "code.hex"
    code.write_text(code_words())
    bench = folder / "bench.vvp"
    parameters = {"CHARACTERS": len(words), "WORD_OCTETS": option_named(option).word_octets}
    sets = [f"-Preceiver_bench.{name}={value}" for name, value in parameters.items()]
    subprocess.run(
        ["iverilog", "-g2005", "-Wall", *sets, "-o", str(bench), str(BENCH)], check=True, timeout=patience(60)
    )
    done = subprocess.run(
        ["vvp", str(bench), f"+line={line}", f"+code={code}"],
        check=True, capture_output=True, text=True, timeout=patience(120),
    )  # fmt: skip
    assert "WARNING" not in done.stdout + done.stderr
    return {name: int(value) for name, value in (text.split() for text in done.stdout.splitlines())}


def decoded(capture: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, int]:
    capsys.readouterr()
    assert main(["decode", str(capture), "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    return {"hyperframes": record["hyperframes"], **record["counters"]}


@pytest.mark.parametrize(
    ("option", "form", "faults", "moved"),
    [
        ("1", "bits", [], {}),
        ("2", "symbols", [], {}),
        ("4", "flagged", [], {}),
        ("1", "octets", [], {}),
        ("2", "bits", ["line.violation@3:x=40,count=5"], {"code_violations": 5}),
        ("2", "flagged", ["line.violation@3:x=40,count=5"], {"code_violations": 5}),
        ("1", "bits", ["line.disparity@2"], {"disparity_errors": 1}),
        ("1", "flagged", ["line.disparity@2"], {"disparity_errors": 1}),
        ("1", "bits", ["sync.hfn@4:value=99"], {"hfn_discontinuities": 2}),
        ("1", "octets", ["sync.hfn@4:value=200"], {"hfn_invalid": 1}),
        ("2", "bits", ["sync.comma@6:count=2"], {"missed_sync_bytes": 2}),
        ("1", "flagged", ["line.flip@5:x=9,w=3,bit=2", "sync.comma@6", "sync.hfn@7:value=150"], {}),
    ],
)
def test_bench_counts_what_decode_counts(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    option: str,
    form: str,
    faults: list[str],
    moved: dict[str, int],
) -> None:
    capture, line = tmp_path / f"made.{form}", tmp_path / "line.hex"
    arguments = ["--option", option, "--hyperframes", str(HYPERFRAMES)]
    arguments += [text for fault in faults for text in ("--fault", fault)]
    if form == "bits":
        arguments += ["--lead-bits", "7"]
    assert main(["craft", str(capture), *arguments]) == 0
    assert main(["export", str(capture), str(line)]) == 0
    seen = run_bench(tmp_path, line, option)
    told = decoded(capture, capsys)
    assert seen == {name: told[name] for name in seen}
    assert seen["hyperframes"] == HYPERFRAMES
    counted = {name: value for name, value in seen.items() if value and name != "hyperframes"}
    if faults and not moved:
        assert counted["missed_sync_bytes"] == counted["hfn_invalid"] == 1
        assert counted.get("code_violations", 0) + counted.get("disparity_errors", 0) in (1, 2)
    else:
        assert counted == moved


def test_bench_reads_the_limit(tmp_path: Path) -> None:
    line = tmp_path / "line.mem"
    assert main(["export", "emulated", str(line), "--option", "1", "--hyperframes", "4", "--limit", "2"]) == 0
    assert run_bench(tmp_path, line, "1")["hyperframes"] == 2


def test_bench_is_not_deaf(tmp_path: Path) -> None:
    """One word of the file changed by hand shows in the bench."""
    line = tmp_path / "line.hex"
    assert main(["export", "emulated", str(line), "--option", "1", "--hyperframes", "2"]) == 0
    words = line.read_text().splitlines()
    first = next(i for i, text in enumerate(words) if not text.startswith("//"))
    words[first + 100] = "000"
    line.write_text("\n".join(words) + "\n")
    assert run_bench(tmp_path, line, "1")["code_violations"] == 1


def test_bench_passes_cases_of_the_campaign_in_what_it_serves(tmp_path: Path) -> None:
    """As a process of its own: line code, sync bytes and HFN are judged by counters, the rest is not proven."""
    code = tmp_path / "code.hex"
    code.write_text(code_words())
    words = [sys.executable, str(BENCH.with_name("bench_process.py")), str(code), "{option}"]
    under_test = receiver_command(shlex.join(words), patience_s=120)
    conditions = LinkConditions(option="1", seed=3, crafted=True, form=LineForm.SYMBOLS, hyperframes=40)
    bench = Baselines(conditions, under_test)
    result = bench.case(Case(("line.violation", "sync.hfn", "hdlc.fcs")))
    assert result.verdict is Verdict.DETECTED, result.findings
    assert result.moved == {"code_violations": 1, "hfn_invalid": 1}
