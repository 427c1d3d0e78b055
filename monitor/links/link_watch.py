"""What a screen or a report may know: a frozen Snapshot, and the log of events behind it.

Nothing here draws, reads a source or decodes; `LinkWatch` collects, `Snapshot` is what comes out.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from decoders.arrays import U8
from decoders.counters import counters_of
from decoders.events import Event
from decoders.frame_structure.controlwords import subchannel_owners
from decoders.link.decoder import HyperframeBlock, LinkDecoder

from ..sources.source import BoardReport, Standstill
from .snapshot import NEVER, InjectedFault, LogEntry, Snapshot

__all__ = ["LinkWatch"]


@dataclass(slots=True)
class LinkWatch:
    """Collects what one decoder says; call `on_block` and `take` from the decoding thread only."""

    decoder: LinkDecoder
    history: int = 5000
    no_iq: bool = False
    log: deque[LogEntry] = field(init=False)
    events: int = 0
    last_change: dict[str, int] = field(default_factory=dict)
    _previous: dict[str, int] = field(default_factory=dict)
    _control: U8 | None = None
    _counts: NDArray[np.int64] | None = None
    _changed_at: NDArray[np.int64] | None = None
    _iq: U8 | None = None

    def __post_init__(self) -> None:
        self.log = deque(maxlen=self.history)

    def resume(self, kept: Snapshot) -> None:
        """Go on where another decoder of this link has stopped: its counts are kept, and the log is numbered on."""
        progress, decoder = self.decoder.progress, self.decoder
        decoder.counters.update(kept.counters)
        progress.hyperframes, progress.missed = kept.hyperframes, kept.hyperframes_missed
        progress.not_received = kept.hyperframes_not_received
        progress.gaps_of_unknown_length = kept.breaks_of_unknown_length + 1
        self.events = kept.events
        self.last_change, self._previous = dict(kept.last_change), dict(kept.counters)

    def on_block(self, block: HyperframeBlock) -> None:
        """Keep the control words, where they changed, and one hyperframe's IQ."""
        control = block.octets[:, :, 0, :]
        if self._control is None or self._counts is None or self._changed_at is None:
            self._counts = np.zeros(control.shape[1:], np.int64)
            self._changed_at = np.full(control.shape[1:], NEVER, np.int64)
            first = np.zeros(control.shape[1:], np.bool_)
        else:
            first = control[0] != self._control
        self._note(first, block.first)
        # Between long stretches only the last few hyperframes can still show on a screen.
        differ = control[1:] != control[:-1]
        if differ.any():
            self._counts += differ.sum(axis=0)
            rows = differ.shape[0] - 1 - np.argmax(differ[::-1], axis=0)
            any_change = differ.any(axis=0)
            self._changed_at[any_change] = block.first + 1 + rows[any_change]
        self._control = control[-1].copy()
        self._iq = block.octets[-1, :, 1:, :].reshape(256, -1).copy()

    def _note(self, differ: NDArray[np.bool_], hyperframe: int) -> None:
        assert self._counts is not None and self._changed_at is not None
        self._counts += differ
        self._changed_at[differ] = hyperframe

    def take(self, events: list[Event]) -> None:
        """Put events on the log and note which counters moved."""
        first = self.events
        self.events += len(events)
        kept = len(events) - min(len(events), self.history)
        self.log.extend(LogEntry(first + kept + i, e) for i, e in enumerate(islice(events, kept, None)))
        now = self.decoder.hyperframes
        seen: dict[str, int] = {}
        for event in events:
            if event.hyperframe is not None:
                for name in counters_of(event):
                    seen[name] = event.hyperframe
        for name, value in self.decoder.counters.items():
            if value != self._previous.get(name, 0):
                self.last_change[name] = seen.get(name, now)
                self._previous[name] = value

    def entries_since(self, number: int) -> list[LogEntry]:
        """Log entries from `number` on, as far as they are still held."""
        if not self.log or number >= self.events:
            return []
        skip = max(0, number - self.log[0].number)
        return list(islice(self.log, skip, None))

    def snapshot(
        self,
        source: str,
        *,
        injected: tuple[InjectedFault, ...] = (),
        ended: bool = False,
        warnings: tuple[str, ...] = (),
        standstill: Standstill | None = None,
        board: BoardReport | None = None,
    ) -> Snapshot:
        decoder = self.decoder
        planes = decoder.planes
        last = planes.last
        return Snapshot(
            source=source,
            option=decoder.option.name,
            form=decoder.settings.form.value,
            time_ns=decoder.now,
            sync_state=decoder.state.value,
            startup_state=planes.startup_state.value,
            los=decoder.los.active,
            remote_alarms=planes.remote.octet,
            hyperframes=decoder.hyperframes,
            hyperframes_missed=decoder.hyperframes_missed,
            hyperframes_not_received=decoder.hyperframes_not_received,
            bfn=last.bfn,
            hfn=last.hfn,
            version=last.version,
            hdlc_rate_code=last.rate,
            pointer_p=last.pointer,
            alignment_slip_bits=decoder.alignment_slip_bits,
            counters=dict(decoder.counters),
            last_change=dict(self.last_change),
            owners=subchannel_owners(planes.pointer.accepted or 0),
            control=self._control,
            change_counts=None if self._counts is None else self._counts.copy(),
            changed_at=None if self._changed_at is None else self._changed_at.copy(),
            iq_octets=None if self.no_iq else self._iq,
            events=self.events,
            injected=injected,
            ended=ended,
            breaks_of_unknown_length=decoder.breaks_of_unknown_length,
            warnings=warnings,
            standstill=standstill,
            board=board,
            fec=decoder.fec is not None,
            scrambling_seed=decoder.scrambling_seed,
        )
