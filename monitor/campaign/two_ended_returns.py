"""What must come back to the board that transmits a fault, by the alarms that the other one raises.

CPRI clause 4.2.10: whatever defect a receiver finds goes back as RAI, its LOS and LOF beside it; clause 4.2.7.6.1:
radio equipment acknowledges a reset request (from memory). SDI, RAI, LOS and LOF that are received are not answered.
Every other counter of the transmitting board stays still, for its own receiver's line carries no fault.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from decoders.counters import COUNTERS
from decoders.events import Alarm, Origin

from ..faults.kinds import AlarmOf, Expectation, Range
from ..faults.together import UNBOUNDED, together
from ..faults.verdict import Observation

__all__ = ["Returned", "alarms_due", "is_controller", "returned", "went_dark"]

_LOCAL = {Alarm.LOS: "los_events", Alarm.LOF: "lof_events"}
_TRAFFIC = dict.fromkeys(("hdlc_frames", "ethernet_frames"), "traffic")


@dataclass(frozen=True, slots=True)
class Returned:
    """What came back to the board `at`, against what had to: counters that moved, and the declaration."""

    at: str
    expectation: Expectation
    moved: Mapping[str, int]

    @property
    def required(self) -> dict[str, str]:
        """Alarms that had to come back, by name."""
        return {f"{alarm.value}_{origin.value}": "raised" for alarm, origin in self.expectation.raised}


def is_controller(name: str) -> bool | None:
    """Whether a board is an REC, by its name; None where the name does not tell."""
    upper = name.upper()
    if upper.startswith("REC"):
        return True
    return False if upper.startswith("RE") else None


def alarms_due(expectation: Expectation) -> bool:
    """Whether the receiver of a fault must raise an alarm, so that RAI must come back."""
    return any(origin is Origin.LOCAL for _, origin in expectation.raised)


def _changes(expectation: Expectation) -> int:
    """Most bits of Z.130.0 that may change on the way back: LOS and LOF, each with RAI, each raised and cleared."""
    most = 0
    for name in _LOCAL.values():
        if name in expectation.allowed:
            high = expectation.allowed[name][1]
            most += UNBOUNDED if high is None else high
    return min(UNBOUNDED, 4 * most)


def returned(expectation: Expectation, controller: bool | None) -> Expectation:
    """What must come back to the transmitting board of faults with this expectation at the receiver.

    `controller`: whether that board is an REC, whose reset request is acknowledged; None: it is not known.
    """
    raised: list[AlarmOf] = []
    cleared: list[AlarmOf] = []
    for due, out in ((expectation.raised, raised), (expectation.cleared, cleared)):
        local = [alarm for alarm, origin in due if origin is Origin.LOCAL]
        out += [(alarm, Origin.REMOTE) for alarm in dict.fromkeys([Alarm.RAI, *local] if local else [])]
    total = Expectation(tolerated=_TRAFFIC, within_hyperframes=UNBOUNDED)
    low, high = len(raised) + len(cleared), _changes(expectation)
    if high:
        bounds = Range(("l1_alarm_changes",), low, high)
        total = together(total, Expectation({}, (bounds,), {}, tuple(raised), tuple(cleared)))
    requests = expectation.exact.get("reset_requests", 0)
    if requests and controller is not False:
        reset = ((Alarm.RESET, Origin.REMOTE),) if controller else ()
        bounds = Range(("l1_alarm_changes",), 2 * len(reset), 2 * requests)
        longer = Range(("reset_requests",), 0, requests)
        total = together(total, Expectation({}, (bounds, longer), {}, reset, reset))
    return total


def went_dark(expectation: Expectation, seen: Observation) -> bool:
    """Whether the way back went down with the other: an RE transmits only while it receives (clause 4.5)."""
    return alarms_due(expectation) and bool(seen.counters["los_events"] or seen.counters["lof_events"])


def anything() -> Expectation:
    """Where nothing can be held to what came back."""
    return Expectation(
        tolerated=dict.fromkeys(COUNTERS, "the way back went down, too"), within_hyperframes=UNBOUNDED
    )
