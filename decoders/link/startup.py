"""Start-up states A..G of a link, as far as one direction of it shows them (CPRI clause 4.5).

One direction cannot show that both ends agree, so this is an inference: what the remote end sends is taken for
what was agreed. F is taken to be reached when C&M works and nothing in L1 has changed for one 10 ms frame
(common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from ..events import Event, FrameReceived, FrameStatus, L1Accepted, L1Changed, StartupStateChanged
from ..linerates import HYPERFRAMES_PER_FRAME
from .alarms import REMOTE_DEFECTS

__all__ = ["StartupState", "StartupView", "StartupWatch"]


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

    def accept(self, name: str, value: int) -> None:
        """An L1 value was accepted; `name` is that of its event."""
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


class StartupWatch:
    """Follows the events of a link and says when the start-up state changes."""

    def __init__(self) -> None:
        self.state = StartupState.A
        self._view = StartupView()

    def start(self, accepted: Mapping[str, int], first: int) -> None:
        """Sync is there from hyperframe `first` on, with these L1 values."""
        view = self._view
        view.in_sync, view.since, view.quiet_since = True, None, first
        for name, value in accepted.items():
            view.accept(name, value)

    def lose(self, hyperframe: int) -> list[Event]:
        """Sync is lost."""
        self._view.in_sync = False
        return self._now(hyperframe)

    def receive(self, events: Sequence[Event], first: int, last: int) -> list[Event]:
        """The events of hyperframes first..last, and among them the start-up states that follow from them."""
        view = self._view
        out: list[Event] = []
        if view.since is None:
            view.since = first
            out += self._now(first)
        for event in events:
            at = event.hyperframe or 0
            if view.quiet_until <= at and self.state is StartupState.E:
                out += self._now(view.quiet_until)
            out.append(event)
            if self._telling(event):
                view.quiet_since = at
                out += self._now(at)
        if view.quiet_until <= last:
            out += self._now(view.quiet_until)
        return out

    def _telling(self, event: Event) -> bool:
        """Take what the event says of the state; whether it says anything."""
        view = self._view
        if isinstance(event, FrameReceived):
            if view.frames_good or event.status is not FrameStatus.GOOD:
                return False
            view.frames_good = True
        elif isinstance(event, L1Accepted):
            view.accept(event.field, event.new)
        elif isinstance(event, L1Changed) and event.field == "alarms":
            view.remote_defect = bool(event.new & REMOTE_DEFECTS)
        else:
            return False
        return True

    def _now(self, hyperframe: int) -> list[Event]:
        state = self._view.state_at(hyperframe)
        if state is self.state:
            return []
        old, self.state = self.state, state
        return [StartupStateChanged(hyperframe, old.value, state.value)]
