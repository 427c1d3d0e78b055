"""What the screen knows: the last snapshot, the mark, rates over line time, and verdicts on injected faults.

One `Feed` reads the pipeline once a paint; the views read the feed. It draws nothing and has no clock: rates
are per second of line time, 15 000 hyperframes (CPRI V7.0 clause 4.2.7.1.2).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import Protocol

from decoders.counters import ERROR_COUNTERS
from decoders.linerates import HYPERFRAMES_PER_SECOND

from ..faults.verdict import Verdict
from ..links.judgement import Judged, live_judgement
from ..links.snapshot import InjectedFault, LogEntry, Snapshot

__all__ = ["Feed", "Link"]


class Link(Protocol):
    """The part of a pipeline that a screen uses."""

    failure: Exception | None

    @property
    def can_inject(self) -> bool: ...

    def snapshot(self) -> Snapshot: ...

    def entries_since(self, number: int) -> list[LogEntry]: ...

    def inject(self, text: str) -> InjectedFault: ...


class Feed:
    """Reads one pipeline; `take` once a paint, everything else from what was taken."""

    def __init__(self, link: Link) -> None:
        self.link = link
        self.snapshot = link.snapshot()
        self.marked: Mapping[str, int] = dict.fromkeys(self.snapshot.counters, 0)
        self.marked_at = 0
        self.judged: list[Judged] = []
        self._window: deque[tuple[int, Mapping[str, int]]] = deque()
        self._restarts = self._began
        self._remember()

    @property
    def _began(self) -> int:
        """How often decoding has begun anew, where the pipeline can do that."""
        return getattr(self.link, "restarts", 0)

    def take(self) -> bool:
        """Read the pipeline's present state; True where decoding began anew, and with it all counts."""
        began = self._began
        anew = began != self._restarts
        self._restarts = began
        self.snapshot = self.link.snapshot()
        if anew:
            self.marked, self.marked_at = dict.fromkeys(self.snapshot.counters, 0), 0
            self._window.clear()
        self._remember()
        done = {j.fault.number: j for j in self.judged if j.verdict is not Verdict.WAITING}
        self.judged = [done.get(f.number) or live_judgement(f, self.snapshot) for f in self.snapshot.injected]
        return anew

    @property
    def waiting(self) -> bool:
        """An injected fault has not had its time yet."""
        return any(j.verdict is Verdict.WAITING for j in self.judged)

    @property
    def elapsed(self) -> int:
        """Hyperframes of line time since the first one in sync, those missed included."""
        return self.snapshot.hyperframes + self.snapshot.hyperframes_missed

    def mark(self) -> None:
        """Count from here."""
        self.marked = dict(self.snapshot.counters)
        self.marked_at = self.elapsed

    def since_mark(self, name: str) -> int:
        return self.snapshot.counters[name] - self.marked.get(name, 0)

    @property
    def errors_since_mark(self) -> int:
        return sum(self.since_mark(name) for name in self.snapshot.counters if name in ERROR_COUNTERS)

    def rate(self, name: str) -> float | None:
        """Counts a second of line time over the last second of it; None before any time has passed."""
        first, before = self._window[0]
        passed = self._window[-1][0] - first
        if passed <= 0:
            return None
        return (self.snapshot.counters[name] - before.get(name, 0)) * HYPERFRAMES_PER_SECOND / passed

    def _remember(self) -> None:
        window, now = self._window, self.elapsed
        if window and now - window[-1][0] == 0 and window[-1][1] == self.snapshot.counters:
            return
        window.append((now, self.snapshot.counters))
        while len(window) > 2 and (now - window[1][0] >= HYPERFRAMES_PER_SECOND or len(window) > 256):
            window.popleft()
