"""What a new user meets: files that cannot be written or read, values that cannot be, and what is said then."""

from __future__ import annotations

import errno
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from decoders.counters import COUNTERS
from decoders.events import FrameReceived, FrameStatus, Plane
from monitor.boards.serial_port import SerialLine
from monitor.commands import decode
from monitor.emulation import crafted_file
from monitor.errors import InputError
from monitor.faults.kinds import Expectation
from monitor.faults.verdict import Declared, Observation, Timed, judge
from monitor.testing.expectations import LinkExpectationError
from monitor.testing.tested_link import EmulatedLink
from monitor.text import counted
from tests.support.boards import running_board
from tests.support.commands import outcome
from tests.support.patience import patience

ROOT = Path(__file__).parents[3]
Said = tuple[int, str, str]
"""Exit status, standard output, standard error."""


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str]) -> Callable[..., Said]:
    return lambda *words: outcome(capfd, *words)


# ---- craft: whole or not there ---------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", ["bits", "hex", "ffcap"])
def test_a_craft_that_breaks_off_leaves_what_was_there(
    run: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, suffix: str
) -> None:
    out, truth = tmp_path / f"x.{suffix}", tmp_path / "x.json"
    words: tuple[str | Path, ...] = ("craft", out, "--hyperframes", "4", "--truth", truth)
    assert run(*words)[0] == 0
    assert run(*words) == (2, "", f"framefray: {truth}: exists already; --force replaces it\n")
    words = (*words, "--force")
    assert run(*words)[0] == 0
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    real = crafted_file.craft

    for failure, status, said in (
        (KeyboardInterrupt(), 130, f"interrupted; {out}: nothing was written"),
        (OSError(errno.ENOSPC, "No space left on device"), 2, "No space left on device; nothing was written"),
    ):

        def broken(*arguments: Any, failure: BaseException = failure, **more: Any) -> None:
            real(*arguments, **more)
            raise failure

        monkeypatch.setattr(crafted_file, "craft", broken)
        got, _, err = run(*words)
        assert got == status
        assert err.splitlines() == [f"framefray: {said}" if status == 130 else f"framefray: {out}: {said}"]
        assert {path: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_craft_leaves_other_files_alone(run: Any, tmp_path: Path) -> None:
    mine = tmp_path / "x.bits.part"
    mine.write_bytes(b"mine")
    mask = os.umask(0o027)
    try:
        assert run("craft", tmp_path / "x.bits", "--hyperframes", "4")[0] == 0
    finally:
        os.umask(mask)
    assert mine.read_bytes() == b"mine"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["x.bits", "x.bits.part"]
    assert (tmp_path / "x.bits").stat().st_mode & 0o777 == 0o640


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_craft_that_is_told_to_end_takes_its_part_away(tmp_path: Path, number: signal.Signals) -> None:
    words = [
        "craft",
        str(tmp_path / "x.bits"),
        "--hyperframes",
        "1000000",
        "--truth",
        str(tmp_path / "x.json"),
    ]
    process = subprocess.Popen(
        [sys.executable, "-m", "monitor", *words], cwd=ROOT, stderr=subprocess.PIPE, text=True
    )
    end = time.monotonic() + patience(30)
    while sum(path.stat().st_size for path in tmp_path.iterdir()) == 0 and time.monotonic() < end:
        time.sleep(0.01)
    assert all(path.name.startswith(".framefray-") for path in tmp_path.iterdir())
    process.send_signal(number)
    _, err = process.communicate(timeout=patience(30))
    assert (process.returncode, len(err.splitlines())) == (130, 1)
    assert "nothing was written" in err
    assert not list(tmp_path.iterdir())


def test_craft_writes_into_pipes_and_devices(run: Any, tmp_path: Path) -> None:
    status, _, err = run("craft", "/dev/full", "--form", "bits", "--hyperframes", "4")
    assert (status, err) == (
        2, "framefray: /dev/full: No space left on device; what was written is cut short\n",
    )  # fmt: skip
    fifo = tmp_path / "fifo.ffcap"
    os.mkfifo(fifo)
    reader = os.open(fifo, os.O_RDONLY | os.O_NONBLOCK)
    try:
        assert run("craft", fifo, "--hyperframes", "4")[0] == 2  # a capture needs to be sought in
        assert run("craft", fifo, "--form", "octets", "--hyperframes", "1", "--option", "1")[0] == 0
        assert len(os.read(reader, 1 << 16)) == 4096
    finally:
        os.close(reader)
    assert fifo.is_fifo()


def test_a_replaced_file_keeps_its_mode_and_a_link_its_target(run: Any, tmp_path: Path) -> None:
    real, link = tmp_path / "real.bits", tmp_path / "link.bits"
    real.write_bytes(b"old")
    real.chmod(0o640)
    link.symlink_to("real.bits")
    said = f"framefray: {link}: is a symbolic link; --force replaces it, not the file it points to\n"
    assert run("craft", link, "--hyperframes", "4") == (2, "", said)
    assert run("craft", link, "--hyperframes", "4", "--force")[0] == 0
    assert real.read_bytes() == b"old" and not link.is_symlink()
    assert run("craft", real, "--hyperframes", "4", "--force")[0] == 0
    assert real.read_bytes() == link.read_bytes()
    assert real.stat().st_mode & 0o777 == 0o640


def test_export_and_record_know_both_words(run: Any, tmp_path: Path) -> None:
    capture, out = tmp_path / "x.octets", tmp_path / "x.csv"
    assert run("craft", capture, "--hyperframes", "4")[0] == 0
    for words in (("export", capture, out), ("record", capture, tmp_path / "y.octets")):
        assert run(*words)[0] == 0
        assert run(*words)[0] == 2
        assert run(*words, "--overwrite")[0] == 0
        assert run(*words, "--force")[0] == 0


# ---- what is said in time --------------------------------------------------------------------------------


def test_record_says_what_an_unknown_suffix_gives(run: Any, tmp_path: Path) -> None:
    words = ("--pace", "0", "--limit", "2hf")
    status, _, err = run("record", "emulated", tmp_path / "morning.dat", *words)
    assert status == 0
    assert err.startswith(f"framefray: {tmp_path}/morning.dat: its suffix names no form")
    assert run("decode", tmp_path / "morning.dat", "--json")[0] == 0
    assert run("record", "emulated", tmp_path / "morning.FFCAP", *words)[2] == ""
    status, _, err = run("record", "emulated", tmp_path / "morning.csv", *words)
    assert status == 2
    assert "framefray export" in err
    assert not (tmp_path / "morning.csv").exists()


def test_a_decode_without_end_says_so_on_a_terminal(run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def received(*arguments: Any) -> Any:
        signal.raise_signal(signal.SIGINT)
        return real(*arguments)

    real = decode.received
    said = "framefray: runs until Ctrl-C, or give --hyperframes N\n"
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    assert said not in run("decode", "emulated", "--pace", "0", "--hyperframes", "4")[2]
    monkeypatch.setattr(decode, "received", received)
    status, _, err = run("decode", "emulated", "--pace", "0")
    assert status == 130
    assert err.startswith(said)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("/dev/ttyNOPE", "No such file or directory; `framefray watch --ports` lists what is there"),
        ("socket://127.0.0.1:1", "Connection refused; nothing listens there"),
    ],
)
def test_a_line_that_is_not_there_is_said_once(run: Any, name: str, said: str) -> None:
    assert run("decode", name) == (2, "", f"framefray: {name}: {said}\n")


