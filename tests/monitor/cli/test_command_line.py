"""The command line as programs outside the project see it: exit status, standard output, standard error."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.cli import main as cli
from tests.support.commands import outcome
from tests.support.patience import patience

ROOT = Path(__file__).parents[3]
H2 = 8192
"""Octets of a hyperframe at option 2 (CPRI V7.0 Table 3)."""


class Run:
    """One run in this process."""

    def __init__(self, status: int, out: str, err: str) -> None:
        self.status, self.out, self.err = status, out, err

    @property
    def json(self) -> dict[str, Any]:
        value: dict[str, Any] = json.loads(self.out)
        return value

    @property
    def lines(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.out.splitlines()]


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str]) -> Any:
    def one(*words: str | Path) -> Run:
        status, out, err = outcome(capfd, *words)
        assert "Traceback" not in out + err
        return Run(status, out, err)

    return one


def start(*words: str | Path, **options: Any) -> subprocess.Popen[bytes]:
    """A run in a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "monitor", *map(str, words)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        bufsize=0,
        **options,
    )


@pytest.fixture(scope="module")
def captures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """clean.* and faulty.* with their truths, 60 hyperframes of option 2."""
    folder = tmp_path_factory.mktemp("captures")
    common = ["--option", "2", "--hyperframes", "60", "--seed", "7", "--hfn", "120"]
    for form in ("octets", "flagged", "symbols", "bits", "hex", "ffcap"):
        out = str(folder / f"clean.{form}")
        with contextlib.redirect_stderr(None):
            assert cli.main(["craft", out, *common, "--truth", str(folder / f"clean.{form}.json")]) == 0
    faults = ["--fault", "hdlc.fcs@20", "--fault", "vendor.value@30:ns=20,xs=1,value=0xA5"]
    out = str(folder / "faulty.bits")
    with contextlib.redirect_stderr(None):
        assert cli.main(["craft", out, *common, *faults, "--truth", str(folder / "faulty.json")]) == 0
    return folder


# ---- bad input: exit 2, one line -------------------------------------------------------------------------


def _bad_inputs() -> Iterator[tuple[str, bytes, list[str]]]:
    random = np.random.default_rng(2).integers(0, 256, 100_001, np.uint8).tobytes()
    text = "Saltmarsh, REC-A and RE-1: a letter, not a capture.\n" * 400
    for given in ([], ["--form", "octets", "--option", "2"], ["--form", "flagged", "--option", "1"],
                  ["--form", "symbols"], ["--form", "bits", "--option", "4"], ["--option", "7"]):  # fmt: skip
        name = " ".join(given) or "nothing said"
        yield f"empty, {name}", b"", given
        yield f"one octet, {name}", b"\xbc", given
        yield f"short, {name}", b"\xbc\x50" * 100, given
        yield f"random, {name}", random, given
        yield f"zeros, {name}", bytes(100_000), given
        yield f"ones, {name}", b"\xff" * 100_000, given
        yield f"text, {name}", text.encode(), given
    yield "text as hex", text.encode(), ["--form", "hex", "--option", "2"]
    yield "hex that breaks off", b"00: bc 50 4", ["--form", "hex", "--option", "2"]


_BAD = list(_bad_inputs())


@pytest.mark.parametrize(("data", "given"), [(d, g) for _, d, g in _BAD], ids=[name for name, _, _ in _BAD])
def test_bad_data(run: Any, tmp_path: Path, data: bytes, given: list[str]) -> None:
    path = tmp_path / "bad.raw"
    path.write_bytes(data)
    result = run("decode", path, "--json", *given)
    assert result.status == 2
    lines = result.err.splitlines()
    assert lines
    assert all(line.startswith("framefray: ") for line in lines)
    assert "bad.raw" in lines[-1]
    if result.out:
        assert result.json["hyperframes"] == 0


@pytest.mark.parametrize("command", ["decode", "watch", "record"])
def test_files_that_cannot_be_read(run: Any, tmp_path: Path, command: str) -> None:
    more = [tmp_path / "out.octets"] if command == "record" else []
    missing = run(command, tmp_path / "no such.bits", *more)
    folder = run(command, tmp_path, *more)
    for result, words in ((missing, "No such file"), (folder, "directory")):
        assert result.status == 2
        assert words in result.err.splitlines()[-1]
    if os.geteuid() != 0:
        locked = tmp_path / "locked.bits"
        locked.write_bytes(b"1")
        locked.chmod(0)
        assert "Permission denied" in run(command, locked, *more).err


