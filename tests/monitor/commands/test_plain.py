"""`watch --plain` as a command: captures, live sources while they run, signals, closed pipes, boards that go."""

from __future__ import annotations

import io
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from monitor.commands.plain import PlainSettings
from tests.support.boards import running_board
from tests.support.commands import outcome
from tests.support.patience import patience

ROOT = Path(__file__).parents[3]
FAULTS = ROOT / "captures" / "cm-faults.octets"


def test_a_capture_is_told_whole_and_ends_with_the_summary_of_headless(
    capfd: pytest.CaptureFixture[str],
) -> None:
    status, out, err = outcome(capfd, "watch", FAULTS, "--plain")
    assert (status, err) == (0, "")
    _, summary, _ = outcome(capfd, "watch", FAULTS, "--headless")
    assert out.endswith(summary)
    _, events, _ = outcome(capfd, "decode", FAULTS, "--events")
    lines = out.removesuffix(summary).splitlines()
    assert sum(line.startswith("hf ") for line in lines) == len(events.splitlines()) > 15
    assert re.match(r"status \d{4}-\d\d-\d\d \d\d:\d\d:\d\dZ: ", lines[-1])
    assert "4 errors" in lines[-1]


def test_each_line_begins_with_the_name_that_was_given(capfd: pytest.CaptureFixture[str]) -> None:
    _, out, _ = outcome(capfd, "watch", f"RE-1={FAULTS}", "--plain", "--no-traffic")
    lines = out.partition(str(FAULTS))[0].splitlines()
    assert lines and all(line.startswith("RE-1 ") for line in lines)


def test_a_live_source_has_status_lines_while_it_runs(capfd: pytest.CaptureFixture[str]) -> None:
    words = "watch emulated --plain --pace 400 --hyperframes 300 --every 0.2 --event-rate 5"
    status, out, _ = outcome(capfd, *words.split())
    assert status == 0
    told = [line for line in out.splitlines() if line.startswith("status ")]
    assert 2 <= len(told) <= 6
    assert sum("left out" in line for line in told) >= 1
    gains = sum(int(n) for line in told for n in re.findall(r"decoded \d+ hyperframes \(\+(\d+)\)", line))
    assert gains in (299, 300) and f"decoded   {gains} hyperframes" in out


def test_what_was_read_before_a_failure_is_summed_up(
    capfd: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from monitor.errors import InputError
    from monitor.links.pipeline import Pipeline

    step, left = Pipeline.step, [1, 0]

    def fails(pipeline: Pipeline) -> bool:
        if not left.pop(0):
            raise InputError("the disk went away")
        step(pipeline)
        return True

    monkeypatch.setattr(Pipeline, "step", fails)
    status, out, err = outcome(capfd, "watch", FAULTS, "--plain", "--no-traffic")
    assert status == 2 and err == "framefray: the disk went away\n"
    assert "reading stopped: the disk went away" in out and "decoded   36 hyperframes" in out


def test_limits_of_events_are_for_live_sources() -> None:
    assert PlainSettings().limit(live=False) is None
    assert PlainSettings().limit(live=True) == 10
    assert PlainSettings(event_rate=3).limit(live=False) == 3
    assert PlainSettings(event_rate=0).limit(live=True) is None


def start(*words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "monitor", "watch", *words, "--plain", "--every", "0.3"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env=dict(os.environ, PYTHONFAULTHANDLER="1"),
    )


def test_a_board_that_goes_and_comes_again() -> None:
    """Silence is said, counters go on, a signal ends it with the summary; lines come as they are made."""
    with running_board("--tcp", "127.0.0.1:0", "--pace", "100") as (source, board):
        watch = start(f"RE-1={source}", "--no-traffic")
        assert watch.stdout is not None and watch.stderr is not None
        seen: list[str] = []

        def line_with(text: str) -> str:
            end = time.monotonic() + patience(20)
            while time.monotonic() < end:
                seen.append(watch.stdout.readline())  # type: ignore[union-attr]
                if text in seen[-1]:
                    return seen[-1]
            raise AssertionError(f"no line with {text!r}: {seen}")

        line_with("XSYNC2 to HFNSYNC")
        assert "delay counted by the board" in line_with("RE-1 status")
        board.send_signal(signal.SIGSTOP)
        line_with("RE-1 line: no line data")
        assert "was HFNSYNC" in line_with("RE-1 status")
        board.send_signal(signal.SIGCONT)
        line_with("RE-1 line: line data come after")
        watch.send_signal(signal.SIGTERM)
        out, err = watch.communicate(timeout=patience(20))
        assert watch.returncode == 130 and "Traceback" not in err
        assert "the result covers what was read" in err
        assert "RE-1 status" in out and "  decoded " in out


def test_a_reader_that_leaves_ends_it_without_a_word() -> None:
    watch = start("emulated", "--pace", "200")
    assert watch.stdout is not None and watch.stderr is not None
    assert watch.stdout.readline().startswith("hf ")
    watch.stdout.close()
    assert watch.wait(patience(20)) == 0
    assert watch.stderr.read() == ""
    watch.stderr.close()


def test_lines_are_written_as_they_are_made(monkeypatch: pytest.MonkeyPatch) -> None:
    """Standard output to a pipe is buffered otherwise: a log would lag by many lines."""
    from monitor.commands import plain
    from monitor.commands.outputs import SourceWatch
    from monitor.links.pipeline import Pipeline
    from monitor.tui.plain_lines import PlainLines
    from tests.support.screen_fakes import FakeSource

    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(io.BufferedWriter(raw), encoding="utf-8"))  # type: ignore[arg-type]
    pipeline = Pipeline(FakeSource())
    pipeline.step()
    plain.PlainTeller([(SourceWatch("", pipeline), PlainLines())], 10).tell()
    assert raw.getvalue().endswith(b"\n") and raw.getvalue().count(b"\n") == pipeline.snapshot().events
