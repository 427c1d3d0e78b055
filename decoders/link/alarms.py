"""L1 alarms: LOS from code errors, and what the remote end reports in Z.130.0.

CPRI clause 4.2.10 (LOS, LOF, RAI, SDI) and 4.2.7.6.1 (reset). LOS is set by 16 or more characters in error
within one hyperframe and cleared by one hyperframe without any (the clearing rule is from memory, medium
confidence). A reset request stands for at least 10 hyperframes (from memory, medium confidence).
"""

from __future__ import annotations

from dataclasses import dataclass

from ..events import Alarm, AlarmCleared, AlarmRaised, Event, L1Changed, Origin, ResetRequested
from ..frame_structure.frames import ALARM_BITS

__all__ = ["LOS_THRESHOLD", "REMOTE_DEFECTS", "RESET_HYPERFRAMES", "LosDetector", "RemoteAlarms"]

LOS_THRESHOLD = 16
RESET_HYPERFRAMES = 10
REMOTE_DEFECTS = ALARM_BITS["rai"] | ALARM_BITS["los"] | ALARM_BITS["lof"]
"""Bits that tell of a defect at the remote receiver, so that start-up stands in state B."""
_BITS = tuple((mask, Alarm(name)) for name, mask in ALARM_BITS.items())


@dataclass(slots=True)
class LosDetector:
    """Loss of signal by the count of characters in error, one window of a hyperframe at a time."""

    threshold: int = LOS_THRESHOLD
    active: bool = False

    def window(self, errors: int) -> bool | None:
        """Judge one window: True when LOS is raised by it, False when cleared, None when nothing changes."""
        if not self.active and errors >= self.threshold:
            self.active = True
            return True
        if self.active and errors == 0:
            self.active = False
            return False
        return None


class RemoteAlarms:
    """Alarm bits as received, hyperframe by hyperframe; bits count as 0 before the first."""

    def __init__(self, reset_hyperframes: int = RESET_HYPERFRAMES) -> None:
        self.octet = 0
        self._reset_run = 0
        self._reset_needed = reset_hyperframes

    def restart(self) -> None:
        """Hyperframes were missed: a reset request must begin anew."""
        self._reset_run = 0

    def steady(self, octet: int, hyperframes: int) -> bool:
        """True when `hyperframes` more of the same octet can bring no event; then they are taken."""
        if octet != self.octet:
            return False
        if octet & ALARM_BITS["reset"]:
            if self._reset_run < self._reset_needed:
                return False
            self._reset_run += hyperframes
        return True

    def receive(self, hyperframe: int, octet: int) -> tuple[list[Event], int, int]:
        """Events of one hyperframe's Z.130.0, how many bits changed, and 1 when a reset request is complete."""
        events: list[Event] = []
        changed = octet ^ self.octet
        if changed:
            events.append(L1Changed(hyperframe, "alarms", self.octet, octet))
            for mask, alarm in _BITS:
                if changed & mask:
                    kind = AlarmRaised if octet & mask else AlarmCleared
                    events.append(kind(hyperframe, alarm, Origin.REMOTE))
            self.octet = octet
        self._reset_run = self._reset_run + 1 if octet & ALARM_BITS["reset"] else 0
        requested = self._reset_run == self._reset_needed
        if requested:
            events.append(ResetRequested(hyperframe))
        return events, changed.bit_count(), int(requested)
