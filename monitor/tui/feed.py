"""What the screen knows: the last snapshot, the mark, recent counts, and verdicts on injected faults.

One `Feed` reads the pipeline once a tick; the views read the feed. It draws nothing and has no clock: a window of
seconds is one of line time, 15 000 hyperframes a second (CPRI V7.0 clause 4.2.7.1.2).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from decoders.counters import ERROR_COUNTERS, counters_of, is_damage
from decoders.events import Plane, SyncStateChanged
from decoders.linerates import HYPERFRAMES_PER_SECOND

from ..faults.verdict import Verdict
from ..links.judgement import Judged, live_judgement
from ..links.since_mark import SinceMark
from ..links.snapshot import InjectedFault, LogEntry, Snapshot

__all__ = ["FaultTimes", "Feed", "Link", "WatchedLink"]

_WINDOW = 10 * HYPERFRAMES_PER_SECOND
_WINDOW_STEP = HYPERFRAMES_PER_SECOND // 10


class Link(Protocol):
    """The part of a pipeline that a screen uses."""

    @property
    def failure(self) -> Exception | None: ...

    @property
    def can_inject(self) -> bool: ...

    def snapshot(self) -> Snapshot: ...

    def entries_since(self, number: int) -> list[LogEntry]: ...

    def inject(self, text: str) -> InjectedFault: ...


class WatchedLink(Link, Protocol):
    """A link with its source: a pipeline, or one that runs elsewhere."""

    @property
    def source(self) -> WatchedSource: ...


class WatchedSource(Protocol):
    """What every source can say of itself."""

    @property
    def option(self) -> str: ...

    @property
    def description(self) -> str: ...


@dataclass(slots=True)
class FaultTimes:
    """Hyperframes from a fault to the first event that an expected counter tells of, and to the last effect."""

    detected: int | None = None
    recovered: int | None = None

    def receive(self, judged: Judged, entries: Sequence[LogEntry]) -> None:
        """Take the events since the last call."""
        names = {name for names in judged.expected or () for name in names.split(" + ")}
        start = judged.fault.hyperframe
        for entry in entries:
            event = entry.event
            if event.hyperframe is None or event.hyperframe < start:
                continue
            hit = bool(names.intersection(counters_of(event)))
            if hit and self.detected is None:
                self.detected = event.hyperframe - start
            back = isinstance(event, SyncStateChanged) and event.new == "HFNSYNC"
            if hit or back or is_damage(event):
                self.recovered = event.hyperframe - start


class Feed:
    """Reads one pipeline; `read` once a tick, everything else from what was read."""

    def __init__(self, link: Link) -> None:
        self.link = link
        self.snapshot = link.snapshot()
        self._mark: SinceMark = getattr(link, "since_mark", None) or SinceMark()
        self.judged: list[Judged] = []
        self.times: dict[int, FaultTimes] = {}
        self._next = 0
        self._window: deque[tuple[int, Mapping[str, int]]] = deque()
        self._restarts = self._began
        self._remember()

    @property
    def _began(self) -> int:
        """How often decoding has begun anew, where the pipeline can do that."""
        return getattr(self.link, "restarts", 0)

    def read(self) -> bool:
        """Read the pipeline's present state; True where decoding began anew, and with it all counts."""
        began = self._began
        anew = began != self._restarts
        self._restarts = began
        self.snapshot = self.link.snapshot()
        if anew:
            self._mark.forget()
            self._window.clear()
        self._remember()
        done = {j.fault.number: j for j in self.judged if j.verdict is not Verdict.WAITING}
        undated = {fault.number for fault in self.snapshot.injected if fault.number not in done}
        self.judged = [done.get(f.number) or live_judgement(f, self.snapshot) for f in self.snapshot.injected]
        self._date(undated)
        return anew

    def _date(self, numbers: set[int]) -> None:
        """Look at the new events for when those faults were detected, and when their last effect was."""
        if numbers:
            entries = self.link.entries_since(self._next)
            for judged in self.judged:
                if judged.fault.number in numbers:
                    self.times.setdefault(judged.fault.number, FaultTimes()).receive(judged, entries)
        self._next = self.snapshot.events

    @property
    def waiting(self) -> bool:
        """An injected fault has not had its time yet."""
        return any(j.verdict is Verdict.WAITING for j in self.judged)

    @property
    def elapsed(self) -> int:
        """Hyperframes of line time since the first one in sync, those lost included."""
        return self.snapshot.hyperframes + self.snapshot.hyperframes_missed

    @property
    def marked_at(self) -> int:
        """Hyperframes of line time that had passed at the mark."""
        return self._mark.at

    def mark(self) -> None:
        """Count from here."""
        self._mark.mark(self.snapshot)

    def since_mark(self, name: str) -> int:
        return self._mark.count(self.snapshot, name)

    @property
    def errors_since_mark(self) -> int:
        return self._mark.errors(self.snapshot)

    @property
    def errors_by_plane(self) -> dict[Plane, int]:
        """Errors of each plane since the mark; planes without any are left out."""
        return self._mark.errors_by_plane(self.snapshot)

    @property
    def known(self) -> bool:
        """Whether anything of the link is known yet: a hyperframe, or an error."""
        return self.snapshot.control is not None or bool(self.snapshot.errors)

    @property
    def window_s(self) -> float:
        """Seconds of line time that recent counts cover: 10, or as many as have passed; 0 before any."""
        return (self.elapsed - self._window[0][0]) / HYPERFRAMES_PER_SECOND

    def recent(self, name: str) -> int:
        """By how much a counter rose within the window."""
        return self.snapshot.counters[name] - self._window[0][1].get(name, 0)

    @property
    def recent_errors(self) -> int:
        """Errors within the window."""
        return sum(self.recent(name) for name in self.snapshot.counters if name in ERROR_COUNTERS)

    def _remember(self) -> None:
        """Keep counters of the last ten seconds of line time, a tenth of a second apart."""
        window, now = self._window, self.elapsed
        if window and now - window[-1][0] < _WINDOW_STEP:
            return
        window.append((now, self.snapshot.counters))
        while len(window) > 1 and now - window[1][0] >= _WINDOW:
            window.popleft()
