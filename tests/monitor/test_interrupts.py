"""Results on standard output when a signal comes in the middle: whole lines, in order, none lost, none twice."""

from __future__ import annotations

import io
import signal
import sys
from collections.abc import Callable
from typing import Any

import pytest

from monitor import cli
from monitor.commands import decode
from monitor.interrupts import Interrupts
from monitor.sources.emulated import EmulatedSource

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
    monkeypatch.setattr("monitor.interrupts.discard_output", lambda: done.append("thrown away"))
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
