"""Results on standard output when a signal comes in the middle: whole lines, in order, none lost, none twice."""

from __future__ import annotations

import io
import json
import os
import re
import signal
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from decoders.events import Event
from decoders.link.decoder import LinkDecoder
from monitor.boards import line, silence
from monitor.cli import main as cli
from monitor.commands import decode, headless
from monitor.emulation.emulated_link import EmulatedSource
from monitor.links import pipeline
from monitor.process.interrupts import Interrupts, Stops
from monitor.recording.recorder import RecordingTap
from monitor.sources.source import Chunk
from tests.monitor.recording.test_replay import make
from tests.support.boards import running_board
from tests.support.commands import outcome

PIECE = 700
"""Octets that one write to standard output takes: a signal comes between two pieces of a batch."""


class Pipe(io.RawIOBase):
    """Takes a piece at a time and calls `tick` before and after it."""

    def __init__(self, tick: Callable[[], None]) -> None:
        self.taken = bytearray()
        self._tick = tick

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self._tick()
        piece = bytes(data)[:PIECE]
        self.taken += piece
        self._tick()
        return len(piece)


def decoded(
    monkeypatch: pytest.MonkeyPatch, numbers: dict[int, signal.Signals], buffered: bool
) -> tuple[int, str, int]:
    """Exit status and output of a decode with signals at its n-th moments, and how many moments there were."""
    moments = 0

    def tick() -> None:
        nonlocal moments
        moments += 1
        if moments in numbers:
            signal.raise_signal(numbers[moments])

    def received(*arguments: Any) -> Any:
        tick()
        events = real(*arguments)
        tick()
        return events

    with monkeypatch.context() as patch:
        real = decode.received
        patch.setattr(decode, "received", received)
        pipe = Pipe(tick)
        # Unbuffered (PYTHONUNBUFFERED) the text goes straight to the raw stream.
        stream: Any = io.BufferedWriter(pipe) if buffered else pipe
        patch.setattr(sys, "stdout", io.TextIOWrapper(stream, write_through=not buffered))
        status = cli.main("decode emulated --pace 0 --hyperframes 24 --frames".split())
        sys.stdout.flush()
    return status, pipe.taken.decode(), moments


@pytest.mark.parametrize(("number", "buffered"), [(signal.SIGINT, True), (signal.SIGTERM, False)])
def test_a_signal_at_any_moment_breaks_no_line(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], number: signal.Signals, buffered: bool
) -> None:
    monkeypatch.setitem(EmulatedSource.__init__.__kwdefaults__, "chunk_hyperframes", 8)
    status, whole, moments = decoded(monkeypatch, {}, buffered)
    assert status == 0
    assert moments > 20  # many of them between two pieces of a batch
    before = [signal.getsignal(s) for s in (signal.SIGINT, signal.SIGTERM)]
    lengths = set()
    for moment in range(1, moments + 1, 1 if buffered else 5):
        status, text, _ = decoded(monkeypatch, {moment: number}, buffered)
        assert status == 130
        assert text.endswith("\n")
        assert whole.startswith(text)
        lengths.add(len(text))
    assert len(lengths) > 2  # it did stop early, at several places
    assert [signal.getsignal(s) for s in (signal.SIGINT, signal.SIGTERM)] == before
    assert "Traceback" not in capfd.readouterr().err


def test_a_second_signal_does_not_wait(monkeypatch: pytest.MonkeyPatch) -> None:
    done = []
    monkeypatch.setattr("monitor.process.interrupts.discard_output", lambda: done.append("thrown away"))
    with Interrupts() as interrupts:
        with pytest.raises(KeyboardInterrupt), interrupts.held():
            signal.raise_signal(signal.SIGINT)
            done.append("held back")
        with pytest.raises(KeyboardInterrupt), interrupts.held():
            signal.raise_signal(signal.SIGINT)
            done.append("held back")
            signal.raise_signal(signal.SIGTERM)
            done.append("never")
    assert done == ["held back", "held back", "thrown away"]
    assert (interrupts.seen, interrupts.insisted) == (3, True)


