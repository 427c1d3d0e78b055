"""Hyperframes in sync: each is judged, its line errors counted, its planes decoded, until sync is lost.

Every whole hyperframe at hand is judged: its sync word steps the sync machine, its line errors may raise LOS. LOF
or LOS ends it; the hyperframe that did is not decoded where its sync word was wrong, and is where its line errors
were too many. Sync words ahead that have already confirmed sync are not judged again; what they led to is told with
the hyperframe they belong to.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ..arrays import I64, U8
from ..events import (
    Alarm,
    AlarmCleared,
    AlarmRaised,
    Event,
    HyperframesNotReceived,
    Origin,
    SyncStateChanged,
    UnexpectedK,
)
from ..frame_structure.frames import octet_address
from ..linerates import LineRateOption
from .alarms import LosDetector
from .descrambling import LinkDescrambler
from .hyperframe_sync import SyncMachine, SyncState
from .line import LinkLine
from .planes import HyperframePlanes
from .progress import Progress

__all__ = ["HyperframeBlock", "InSync", "SyncMonitors"]


@dataclass(frozen=True, slots=True, eq=False)
class HyperframeBlock:
    """Whole hyperframes in sync: `octets` is a view (n, 256, 16, T/8), valid during the call only."""

    first: int
    octets: U8


@dataclass(slots=True)
class _Confirmed:
    """Sync words that have confirmed sync: `hyperframes` of them from the buffer's start on, and what to tell."""

    hyperframes: int = 0
    events: list[SyncStateChanged | AlarmCleared] = field(default_factory=list)

    def forget(self) -> None:
        self.hyperframes = 0
        self.events.clear()

    def told_before(self, number: int) -> list[SyncStateChanged | AlarmCleared]:
        """Take out the events of hyperframes before `number`."""
        count = sum((event.hyperframe or 0) < number for event in self.events)
        told = self.events[:count]
        del self.events[:count]
        return told


@dataclass(frozen=True, slots=True)
class SyncMonitors:
    """What judges hyperframes and says what is in them."""

    machine: SyncMachine
    los: LosDetector
    planes: HyperframePlanes
    descrambler: LinkDescrambler


