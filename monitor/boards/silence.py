"""What is known of a line that stands and brings no line data."""

from __future__ import annotations

from ..protocol.records import Loopback, Status, StatusFlag
from .line import Pulse

__all__ = ["Silence", "why_silent"]

TOLD_AFTER_S = 5.0


class Silence:
    """Says once, each time anew, that a line that stands has brought nothing for long."""

    def __init__(self, pulse: Pulse) -> None:
        self._pulse = pulse
        self._told = False

    @property
    def begins(self) -> bool:
        """Whether it is to be said now; not where the line broke, which is said already."""
        still = self._pulse.standstill
        long = still is not None and not still.broken and still.seconds >= TOLD_AFTER_S
        due = long and not self._told
        self._told = long
        return due


def why_silent(status: Status | None) -> str:
    """The reason in a board's own words; None for one that does not answer."""
    said = f"no line data for {TOLD_AFTER_S:g} s: the board "
    if status is None:
        return f"{said}does not answer"
    if not status.data_type:
        return f"{said}says that its line data are switched off"
    said += f"says loopback {status.loopback.name.lower()}"
    if status.loopback is Loopback.NONE:
        return f"{said}: its receiver hears nothing"
    alarms = "".join(f", {flag.name}" for flag in (StatusFlag.LOS, StatusFlag.LOF) if status.flags & flag)
    waiting = ": it waits for what another board sends" if status.loopback is Loopback.PAIR else ""
    return said + alarms + waiting
