"""What must follow from a fault, what was seen, and the word for it.

Pure: counters, events and declarations in, findings out. A counter may move only where a fault declares it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from decoders.counters import COUNTERS, GOOD_FRAME_COUNTERS, counters_of, plane_of
from decoders.events import AlarmCleared, AlarmRaised, Event, OctetsChanged, Plane, SyncStateChanged

from .kinds import Expectation, Range

__all__ = [
    "GOOD_FRAMES",
    "Declared",
    "Finding",
    "Observation",
    "Timed",
    "Verdict",
    "beyond",
    "bounds",
    "difference",
    "judge",
    "recovery",
    "told",
    "verdict_of",
    "worst",
]

GOOD_FRAMES = GOOD_FRAME_COUNTERS
"""Counters of frames that are as they should be; every other counter stays still on a clean link."""


class Verdict(StrEnum):
    """One phrase for an injected fault; of the findings of a case the first that holds, from the worst on."""

    CRASHED = "receiver failed"
    UNSYNCED = "never in sync"
    DIRTY = "baseline not clean"
    NOT_SENT = "frame not sent"
    UNSEEN = "line data lost"
    MISSED = "missed"
    LOST = "not delivered"
    CORRUPTED = "delivered otherwise"
    EXTRA = "delivered but not sent"
    MISCOUNTED = "miscounted"
    SIDE_EFFECT = "side effect"
    MISPLACED = "misplaced"
    UNTRUE = "not as sent"
    LATE = "late"
    NOT_RECOVERED = "not recovered"
    DETECTED = "detected"
    BOUNDED = "within bounds"
    """No counter was expected to change; those that did are allowed side effects."""
    SILENT = "no counter expected to change; none did"
    CLEAN = "clean"
    UNPROVEN = "not proven"
    """Nothing had to change, nothing did, and nothing else says that the receiver did what it should."""
    LEFT_OUT = "left out"
    WAITING = "waiting"
    """The time that the fault is given is not over."""
    ELSEWHERE = "injected; observed at the other board"
    CUT_SHORT = "stream ended or broke before the verdict"

    @property
    def passed(self) -> bool:
        return self in _PASSED

    @property
    def final(self) -> bool:
        """Whether this receiver had its time and its say."""
        return self not in (Verdict.WAITING, Verdict.ELSEWHERE, Verdict.CUT_SHORT)

    @property
    def word(self) -> str:
        """`pass`, `fail` or `skip`; `-` where nothing is decided."""
        if self in (Verdict.LEFT_OUT, Verdict.UNPROVEN):
            return "skip"
        if not self.final:
            return "-"
        return "pass" if self.passed else "fail"


_ORDER = list(Verdict)
_PASSED = frozenset(
    (
        Verdict.DETECTED,
        Verdict.BOUNDED,
        Verdict.SILENT,
        Verdict.CLEAN,
        Verdict.UNPROVEN,
        Verdict.LEFT_OUT,
    )
)


@dataclass(frozen=True, slots=True)
class Declared:
    """What must follow from the faults of one case, and the vendor specific octets (Ns, Xs, Y) to be named."""

    expectation: Expectation
    places: frozenset[tuple[int, int, int]] = frozenset()

    @property
    def required(self) -> dict[str, str]:
        """What must move, each with its bounds in words: counters, or several whose sum is bounded."""
        exact = {name: f"{by:+d}" for name, by in self.expectation.exact.items() if by}
        ranges = {" + ".join(r.counters): bounds(r) for r in self.expectation.ranges if r.low}
        return exact | ranges

    @property
    def must_move(self) -> list[tuple[str, ...]]:
        """Groups of counters, of each of which one at least must move."""
        exact = [(name,) for name, by in self.expectation.exact.items() if by]
        return exact + [r.counters for r in self.expectation.ranges if r.low > 0]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is not as declared; `expected` and `observed` side by side where it is a delivery."""

    verdict: Verdict
    counter: str | None
    text: str
    plane: Plane | None = None
    hyperframe: int | None = None
    expected: str | None = None
    observed: str | None = None