def test_one_of_a_kind_is_no_plural(run: Any, tmp_path: Path) -> None:
    capture = tmp_path / "x.octets"
    words = ("--option", "1", "--hyperframes", "6", "--fault", "hdlc.fcs@4")
    assert ", 1 fault, " in run("craft", capture, *words)[2]
    _, out, _ = run("compare", capture, capture, "--form", "octets", "--option", "1")
    assert "compared  6 hyperframes of option 1, " in out
    assert counted(1, "loss of sync", "losses of sync") == "1 loss of sync"
    assert [counted(n, "piece") for n in (0, 1, 2)] == ["0 pieces", "1 piece", "2 pieces"]
    _, out, _ = run("record", capture, tmp_path / "y.octets", "--limit", "1hf", "--option", "1")
    assert " 1.00 hyperframes' worth in 1 piece," in out
    words = ("--option", "1", "--hyperframes", "60", "--fault", "sync.comma@40")
    assert run("craft", capture, *words, "--force")[0] == 0
    _, out, _ = run("replay", capture, "--headless", "--option", "1", "--form", "octets")
    assert "errors    in hyperframe 40\n" in out
    link = EmulatedLink(seed=1)
    link.run(21)
    link.inject("ethernet.fcs")
    link.run(60)
    with pytest.raises(LinkExpectationError, match="detected after 1 hf, expected within 0 hf"):
        link.expect(ethernet_fcs_errors=1, within=0)
    late = Timed(25, FrameReceived(25, 0, 25, Plane.HDLC, FrameStatus.FCS, b"abc", b"12"))
    clean = dict.fromkeys(COUNTERS, 0)
    (finding,) = judge(
        Declared(Expectation({"hdlc_fcs_errors": 1}, within_hyperframes=0)),
        Observation(clean, (), True),
        Observation(clean | {"hdlc_fcs_errors": 1}, (late,), True),
        24,
    )
    assert finding.text == "detected after 1 hf, expected within 0 hf"


