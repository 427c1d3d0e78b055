"""A line that carries octets both ways, and the bounded queue between its reading thread and a source.

Nothing here opens a port or knows what the octets mean.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from typing import Protocol

from ..sources.source import Standstill

__all__ = ["APART", "READ_OCTETS", "DuplexLine", "LineSink", "OctetQueue", "Pulse"]

READ_OCTETS = 1 << 20
QUEUE_OCTETS = 32 << 20
GATHER_OCTETS = 1 << 20
SILENCE_S = 2.0
APART = -1
"""Tag of octets that do not follow those before."""


class LineSink(Protocol):
    """Who takes what a line brings; every call comes from the reading thread."""

    def receive(self, data: bytes, time_ns: int) -> None: ...
    def broken(self, reason: str) -> None: ...
    def opened(self, after_s: float) -> None: ...
    def ended(self, reason: str) -> None: ...


class DuplexLine(Protocol):
    """Octets both ways, with a thread of its own that reads."""

    description: str

    def start(self, sink: LineSink) -> None: ...
    def write(self, data: bytes) -> None: ...
    def close(self) -> None: ...


class Pulse:
    """Whether line data still arrive."""

    def __init__(self) -> None:
        self._last = time.monotonic()
        self._broken = False

    def came(self) -> None:
        """Line data, just now."""
        self._last, self._broken = time.monotonic(), False

    def went_down(self) -> None:
        """The line, just now."""
        self._last, self._broken = time.monotonic(), True

    def went_up(self) -> None:
        """The line is up again; line data are still to come."""
        self._broken = False

    @property
    def standstill(self) -> Standstill | None:
        """What a LineSource says; a line that is up and quiet counts from 2 s on."""
        seconds = time.monotonic() - self._last
        return Standstill(seconds, self._broken) if self._broken or seconds >= SILENCE_S else None


class OctetQueue:
    """Between the reading thread and whoever decodes: bounded in octets, so a slow consumer slows the reader.

    `put` waits for room up to `patience_s` (for ever with None); what then has no room is dropped and counted.
    While `elastic` is set a queue takes twice as much and never waits, for an answer comes behind line data.
    """

    def __init__(self, limit: int = QUEUE_OCTETS, patience_s: float | None = None) -> None:
        self.limit = limit
        self.patience_s = patience_s
        self.dropped = 0
        self.held = 0
        self._elastic = False
        self._items: deque[tuple[bytes, int]] = deque()
        self._changed = threading.Condition()
        self._closed = False

    @property
    def elastic(self) -> bool:
        return self._elastic

    @elastic.setter
    def elastic(self, value: bool) -> None:
        with self._changed:
            self._elastic = value
            self._changed.notify_all()

    def put(self, data: bytes, tag: int) -> bool:
        """Hand on; False where it was dropped, or where the queue is closed."""
        with self._changed:
            self._changed.wait_for(lambda: self._elastic or self._has_room(), self.patience_s)
            if self._closed:
                return False
            if not self._has_room():
                self.dropped += len(data)
                return False
            self._items.append((data, tag))
            self.held += len(data)
            self._changed.notify_all()
            return True

    def _has_room(self) -> bool:
        return self._closed or self.held < (2 * self.limit if self._elastic else self.limit)

    def take(
        self, timeout_s: float, most: int = READ_OCTETS, *, gather_s: float = 0.0
    ) -> tuple[list[bytes], int] | None:
        """What is there, about `most` octets of it, and the first tag; empty after the timeout, None at the end.

        An item with tag APART is the first of what is taken, or is left for the next time. `gather_s` is how long to
        wait for more where little is there: a slow line would else be decoded in many small pieces.
        """
        with self._changed:
            self._changed.wait_for(lambda: self._items or self._closed, timeout_s)
            if gather_s and self._items:
                self._changed.wait_for(lambda: self.held >= GATHER_OCTETS or self._closed, gather_s)
            if not self._items:
                return None if self._closed else ([], 0)
            out: list[bytes] = []
            size = 0
            tag = self._items[0][1]
            while self._items and size < most and not (out and self._items[0][1] == APART):
                out.append(self._items.popleft()[0])
                size += len(out[-1])
            self.held -= size
            self._changed.notify_all()
            return out, tag

    @property
    def closed(self) -> bool:
        return self._closed

    def close(self) -> None:
        """No more comes; what is held can still be taken."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()
