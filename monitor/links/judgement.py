"""How long a fault is waited for, and what was found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from decoders.counters import ERROR_COUNTERS
from decoders.linerates import option_named

from ..errors import InputError
from ..faults.catalogue import parse_fault
from ..faults.kinds import Context
from ..formats.forms import Form
from .snapshot import InjectedFault, Snapshot

__all__ = ["PATIENCE_HYPERFRAMES", "SETTLE_HYPERFRAMES", "Judged", "Verdict", "judge"]

SETTLE_HYPERFRAMES = 48
"""Line time after which other counters may no longer move because of a fault."""
PATIENCE_HYPERFRAMES = 1500
"""Line time (100 ms) that a fault is given: a damaged C&M frame is seen only when it ends."""


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