INTERRUPTED = "framefray: interrupted; the result covers what was read\n"


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (signal.SIGINT, ["watch", "--headless"]),
        (signal.SIGTERM, ["watch", "--headless"]),
        (signal.SIGTERM, ["decode", "--json"]),
    ],
)
def test_a_running_board_ends_with_what_was_read(
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
    number: signal.Signals,
    words: list[str],
) -> None:
    pytest.importorskip("tty", reason="no pseudo-terminals on this system")
    module = headless if words[0] == "watch" else decode

    def received(decoder: LinkDecoder, chunk: Chunk) -> list[Event]:
        events = real(decoder, chunk)
        if decoder.hyperframes > 50:
            signal.raise_signal(number)
        return events

    real = module.received
    monkeypatch.setattr(module, "received", received)
    with running_board("--pty", "--option", "1", "--pace", "400") as (source, _):
        status, out, err = outcome(capfd, words[0], source, *words[1:])
    assert (status, err) == (130, INTERRUPTED)
    if "--json" in words:
        assert json.loads(out)["hyperframes"] > 50
    else:
        found = re.search(r"HFNSYNC, 0 losses of sync.*\n  decoded   (\d+) hyperframes", out)
        assert found and int(found[1]) > 50
        assert out.startswith(f"{source} (REC-A)\n") and "\n  fast C&M " in out


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize("command", ["replay", "demo"])
def test_a_replay_and_a_demo_end_with_what_was_played(
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
    tmp_path: Path,
    command: str,
    number: signal.Signals,
) -> None:
    timers: list[threading.Timer] = []

    def received(decoder: LinkDecoder, chunk: Chunk) -> list[Event]:
        events = real(decoder, chunk)
        if decoder.hyperframes > 50 and not timers:  # while it waits for the next ones to be due
            timers.append(threading.Timer(0.02, os.kill, [os.getpid(), number]))
            timers[0].start()
        return events

    real = pipeline.received
    monkeypatch.setattr(pipeline, "received", received)
    words: list[str | Path] = ["demo", "--headless"]
    if command == "replay":
        words = ["replay", make(tmp_path / "a.ffcap", "sync.comma@250"), "--headless", "--speed", "0.02"]
    status, out, err = outcome(capfd, *words)
    timers[0].join()
    assert (status, err.splitlines(True)[-1]) == (130, INTERRUPTED)
    found = re.search(r"HFNSYNC, 0 losses of sync.*\n  decoded   (\d+) hyperframes", out)
    assert found and 50 < int(found[1]) < 310
    assert "\n  fast C&M " in out
    if command == "replay":
        assert err == INTERRUPTED and out.endswith("\n  errors    in hyperframe 250\n")


@pytest.mark.parametrize("command", ["watch", "decode"])
def test_a_quiet_board_is_told_of_once(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], command: str
) -> None:
    monkeypatch.setattr(line, "SILENCE_S", 0.2)
    monkeypatch.setattr(silence, "TOLD_AFTER_S", 0.4)
    with running_board("--tcp", "127.0.0.1:0", "--option", "1", "--pace", "400") as (source, _):
        assert outcome(capfd, "tell", source, "loopback", "none", "--yes")[0] == 0
        end = threading.Timer(1.5, signal.raise_signal, [signal.SIGINT])
        end.start()
        status, out, err = outcome(capfd, command, source, *["--headless"] * (command == "watch"))
        end.join()
    assert status == 130 and "sync      not found" in out
    assert err == (
        "framefray: no line data for 0.4 s: loopback none, LOS, LOF (status of the board);"
        " its receiver has no input\n" + INTERRUPTED
    )


def test_a_broken_line_is_told_as_that(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(silence, "TOLD_AFTER_S", 0.4)
    with running_board("--tcp", "127.0.0.1:0", "--option", "1", "--pace", "400") as (source, process):
        timers = [
            threading.Timer(0.8, process.kill),
            threading.Timer(2.5, signal.raise_signal, [signal.SIGINT]),
        ]
        for timer in timers:
            timer.start()
        status, out, err = outcome(capfd, "watch", source, "--headless")
        for timer in timers:
            timer.join()
    assert status == 130 and "sync      HFNSYNC" in out
    assert err.startswith("framefray: line down: ") and err.endswith(INTERRUPTED)
    assert len(err.splitlines()) == 2


# ---- a recording --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("second", [signal.SIGINT, signal.SIGTERM])
def test_two_quick_signals_leave_the_summary_of_a_recording(
    capfd: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    second: signal.Signals,
) -> None:
    close = RecordingTap.close

    def interrupted(tap: RecordingTap) -> None:
        signal.raise_signal(second)  # comes while the first one is being obeyed
        close(tap)

    monkeypatch.setattr(RecordingTap, "close", interrupted)
    timer = threading.Timer(0.3, signal.raise_signal, [signal.SIGINT])
    timer.start()
    out = tmp_path / "x.ffcap"
    status, said, err = outcome(capfd, "record", "emulated", out, "--option", "1", "--pace", "1500")
    timer.join()
    assert status == 130
    assert said.startswith(f"{out}: ") and "hyperframes' worth in" in said
    assert err == "framefray: stopped by SIGINT; what was recorded is kept\n"
    assert outcome(capfd, "decode", out)[0] == 0


def test_a_third_signal_ends_even_what_must_not_end() -> None:
    calls: list[str] = []
    with Stops() as stops:
        with stops.running(lambda: calls.append("stop"), lambda: True):
            signal.raise_signal(signal.SIGINT)  # while something is written: it is only told to stop
            signal.raise_signal(signal.SIGHUP)
        assert (calls, stops.seen) == (["stop", "stop"], ["SIGINT", "SIGHUP"])
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
