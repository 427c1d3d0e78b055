"""Start-up states A..G of a link, as far as one direction of it shows them (CPRI clause 4.5).

One direction cannot show that both ends agree, so this is an inference: what the far end sends is taken for
what was agreed. F is taken to be reached when C&M works and nothing in L1 has changed for one 10 ms frame
(common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from ..linerates import HYPERFRAMES_PER_FRAME

__all__ = ["StartupState", "StartupView"]


class StartupState(StrEnum):
    """States of clause 4.5.2 (their names as in the standard)."""

    A = "A"
    """Standby."""
    B = "B"
    """L1 synchronisation and rate negotiation."""
    C = "C"
    """Protocol setup."""
    D = "D"
    """C&M plane (L2+) setup."""
    E = "E"
    """Interface and vendor specific negotiation."""
    F = "F"
    """Operation."""
    G = "G"
    """Passive link."""

    @property
    def meaning(self) -> str:
        return _TITLES[self]


_TITLES = {
    StartupState.A: "standby",
    StartupState.B: "L1 synchronisation",
    StartupState.C: "protocol setup",
    StartupState.D: "C&M setup",
    StartupState.E: "interface negotiation",
    StartupState.F: "operation",
    StartupState.G: "passive link",
}


@dataclass(slots=True)
class StartupView:
    """What has been seen so far; `state_at` says where a link that looks like this stands."""

    in_sync: bool = False
    remote_defect: bool = False
    version_known: bool = False
    hdlc_rate_code: int = 0
    pointer_p: int = 0
    frames_good: bool = False
    quiet_since: int = 0
    since: int | None = None

    @property
    def quiet_until(self) -> int:
        """Hyperframe at which nothing has changed for one 10 ms frame."""
        return self.quiet_since + HYPERFRAMES_PER_FRAME

    def take(self, name: str, value: int) -> None:
        """Take over an accepted L1 value by the name it has in its event."""
        if name == "version":
            self.version_known = value in (1, 2)
        elif name == "hdlc_rate_code":
            self.hdlc_rate_code = value
        else:
            self.pointer_p = value

    def state_at(self, hyperframe: int) -> StartupState:
        """The state at a hyperframe; the first row that applies, in the order of the standard's arcs."""
        if not self.in_sync or self.remote_defect:
            return StartupState.B
        if not self.version_known:
            return StartupState.C
        if not self.hdlc_rate_code and not self.pointer_p:
            return StartupState.G
        if not self.frames_good:
            return StartupState.D
        if hyperframe - self.quiet_since < HYPERFRAMES_PER_FRAME:
            return StartupState.E
        return StartupState.F
