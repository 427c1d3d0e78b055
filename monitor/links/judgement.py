"""The verdict on a fault injected into a running link: how long it is given, and what the link does by itself.

The judge is `faults.verdict`; here stands only when it is asked, and what of the link's own traffic it is told.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

from decoders.linerates import HYPERFRAMES_PER_FRAME, option_named

from ..errors import InputError
from ..faults.catalogue import parse_fault
from ..faults.injector import reach
from ..faults.kinds import Context, Expectation, Fault, Range
from ..faults.segments import fault_and_segment
from ..faults.together import together
from ..faults.verdict import (
    GOOD_FRAMES,
    Declared,
    Finding,
    Observation,
    Verdict,
    difference,
    judge,
    verdict_of,
)
from ..formats.forms import Form
from .snapshot import InjectedFault, Snapshot

__all__ = ["PATIENCE_HYPERFRAMES", "SETTLE_HYPERFRAMES", "Judged", "OwnTraffic", "live_judgement"]

SETTLE_HYPERFRAMES = 48
"""Line time after which other counters may no longer move because of a fault."""
PATIENCE_HYPERFRAMES = 1500
"""Line time (100 ms) that a fault is given: a damaged C&M frame is seen only when it ends."""
OWN_COUNTERS = ("vendor_changes", "ctrl_axc_changes")
"""Planes whose octets may change with what a board has to say."""
_WATCHED = 2 * HYPERFRAMES_PER_FRAME
"""Octets that change with the frame number change in two 10 ms frames."""


class OwnTraffic:
    """How much the counters of traffic move without a fault: `receive` after each chunk, `moved` at a fault."""

    def __init__(self) -> None:
        self._seen: deque[tuple[int, tuple[int, ...]]] = deque()

    def receive(self, elapsed: int, counters: Mapping[str, int]) -> None:
        """Counters after `elapsed` hyperframes of line time."""
        seen = self._seen
        seen.append((elapsed, tuple(counters[name] for name in OWN_COUNTERS)))
        while len(seen) > 2 and elapsed - seen[1][0] >= _WATCHED:
            seen.popleft()

    @property
    def moved(self) -> Mapping[str, int | None]:
        """Changes over the last two 10 ms frames; None where the link has not been watched for so long."""
        if not self._seen or self._seen[-1][0] - self._seen[0][0] < _WATCHED:
            return dict.fromkeys(OWN_COUNTERS)
        (_, first), (_, last) = self._seen[0], self._seen[-1]
        return {name: new - old for name, old, new in zip(OWN_COUNTERS, first, last, strict=True)}


@dataclass(frozen=True, slots=True)
class Judged:
    """One injected fault, the counters that moved since it was asked for, the verdict, and what is wrong.

    `moved` leaves out good frames; `expected` are the counters that must move, with their bounds in words.
    """

    fault: InjectedFault
    moved: Mapping[str, int]
    verdict: Verdict
    findings: tuple[Finding, ...] = ()
    expected: Mapping[str, str] | None = None


def live_judgement(injected: InjectedFault, snapshot: Snapshot) -> Judged:
    """What has become of a fault by now; WAITING until it had its time."""
    fault = _catalogued(injected.text)
    came = snapshot.hyperframes + snapshot.hyperframes_missed - snapshot.hyperframes_not_received
    passed = came - injected.hyperframe
    declared = Declared(_expectation(injected, fault, snapshot, passed))
    before = Observation({name: injected.before.get(name, 0) for name in snapshot.counters})
    seen = Observation(snapshot.counters, None, snapshot.sync_state == "HFNSYNC")
    moved = difference(before, seen)
    findings = judge(declared, before, seen)
    told = {name: by for name, by in moved.items() if name not in GOOD_FRAMES.values()}

    def judged(verdict: Verdict, why: tuple[Finding, ...] = ()) -> Judged:
        return Judged(injected, told, verdict, why, declared.required)

    settled = SETTLE_HYPERFRAMES + (0 if fault is None else (reach(fault) or 1) - 1)
    if passed < (max(settled, PATIENCE_HYPERFRAMES) if _unfinished(injected, declared, moved) else settled):
        if snapshot.breaks_of_unknown_length > injected.breaks:
            return judged(Verdict.CUT_SHORT)
        if not snapshot.ended:
            return judged(Verdict.WAITING)
        if passed < settled:
            return judged(Verdict.CUT_SHORT)
    if injected.elsewhere:
        return judged(Verdict.ELSEWHERE)
    return judged(verdict_of(findings, declared, moved), tuple(findings))


def _catalogued(text: str) -> Fault | None:
    try:
        return parse_fault(fault_and_segment(text)[0])
    except InputError:  # of another version
        return None


def _unfinished(injected: InjectedFault, declared: Declared, moved: Mapping[str, int]) -> bool:
    """Whether something that must move has not yet moved so far as it must."""
    if injected.elsewhere:
        return False
    expectation = declared.expectation
    least: list[tuple[tuple[str, ...], int]] = [((name,), by) for name, by in expectation.exact.items()]
    least += [(r.counters, r.low) for r in expectation.ranges]
    return any(sum(moved.get(name, 0) for name in names) < low for names, low in least)


def _expectation(
    injected: InjectedFault, fault: Fault | None, snapshot: Snapshot, passed: int
) -> Expectation:
    """What the fault declares on this link, and what the link does by itself."""
    if injected.elsewhere:
        own = Expectation()
    elif injected.expectation is not None:
        own = injected.expectation
    elif fault is None:
        own = Expectation(injected.expected)
    else:
        context = Context(
            option_named(snapshot.option),
            flags=snapshot.form != Form.OCTETS,
            bits=snapshot.form == Form.BITS,
            pointer_p=snapshot.pointer_p,
            hdlc_rate_code=snapshot.hdlc_rate_code,
        )
        own = fault.expectation(context)
    frames = 1 + max(0, passed) // _WATCHED
    free = dict.fromkeys(GOOD_FRAMES.values(), "traffic")
    ranges = []
    for name in OWN_COUNTERS:
        by = injected.own_traffic.get(name)
        if by is None:
            free[name] = "the link was not watched long enough before the fault"
        elif by:
            ranges.append(Range((name,), 0, by * frames))
    return together(own, Expectation(ranges=tuple(ranges), tolerated=free))