# ---- record: what was asked for and did not come ---------------------------------------------------------


def test_record_says_which_fault_was_never_put_in(run: Any, tmp_path: Path) -> None:
    out = tmp_path / "x.ffcap"
    words = (
        "record",
        "emulated",
        out,
        "--pace",
        "0",
        "--limit",
        "10hf",
        "--force",
        "--fault",
        "vendor.flip@9",
    )
    assert run(*words)[0] == 0
    for hyperframe in (10, 999):
        status, told, err = run(*words, "--fault", f"hdlc.fcs@{hyperframe}")
        said = f"fault hdlc.fcs@{hyperframe} was not injected: the recording has 10 hyperframes; it is kept"
        assert (status, err) == (2, f"framefray: {said}\n")
        assert "limit reached" in told
        assert '"hyperframes":10,' in run("decode", out, "--json")[1]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("emulated OUT --fault hdlc.nope@3", "'hdlc.nope' does not exist"),
        ("emulated OUT --pointer 0 --fault ethernet.fcs", "ethernet.fcs"),
        ("/dev/ttyNOPE OUT --fault hdlc.fcs", "this makes the board transmit damaged data; --yes does it"),
        ("some.octets OUT --fault hdlc.fcs --option 1 --form octets", "some.octets cannot inject faults"),
    ],
)
def test_record_with_a_fault_that_cannot_be_makes_no_file(
    run: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: str, said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "some.octets").write_bytes(bytes(4))
    status, _, err = run("record", *words.replace("OUT", "x.ffcap").split())
    assert (status, len(err.splitlines())) == (2, 1)
    assert said in err
    assert not (tmp_path / "x.ffcap").exists()


def test_a_fault_on_a_board_counts_hyperframes_of_the_recording(run: Any, tmp_path: Path) -> None:
    out = tmp_path / "x.ffcap"
    with running_board("--tcp", "127.0.0.1:0", "--pace", "500") as (name, _):
        words = ("record", name, out, "--force", "--yes", "--limit")
        assert run(*words, "100hf")[0] == 0  # the board's own count runs on
        status, _, err = run(*words, "600hf", "--fault", "ethernet.fcs@500", "--fault", "hdlc.fcs@900")
    assert (status, "hdlc.fcs@900 was not injected" in err, "ethernet.fcs" in err) == (2, True, False)
    frames = [json.loads(line) for line in run("decode", out, "--frames")[1].splitlines()]
    (bad,) = (frame for frame in frames if frame["status"] == "fcs")
    assert 500 <= bad["hyperframe"] < 510


