"""Hunting: from a stream without sync to the place where hyperframes begin.

Octets are looked through one hyperframe's time (a window) at a time. Each look ends in one finding: there is no
candidate for a hyperframe's start; there is one that the octets at hand neither confirm nor rule out; there is one
that is confirmed. Windows before the candidate are counted and judged for LOS, and dropped. While LOS stands no
candidate counts: windows are judged until one without an error clears it, and line bits are aligned anew in each,
for they may have slipped. Confirmed is a run of sync words that leads from XACQ1 to HFNSYNC (clause 4.2.9); at
the end of a stream two or three in their places must do. The hunt ends where the run begins, so that none of its
hyperframes is lost.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType

from ..arrays import I64
from ..events import Alarm, AlarmCleared, AlarmRaised, Event, Origin
from ..line_coding.characters import LineForm
from .alarms import LosDetector
from .line_errors import LineErrors
from .stream import LineStream
from .sync_places import SyncPlaces

__all__ = ["HUNT_TRANSITIONS", "Acquisition", "HuntFinding", "HuntLook", "HuntState"]


class HuntState(StrEnum):
    """Where the hunt stands."""

    SEARCHING = "searching"
    CANDIDATE = "candidate waits for data"
    NO_SIGNAL = "no signal"
    """LOS stands."""
    FOUND = "found"


class HuntFinding(StrEnum):
    """What a look at the octets at hand has come to."""

    NO_CANDIDATE = "no candidate"
    UNDECIDED = "undecided"
    CONFIRMED = "confirmed"
    LOS_RAISED = "LOS raised"
    LOS_CLEARED = "LOS cleared"
    LOST = "sync lost"


_H, _F = HuntState, HuntFinding
_LOOKING = {
    _F.NO_CANDIDATE: _H.SEARCHING,
    _F.UNDECIDED: _H.CANDIDATE,
    _F.CONFIRMED: _H.FOUND,
    _F.LOS_RAISED: _H.NO_SIGNAL,
    _F.LOS_CLEARED: _H.SEARCHING,
    _F.LOST: _H.SEARCHING,
}
HUNT_TRANSITIONS: Mapping[tuple[HuntState, HuntFinding], HuntState] = MappingProxyType(
    {
        (state, finding): _LOOKING[finding]
        for state in (_H.SEARCHING, _H.CANDIDATE, _H.FOUND)
        for finding in _F
    }
    | {(_H.NO_SIGNAL, finding): _H.NO_SIGNAL for finding in _F}
    | {(_H.NO_SIGNAL, _F.LOS_CLEARED): _H.SEARCHING}
)
"""[state, finding] -> next state; without signal only its return counts."""


@dataclass(slots=True)
class HuntLook:
    """What one step of the hunt has brought; `sync_words` in their places from `start` on, 0 where none is found.

    `again`: there is more to do with the octets at hand.
    """

    events: list[Event] = field(default_factory=list)
    again: bool = False
    start: int = 0
    sync_words: int = 0


class Acquisition:
    """Looks for the start of hyperframes in the buffer of a stream, and drops what lies before it."""

    def __init__(
        self,
        stream: LineStream,
        form: LineForm,
        octets: int,
        places: SyncPlaces,
        los: LosDetector,
        errors: LineErrors,
    ) -> None:
        self.state = HuntState.SEARCHING
        self._stream, self._form, self._octets = stream, form, octets
        self._places, self._los, self._errors = places, los, errors
        self._window = 0  # first octet of the buffer not yet counted in a window
        self._cursor = 0  # first octet that may be a candidate

    def start(self, *, signal: bool) -> None:
        """Hunt from the buffer's beginning on; where the signal is there, its first octet is no candidate."""
        self._window, self._cursor = 0, int(signal)
        self.state = _H.SEARCHING if signal else _H.NO_SIGNAL
        if self._form.has_alignment:
            self._realign()

    def step(self, number: int | None, *, final: bool) -> HuntLook:
        """HuntLook at what is at hand, `final` at the end of the stream; `number` is that of the next hyperframe."""
        look = HuntLook()
        stream = self._stream
        if len(stream.buffer) < self._window + self._octets:
            return look
        stream.buffer.join()
        candidate, sync_words = self._find(final=final)
        limit = len(stream.buffer)
        if self.state is not _H.NO_SIGNAL:
            if candidate is not None:
                limit = candidate // self._places.kinds
            elif not final:  # what begins at the very end may yet become a candidate
                limit = max(self._window, limit - self._places.unseen)
        if self._form.has_flags and self._judge_windows(limit, number, look):
            look.again = True
            return look
        if self.state is _H.FOUND:
            assert candidate is not None
            place = self._places.begin(candidate)
            look.events += self._errors.count(self._window, place, number)
            look.start, look.sync_words, look.again = place, sync_words, True
            self._window = self._cursor = 0
            return look
        if not self._form.has_flags:
            self._window = self._cursor = limit
        self._drop()
        return look

    def _enter(self, finding: HuntFinding) -> None:
        self.state = HUNT_TRANSITIONS[self.state, finding]

    def _find(self, *, final: bool) -> tuple[int | None, int]:
        """(the candidate to go by: the one that is confirmed, or the first that may be; its sync words)."""
        candidates = self._places.candidates(self._cursor)
        runs = self._places.runs(candidates)
        confirmed, undecided, sync_words = runs.confirmed, runs.undecided, self._places.confirming
        if final and confirmed is None:
            confirmed, sync_words = self._short_run(candidates)
            undecided = None
        if confirmed is not None:
            self._enter(_F.CONFIRMED)
            return confirmed, sync_words
        self._enter(_F.NO_CANDIDATE if undecided is None else _F.UNDECIDED)
        return undecided, 0

    def _short_run(self, candidates: I64) -> tuple[int | None, int]:
        """A short run at the end; where its first hyperframe has errors enough for LOS, this is noise."""
        for candidate, sync_words in self._places.short_runs(candidates):
            start = candidate // self._places.kinds
            if self._errors.signal_errors(start, start + self._octets) < self._los.threshold:
                return candidate, sync_words
        return None, 0

    def _judge_windows(self, limit: int, number: int | None, look: HuntLook) -> bool:
        """Count whole windows before `limit`; True where LOS came or went, or line bits are to be aligned anew."""
        while self._window + self._octets <= limit:
            end = self._window + self._octets
            errors = self._errors.signal_errors(self._window, end)
            look.events += self._errors.count(self._window, end, number)
            self._window = end
            verdict = self._los.window(errors)
            if verdict is False:
                look.events.append(AlarmCleared(number, Alarm.LOS, Origin.LOCAL))
                self._cursor = self._window
                self._enter(_F.LOS_CLEARED)
                return True
            if verdict:
                look.events.append(AlarmRaised(number, Alarm.LOS, Origin.LOCAL))
                self._enter(_F.LOS_RAISED)
            if self.state is _H.NO_SIGNAL and self._form.has_alignment:
                self._realign()
                return True
            if verdict:
                return True
        return False

    def finish(self, number: int | None) -> list[Event]:
        """The stream has ended: count what is left of the last window."""
        self._stream.buffer.join()
        return list(self._errors.count(self._window, len(self._stream.buffer), number))

    def _drop(self) -> None:
        self._stream.drop(self._window)
        self._cursor = max(0, self._cursor - self._window)
        self._window = 0

    def _realign(self) -> None:
        self._stream.realign(self._window)
        self._window = self._cursor = 0
