"""One direction of a link: raw data in, events out.

`LinkDecoder` wires the parts: the stream (line code, alignment), the hunt for hyperframes (`acquisition`), the sync
machine, LOS, and the control planes. It reads no clock: `now` is only kept beside the last data. Whatever the cut of
the data, the events are the same.

A decoder is hunting or in sync. In sync every whole hyperframe is judged: its sync word steps the sync machine, its
line errors are counted and may raise LOS, and its planes are decoded. LOF or LOS ends it, and the hunt begins at the
hyperframe that was not decoded. Sync words of hyperframes ahead that have already confirmed sync are not judged
again; what they led to is told with the hyperframe they belong to.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

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
    Event,
    HyperframesNotReceived,
    Origin,
    SyncStateChanged,
    UnexpectedK,
)
from ..frame_structure.frames import octet_address
from ..line_coding.characters import LineForm
from ..line_coding.fec_reader import FecBitReader
from ..linerates import EIGHT_TEN, SIXTY_FOUR_SIXTY_SIX, LineRateOption, check_line_code, option_named
from .acquisition import Acquisition
from .block_sync_places import BlockPlaces
from .descrambling import LinkDescrambler
from .hyperframe_sync import SyncState
from .line_errors import BlockLineErrors, LineErrors
from .parts import LinkParts
from .progress import Progress
from .settings import LinkSettings
from .stream import LineStream
from .sync_places import CommaPlaces, SyncPlaces, SyncWordReading

__all__ = ["FecReading", "HyperframeBlock", "LinkDecoder"]

_SLICE_OCTETS = 1 << 21


@dataclass(frozen=True, slots=True, eq=False)
class HyperframeBlock:
    """Whole hyperframes in sync: `octets` is a view (n, 256, 16, T/8), valid during the call only."""

    first: int
    octets: U8


@dataclass(frozen=True, slots=True)
class FecReading:
    """RS-FEC as found: whether header bits are XORed, and where the first codeword lies, 0 to 5279 bits."""

    header_xor: bool
    codeword_phase_bits: int


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


class LinkDecoder:
    """Decoder of one direction.

    `counters` has every name of decoders.counters.COUNTERS. `on_block` is called with each batch of hyperframes
    before its events are returned: IQ and screens take their octets from there. `parts` builds what it is made of.
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
        self.counters: dict[str, int] = dict.fromkeys(COUNTERS, 0)
        self.machine = parts.sync(settings.fall_back)
        self.planes = parts.planes(self.option, settings.planes, self.counters, parts)
        self.los = parts.los(settings.los_threshold)
        self.progress = Progress()
        self.alignment_slip_bits: int | None = None
        self._slip: int | None = None
        self._codeword_phase_bits: int | None = None
        self.now = 0
        self._on_block = on_block
        form, flags = settings.form, settings.form.has_flags
        if self.option.line_code == EIGHT_TEN:
            if form is LineForm.BLOCKS:
                check_line_code(self.option, SIXTY_FOUR_SIXTY_SIX, "form blocks")
            self._stream = LineStream(parts.reader(form, self.option.hyperframe_octets))
            self._places: SyncPlaces = CommaPlaces(self._stream, self.option, flags=flags)
            self._errors = LineErrors(self._stream.buffer, self.counters)
        else:
            blocks = settings.blocks
            self._stream = LineStream(parts.block_reader(form, blocks.lock, blocks.fec, blocks.fec_lock))
            self._places = places = BlockPlaces(self._stream, self.option, blocks, flags=flags)
            self._errors = BlockLineErrors(
                self._stream.buffer, self.counters, places, blocks.los_rule, self.los.threshold
            )
        self._places.confirming = self.machine.confirming
        self._descrambler = LinkDescrambler(self.option, self.counters, parts.descrambler)
        self._hunt = Acquisition(
            self._stream, form, self.option.hyperframe_octets, self._places, self.los, self._errors
        )
        self._in_sync = False
        self._confirmed = _Confirmed()
        self._finished = False

    @property
    def state(self) -> SyncState:
        return self.machine.state

    @property
    def hyperframes(self) -> int:
        """Hyperframes decoded."""
        return self.progress.hyperframes

    @property
    def acquired_at_hyperframe(self) -> int | None:
        """Whole hyperframes skipped before the first one in sync."""
        return self.progress.acquired_at

    @property
    def losses(self) -> int:
        """How often sync was lost."""
        return self.progress.losses

    @property
    def hyperframes_missed(self) -> int:
        return self.progress.missed

    @property
    def hyperframes_not_received(self) -> int:
        return self.progress.not_received

    @property
    def breaks_of_unknown_length(self) -> int:
        """Gaps of which nobody knows how many hyperframes are missing."""
        return self.progress.gaps_of_unknown_length

    @property
    def trailing_octets(self) -> int:
        return self.progress.trailing_octets

    @property
    def sync_word(self) -> SyncWordReading | None:
        """Layout of the sync word of 64B/66B, and how it is known; None at 8B/10B and before sync."""
        return self._places.reading

    @property
    def fec(self) -> FecReading | None:
        """What was found of RS-FEC; None where there is none, or nothing is known of it yet."""
        reader = self._stream.reader
        if not isinstance(reader, FecBitReader) or not reader.fec_on or self._codeword_phase_bits is None:
            return None
        return FecReading(bool(reader.header_xor), self._codeword_phase_bits)

    @property
    def scrambling_seed(self) -> int | None:
        """Seed of version 2 in the last hyperframe; None without scrambling."""
        return self._descrambler.seed

    # --- the stream ---------------------------------------------------------------------------------------

    def receive(self, data: bytes | bytearray | memoryview | U8, now: int = 0) -> list[Event]:
        """Events of the next raw data of the stream, of any length; `now` in nanoseconds is only kept."""
        self.now = now
        raw = data if isinstance(data, np.ndarray) else np.frombuffer(data, np.uint8)
        raw = raw.reshape(-1).view(np.uint8)
        events: list[Event] = []
        for start in range(0, len(raw), _SLICE_OCTETS):
            self._stream.receive(raw[start : start + _SLICE_OCTETS])
            self._work(events)
        # The caller may use the memory of `data` again.
        self._stream.own()
        return events

    def skip(self, hyperframes: int | None) -> None:
        """So many hyperframes of the link (None: not known) are missing here; the data to come begin with one.

        For boards that count hyperframes and leave some out or lose them. No counter moves for what is missing; a
        C&M frame that it cuts counts nowhere, and a part of a hyperframe before it is left out. SettingsError for
        symbols and bits, whose running disparity goes on.
        """
        if self.settings.form not in (LineForm.OCTETS, LineForm.FLAGGED):
            raise SettingsError(f"nothing can be left out of a stream of {self.settings.form.value}")
        if hyperframes is not None and hyperframes < 1:
            raise SettingsError(f"{hyperframes} hyperframes cannot be missing")
        self._stream.gaps.add(self._stream.end, hyperframes)

    def finish(self) -> list[Event]:
        """The stream has ended: decode whole hyperframes still held, count what is left over."""
        events: list[Event] = []
        if self._finished:
            return events
        self._finished = True
        self._work(events, final=True)
        events += self._confirmed.events
        stream = self._stream
        stream.buffer.join()
        if self._in_sync:
            events += self._errors.count(0, len(stream.buffer), None, in_sync=True)
        else:
            events += self._hunt.finish(None)
        self.progress.trailing_octets = stream.end + stream.rest_octets() - self.progress.decoded_until
        return events

    def _work(self, events: list[Event], *, final: bool = False) -> None:
        again = True
        while again:
            if self._stream.read():
                self._aligned(events)
            again = self._sync_step(events) if self._in_sync else self._hunting_step(events, final=final)

    def _aligned(self, events: list[Event]) -> None:
        reader = self._stream.reader
        bit, slip = reader.start_bit, reader.slip_bits
        if bit is None or slip is None:
            return
        if isinstance(reader, FecBitReader) and self._codeword_phase_bits is None:
            self._codeword_phase_bits = reader.codeword_phase_bits
        if self.alignment_slip_bits is None:
            self.alignment_slip_bits = slip
        elif self._slip != slip:
            self.counters["realignments"] += 1
        self._slip = slip
        events.append(AlignmentChanged(self.progress.number, bit, slip))

    # --- hunting ------------------------------------------------------------------------------------------

    def _hunting_step(self, events: list[Event], *, final: bool) -> bool:
        look = self._hunt.step(self.progress.number, final=final)
        events += look.events
        for event in look.events:
            if isinstance(event, AlarmRaised):
                self.counters["los_events"] += 1
        if look.sync_words:
            self._acquire(look.start, look.sync_words, events)
        self._pass_gaps()
        return look.again

    def _acquire(self, start: int, sync_words: int, events: list[Event]) -> None:
        """Sync from `start` on; the states passed on the way are told with their hyperframes."""
        self.progress.acquire(self._stream.done + start, self.option.hyperframe_octets)
        for number in range(self.hyperframes, self.hyperframes + sync_words):
            old = self.machine.state
            new = self.machine.step(True)
            self._confirmed.events.append(SyncStateChanged(number, old.value, new.value))
            if self.losses and old.lof and not new.lof:
                self._confirmed.events.append(AlarmCleared(number, Alarm.LOF, Origin.LOCAL))
        self._confirmed.hyperframes = sync_words
        self._stream.drop(start)
        self._pass_gaps()
        self._in_sync = True
        events += self._places.difference(self.hyperframes)

    def _pass_gaps(self) -> None:
        """Gaps before the buffer's start are done with, as long as there is no sync."""
        stream = self._stream
        while not self._in_sync and stream.gaps and stream.gaps.first < stream.done:
            self.progress.pass_gap(stream.gaps.pop())

    # --- in sync ------------------------------------------------------------------------------------------

    def _sync_step(self, events: list[Event]) -> bool:
        """Judge and decode the whole hyperframes at hand; True when there is more to do with what is at hand."""
        octets, stream = self.option.hyperframe_octets, self._stream
        n = len(stream.buffer) // octets
        gap = stream.gaps.first - stream.done if stream.gaps else None
        if gap is not None:
            n = min(n, gap // octets)
            if n == 0:
                return len(stream.buffer) > gap and self._cross(gap, events)
        if n == 0:
            return False
        stream.buffer.join()
        good = self._places.in_place(n)
        errors = self._errors.per_hyperframe(n, octets)
        notes: list[Event] = []
        decoded, lost, signal = self._judge(good, errors, notes)
        notes[:0] = self._confirmed.told_before(self.hyperframes + decoded)
        self._decode(decoded, good, notes, events)
        if lost:
            self._lose(decoded * octets, events, signal=signal)
            return True
        self._confirmed.hyperframes = max(0, self._confirmed.hyperframes - n)
        stream.drop(n * octets)
        return gap is not None

    def _judge(self, good: NDArray[np.bool_], errors: I64, notes: list[Event]) -> tuple[int, bool, bool]:
        """(hyperframes to decode, whether sync is lost behind them, whether the signal is still there then)."""
        n, confirmed = len(good), self._confirmed.hyperframes
        steady = n <= confirmed or (self.machine.state is SyncState.HFNSYNC and bool(good.all()))
        if steady and errors.max() < self.los.threshold:
            return n, False, True
        for i in range(n):
            if i >= confirmed and self._step(bool(good[i]), i, notes).lof:
                return i, True, True
            if self.los.window(int(errors[i])):
                return i + 1, True, False
        return n, False, True

    def _step(self, good: bool, index: int, notes: list[Event]) -> SyncState:
        old = self.machine.state
        new = self.machine.step(good)
        number = self.hyperframes + index
        if not good:
            self.counters["missed_sync_bytes"] += 1
            notes.append(self._places.missed(number, index))
        if new is not old:
            notes.append(SyncStateChanged(number, old.value, new.value))
        return new

    def _decode(self, n: int, good: NDArray[np.bool_], notes: list[Event], events: list[Event]) -> None:
        """Line errors, misplaced K and planes of the first n hyperframes in the buffer."""
        octets, first, stream = self.option.hyperframe_octets, self.hyperframes, self._stream
        line: list[Event] = []
        for index in self._errors.damaged(n, octets):
            line += self._errors.count(index * octets, (index + 1) * octets, first + index, in_sync=True)
        line += self._misplaced(n)
        fillers = self._places.filler_mismatches(good[:n], first)
        self.counters["sync_word_filler_mismatches"] += len(fillers)
        line += fillers
        found: list[Event] = []
        if n:
            whole = len(stream.buffer) // octets
            if stream.gaps:
                whole = max(n, min(whole, (stream.gaps.first - stream.done) // octets))
            waiting = ahead = stream.buffer.octets[: whole * octets].reshape(whole, 256, 16, -1)
            if n < 3:
                ahead = self._descrambler.ahead(ahead[:3])
            view, scrambling = self._descrambler.receive(waiting[:n], first)
            line += scrambling
            if n >= 3:
                ahead = view
            if self._on_block is not None:
                self._on_block(HyperframeBlock(first, view))
            found = self.planes.receive(view, first, ahead)
        if notes or line:
            # Each list is in time order; line and sync come before the planes of the same hyperframe.
            found = sorted([*notes, *line, *found], key=lambda event: event.hyperframe or 0)
        events += found
        self.progress.hyperframes += n
        if n:
            self.progress.decoded_until = stream.done + n * octets

    def _misplaced(self, n: int) -> list[Event]:
        """K characters of the first n hyperframes that belong elsewhere, one event a hyperframe."""
        misplaced = self._places.misplaced(n)
        if not len(misplaced):
            return []
        self.counters["unexpected_k"] += len(misplaced)
        octets = self.option.hyperframe_octets
        events: list[Event] = []
        rows, at, count = np.unique(misplaced // octets, return_index=True, return_counts=True)
        for row, i, number in zip(rows.tolist(), at.tolist(), count.tolist(), strict=True):
            x, w, y = octet_address(self.option, int(misplaced[i]) % octets)
            octet = int(self._stream.buffer.octets[misplaced[i]])
            events.append(UnexpectedK(self.hyperframes + row, number, x, w, y, octet))
        return events

    def _cross(self, at: int, events: list[Event]) -> bool:
        """Go on behind the gap at octet `at` of the buffer, where no whole hyperframe lies before it."""
        self._stream.drop(at)
        count = self._stream.gaps.pop()
        self.progress.pass_gap(count)
        self.planes.skip(count, self.hyperframes)
        if at:
            events += self._confirmed.events  # what the sync word of the hyperframe cut by the gap led to
            self._confirmed.forget()
        events.append(HyperframesNotReceived(self.hyperframes, count))
        return True

    def _lose(self, at: int, events: list[Event], *, signal: bool) -> None:
        """LOF, and LOS where the signal is lost, too: from octet `at` on, hunt again."""
        number = self.progress.number
        if not signal:
            untold = [note.old for note in self._confirmed.events if isinstance(note, SyncStateChanged)]
            old = untold[0] if untold else self.machine.state.value
            self.machine.lose()
            events.append(AlarmRaised(number, Alarm.LOS, Origin.LOCAL))
            self.counters["los_events"] += 1
            events.append(SyncStateChanged(number, old, self.machine.state.value))
        self._confirmed.forget()
        self.counters["lof_events"] += 1
        events.append(AlarmRaised(number, Alarm.LOF, Origin.LOCAL))
        events += self.planes.lost(self.hyperframes)
        self._in_sync = False
        self._stream.drop(at)
        self.progress.lose(self._stream.done)
        self._hunt.start(signal=signal)
        self._pass_gaps()