@dataclass(frozen=True, slots=True)
class Timed:
    """An event and the hyperframe of the line (missed ones counted in) it belongs to."""

    at: int | None
    event: Event


@dataclass(frozen=True, slots=True)
class Observation:
    """What one receiver made of one transmission.

    `events` is None where only counters are at hand: then no time, alarm or place is judged.
    """

    counters: Mapping[str, int]
    events: Sequence[Timed] | None = None
    in_sync: bool = True
    failure: str | None = None


def _counters(event: Event) -> tuple[str, ...]:
    """Counters that an event tells of; a receiver under test may say what no counter stands for."""
    try:
        return tuple(counters_of(event))
    except KeyError:
        return ()


def beyond(baseline: Sequence[Timed], seen: Sequence[Timed]) -> list[Timed]:
    """Events that tell of a counter other than good frames and that the baseline does not have."""
    good = set(GOOD_FRAMES.values())

    def telling(timed: Timed) -> bool:
        return any(name not in good for name in _counters(timed.event))

    left = Counter(t.event for t in baseline if telling(t))
    out = []
    for timed in seen:
        if not telling(timed):
            continue
        if left[timed.event]:
            left[timed.event] -= 1
        else:
            out.append(timed)
    return out


def difference(baseline: Observation, seen: Observation) -> dict[str, int]:
    """Counters that moved otherwise than in the baseline, in the order they are reported."""
    pairs = ((name, seen.counters[name] - baseline.counters[name]) for name in COUNTERS)
    return {name: change for name, change in pairs if change}


def told(news: Iterable[Timed], declared: Declared, hyperframe: int) -> list[int]:
    """For each thing that must move and that an event tells of: hyperframes from the fault to the first event."""
    timed = [t for t in news if t.at is not None]
    out = []
    for group in declared.must_move:
        hits = (t.at for t in timed if t.at is not None and set(group).intersection(_counters(t.event)))
        first = min(hits, default=None)
        if first is not None:
            out.append(first - hyperframe)
    return out


def recovery(news: Iterable[Timed], seen: Sequence[Timed], hyperframe: int) -> int | None:
    """Hyperframes from the fault to the last event beyond the baseline or the return to HFNSYNC."""
    last = max((t.at for t in news if t.at is not None), default=None)
    for timed in seen:
        event = timed.event
        back = isinstance(event, SyncStateChanged) and event.new == "HFNSYNC"
        if back and timed.at is not None and timed.at > hyperframe:
            last = timed.at if last is None else max(last, timed.at)
    return None if last is None else last - hyperframe


def judge(
    declared: Declared,
    baseline: Observation,
    seen: Observation,
    hyperframe: int = 0,
    truth: Mapping[str, int] | None = None,
    delivered: Iterable[Finding] = (),
) -> list[Finding]:
    """Everything in `seen` that is not as declared; nothing where all is well. The fault is at `hyperframe`.

    `truth` are totals of counters that are certain; `delivered` is what did not arrive as it was sent.
    The one judge: campaign, inject, screen, test fixtures and boards ask it.
    """
    if seen.failure is not None:
        return [Finding(Verdict.CRASHED, None, seen.failure)]
    moved = difference(baseline, seen)
    expectation = declared.expectation
    findings = list(_counted(expectation, moved))
    if seen.events is not None:
        news = beyond(baseline.events or (), seen.events)
        findings += _alarms(expectation, seen.events, hyperframe)
        findings += _misplaced(declared, news)
        late = max(told(news, declared, hyperframe), default=0)
        if late > expectation.within_hyperframes:
            text = f"detected after {late} hf, expected within {expectation.within_hyperframes} hf"
            findings.append(Finding(Verdict.LATE, None, text))
    if truth is not None:
        for name in COUNTERS:
            if name in truth and seen.counters[name] != truth[name]:
                text = f"{name}: {seen.counters[name]} in all, the sender's list has {truth[name]}"
                findings.append(Finding(Verdict.UNTRUE, name, text))
    findings += delivered
    if not seen.in_sync:
        findings.append(Finding(Verdict.NOT_RECOVERED, None, "not in HFNSYNC at the end"))
    return findings


