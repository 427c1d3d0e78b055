"""One direction of a link: raw data in, events out; and the encoder that makes such data.

`LinkDecoder` wires the parts: characters (line code, word alignment), the sync machine, LOS, and the control
planes. It reads no clock: `now` is only kept beside the last data. Whatever the cut of the data, the events are
the same. `LinkEncoder` builds hyperframes from what each plane wants to send.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..arrays import I64, U8
from ..counters import COUNTERS
from ..errors import SettingsError
from ..events import (
    Alarm,
    AlarmCleared,
    AlarmRaised,
    AlignmentChanged,
    CodeErrors,
    Event,
    HyperframesNotReceived,
    Origin,
    SyncByteMissed,
    SyncStateChanged,
    UnexpectedK,
)
from ..frame_structure import controlwords as cw
from ..frame_structure.frames import octet_address
from ..line_coding.characters import CharacterBuffer, LineForm
from ..line_coding.code_8b10b import K28_5
from ..linerates import HYPERFRAMES_PER_FRAME, LineRateOption, option_named
from .hyperframe_sync import SyncState
from .parts import LinkParts
from .settings import D5_6, D16_2, LinkSettings

__all__ = ["HyperframeBlock", "LinkDecoder"]

_SLICE_OCTETS = 1 << 21


@dataclass(frozen=True, slots=True, eq=False)
class HyperframeBlock:
    """Whole hyperframes in sync: `octets` is a view (n, 256, 16, T/8), valid during the call only."""

    first: int
    octets: U8


class LinkDecoder:
    """Decoder of one direction.

    `counters` has every name of events.COUNTERS. `on_block` is called with each batch of hyperframes before its
    events are returned: IQ and screens take their octets from there.
    """

    def __init__(
        self,
        settings: LinkSettings,
        on_block: Callable[[HyperframeBlock], None] | None = None,
        parts: LinkParts | None = None,
    ) -> None:
        parts = parts or LinkParts()
        self.settings = settings
        self.option: LineRateOption = option_named(settings.option)
        if self.option.line_code != "8b10b":
            raise SettingsError(f"option {self.option.name} has line code 64B/66B, which is not decoded yet")
        self.counters: dict[str, int] = dict.fromkeys(COUNTERS, 0)
        self.machine = parts.sync(settings.fall_back)
        self.planes = parts.planes(self.option, settings.planes, self.counters, parts)
        self.los = parts.los(settings.los_threshold)
        self.hyperframes = 0
        self.acquired_at_hyperframe: int | None = None
        self.alignment_slip_bits: int | None = None
        self._slip: int | None = None
        self._lost_at = 0
        self.losses = 0
        self.hyperframes_missed = 0  # since the first in sync: gone by while it was lost, or not received
        self.hyperframes_not_received = 0
        self.breaks_of_unknown_length = 0  # nobody knows how many hyperframes were not received there
        self.trailing_octets = 0  # after the last decoded hyperframe, or all if there is none
        self.now = 0
        self._on_block = on_block
        self._reader = parts.reader(settings.form, self.option.hyperframe_octets)
        self._buffer = CharacterBuffer()
        self._locked = False
        self._judged = 0  # hyperframes from the buffer's start whose sync byte confirmed sync
        self._notes: list[SyncStateChanged | AlarmCleared] = []  # what sync bytes of later hyperframes led to
        self._cursor = 0  # first character (in the buffer) that may be a candidate
        self._window = 0  # first character not yet counted in a window, while hunting
        self._taken = 0  # characters dropped from the buffer so far
        # Character of the stream, and hyperframes missing before it.
        self._gaps: deque[tuple[int, int | None]] = deque()
        self._decoded_until = 0  # character of the stream after the last decoded hyperframe
        self._finished = False

    @property
    def state(self) -> SyncState:
        return self.machine.state

    def receive(self, data: bytes | bytearray | memoryview | U8, now: int = 0) -> list[Event]:
        """Events of the next raw data of the stream, of any length; `now` in nanoseconds is only kept."""
        self.now = now
        raw = data if isinstance(data, np.ndarray) else np.frombuffer(data, np.uint8)
        raw = raw.reshape(-1).view(np.uint8)
        events: list[Event] = []
        for start in range(0, len(raw), _SLICE_OCTETS):
            self._reader.feed(raw[start : start + _SLICE_OCTETS], len(self._buffer))
            self._work(events)
        # The caller may use the memory of `data` again.
        self._reader.own(len(self._buffer))
        self._buffer.own()
        return events

    def skip(self, hyperframes: int | None) -> None:
        """So many hyperframes of the link (None: nobody knows) are missing here; the data to come begin with one.

        For boards that count hyperframes and leave some out or lose them. No counter moves for what is missing; a
        C&M frame that it cuts counts nowhere, and a part of a hyperframe before it is left out. SettingsError for
        symbols and bits, whose running disparity goes on.
        """
        if self.settings.form not in (LineForm.OCTETS, LineForm.FLAGGED):
            raise SettingsError(f"nothing can be left out of a stream of {self.settings.form.value}")
        if hyperframes is not None and hyperframes < 1:
            raise SettingsError(f"{hyperframes} hyperframes cannot be missing")
        at = self._taken + len(self._buffer)
        if self._gaps and self._gaps[-1][0] == at:  # nothing came between: one gap
            _, before = self._gaps.pop()
            hyperframes = None if before is None or hyperframes is None else before + hyperframes
        self._gaps.append((at, hyperframes))

    def finish(self) -> list[Event]:
        """The stream has ended: decode whole hyperframes still held, count what is left over."""
        events: list[Event] = []
        if self._finished:
            return events
        self._finished = True
        self._work(events, final=True)
        events += self._notes
        self._buffer.join()
        where = 0 if self._locked else self._window
        self._count_errors(where, len(self._buffer), events, None)
        end = self._taken + len(self._buffer) + self._reader.rest_octets()
        self.trailing_octets = end - self._decoded_until
        return events

    # --- hunting ------------------------------------------------------------------------------------------

    def _work(self, events: list[Event], *, final: bool = False) -> None:
        while True:
            bit_before = self._reader.start_bit
            self._buffer.append(self._reader.read())
            if self._reader.start_bit != bit_before and self._reader.start_bit is not None:
                self._aligned(self._reader.start_bit, events)
            again = self._locked_step(events) if self._locked else self._hunting_step(events, final)
            if not again:
                return

    def _aligned(self, bit: int, events: list[Event]) -> None:
        if self.alignment_slip_bits is None:
            self.alignment_slip_bits = bit % 10
        elif self._slip != bit % 10:
            self.counters["realignments"] += 1
        self._slip = bit % 10
        self._taken = bit // 10
        events.append(AlignmentChanged(self._number(), bit, bit % 10))

    def _number(self) -> int | None:
        return self.hyperframes if self.acquired_at_hyperframe is not None else None

    def _hunting_step(self, events: list[Event], final: bool) -> bool:
        """Look for a run of sync bytes; True when there is more to do with what is at hand.

        At the end of the stream (`final`) two or three sync bytes in their places must do.
        """
        buffer, octets = self._buffer, self.option.hyperframe_octets
        if len(buffer) < self._window + octets:
            return False
        buffer.join()
        length = len(buffer)
        candidates = self._candidates()
        confirmed, undecided = self._runs(candidates)
        sync_bytes = self.machine.confirming
        if final and confirmed is None:
            undecided = None
            confirmed, sync_bytes = self._short_run(candidates)
        flags = self.settings.form.has_flags
        limit = next((p for p in (confirmed, undecided) if p is not None), length)
        if self.los.active:
            limit = length
        while flags and self._window + octets <= limit:
            errors = self._count_errors(self._window, self._window + octets, events, self._number())
            self._window += octets
            verdict = self.los.window(errors)
            if verdict is False:
                events.append(AlarmCleared(self._number(), Alarm.LOS, Origin.LOCAL))
                self._cursor = self._window
                return True
            if verdict:
                self._raise_los(events)
            if self.los.active and self.settings.form is LineForm.BITS:
                return self._realign()
            if verdict:
                return True
        if confirmed is not None and not self.los.active:
            self._count_errors(self._window, confirmed, events, self._number())
            self._lock(confirmed, sync_bytes)
            return True
        if not flags:
            self._window = self._cursor = limit
        self._drop(self._window)
        return False

    def _candidates(self) -> I64:
        """Positions, from the cursor on, where a hyperframe may start.

        Without K flags a sync byte needs its fillers beside it, as far as they are at hand.
        """
        buffer = self._buffer
        if self.settings.form.has_flags:
            k = buffer.k[np.searchsorted(buffer.k, self._cursor) :]
            sync: I64 = k[buffer.octets[k] == K28_5]
            return sync
        octets, last = buffer.octets, len(buffer) - 1
        where = np.flatnonzero(octets[self._cursor :] == K28_5) + self._cursor
        for y in range(1, self.option.word_octets):
            filler = octets[np.minimum(where + y, last)]
            good = filler == D16_2
            if y == 1:
                good |= filler == D5_6
            where = where[good | (where + y > last)]
        return where

    def _runs(self, candidates: I64) -> tuple[int | None, int | None]:
        """(first confirmed candidate, first one that the data at hand neither confirm nor rule out).

        Without K flags the HFN of the first three hyperframes must run, too.
        """
        octets, length = self.option.hyperframe_octets, len(self._buffer)
        flags = self.settings.form.has_flags
        need = 1 if flags else self.option.word_octets
        good = candidates
        for i in range(1, self.machine.confirming):
            place = good + i * octets
            good = good[(place + need > length) | np.isin(place, candidates, assume_unique=True)]
        if not flags:
            good = good[self._hfn_runs(good)]
        whole = good + (self.machine.confirming - 1) * octets + need <= length
        confirmed, undecided = good[whole], good[~whole]
        return (
            int(confirmed[0]) if len(confirmed) else None,
            int(undecided[0]) if len(undecided) else None,
        )

    def _hfn_runs(self, starts: I64) -> NDArray[np.bool_]:
        """Whether HFN is valid and counts on over the three hyperframes from each of `starts`, as far as known."""
        octets, data = self.option.hyperframe_octets, self._buffer.octets
        at = starts[:, None] + np.arange(3) * octets + cw.X_HFN * 16 * self.option.word_octets
        unknown = at >= len(data)
        hfn = data[np.minimum(at, len(data) - 1)].astype(np.int64)
        valid = (hfn < HYPERFRAMES_PER_FRAME) | unknown
        step = 1 + self._missing(starts[:, None] + np.arange(3) * octets)
        runs = ((hfn[:, 1:] - hfn[:, :-1] - step) % HYPERFRAMES_PER_FRAME == 0) | unknown[:, 1:]
        result: NDArray[np.bool_] = valid.all(axis=1) & runs.all(axis=1)
        return result

    def _missing(self, at: I64) -> I64 | int:
        """Hyperframes missing between neighbours of the characters `at` (…, n) of the buffer: (…, n - 1)."""
        if not self._gaps:
            return 0
        places = np.array([place for place, _ in self._gaps], np.int64)
        counts = np.array([count or 0 for _, count in self._gaps], np.int64)
        before: I64 = np.concatenate(([0], np.cumsum(counts)))[
            np.searchsorted(places, at + self._taken, "right")
        ]
        return before[..., 1:] - before[..., :-1]

    def _short_run(self, candidates: I64) -> tuple[int | None, int]:
        """(first candidate with two or three sync bytes in its places up to the end, how many).

        With neither K flags nor fillers (option 1) two HFN must be there to be seen running. Where the first
        hyperframe has code errors enough for LOS, this is noise.
        """
        octets, length = self.option.hyperframe_octets, len(self._buffer)
        bare = not self.settings.form.has_flags and self.option.word_octets == 1
        seen = octets + (cw.X_HFN * 16 if bare else 0)
        first = max(0, length - (self.machine.confirming - 1) * octets)
        for start in candidates[np.searchsorted(candidates, first) :].tolist():
            places = np.arange(start, length, octets)
            if start + seen >= length or not np.isin(places, candidates).all():
                continue
            if sum(map(len, self._errors(start, start + octets))) >= self.los.threshold:
                continue
            if self.settings.form.has_flags or self._hfn_runs(np.array([start])).all():
                return start, len(places)
        return None, 0

    def _lock(self, start: int, sync_bytes: int) -> None:
        """Sync from `start` on; the states passed on the way are told with their hyperframes."""
        elapsed = self._taken + start
        if self.acquired_at_hyperframe is not None:
            self.hyperframes_missed += round((elapsed - self._lost_at) / self.option.hyperframe_octets)
        else:
            self.acquired_at_hyperframe = elapsed // self.option.hyperframe_octets
        for i in range(sync_bytes):
            old = self.machine.state
            new = self.machine.step(True)
            self._notes.append(SyncStateChanged(self.hyperframes + i, old.value, new.value))
            if self.losses and old.lof and not new.lof:
                self._notes.append(AlarmCleared(self.hyperframes + i, Alarm.LOF, Origin.LOCAL))
        self._judged = sync_bytes
        self._drop(start)
        self._locked = True

    def _drop(self, count: int) -> None:
        self._buffer.drop(count)
        self._taken += count
        while not self._locked and self._gaps and self._gaps[0][0] < self._taken:
            self._pass_gap()
        self._window = max(0, self._window - count)
        self._cursor = max(0, self._cursor - count)

    def _pass_gap(self) -> int | None:
        """Hyperframes that are missing at the first gap, which is done with."""
        _, count = self._gaps.popleft()
        if self.acquired_at_hyperframe is not None:
            self.hyperframes_not_received += count or 0
            self.hyperframes_missed += count or 0
            # Before the first decoded hyperframe nothing was broken off.
            self.breaks_of_unknown_length += count is None and self._decoded_until > 0
        return count

    def _cross(self, at: int, events: list[Event]) -> bool:
        """Go on behind the gap at character `at` of the buffer, where no whole hyperframe lies before it."""
        self._drop(at)
        count = self._pass_gap()
        self.planes.skip(count, self.hyperframes)
        if at:
            events += self._notes  # what the sync byte of the hyperframe cut by the gap led to
            self._notes.clear()
            self._judged = 0
        events.append(HyperframesNotReceived(self.hyperframes, count))
        return True

    def _realign(self) -> bool:
        """Let the bit reader look anew from the end of the last window."""
        self._reader.realign(len(self._buffer) - self._window)
        self._taken += self._window
        self._buffer.clear()
        self._window = self._cursor = 0
        return True

    # --- in sync ------------------------------------------------------------------------------------------

    def _locked_step(self, events: list[Event]) -> bool:
        octets = self.option.hyperframe_octets
        n = len(self._buffer) // octets
        gap = self._gaps[0][0] - self._taken if self._gaps else None
        if gap is not None:
            n = min(n, gap // octets)
            if n == 0:
                return len(self._buffer) > gap and self._cross(gap, events)
        if n == 0:
            return False
        buffer = self._buffer
        buffer.join()
        starts = np.arange(n, dtype=np.int64) * octets
        good = buffer.octets[: n * octets : octets] == K28_5
        if self.settings.form.has_flags:
            good &= np.isin(starts, buffer.k, assume_unique=True)
        errors = np.zeros(n, np.int64)
        for positions in (buffer.violations, buffer.disparity_errors):
            if len(positions):
                errors += np.bincount(positions[positions < n * octets] // octets, minlength=n)

        decoded, lost_signal = n, False
        notes: list[Event] = []
        lost_frame = False
        steady = n <= self._judged or (self.machine.state is SyncState.HFNSYNC and bool(good.all()))
        if not steady or errors.max() >= self.los.threshold:
            for i in range(n):
                if i >= self._judged and self._step(bool(good[i]), i, notes).lof:
                    decoded, lost_frame = i, True
                    break
                if self.los.window(int(errors[i])):
                    decoded, lost_signal = i + 1, True
                    break
        told = sum((note.hyperframe or 0) < self.hyperframes + decoded for note in self._notes)
        notes[:0] = self._notes[:told]
        del self._notes[:told]
        self._decode(decoded, errors, notes, events)
        if lost_frame or lost_signal:
            self._lose(decoded * octets, lost_signal, events)
            return True
        self._judged = max(0, self._judged - n)
        self._drop(n * octets)
        return gap is not None

    def _step(self, good: bool, index: int, notes: list[Event]) -> SyncState:
        old = self.machine.state
        new = self.machine.step(good)
        number = self.hyperframes + index
        if not good:
            self.counters["missed_sync_bytes"] += 1
            notes.append(
                SyncByteMissed(number, int(self._buffer.octets[index * self.option.hyperframe_octets]))
            )
        if new is not old:
            notes.append(SyncStateChanged(number, old.value, new.value))
        return new

    def _decode(self, n: int, errors: I64, notes: list[Event], events: list[Event]) -> None:
        """Planes, line errors and misplaced K of the first n hyperframes in the buffer."""
        octets, first = self.option.hyperframe_octets, self.hyperframes
        line: list[Event] = []
        for index in np.flatnonzero(errors[:n]).tolist():
            self._count_errors(index * octets, (index + 1) * octets, line, first + index)
        k = self._buffer.k[: np.searchsorted(self._buffer.k, n * octets)]
        misplaced = k[k % octets != 0]
        if len(misplaced):
            self.counters["unexpected_k"] += len(misplaced)
            rows, at, count = np.unique(misplaced // octets, return_index=True, return_counts=True)
            for row, i, number in zip(rows.tolist(), at.tolist(), count.tolist(), strict=True):
                x, w, y = octet_address(self.option, int(misplaced[i]) % octets)
                line.append(UnexpectedK(first + row, number, x, w, y, int(self._buffer.octets[misplaced[i]])))
        if n:
            whole = len(self._buffer) // octets
            if self._gaps:
                whole = max(n, min(whole, (self._gaps[0][0] - self._taken) // octets))
            ahead = self._buffer.octets[: whole * octets].reshape(whole, 256, 16, -1)
            view = ahead[:n]
            if self._on_block is not None:
                self._on_block(HyperframeBlock(first, view))
            found = self.planes.receive(view, first, ahead)
        else:
            found = []
        merged = notes + line
        if merged:
            # Each list is in time order; line and sync come before the planes of the same hyperframe.
            found = sorted([*merged, *found], key=lambda event: event.hyperframe or 0)
        events += found
        self.hyperframes += n
        if n:
            self._decoded_until = self._taken + n * octets

    def _lose(self, at: int, lost_signal: bool, events: list[Event]) -> None:
        """LOF (and LOS): from character `at` on, hunt again."""
        number = self._number()
        if lost_signal:
            untold = [note.old for note in self._notes if isinstance(note, SyncStateChanged)]
            old = untold[0] if untold else self.machine.state.value
            self.machine.lose()
            self._raise_los(events)
            events.append(SyncStateChanged(number, old, self.machine.state.value))
        self._notes.clear()
        self._judged = 0
        self.counters["lof_events"] += 1
        self.losses += 1
        events.append(AlarmRaised(number, Alarm.LOF, Origin.LOCAL))
        events += self.planes.lost(self.hyperframes)
        self._locked = False
        self._lost_at = self._taken + at
        self._window = at
        self._cursor = at if lost_signal else at + 1
        self._drop_to_window()
        if self.settings.form is LineForm.BITS:
            self._realign()

    def _drop_to_window(self) -> None:
        extra = self._cursor - self._window
        self._drop(self._window)
        self._window, self._cursor = 0, extra

    def _raise_los(self, events: list[Event]) -> None:
        self.counters["los_events"] += 1
        events.append(AlarmRaised(self._number(), Alarm.LOS, Origin.LOCAL))

    def _errors(self, start: int, end: int) -> list[I64]:
        """Places of violations and of disparity errors among the characters start..end-1."""
        return [
            part[np.searchsorted(part, start) : np.searchsorted(part, end)]
            for part in (self._buffer.violations, self._buffer.disparity_errors)
        ]

    def _count_errors(self, start: int, end: int, events: list[Event], number: int | None) -> int:
        """Count code errors of the characters start..end-1; how many there are."""
        buffer = self._buffer
        if not len(buffer.violations) and not len(buffer.disparity_errors):
            return 0
        inside = self._errors(start, end)
        violations, disparity = len(inside[0]), len(inside[1])
        if violations or disparity:
            self.counters["code_violations"] += violations
            self.counters["disparity_errors"] += disparity
            at = min(int(part[0]) for part in inside if len(part)) - start
            events.append(CodeErrors(number, violations, disparity, at))
        return violations + disparity
