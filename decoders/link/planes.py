"""The control planes of hyperframes in sync, many at a time.

Takes whole hyperframes as an array (n, 256, 16, T/8) and says what happened in them: timing, L1 inband, slow and
fast C&M, vendor specific, Ctrl_AxC and reserved octets. Knows nothing of sync; `restart` is called when it is lost.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..arrays import U8
from ..cm_plane.ethernet import EthernetDecoder, EthernetFrame
from ..cm_plane.hdlc import HdlcDecoder, HdlcFrame
from ..counters import FRAME_COUNTERS
from ..events import (
    BfnDiscontinuity,
    Event,
    FillerMismatch,
    FrameReceived,
    FrameStatus,
    HfnDiscontinuity,
    HfnInvalid,
    L1Accepted,
    L1Changed,
    OctetsChanged,
    Plane,
    PossibleInversion,
    SettingRejected,
    StartupStateChanged,
)
from ..frame_structure import controlwords as cw
from ..linerates import BFN_MODULUS, HYPERFRAMES_PER_FRAME, LineRateOption
from .alarms import REMOTE_DEFECTS, RemoteAlarms
from .settings import D5_6, D16_2, VALID_POINTERS, PlaneSettings, valid_rates, valid_versions
from .startup import StartupState, StartupView

__all__ = ["HyperframePlanes"]

_INVERTED_FILLERS = (0xB0, 0x3A)


@dataclass(slots=True)
class _Filtered:
    """A value that is taken over when it has stood for `needed` hyperframes."""

    name: str
    needed: int
    accepted: int | None = None
    _candidate: int = -1
    _run: int = 0

    def start(self, first_three: U8) -> None:
        """Take what two of the first three hyperframes say, else the first."""
        values = first_three.tolist()
        self.accepted = values[1] if len(values) == 3 and values[1] == values[2] else values[0]
        self._candidate, self._run = -1, 0

    def changes(self, values: U8) -> Iterator[tuple[int, int, int]]:
        """(index, old, new) of each value taken over."""
        if not self._run and (values == self.accepted).all():
            return
        for index, value in enumerate(values.tolist()):
            if value == self.accepted:
                self._run = 0
                continue
            self._run = self._run + 1 if value == self._candidate and self._run else 1
            self._candidate = value
            if self._run >= self.needed:
                old, self.accepted, self._run = self.accepted, value, 0
                yield index, int(old or 0), value


@dataclass(slots=True)
class _Timing:
    hfn: int | None = None
    bfn: int | None = None


@dataclass(slots=True)
class _Last:
    """What the last hyperframe carried, for the summary."""

    bfn: int = 0
    hfn: int = 0
    version: int = 0
    rate: int = 0
    pointer: int = 0
    control: bytes = b""
    first: tuple[int, int] | None = None
    known: bool = False
    rejected: dict[str, int] = field(default_factory=dict)


class HyperframePlanes:
    """Control planes of one direction; `counters` are moved in place."""

    def __init__(self, option: LineRateOption, settings: PlaneSettings, counters: dict[str, int]) -> None:
        self._option = option
        self._settings = settings
        self._counters = counters
        self.last = _Last()
        self.remote = RemoteAlarms(settings.reset_hyperframes)
        self.startup = StartupView()
        self.startup_state = StartupState.A
        self._hdlc = HdlcDecoder(lsb_first=settings.hdlc_lsb_first, max_octets=settings.hdlc_max_octets)
        self._ethernet = EthernetDecoder(
            lsb_first=settings.ethernet_lsb_first, max_octets=settings.ethernet_max_octets
        )
        self._hdlc_origin = self._ethernet_origin = 0
        self.version = _Filtered("version", settings.filter_version)
        self.rate = _Filtered("hdlc_rate_code", settings.filter_cm)
        self.pointer = _Filtered("pointer_p", settings.filter_cm)
        self._timing = _Timing()
        self._before: U8 | None = None
        self._started = False
        self._inverted = False

    def restart(self) -> None:
        """Sync is lost: frames in progress are cut, and nothing is compared across the gap."""
        self._cut_hdlc()
        self._cut_ethernet()
        self._timing = _Timing()
        self._before = None
        self._started = False
        self.startup.in_sync = False
        self.remote.restart()

    def lost(self, hyperframe: int) -> list[Event]:
        """`restart`, and what the start-up state becomes."""
        self.restart()
        return list(self._startup_now(hyperframe))

    def skip(self, hyperframes: int | None, following: int) -> None:
        """So many hyperframes were not received before number `following`: frames in progress are forgotten.

        Nobody knows how they would have ended, so they count nowhere. HFN and BFN are expected to have gone on;
        with None they may be any.
        """
        self._hdlc.reset()
        self._ethernet.reset()
        self._hdlc_origin = self._ethernet_origin = following
        timing = self._timing
        if hyperframes is None:
            self._timing = _Timing()
        elif timing.hfn is not None:
            frames, timing.hfn = divmod(timing.hfn + hyperframes, HYPERFRAMES_PER_FRAME)
            if timing.bfn is not None:
                timing.bfn = (timing.bfn + frames) % BFN_MODULUS

    def _cut_hdlc(self) -> None:
        if self._hdlc.reset():
            self._counters["hdlc_lost_sync"] += 1

    def _cut_ethernet(self) -> None:
        if self._ethernet.reset():
            self._counters["ethernet_lost_sync"] += 1

    def decode(self, view: U8, first: int, ahead: U8) -> list[Event]:
        """Events of the hyperframes `view` (n, 256, 16, T/8), numbered from `first`, in time order.

        `ahead` is the same array or a longer one: the hyperframes at hand, of which the first three decide
        the settings that a receiver starts with.
        """
        control = np.ascontiguousarray(view[:, :, 0, :])
        n = len(control)
        fields = cw.l1_fields(control)
        if not self._started:
            self._start(cw.l1_fields(ahead[:3, :, 0, :]), first)
        hfn = control[:, cw.X_HFN, 0].astype(np.int64)
        bfn = control[:, cw.X_BFN_LOW, 0].astype(np.int64)
        bfn |= (control[:, cw.X_BFN_HIGH, 0] & 0x0F).astype(np.int64) << 8

        events: list[Event] = []
        events += self._fillers(control, first)
        events += self._continuity(hfn, bfn, first)
        events += self._l1(fields, first)
        events += self._changed_octets(control, fields, first, hfn, bfn)

        last = self.last
        if not last.known:
            last.first, last.known = (int(bfn[0]), int(hfn[0])), True
        last.bfn, last.hfn = int(bfn[-1]), int(hfn[-1])
        last.version, last.rate = int(fields.version[-1]), int(fields.rate[-1])
        last.pointer = int(fields.pointer[-1])
        last.control = control[-1].tobytes()
        self._before = control[-1].copy()
        events.sort(key=_when)
        return list(self._with_startup(events, first, first + n - 1))

    def _start(self, fields: cw.L1Fields, first: int) -> None:
        self.version.start(fields.version)
        self.rate.start(fields.rate)
        self.pointer.start(fields.pointer)
        if self._settings.fixed_hdlc_rate_code is not None:
            self.rate.accepted = self._settings.fixed_hdlc_rate_code
        if self._settings.fixed_pointer_p is not None:
            self.pointer.accepted = self._settings.fixed_pointer_p
        self._started = True
        self._hdlc_origin = self._ethernet_origin = first
        view = self.startup
        view.in_sync, view.since, view.quiet_since = True, None, first
        for value in (self.version, self.rate, self.pointer):
            view.take(value.name, value.accepted or 0)

    # --- timing -------------------------------------------------------------------------------------------

    def _fillers(self, control: U8, first: int) -> Iterator[Event]:
        if self._option.word_octets == 1:
            return
        filler = control[:, 0, 1:]
        good = (filler == D16_2).all(axis=1)
        if not good.all():
            good |= (filler[:, 0] == D5_6) & (filler[:, 1:] == D16_2).all(axis=1)
        for index in np.flatnonzero(~good).tolist():
            octets = filler[index].tobytes()
            self._counters["filler_mismatches"] += 1
            yield FillerMismatch(first + index, octets)
            if not self._inverted and set(octets) <= set(_INVERTED_FILLERS):
                self._inverted = True
                yield PossibleInversion(first + index)

    def _continuity(self, hfn: NDArray[np.int64], bfn: NDArray[np.int64], first: int) -> Iterator[Event]:
        """HFN counts 0..149 and BFN steps with HFN 0 (clause 4.2.7.3); a gap is found once, then followed."""
        timing = self._timing
        steady = (
            timing.hfn == hfn[0]
            and timing.bfn == bfn[0]
            and hfn.max() < HYPERFRAMES_PER_FRAME
            and ((hfn[1:] - hfn[:-1]) % HYPERFRAMES_PER_FRAME == 1).all()
            and ((bfn[1:] - bfn[:-1]) % BFN_MODULUS == (hfn[1:] == 0)).all()
        )
        if steady:
            timing.hfn = (int(hfn[-1]) + 1) % HYPERFRAMES_PER_FRAME
            timing.bfn = (int(bfn[-1]) + (timing.hfn == 0)) % BFN_MODULUS
            return
        for index, (h, b) in enumerate(zip(hfn.tolist(), bfn.tolist(), strict=True)):
            valid = h < HYPERFRAMES_PER_FRAME
            if not valid:
                self._counters["hfn_invalid"] += 1
                yield HfnInvalid(first + index, h)
            elif timing.hfn is not None and h != timing.hfn:
                self._counters["hfn_discontinuities"] += 1
                yield HfnDiscontinuity(first + index, timing.hfn, h)
            if timing.bfn is not None and b != timing.bfn:
                self._counters["bfn_discontinuities"] += 1
                yield BfnDiscontinuity(first + index, timing.bfn, b)
            now = h if valid else timing.hfn
            timing.hfn = None if now is None else (now + 1) % HYPERFRAMES_PER_FRAME
            timing.bfn = (b + (timing.hfn == 0)) % BFN_MODULUS

    # --- L1 inband ----------------------------------------------------------------------------------------

    def _rejected(self, name: str, counter: str, values: U8, valid: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Count the hyperframes with a value that cannot be; True where such a run begins."""
        bad = ~valid[values]
        if not bad.any():
            self.last.rejected.pop(name, None)
            return bad
        self._counters[counter] += int(np.count_nonzero(bad))
        before = np.concatenate(([self.last.rejected.get(name, -1)], values[:-1].astype(np.int64)))
        if bad[-1]:
            self.last.rejected[name] = int(values[-1])
        else:
            self.last.rejected.pop(name, None)
        begins: NDArray[np.bool_] = bad & (before != values)
        return begins

    def _l1(self, fields: cw.L1Fields, first: int) -> Iterator[Event]:
        for name, counter, values, valid in (
            ("version", "version_unknown", fields.version, valid_versions(self._option)),
            ("hdlc_rate_code", "hdlc_rate_invalid", fields.rate, valid_rates(self._option)),
            ("pointer_p", "pointer_invalid", fields.pointer, VALID_POINTERS),
        ):
            for index in np.flatnonzero(self._rejected(name, counter, values, valid)).tolist():
                yield SettingRejected(first + index, name, int(values[index]))
        for name, values in (("version", fields.version), ("rate", fields.rate), ("pointer", fields.pointer)):
            yield from _changes(name, values, getattr(self.last, name), self._before is not None, first)
        alarms = fields.alarms
        if (alarms == alarms[0]).all() and self.remote.steady(int(alarms[0]), len(alarms)):
            return
        for index, octet in enumerate(alarms.tolist()):
            events, changed, requested = self.remote.receive(first + index, octet)
            self._counters["l1_alarm_changes"] += changed
            self._counters["reset_requests"] += requested
            yield from events

    def _startup_now(self, hyperframe: int) -> Iterator[Event]:
        state = self.startup.state_at(hyperframe)
        if state is not self.startup_state:
            old, self.startup_state = self.startup_state, state
            yield StartupStateChanged(hyperframe, old.value, state.value)

    def _with_startup(self, events: list[Event], first: int, last: int) -> Iterator[Event]:
        """The events of a batch with the start-up states that follow from them, each at its hyperframe."""
        view = self.startup
        if view.since is None:
            view.since = first
            yield from self._startup_now(first)
        for event in events:
            at = event.hyperframe or 0
            quiet_until = view.quiet_until
            if quiet_until <= at and self.startup_state is StartupState.E:
                yield from self._startup_now(quiet_until)
            yield event
            if isinstance(event, FrameReceived):
                if view.frames_good or event.status is not FrameStatus.GOOD:
                    continue
                view.frames_good = True
            elif isinstance(event, L1Accepted):
                view.take(event.field, event.new)
            elif isinstance(event, L1Changed) and event.field == "alarms":
                view.remote_defect = bool(event.new & REMOTE_DEFECTS)
            else:
                continue
            view.quiet_since = at
            yield from self._startup_now(at)
        if view.quiet_until <= last:
            yield from self._startup_now(view.quiet_until)

    # --- channels -----------------------------------------------------------------------------------------

    def _segments(
        self, fields: cw.L1Fields, first: int, events: list[Event]
    ) -> Iterator[tuple[int, int, int, int]]:
        """Runs (start, end, pointer p, rate code) of hyperframes with the same accepted settings."""
        n = len(fields.pointer)
        pointer, rate = self.pointer.accepted or 0, self.rate.accepted or 0
        taken: list[tuple[int, _Filtered, int, int]] = []
        pairs = ((self.version, fields.version), (self.rate, fields.rate), (self.pointer, fields.pointer))
        for value, values in pairs:
            taken += [(index, value, old, new) for index, old, new in value.changes(values)]
        taken.sort(key=lambda row: row[0])
        start = 0
        for index, value, old, new in taken:
            events.append(L1Accepted(first + index, value.name, old, new))
            if value is self.version:
                continue
            settings = self._settings
            fixed = settings.fixed_pointer_p if value is self.pointer else settings.fixed_hdlc_rate_code
            if fixed is not None:
                value.accepted = fixed
                continue
            if index > start:
                yield start, index, pointer, rate
            start = index
            if value is self.pointer:
                pointer = new
                self._cut_ethernet()
                self._ethernet_origin = first + index
            else:
                rate = new
                self._cut_hdlc()
                self._hdlc_origin = first + index
        if start < n:
            yield start, n, pointer, rate

    def _changed_octets(
        self, control: U8, fields: cw.L1Fields, first: int, hfn: NDArray[np.int64], bfn: NDArray[np.int64]
    ) -> list[Event]:
        events: list[Event] = []
        name = self._option.name
        before = self._before
        for start, end, pointer, rate in self._segments(fields, first, events):
            part = control[start:end]
            flat = part.reshape(end - start, -1)
            octets = cw.hdlc_places(name, rate)
            if len(octets):
                stream = flat[:, octets.flat].reshape(-1)
                for slow in self._hdlc.receive(stream):
                    at = self._hdlc_origin + slow.end_octet // len(octets)
                    events.append(self._frame(Plane.HDLC, at, slow, first, hfn, bfn))
            limit = self._option.control_octets
            by_subchannel = part.reshape(end - start, 4, 64, -1)[..., :limit]
            fast = cw.POINTER_MIN <= pointer <= 63
            if fast:
                stream = by_subchannel[:, :, pointer:, :].reshape(-1)
                for frame in self._ethernet.receive(stream):
                    at = self._ethernet_origin + frame.end_octet // self._option.ethernet_octets(pointer)
                    events.append(self._frame(Plane.ETHERNET, at, frame, first, hfn, bfn))
            previous = None if before is None else before.reshape(-1)
            for plane, counter, places in (
                (Plane.VENDOR, "vendor_changes", cw.vendor_places(name, pointer)),
                (Plane.CTRL_AXC, "ctrl_axc_changes", cw.subchannel_places(name, 4, 8)),
                (
                    Plane.RESERVED,
                    "reserved_changes",
                    cw.reserved_places(name, rate, ctrl_axc=self._settings.ctrl_axc),
                ),
            ):
                if plane is Plane.CTRL_AXC and not self._settings.ctrl_axc:
                    continue
                events += self._octets(plane, counter, places, flat, previous, first + start)
            before = part[-1]
        return events

    def _octets(
        self, plane: Plane, counter: str, places: cw.Places, flat: U8, previous: U8 | None, first: int
    ) -> Iterator[Event]:
        """One event a hyperframe in which octets of a plane differ from the hyperframe before."""
        if not len(places):
            return
        now = flat[:, places.flat]
        old = np.empty_like(now)
        old[1:] = now[:-1]
        old[0] = now[0] if previous is None else previous[places.flat]
        differ = now != old
        if not differ.any():
            return
        row, column = np.nonzero(differ)
        self._counters[counter] += len(row)
        where = places.triples[column]
        before, after = old[row, column], now[row, column]
        starts = np.concatenate(([0], np.flatnonzero(row[1:] != row[:-1]) + 1, [len(row)])).tolist()
        for a, b in pairwise(starts):
            yield OctetsChanged(
                first + int(row[a]), plane, where[a:b].tobytes(), before[a:b].tobytes(), after[a:b].tobytes()
            )

    def _frame(
        self,
        plane: Plane,
        at: int,
        frame: HdlcFrame | EthernetFrame,
        first: int,
        hfn: NDArray[np.int64],
        bfn: NDArray[np.int64],
    ) -> FrameReceived:
        self._counters[FRAME_COUNTERS[plane, frame.status]] += 1
        i = at - first
        return FrameReceived(
            at, int(bfn[i]), int(hfn[i]), plane, frame.status, frame.data, frame.fcs, frame.left_out
        )


def _when(event: Event) -> tuple[int, int]:
    plane = getattr(event, "plane", None)
    return event.hyperframe or 0, _PLANE_ORDER.get(plane, 0)


_PLANE_ORDER: dict[Plane | None, int] = {
    Plane.HDLC: 1,
    Plane.ETHERNET: 2,
    Plane.VENDOR: 3,
    Plane.CTRL_AXC: 4,
    Plane.RESERVED: 5,
}


def _changes(name: str, values: U8, before: int, known: bool, first: int) -> Iterator[Event]:
    old = np.concatenate(([before if known else values[0]], values[:-1]))
    for index in np.flatnonzero(old != values).tolist():
        yield L1Changed(first + index, name, int(old[index]), int(values[index]))