def _counted(expectation: Expectation, moved: Mapping[str, int]) -> Iterator[Finding]:
    """Counters that moved otherwise than declared, one finding each."""
    wanted = [Range((name,), by, by) for name, by in expectation.exact.items()]
    for wish in (*wanted, *expectation.ranges):
        change = sum(moved.get(name, 0) for name in wish.counters)
        if wish.low <= change <= wish.high:
            continue
        name = " + ".join(wish.counters)
        verdict = Verdict.MISCOUNTED if wish.low > 0 else Verdict.SIDE_EFFECT
        if wish.low > 0 and change <= 0:
            verdict = Verdict.MISSED
        wished = bounds(wish) if wish.high else "no change"
        yield Finding(verdict, name, f"{name}: expected {wished}, observed {change:+d}")
    allowed = expectation.allowed
    for name, change in moved.items():
        if name not in allowed:
            text = f"{name}: expected no change, observed {change:+d}"
            yield Finding(Verdict.SIDE_EFFECT, name, text)


def verdict_of(findings: Sequence[Finding], declared: Declared, moved: Mapping[str, int]) -> Verdict:
    """The verdict of a case: the gravest finding's, or how it is as declared."""
    if declared.must_move:
        fallback = Verdict.DETECTED
    else:
        fallback = Verdict.BOUNDED if set(moved) - set(GOOD_FRAMES.values()) else Verdict.SILENT
    return worst(findings, fallback)


def _alarms(expectation: Expectation, events: Sequence[Timed], hyperframe: int) -> list[Finding]:
    """Alarms that had to come or go and did not."""
    after = [t.event for t in events if t.at is not None and t.at >= hyperframe]
    raised = {(e.alarm, e.origin) for e in after if isinstance(e, AlarmRaised)}
    cleared = {(e.alarm, e.origin) for e in after if isinstance(e, AlarmCleared)}
    findings = []
    for word, due, there in (
        ("raised", expectation.raised, raised),
        ("cleared", expectation.cleared, cleared),
    ):
        for alarm, origin in due:
            if (alarm, origin) not in there:
                text = f"alarm {alarm.value.upper()} ({origin.value}): expected {word}, not observed"
                plane = plane_of(AlarmRaised(None, alarm, origin))
                findings.append(Finding(Verdict.MISSED, None, text, plane))
    return findings


def _misplaced(declared: Declared, news: Sequence[Timed]) -> list[Finding]:
    if not declared.places:
        return []
    named = {
        (change.ns, change.xs, change.y)
        for timed in news
        if isinstance(timed.event, OctetsChanged) and timed.event.plane is Plane.VENDOR
        for change in timed.event.changes()
    }
    if not named or named == declared.places:
        return []  # none at all is a counter that did not move
    wrong = ", ".join(f"Ns {ns} Xs {xs} Y {y}" for ns, xs, y in sorted(named))
    right = ", ".join(f"Ns {ns} Xs {xs} Y {y}" for ns, xs, y in sorted(declared.places))
    return [Finding(Verdict.MISPLACED, "vendor_changes", f"change expected at {right}, observed at {wrong}")]


def worst(findings: Sequence[Finding], fallback: Verdict) -> Verdict:
    """The gravest finding's verdict."""
    return min((f.verdict for f in findings), key=_ORDER.index, default=fallback)


def bounds(wish: Range) -> str:
    """`+2`, `+1..+4`, `+1 or more`."""
    if wish.high >= 10**12:
        return f"{wish.low:+d} or more"
    return f"{wish.low:+d}" if wish.low == wish.high else f"{wish.low:+d}..{wish.high:+d}"