@pytest.mark.parametrize("form", ["flagged", "symbols"])
def test_odd_length_of_a_16_bit_form(run: Any, captures: Path, tmp_path: Path, form: str) -> None:
    path = tmp_path / f"odd.{form}"
    path.write_bytes((captures / f"clean.{form}").read_bytes()[: 2 * 10 * H2 + 1])
    result = run("decode", path, "--json", "--form", form, "--option", "2")
    assert result.status == 0
    assert result.json["hyperframes"] == 10
    assert "1 byte left over" in result.err


@pytest.mark.parametrize("form", ["octets", "flagged", "symbols", "bits"])
def test_wrong_option_is_refused_or_said(run: Any, captures: Path, form: str) -> None:
    for option in ("1", "3", "4"):
        result = run("decode", captures / f"clean.{form}", "--option", option)
        assert result.status == 2
        assert result.err.startswith("framefray: ")


@pytest.mark.parametrize("option", ["7A", "8"])
def test_64b66b_options_are_said_not_to_be_decoded(run: Any, captures: Path, option: str) -> None:
    result = run("decode", captures / "clean.bits", "--form", "bits", "--option", option)
    assert result.status == 2
    assert len(result.err.splitlines()) == 1


def test_capture_file_cut_short_gives_what_is_there(run: Any, captures: Path, tmp_path: Path) -> None:
    data = (captures / "clean.ffcap").read_bytes()
    path = tmp_path / "cut.ffcap"
    for size in (0, 5, 40, len(data) // 2, len(data) - 3):
        path.write_bytes(data[:size])
        result = run("decode", path, "--json")
        if result.status == 0:
            assert 1 <= result.json["hyperframes"] <= 60
            assert result.json["counters"]["code_violations"] == 0
        else:
            assert result.status == 2
            assert result.err.startswith("framefray: ")
    assert result.status == 0
    assert result.err  # the damage is said


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["nonsense"],
        ["decode"],
        ["decode", "x", "--form", "morse"],
        ["decode", "x", "--option", "11"],
        ["decode", "x", "--json", "--frames"],
        ["decode", "x", "--pointer", "-1"],
        ["decode", "emulated:trio"],
        ["decode", "emulated", "--pace", "-1"],
        ["decode", "emulated", "--pointer", "5", "--hyperframes", "5"],
        ["decode", "emulated", "--ber", "2", "--hyperframes", "5"],
        ["craft", "x"],
        ["craft", "x.bits", "--pointer", "7"],
        ["craft", "x.bits", "--option", "1", "--hdlc-rate", "3"],
        ["craft", "x.bits", "--hyperframes", "0"],
        ["craft", "x.bits", "--hfn", "150"],
        ["craft", "x.bits", "--fault", "hdlc.fsc@4"],
        ["craft", "x.bits", "--fault", "hdlc.fcs"],
        ["craft", "x.bits", "--fault", "hdlc.fcs@x"],
        ["craft", "x.bits", "--fault", "hdlc.fcs@4:xor=0"],
        ["craft", "x.bits", "--fault", "hdlc.fcs@4:colour=1"],
        ["craft", "x.bits", "--fault", "hdlc.fcs@300"],
        ["craft", "x.octets", "--lead-bits", "3"],
        ["craft", "/no/such/folder/x.bits"],
        ["rates", "--pointer", "5"],
        ["rates", "--hdlc-rate", "7"],
        ["completion", "cmd"],
    ],
    ids=" ".join,
)
def test_bad_usage(run: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str]) -> None:
    monkeypatch.chdir(tmp_path)
    result = run(*words)
    assert result.status == 2
    assert result.out == ""
    assert result.err


def test_near_names_of_faults_are_offered(run: Any) -> None:
    assert "hdlc.fcs" in run("craft", "x.bits", "--fault", "hdlc.fsc@4").err


# ---- what the contract lists -----------------------------------------------------------------------------

