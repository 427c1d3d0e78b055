"""One direction of a link: raw data in, events out.

`LinkDecoder` wires the parts: the line (line code, alignment), the hunt for hyperframes (`acquisition`), and what is
done with them in sync (`in_sync`). It reads no clock: `now` is only kept beside the last data. Whatever the cut of
the data, the events are the same.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ..arrays import U8
from ..counters import COUNTERS
from ..errors import SettingsError
from ..events import AlarmRaised, Event
from ..line_coding.characters import LineForm
from ..linerates import LineRateOption, option_named
from .acquisition import Acquisition
from .descrambling import LinkDescrambler
from .hyperframe_sync import SyncState
from .in_sync import HyperframeBlock, InSync, SyncMonitors
from .line import FecReading, LinkLine
from .parts import LinkParts
from .progress import Progress
from .settings import LinkSettings
from .sync_places import SyncWordReading

__all__ = ["FecReading", "HyperframeBlock", "LinkDecoder"]

_SLICE_OCTETS = 1 << 21


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
        self.now = 0
        self._line = line = LinkLine(self.option, settings, self.counters, parts)
        line.places.confirming = self.machine.confirming
        self._descrambler = LinkDescrambler(self.option, self.counters, parts.descrambler)
        monitors = SyncMonitors(self.machine, self.los, self.planes, self._descrambler)
        self._sync = InSync(self.option, line, monitors, self.progress, self.counters, on_block)
        octets = self.option.hyperframe_octets
        self._hunt = Acquisition(line.stream, settings.form, octets, line.places, self.los, line.errors)
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
        """Gaps of which it is not known how many hyperframes are missing."""
        return self.progress.gaps_of_unknown_length

    @property
    def trailing_octets(self) -> int:
        return self.progress.trailing_octets

    @property
    def alignment_slip_bits(self) -> int | None:
        """Alignment offset of the first alignment, 0 to 9 or 0 to 65 bits; None for forms without one."""
        return self._line.alignment_slip_bits

    @property
    def sync_word(self) -> SyncWordReading | None:
        """Layout of the sync word of 64B/66B, and how it is known; None at 8B/10B and before sync."""
        return self._line.places.reading

    @property
    def fec(self) -> FecReading | None:
        """What was found of RS-FEC; None where there is none, or nothing is known of it yet."""
        return self._line.fec

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
            self._line.stream.receive(raw[start : start + _SLICE_OCTETS])
            self._work(events)
        # The caller may use the memory of `data` again.
        self._line.stream.own()
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
        stream = self._line.stream
        stream.gaps.add(stream.end, hyperframes)

    def finish(self) -> list[Event]:
        """The stream has ended: decode whole hyperframes still held, count what is left over."""
        events: list[Event] = []
        if self._finished:
            return events
        self._finished = True
        self._work(events, final=True)
        events += self._sync.finish()
        if not self._sync.active:
            events += self._hunt.finish(None)
        stream, progress = self._line.stream, self.progress
        progress.trailing_octets = stream.end + stream.rest_octets() - progress.decoded_until
        return events

    def _work(self, events: list[Event], *, final: bool = False) -> None:
        again = True
        while again:
            events += self._line.read(self.progress.number)
            again = self._sync_step(events) if self._sync.active else self._hunting_step(events, final=final)

    def _sync_step(self, events: list[Event]) -> bool:
        again = self._sync.step(events)
        if not self._sync.active:
            self._hunt.start(signal=not self.los.active)
            self._pass_gaps()
        return again

    def _hunting_step(self, events: list[Event], *, final: bool) -> bool:
        look = self._hunt.step(self.progress.number, final=final)
        events += look.events
        for event in look.events:
            if isinstance(event, AlarmRaised):
                self.counters["los_events"] += 1
        if look.sync_words:
            self._acquire(look.start, look.sync_words, events)
        else:
            self._pass_gaps()
        return look.again

    def _acquire(self, start: int, sync_words: int, events: list[Event]) -> None:
        """Sync from octet `start` of the buffer on."""
        stream = self._line.stream
        self.progress.acquire(stream.done + start, self.option.hyperframe_octets)
        stream.drop(start)
        self._pass_gaps()
        events += self._line.places.difference(self.hyperframes)
        self._sync.begin(sync_words)

    def _pass_gaps(self) -> None:
        """Gaps before the buffer's start are done with, where there is no sync."""
        stream = self._line.stream
        while stream.gaps and stream.gaps.first < stream.done:
            self.progress.pass_gap(stream.gaps.pop())
