"""SIGINT, SIGTERM and SIGHUP while results are written: no line torn, none lost, none twice."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType, TracebackType
from typing import Any, Self

from .streams import discard_output

__all__ = ["Interrupts", "Stops", "stop_signals"]

_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP")
INSISTING = 3


def stop_signals() -> list[int]:
    """The signals that end a command, as far as this system has them and they are not ignored (nohup)."""
    numbers = [getattr(signal, name, None) for name in _SIGNALS]
    return [n for n in numbers if n is not None and signal.getsignal(n) not in (None, signal.SIG_IGN)]


class Interrupts:
    """While entered, a signal is a KeyboardInterrupt; one that comes inside `held` waits for its end.

    After the first KeyboardInterrupt the next signal waits, too, so that what is left can be written. Another one
    beside one that waits is a KeyboardInterrupt at once (`insisted`), for whoever reads the output may have stopped
    reading; what is still held is thrown away then. `seen` counts them all. Not in the main thread, it does nothing.
    """

    def __init__(self) -> None:
        self.seen = 0
        self.insisted = False
        self._holding = False
        self._waiting = False
        self._before: dict[int, Any] = {}

    def __enter__(self) -> Self:
        if threading.current_thread() is threading.main_thread():
            for number in stop_signals():
                self._before[number] = signal.signal(number, self._handle)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def _handle(self, number: int, frame: FrameType | None) -> None:
        self.seen += 1
        if self._holding and not self._waiting:
            self._waiting = True
            return
        self._waiting, self._holding = False, True
        raise KeyboardInterrupt

    @contextmanager
    def held(self) -> Iterator[None]:
        """A batch that is decoded, written and flushed as one."""
        self._holding = True
        try:
            yield
        except KeyboardInterrupt:
            self.insisted = True
            discard_output()
            raise
        self._holding = False
        if self._waiting:
            self._waiting, self._holding = False, True
            raise KeyboardInterrupt


class Stops:
    """While entered, signals end a run that writes as it goes, and never lose what it has to say at the end.

    In `running` the first one calls `stop`, and is a KeyboardInterrupt where nothing is being written. Those that
    follow, and those that come while the run closes and sums up, are only kept in `seen`; the third is a
    KeyboardInterrupt wherever it comes, for a disk or a reader may have stopped. Not in the main thread, it does
    nothing.
    """

    def __init__(self) -> None:
        self.seen: list[str] = []
        self._stop: Callable[[], object] | None = None
        self._writing: Callable[[], bool] = lambda: False
        self._before: dict[int, Any] = {}

    def __enter__(self) -> Self:
        if threading.current_thread() is threading.main_thread():
            for number in stop_signals():
                self._before[number] = signal.signal(number, self._handle)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    @contextmanager
    def running(self, stop: Callable[[], object], writing: Callable[[], bool]) -> Iterator[None]:
        """The part that a signal ends; a KeyboardInterrupt of ours ends it here."""
        self._stop, self._writing = stop, writing
        try:
            yield
        except KeyboardInterrupt:
            if not self.seen:
                self.seen.append("SIGINT")
            if len(self.seen) >= INSISTING:
                raise
        finally:
            self._stop = None

    def _handle(self, number: int, frame: FrameType | None) -> None:
        self.seen.append(signal.Signals(number).name)
        if len(self.seen) >= INSISTING:
            raise KeyboardInterrupt
        if self._stop is not None:
            self._stop()
            if len(self.seen) == 1 and not self._writing():
                self._stop = None
                raise KeyboardInterrupt