COUNTERS = """
    code_violations disparity_errors los_events lof_events missed_sync_bytes unexpected_k hfn_invalid
    hfn_discontinuities bfn_discontinuities filler_mismatches hdlc_frames hdlc_fcs_errors hdlc_aborts
    hdlc_too_short hdlc_too_long hdlc_unaligned ethernet_frames ethernet_fcs_errors ethernet_code_errors
    ethernet_too_short ethernet_too_long ethernet_delimiter_errors vendor_changes reserved_changes
    pointer_invalid version_unknown hdlc_rate_invalid reset_requests l1_alarm_changes
""".split()


@pytest.mark.parametrize("form", ["octets", "flagged", "symbols", "bits", "hex", "ffcap"])
def test_json_of_a_clean_capture(run: Any, captures: Path, form: str) -> None:
    result = run("decode", captures / f"clean.{form}", "--json", "--strict")
    assert result.status == 0
    record = result.json
    truth = json.loads((captures / f"clean.{form}.json").read_text())
    assert result.out.count("\n") == 1
    assert record["schema"] == "framefray.decode/1"
    assert record["link"] == {
        "option": "2", "line_rate_bps": 1228800000, "line_code": "8b10b", "bytes_per_hyperframe": 8192,
        "fec": "off", "fec_header_xor": None, "scrambling": None, "sync_word": None,
    }  # fmt: skip
    assert record["sync"] == {
        "state": "HFNSYNC",
        "acquired_at_hyperframe": 0,
        "losses": 0,
        "alignment_slip_bits": 0 if form == "bits" else None,
        "fec_codeword_phase_bits": None,
    }
    assert record["hyperframes"] == 60
    assert record["first"] == {"bfn": 0, "hfn": 120}
    assert record["last"] == {"bfn": 1, "hfn": 29}
    assert record["l1"] == {
        "protocol_version": 1, "hdlc_rate_code": 3, "pointer_p": 40,
        "reset": False, "rai": False, "sdi": False, "los": False, "lof": False,
    }  # fmt: skip
    assert set(COUNTERS) <= set(record["counters"])
    assert record["counters"] == truth["counters"]
    moved = {name for name, value in record["counters"].items() if value}
    assert moved == {"hdlc_frames", "ethernet_frames", "vendor_changes"}
    assert record["trailing_bytes"] == 0


def test_strict_is_1_only_where_an_error_counter_moved(run: Any, captures: Path) -> None:
    assert run("decode", captures / "faulty.bits").status == 0
    assert run("decode", captures / "faulty.bits", "--strict").status == 1
    assert run("decode", captures / "clean.bits", "--strict").status == 0


def test_lines_of_frames_vendor_and_events(run: Any, captures: Path) -> None:
    truth = json.loads((captures / "faulty.json").read_text())
    assert truth["schema"] == "framefray.truth/1"
    frames = run("decode", captures / "faulty.bits", "--frames").lines
    assert frames == truth["frames"]
    assert set(frames[0]) == {"plane", "hyperframe", "bfn", "hfn", "length", "status", "data", "fcs"}
    assert {f["plane"] for f in frames} == {"hdlc", "ethernet"}
    assert [f["status"] for f in frames if f["status"] != "good"] == ["fcs"]
    assert all(len(f["data"]) + len(f["fcs"]) == 2 * f["length"] for f in frames)
    vendor = run("decode", captures / "faulty.bits", "--vendor").lines
    assert vendor == truth["vendor"]
    assert set(vendor[0]) == {"hyperframe", "ns", "xs", "y", "old", "new"}
    events = run("decode", captures / "faulty.bits", "--events").lines
    assert events[0] == {"event": "alignment_changed", "hyperframe": None, "bit_offset": 0, "slip_bits": 0}
    assert all("event" in e and "hyperframe" in e for e in events)
    numbers = [e["hyperframe"] for e in events if e["hyperframe"] is not None]
    assert numbers == sorted(numbers)
    assert sum(e["event"] == "frame_received" for e in events) == len(frames)
    (fault,) = [f for f in truth["faults"] if f["fault"] == "hdlc.fcs"]
    assert fault["expected"] == {"hdlc_fcs_errors": 1}
    assert {"fault", "hyperframe", "offset_octets", "parameters", "expected"} <= set(fault)


