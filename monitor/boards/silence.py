"""What is known of a line that is up and brings no line data."""

from __future__ import annotations

from ..protocol.records import Loopback, Status, StatusFlag
from .line import Pulse

__all__ = ["Silence", "why_silent"]

TOLD_AFTER_S = 5.0


class Silence:
    """Reports once, for each silence, that a line which is up has brought no line data for long."""

    def __init__(self, pulse: Pulse) -> None:
        self._pulse = pulse
        self._told = False

    @property
    def begins(self) -> bool:
        """Whether it is due now; not where the line is down, which is reported already."""
        still = self._pulse.standstill
        long = still is not None and not still.broken and still.seconds >= TOLD_AFTER_S
        due = long and not self._told
        self._told = long
        return due


def why_silent(status: Status | None) -> str:
    """The reason, by the status of the board; None for one that does not answer."""
    silent = f"no line data for {TOLD_AFTER_S:g} s"
    if status is None:
        return f"{silent}: the board does not answer"
    if not status.data_type:
        return f"{silent}: line data are switched off (status of the board)"
    alarms = "".join(f", {flag.name}" for flag in (StatusFlag.LOS, StatusFlag.LOF) if status.flags & flag)
    known = f"{silent}: loopback {status.loopback.name.lower()}{alarms} (status of the board)"
    if status.loopback is Loopback.NONE:
        return f"{known}; its receiver has no input"
    return known + (
        "; its receiver needs the signal of another board" if status.loopback is Loopback.PAIR else ""
    )
