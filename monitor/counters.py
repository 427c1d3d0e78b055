"""What a screen or a report may know: a frozen Snapshot, and the log of events behind it.

Nothing here draws, reads a source or decodes; `LinkWatch` collects, `Snapshot` is what comes out.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from decoders.controlwords import subchannel_owners
from decoders.events import (
    FRAME_COUNTERS,
    AlarmRaised,
    BfnDiscontinuity,
    CodeErrors,
    Event,
    FillerMismatch,
    FrameReceived,
    HfnDiscontinuity,
    HfnInvalid,
    L1Changed,
    OctetsChanged,
    Origin,
    Plane,
    ResetRequested,
    SettingRejected,
    SyncByteMissed,
    UnexpectedK,
)
from decoders.frames import ALARM_BITS
from decoders.link import HyperframeBlock, LinkDecoder

from .sources import Standstill

__all__ = ["BoardSaid", "InjectedFault", "LinkWatch", "LogEntry", "Snapshot", "SourceWarning"]

U8 = NDArray[np.uint8]
NEVER = -1


@dataclass(frozen=True, slots=True)
class LogEntry:
    """One event in the log, numbered from 0 since the start."""

    number: int
    event: Event


@dataclass(frozen=True, slots=True)
class SourceWarning(Event):
    """What a source put right, left out or lost, in its own words."""

    text: str


@dataclass(frozen=True, slots=True)
class BoardSaid(Event):
    """A line of a board's console or log."""

    text: str


@dataclass(frozen=True, slots=True)
class InjectedFault:
    """A fault put into the stream: its name and parameters as text, where, and what must follow from it.

    `before` holds the counters at the moment it was asked for. `elsewhere`: another receiver sees it, not this one.
    `breaks` is how often the stream had broken by then.
    """

    number: int
    text: str
    hyperframe: int
    expected: Mapping[str, int]
    before: Mapping[str, int]
    elsewhere: bool = False
    breaks: int = 0


@dataclass(frozen=True, slots=True)
class Snapshot:
    """State of one link at one moment.

    `control` uint8 (256, T/8) is the last hyperframe's control words, `change_counts` int64 (256, T/8) how often
    each octet has changed, `changed_at` int64 (256, T/8) the hyperframe of its last change (-1 never).
    `hyperframes_not_received` are those of the missed that the link carried: left out or lost on their way here.
    `last_change` gives the hyperframe at which a counter last moved. `iq_octets` uint8 (256, 15*T/8) are the
    IQ data blocks of one recent hyperframe, or None.
    """

    source: str
    option: str
    form: str
    time_ns: int
    sync_state: str
    startup_state: str
    los: bool
    remote_alarms: int
    hyperframes: int
    hyperframes_missed: int
    hyperframes_not_received: int
    bfn: int
    hfn: int
    version: int
    hdlc_rate_code: int
    pointer_p: int
    alignment_slip_bits: int | None
    counters: Mapping[str, int]
    last_change: Mapping[str, int]
    owners: tuple[Plane, ...]
    control: U8 | None
    change_counts: NDArray[np.int64] | None
    changed_at: NDArray[np.int64] | None
    iq_octets: U8 | None
    events: int
    injected: tuple[InjectedFault, ...] = ()
    ended: bool = False
    warnings: tuple[str, ...] = ()
    standstill: Standstill | None = None
    breaks_of_unknown_length: int = 0

    @property
    def lof(self) -> bool:
        """Loss of frame: the sync machine stands in XACQ1 or XACQ2."""
        return self.sync_state in ("XACQ1", "XACQ2")

    def remote(self, name: str) -> bool:
        """A bit of the received Z.130.0 by its name: reset, rai, sdi, los, lof."""
        return bool(self.remote_alarms & ALARM_BITS[name])

    @property
    def errors(self) -> int:
        """Sum of the counters that tell of damage."""
        return sum(value for name, value in self.counters.items() if name in ERROR_COUNTERS)


ERROR_COUNTERS = frozenset(
    "code_violations disparity_errors los_events lof_events missed_sync_bytes unexpected_k hfn_invalid "
    "hfn_discontinuities bfn_discontinuities filler_mismatches hdlc_fcs_errors hdlc_aborts hdlc_too_short "
    "hdlc_too_long hdlc_unaligned ethernet_fcs_errors ethernet_code_errors ethernet_too_short ethernet_too_long "
    "ethernet_delimiter_errors pointer_invalid version_unknown hdlc_rate_invalid hdlc_lost_sync "
    "ethernet_lost_sync".split()
)
"""Counters that stay 0 on a clean link; `decode --strict` and the error total look at these."""


_OF_EVENT: dict[type[Event], str] = {
    SyncByteMissed: "missed_sync_bytes",
    UnexpectedK: "unexpected_k",
    FillerMismatch: "filler_mismatches",
    HfnInvalid: "hfn_invalid",
    HfnDiscontinuity: "hfn_discontinuities",
    BfnDiscontinuity: "bfn_discontinuities",
    ResetRequested: "reset_requests",
    L1Changed: "l1_alarm_changes",
}
_OF_PLANE = {
    Plane.VENDOR: "vendor_changes",
    Plane.CTRL_AXC: "ctrl_axc_changes",
    Plane.RESERVED: "reserved_changes",
}
_OF_SETTING = {
    "version": "version_unknown",
    "hdlc_rate_code": "hdlc_rate_invalid",
    "pointer_p": "pointer_invalid",
}


def _counters_of(event: Event) -> tuple[str, ...]:
    """Counters that an event has moved; those without an event of their own are dated by the batch."""
    if isinstance(event, FrameReceived):
        return (FRAME_COUNTERS[event.plane, event.status],)
    if isinstance(event, OctetsChanged):
        return (_OF_PLANE[event.plane],)
    if isinstance(event, CodeErrors):
        moved = ("code_violations",) if event.code_violations else ()
        return (*moved, "disparity_errors") if event.disparity_errors else moved
    if isinstance(event, AlarmRaised):
        return (f"{event.alarm.value}_events",) if event.origin is Origin.LOCAL else ()
    if isinstance(event, SettingRejected):
        return (_OF_SETTING[event.field],)
    name = _OF_EVENT.get(type(event))
    return (name,) if name else ()


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
                for name in _counters_of(event):
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
        )