def test_summary_is_plain_text(run: Any, captures: Path) -> None:
    result = run("decode", captures / "faulty.bits")
    assert "hdlc_fcs_errors 1" in result.out
    assert "60 hyperframes" in result.out
    assert all(line.isprintable() for line in result.out.splitlines())
    assert result.err == ""


def test_fixed_pointer_and_rate_overrule_the_link(run: Any, captures: Path) -> None:
    result = run("decode", captures / "clean.octets", "--json", "--pointer", "20", "--hdlc-rate", "1").json
    assert (result["l1"]["pointer_p"], result["l1"]["hdlc_rate_code"]) == (20, 1)
    assert result["counters"]["ethernet_frames"] == 0


def test_rates(run: Any) -> None:
    record = run("rates", "--json").json
    assert record["schema"] == "framefray.rates/1"
    assert len(record["rates"]) == 11
    assert record["rates"][1]["ethernet_coded_bps"] == 42_240_000
    assert len(run("rates").out.splitlines()) == 3 + len(record["rates"])


def test_craft_to_a_file_is_the_same_every_time(run: Any, tmp_path: Path) -> None:
    for name in ("one.octets", "two.octets"):
        assert run("craft", tmp_path / name, "--hyperframes", "5", "--seed", "9").status == 0
    assert (tmp_path / "one.octets").read_bytes() == (tmp_path / "two.octets").read_bytes()
    assert (tmp_path / "one.octets").stat().st_size == 5 * H2


def test_list_of_faults(run: Any) -> None:
    result = run("craft", "--faults")
    assert result.status == 0
    assert "hdlc.fcs" in result.out
    assert "vendor.value" in result.out


@pytest.mark.parametrize("source", ["emulated", "emulated:pair"])
def test_emulated_source(run: Any, source: str) -> None:
    result = run("decode", source, "--pace", "0", "--hyperframes", "40", "--json", "--strict")
    assert result.status == 0
    assert result.json["hyperframes"] in (39, 40)


def test_demo_and_watch_without_a_terminal(run: Any, captures: Path) -> None:
    result = run("demo", "--pace", "0", "--hyperframes", "120")
    assert result.status == 0
    assert "no terminal" in result.err
    assert "expected" in result.out
    assert run("watch", captures / "clean.flagged").status == 0


def test_version_and_help(run: Any) -> None:
    assert run("--version").out.startswith("framefray ")
    for command in ("demo", "watch", "decode", "craft", "rates"):
        assert f"framefray {command}" in run(command, "--help").out
    assert "_shtab" in run("completion", "bash").out


# ---- names of files --------------------------------------------------------------------------------------


HOSTILE = (
    "\x1b[31mred\x1b[0m.bits",
    "two\nlines.bits",
    "[bold]x[red].bits",
    "-dash.bits",
    "100%s{0}.bits",
    "\u202egnp.bits",
)


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names(
    run: Any, captures: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / name).write_bytes((captures / "clean.bits").read_bytes())
    good = run("decode", f"./{name}")
    assert good.status == 0
    (tmp_path / name).write_bytes(b"no capture")
    bad = run("decode", f"./{name}", "--form", "bits", "--option", "2")
    assert bad.status == 2
    crafted = run("craft", f"./{name}", "--hyperframes", "2", "--force")
    assert crafted.status == 0
    missing = run("decode", f"./not {name}")
    assert missing.status == 2
    (tmp_path / name).write_bytes((captures / "clean.bits").read_bytes()[:-3])
    same = run("compare", f"./{name}", f"./{name}")
    assert same.status == 0
    table = run("export", f"./{name}", f"./{name}.csv")
    assert table.status == 0
    texts = (good.out, good.err, bad.out, bad.err, crafted.err, missing.err, same.out, same.err, table.err)
    for text in texts:
        assert all(line.isprintable() for line in text.split("\n"))
    assert len(missing.err.splitlines()) == 1


