"""SIGINT, SIGTERM and SIGHUP while results go to standard output: no line torn, none lost, none twice."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType, TracebackType
from typing import Any, Self

from .streams import discard_output

__all__ = ["Interrupts"]

_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP")


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
            for name in _SIGNALS:
                number = getattr(signal, name, None)
                if number is not None and signal.getsignal(number) not in (None, signal.SIG_IGN):
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