def test_record_says_that_the_line_ended_before_the_limit(run: Any, tmp_path: Path) -> None:
    out = tmp_path / "x.ffcap"
    # The board ends by itself after 200 hyperframes.
    with running_board("--tcp", "127.0.0.1:0", "--hyperframes", "200", "--pace", "2000") as (name, _):
        status, told, err = run("record", name, out, "--no-reconnect", "--limit", "5000hf")
    assert status == 2
    assert err.splitlines()[-1] == (
        f"framefray: {name} (REC-A): the line ended before the limit; what was recorded is kept"
    )
    assert "limit reached" not in told
    assert run("decode", out, "--json")[0] == 0


# ---- bad input: exit 2, one line, what and where ---------------------------------------------------------

BAD = [
    ("decode emulated --pace nan", "--pace: nan is outside"),
    ("decode emulated --hyperframes 3 --pace 1e-300", "--pace: 1e-300 is outside"),
    ("decode emulated --hyperframes x", "--hyperframes: 'x' is not a whole number"),
    ("board --pace inf", "--pace: inf is outside"),
    ("board --ber nan", "--ber: nan is outside 0 to 0.5"),
    ("board --name \x1b", "--name: 1 to 64 octets"),
    ("craft a.bits --lead-bits 99999999999", "--lead-bits 99999999999: at most"),
    (f"craft {'a' * 300}.bits", "aaa.bits: File name too long"),
    ("craft a.bits --plan wrong.toml", "wrong.toml, line 2: fault.hyperframe: Expected `int`, got `str`"),
    ("export emulated a.npy --hyperframes 3 --iq M=15,fs=15.36,n=99999999", "n is 1 to"),
    ("record emulated folder", "folder: an .ffcap capture needs a file"),
    ("record emulated /dev/null", "/dev/null: an .ffcap capture needs a file"),
    ("compare emulated:pair some.octets", "framefray record emulated:pair FILE"),
    ("watch rfc2217://x --headless", "rfc2217://x: not rfc2217://HOST:PORT"),
    (
        f"inject emulated --fault hdlc.fcs@{10**11}",
        f"fault hdlc.fcs@{10**11}: the highest hyperframe of a link",
    ),
    (f"inject emulated --fault hdlc.fcs@{'9' * 5000}", "hyperframes go up to 1099511627775"),
    ("inject emulated --fault hdlc.fcs --hyperframes 100001", "--hyperframes 100001: at most 100000"),
    (f"craft a.bits --fault hdlc.fcs@{1 << 40}", "hyperframes go up to 1099511627775"),
    (f"craft a.bits --hyperframes {10**30}", f"--hyperframes: {10**30} is more than 1099511627775"),
    (f"delay emulated --resets {10**30}", f"--resets: {10**30} is more than 1099511627775"),
    (f"delay emulated --step {'9' * 5000}@5", "is not CLOCKS@RESET"),
    (f"delay emulated --step 2@{'9' * 5000}", "9' is not CLOCKS@RESET"),
    (f"craft a.bits --seed 0x{'f' * 5000}", "--seed: '0xffffffffffffffffff'… has more than 100 digits"),
    (f"inject emulated --fault vendor.value:value=0x{'f' * 5000}", "… is out of range 0 to 255"),
    (f"record emulated a.bits --limit {10**30}hf", "is more than any recording holds"),
    (f"record emulated a.bits --limit {'9' * 5000}GB", "is more than any recording holds"),
    (
        f"replay some.octets --headless --option 1 --form octets --at {'9' * 5000}",
        "more digits than a place can have",
    ),
    (
        f"replay some.octets --headless --option 1 --form octets --at {'9' * 500}ms",
        "more digits than a place can have",
    ),
    *(
        (f"{line} --baud {rate}", f"{line.split()[0]}: argument --baud: {rate} is outside 1 to 2147483647")
        for line in ("tell /dev/ttyNOPE status", "decode /dev/ttyNOPE", "watch /dev/ttyNOPE")
        for rate in (0, 1 << 31, 10**30)
    ),
    ("decode loop://", "loop://: the line is looped: commands come back, and no board answers"),
    (
        "decode 127.0.0.1:7000",
        "127.0.0.1:7000: No such file or directory; a board on the network is socket://",
    ),
    ("watch [::1]:7000 --headless", "a board on the network is socket://[::1]:7000"),
    ("tell localhost:7000 status", "a board on the network is socket://localhost:7000"),
    ("campaign bench-3:7000", "a board on the network is socket://bench-3:7000"),
    (
        "board --loopback pair --link x",
        "'x' is not HOST:PORT, and no path of a socket either, which has a / in it",
    ),
    (f"board --tcp 127.0.0.1:{'9' * 5000}", "is not HOST:PORT\n"),
    ("replay line.vcd --headless", "line.vcd: a value change dump cannot be replayed"),
    ("campaign emulated --junit .", ".: Is a directory"),
    ("delay emulated --html .", ".: Is a directory"),
    ("tell loop:// restart", "'restart' is no command; there are status, loopback, reset, traffic, data"),
    ("tell loop:// loopback far", "loopback takes none, internal, cable or pair, not 'far'"),
    ("tell loop:// reset laser", "reset takes transmitter or receiver, not 'laser'"),
    ("tell loop:// traffic voice 3", "traffic takes iq, hdlc, ethernet or vendor, not 'voice'"),
    ("tell loop:// traffic hdlc 101", "traffic takes 0 to 100 percent, not '101'"),
    ("tell loop:// traffic hdlc", "write traffic iq|hdlc|ethernet|vendor PERCENT"),
    ("tell loop:// data bits", "data takes none, octets, flagged, control or blocks, not 'bits'"),
    ("tell loop:// status now", "'status now' is no command; write status"),
    ("decode some.octets \x1b[31m", "\\x1b[31m; see `framefray --help`"),
]