def test_name_that_is_no_text(captures: Path, tmp_path: Path) -> None:
    path = os.fsencode(tmp_path) + b"/\xff\xfe.bits"
    try:
        Path(os.fsdecode(path)).write_bytes((captures / "clean.bits").read_bytes())
    except OSError:
        pytest.skip("this file system takes text only")
    process = start("decode", os.fsdecode(path))
    out, err = process.communicate(timeout=patience(60))
    assert process.returncode == 0
    assert b"60 hyperframes" in out
    assert b"Traceback" not in err


# ---- pipes and signals -----------------------------------------------------------------------------------


def test_standard_input(captures: Path) -> None:
    with (captures / "clean.octets").open("rb") as file:
        process = start("decode", "-", "--form", "octets", "--json", stdin=file)
        out, err = process.communicate(timeout=patience(60))
    assert process.returncode == 0
    assert json.loads(out)["hyperframes"] == 60
    assert b"Traceback" not in err


def test_craft_into_decode_through_a_pipe() -> None:
    maker = start("craft", "-", "--form", "bits", "--hyperframes", "20", "--lead-bits", "3")
    reader = start("decode", "-", "--json", stdin=maker.stdout)
    assert maker.stdout is not None
    maker.stdout.close()
    out, err = reader.communicate(timeout=patience(60))
    assert maker.wait(patience(60)) == 0
    assert reader.returncode == 0
    assert json.loads(out)["sync"]["alignment_slip_bits"] == 3
    assert b"Traceback" not in err
    assert maker.stderr is not None
    maker.stderr.close()


def test_whoever_reads_may_stop_early(captures: Path) -> None:
    process = start("decode", "emulated", "--pace", "0", "--hyperframes", "4000", "--events")
    assert process.stdout is not None
    assert process.stdout.readline()
    process.stdout.close()
    assert process.wait(patience(60)) == 0
    assert process.stderr is not None
    assert process.stderr.read() == b""
    process.stderr.close()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_interrupt_is_130_with_what_was_read(number: signal.Signals) -> None:
    process = start("decode", "emulated", "--frames")
    assert process.stdout is not None
    first = process.stdout.readline()
    process.send_signal(number)
    out, err = process.communicate(timeout=patience(60))
    assert process.returncode == 130
    assert b"Traceback" not in err
    assert b"interrupted" in err
    assert all(json.loads(line) for line in (first + out).splitlines())


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_run_that_is_stopped_leaves_its_report(tmp_path: Path, number: signal.Signals) -> None:
    page = tmp_path / "page.html"
    page.write_text("of an older run, which goes as this one begins")
    process = start("delay", "emulated", "--resets", "100000", "--html", str(page), "--force")
    end = time.monotonic() + patience(30)
    while page.exists() and time.monotonic() < end:
        time.sleep(0.05)
    time.sleep(1.0)
    process.send_signal(number)
    _, err = process.communicate(timeout=patience(60))
    assert process.returncode == 130 and b"interrupted" in err
    assert "incomplete" in page.read_text().lower()


# ---- what is loaded --------------------------------------------------------------------------------------


def _loaded(code: str) -> set[str]:
    """Names of the modules that are loaded after `code`."""
    script = f"import sys\n{code}\nprint('MODULES', *sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, check=True, text=True
    )
    return set(done.stdout[done.stdout.rindex("MODULES") :].split())


_HELP = """
from monitor.cli import main as cli
try:
    cli.main({words})
except SystemExit:
    pass
"""


@pytest.mark.parametrize("words", [["--help"], ["decode", "--help"], ["--version"], ["nonsense"]])
def test_help_loads_nothing_heavy(words: list[str]) -> None:
    loaded = _loaded(_HELP.format(words=words))
    assert "monitor.cli" in loaded
    heavy = {"textual", "construct", "numpy", "jinja2", "serial", "msgspec", "rich", "decoders"}
    assert not heavy & loaded


def test_decoders_load_no_screen_and_no_port() -> None:
    loaded = _loaded(
        "import decoders.link.decoder, decoders.user_plane.iq_map, decoders.cm_plane.packet_text"
    )
    assert "numpy" in loaded
    assert not {"textual", "serial", "rich", "jinja2", "monitor"} & loaded


def test_decode_loads_no_screen(captures: Path) -> None:
    words = ["decode", str(captures / "clean.bits"), "--json"]
    assert not {"textual", "jinja2", "serial"} & _loaded(_HELP.format(words=words))