class InSync:
    """Works on the buffer of a line from the start of a hyperframe on; `active` until sync is lost."""

    def __init__(
        self,
        option: LineRateOption,
        line: LinkLine,
        monitors: SyncMonitors,
        progress: Progress,
        counters: dict[str, int],
        on_block: Callable[[HyperframeBlock], None] | None,
    ) -> None:
        self.active = False
        self._option, self._octets = option, option.hyperframe_octets
        self._line, self._stream = line, line.stream
        self._monitors = monitors
        self._progress = progress
        self._counters = counters
        self._on_block = on_block
        self._confirmed = _Confirmed()

    def begin(self, sync_words: int) -> None:
        """Sync from the buffer's beginning on; the states passed on the way are told with their hyperframes."""
        machine, progress = self._monitors.machine, self._progress
        for number in range(progress.hyperframes, progress.hyperframes + sync_words):
            old = machine.state
            new = machine.step(True)
            self._confirmed.events.append(SyncStateChanged(number, old.value, new.value))
            if progress.losses and old.lof and not new.lof:
                self._confirmed.events.append(AlarmCleared(number, Alarm.LOF, Origin.LOCAL))
        self._confirmed.hyperframes = sync_words
        self.active = True

    def finish(self) -> list[Event]:
        """The stream has ended: what sync words of a hyperframe that is not whole led to, and its line errors."""
        events: list[Event] = [*self._confirmed.events]
        if self.active:
            self._stream.buffer.join()
            end = len(self._stream.buffer)
            events += self._line.errors.count(0, end, None, in_sync=True)
        return events

    def step(self, events: list[Event]) -> bool:
        """Judge and decode the whole hyperframes at hand; True when there is more to do with what is at hand."""
        octets, stream = self._octets, self._stream
        n = len(stream.buffer) // octets
        gap = stream.gaps.first - stream.done if stream.gaps else None
        if gap is not None:
            n = min(n, gap // octets)
            if n == 0:
                return len(stream.buffer) > gap and self._cross(gap, events)
        if n == 0:
            return False
        stream.buffer.join()
        good = self._line.places.in_place(n)
        errors = self._line.errors.per_hyperframe(n, octets)
        notes: list[Event] = []
        decoded, lost, signal = self._judge(good, errors, notes)
        notes[:0] = self._confirmed.told_before(self._progress.hyperframes + decoded)
        self._decode(decoded, good, notes, events)
        if lost:
            self._lose(decoded * octets, events, signal=signal)
            return True
        self._confirmed.hyperframes = max(0, self._confirmed.hyperframes - n)
        stream.drop(n * octets)
        return gap is not None

    def _judge(self, good: NDArray[np.bool_], errors: I64, notes: list[Event]) -> tuple[int, bool, bool]:
        """(hyperframes to decode, whether sync is lost behind them, whether the signal is still there then)."""
        n, confirmed, los = len(good), self._confirmed.hyperframes, self._monitors.los
        steady = n <= confirmed or (self._monitors.machine.state is SyncState.HFNSYNC and bool(good.all()))
        if steady and errors.max() < los.threshold:
            return n, False, True
        for i in range(n):
            if i >= confirmed and self._step_machine(bool(good[i]), i, notes).lof:
                return i, True, True
            if los.window(int(errors[i])):
                return i + 1, True, False
        return n, False, True

    def _step_machine(self, good: bool, index: int, notes: list[Event]) -> SyncState:
        machine = self._monitors.machine
        old = machine.state
        new = machine.step(good)
        number = self._progress.hyperframes + index
        if not good:
            self._counters["missed_sync_bytes"] += 1
            notes.append(self._line.places.missed(number, index))
        if new is not old:
            notes.append(SyncStateChanged(number, old.value, new.value))
        return new

    def _decode(self, n: int, good: NDArray[np.bool_], notes: list[Event], events: list[Event]) -> None:
        """Line errors, misplaced K and planes of the first n hyperframes in the buffer."""
        first = self._progress.hyperframes
        line = self._line_events(n, good)
        found: list[Event] = []
        if n:
            found = self._planes(n, first, line)
            self._progress.decoded_until = self._stream.done + n * self._octets
        if notes or line:
            # Each list is in time order; line and sync come before the planes of the same hyperframe.
            found = sorted([*notes, *line, *found], key=lambda event: event.hyperframe or 0)
        events += found
        self._progress.hyperframes += n

    def _line_events(self, n: int, good: NDArray[np.bool_]) -> list[Event]:
        """What is wrong on the line and beside the sync words in the first n hyperframes."""
        octets, first = self._octets, self._progress.hyperframes
        events: list[Event] = []
        for index in self._line.errors.damaged(n, octets):
            events += self._line.errors.count(
                index * octets, (index + 1) * octets, first + index, in_sync=True
            )
        events += self._misplaced(n)
        fillers = self._line.places.filler_mismatches(good[:n], first)
        self._counters["sync_word_filler_mismatches"] += len(fillers)
        return events + fillers

    def _planes(self, n: int, first: int, line: list[Event]) -> list[Event]:
        """Events of the planes of the first n hyperframes; what scrambling brings goes into `line`."""
        octets, stream = self._octets, self._stream
        descrambler = self._monitors.descrambler
        whole = len(stream.buffer) // octets
        if stream.gaps:
            whole = max(n, min(whole, (stream.gaps.first - stream.done) // octets))
        waiting = stream.buffer.octets[: whole * octets].reshape(whole, 256, 16, -1)
        ahead = descrambler.ahead(waiting[:3]) if n < 3 else None
        view, scrambling = descrambler.receive(waiting[:n], first)
        line += scrambling
        if self._on_block is not None:
            self._on_block(HyperframeBlock(first, view))
        return self._monitors.planes.receive(view, first, view if ahead is None else ahead)

    def _misplaced(self, n: int) -> list[Event]:
        """K characters of the first n hyperframes that belong elsewhere, one event a hyperframe."""
        misplaced = self._line.places.misplaced(n)
        if not len(misplaced):
            return []
        self._counters["unexpected_k"] += len(misplaced)
        events: list[Event] = []
        rows, at, count = np.unique(misplaced // self._octets, return_index=True, return_counts=True)
        for row, i, number in zip(rows.tolist(), at.tolist(), count.tolist(), strict=True):
            x, w, y = octet_address(self._option, int(misplaced[i]) % self._octets)
            octet = int(self._stream.buffer.octets[misplaced[i]])
            events.append(UnexpectedK(self._progress.hyperframes + row, number, x, w, y, octet))
        return events

    def _cross(self, at: int, events: list[Event]) -> bool:
        """Go on behind the gap at octet `at` of the buffer, where no whole hyperframe lies before it."""
        self._stream.drop(at)
        count = self._stream.gaps.pop()
        self._progress.pass_gap(count)
        number = self._progress.hyperframes
        self._monitors.planes.skip(count, number)
        if at:
            events += self._confirmed.events  # what the sync word of the hyperframe cut by the gap led to
            self._confirmed.forget()
        events.append(HyperframesNotReceived(number, count))
        return True

    def _lose(self, at: int, events: list[Event], *, signal: bool) -> None:
        """LOF, and LOS where the signal is lost, too, at octet `at` of the buffer."""
        number, machine = self._progress.number, self._monitors.machine
        if not signal:
            untold = [note.old for note in self._confirmed.events if isinstance(note, SyncStateChanged)]
            old = untold[0] if untold else machine.state.value
            machine.lose()
            events.append(AlarmRaised(number, Alarm.LOS, Origin.LOCAL))
            self._counters["los_events"] += 1
            events.append(SyncStateChanged(number, old, machine.state.value))
        self._confirmed.forget()
        self._counters["lof_events"] += 1
        events.append(AlarmRaised(number, Alarm.LOF, Origin.LOCAL))
        events += self._monitors.planes.lost(self._progress.hyperframes)
        self.active = False
        self._stream.drop(at)
        self._progress.lose(self._stream.done)