@pytest.mark.parametrize(("line", "said"), BAD, ids=[said for _, said in BAD])
def test_bad_input_is_one_line(
    run: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, line: str, said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "folder").mkdir()
    (tmp_path / "some.octets").write_bytes(bytes(4))
    (tmp_path / "wrong.toml").write_text('[[fault]]\nhyperframe = "x"\n')
    status, out, err = run(*line.split(" "))
    assert (status, out) == (2, "")
    assert len(err.splitlines()) == 1
    assert err.startswith("framefray: ")
    assert said in err
    assert err[:-1].isprintable()


def test_replay_tells_of_captures(run: Any) -> None:
    out = " ".join(run("replay", "--help")[1].split())
    assert "CAPTURE file of line data (.ffcap .octets" in out
    assert "emulated" not in out and "serial" not in out and "--vcd" not in out
    assert "emulated:pair, serial device or URL" in " ".join(run("watch", "--help")[1].split())


def test_a_rate_beyond_every_device_is_no_traceback() -> None:
    """A caller from Python is not held by the parser."""
    master, slave = os.openpty()
    try:
        with pytest.raises(InputError, match="no device runs at 1000000000000000000000000000000 baud"):
            SerialLine(os.ttyname(slave), 10**30)
    finally:
        os.close(slave)
        os.close(master)


@pytest.mark.parametrize(
    ("line", "status", "said"),
    [
        ("rates >/dev/full", 2, "framefray: standard output: No space left on device\n"),
        ("rates >&-", 2, "framefray: standard output: Bad file descriptor\n"),
        ("decode - <&-", 2, "framefray: standard input: is empty\n"),
        ("decode - </dev/null 2>&-", 2, ""),
    ],
)
def test_streams_that_are_full_or_closed(line: str, status: int, said: str) -> None:
    command = f"exec {sys.executable} -m monitor {line}"
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    done = subprocess.run(
        ["/bin/sh", "-c", command], cwd=ROOT, env=environment, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (status, said)


def test_no_line_data_on_a_terminal(run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    monkeypatch.setenv("NO_COLOR", "1")
    status, out, err = run("craft", "-", "--form", "octets", "--hyperframes", "1")
    assert (status, out) == (2, "")
    assert "is a terminal" in err
    assert run("craft", "-", "--form", "hex", "--hyperframes", "1")[0] == 0
