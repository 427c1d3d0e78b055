"""What the screen knows: the last snapshot, the mark, rates over line time, and verdicts on injected faults.

One `Feed` reads the pipeline once a paint; the views read the feed. It draws nothing and has no clock: rates
are per second of line time, 15 000 hyperframes (CPRI V7.0 clause 4.2.7.1.2).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from decoders.linerates import HYPERFRAMES_PER_SECOND, option_named
from monitor.counters import ERROR_COUNTERS, InjectedFault, LogEntry, Snapshot
from monitor.errors import InputError
from monitor.faults.catalogue import Context, parse_fault
from monitor.forms import Form

__all__ = ["PATIENCE_HYPERFRAMES", "SETTLE_HYPERFRAMES", "Feed", "Judged", "Link", "Verdict", "judge"]

SETTLE_HYPERFRAMES = 48
"""Line time after which other counters may no longer move because of a fault."""
PATIENCE_HYPERFRAMES = 1500
"""Line time (100 ms) that a fault is given: a damaged C&M frame is seen only when it ends."""


class Link(Protocol):
    """The part of a pipeline that a screen uses."""

    failure: Exception | None

    @property
    def can_inject(self) -> bool: ...

    def snapshot(self) -> Snapshot: ...

    def entries_since(self, number: int) -> list[LogEntry]: ...

    def inject(self, text: str) -> InjectedFault: ...


class Verdict(StrEnum):
    """What became of an injected fault."""

    WAITING = "waiting"
    FOUND = "found"
    SILENT = "nothing moved, as it must"
    SHOWN = "found, to no set amount"
    ELSEWHERE = "put in; it shows at the other board"
    MORE = "found, and more moved"
    LESS = "found, but too few"
    MISSED = "NOT FOUND"
    CUT_SHORT = "the stream ended or broke before"


@dataclass(frozen=True, slots=True)
class Judged:
    """One injected fault, the counters that moved since it was asked for, and the verdict.

    `moved` holds the expected counters and every error counter that moved.
    """

    fault: InjectedFault
    moved: Mapping[str, int]
    verdict: Verdict


def judge(fault: InjectedFault, snapshot: Snapshot) -> Judged:
    """Compare counters before the fault with those of `snapshot`; WAITING until it had its time."""
    names = [name for name in snapshot.counters if name in fault.expected or name in ERROR_COUNTERS]
    moved = {name: snapshot.counters[name] - fault.before.get(name, 0) for name in names}
    moved = {name: by for name, by in moved.items() if by or name in fault.expected}
    short = [name for name, by in fault.expected.items() if moved[name] < by]
    open_ended, must_show = _open_ended(fault.text, snapshot)
    nothing_yet = not fault.elsewhere and (short or (open_ended and not any(moved.values())))
    came = snapshot.hyperframes + snapshot.hyperframes_missed - snapshot.hyperframes_not_received
    passed = came - fault.hyperframe
    if passed < (PATIENCE_HYPERFRAMES if nothing_yet else SETTLE_HYPERFRAMES):
        if snapshot.breaks_of_unknown_length > fault.breaks:
            return Judged(fault, moved, Verdict.CUT_SHORT)
        if not snapshot.ended:
            return Judged(fault, moved, Verdict.WAITING)
        if passed < SETTLE_HYPERFRAMES:
            return Judged(fault, moved, Verdict.CUT_SHORT)
    if fault.elsewhere:
        return Judged(fault, moved, Verdict.ELSEWHERE)
    if nothing_yet and (short or must_show):
        some = any(moved.get(name) for name in fault.expected)
        return Judged(fault, moved, Verdict.LESS if some else Verdict.MISSED)
    if open_ended and not nothing_yet:
        return Judged(fault, moved, Verdict.SHOWN)
    if any(by > fault.expected.get(name, 0) for name, by in moved.items() if name in ERROR_COUNTERS):
        return Judged(fault, moved, Verdict.MORE)
    return Judged(fault, moved, Verdict.FOUND if fault.expected else Verdict.SILENT)


def _open_ended(text: str, snapshot: Snapshot) -> tuple[bool, bool]:
    """Whether what follows depends on the traffic around the fault, and whether this line form shows it at all."""
    try:
        fault = parse_fault(text)
    except InputError:
        return False, True
    context = Context(
        option_named(snapshot.option),
        flags=snapshot.form != Form.OCTETS,
        bits=snapshot.form == Form.BITS,
    )
    return fault.needs_receiver, not fault.expectation(context).benign


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
        self.judged = [done.get(f.number) or judge(f, self.snapshot) for f in self.snapshot.injected]
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
