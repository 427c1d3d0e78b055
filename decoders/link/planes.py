"""The control planes of hyperframes in sync, many at a time.

Takes whole hyperframes as an array (n, 256, 16, T/8) and says what happened in them: timing, L1 inband, slow and
fast C&M, vendor specific, Ctrl_AxC and reserved octets. Knows nothing of sync; `restart` is called when it is lost.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..arrays import U8
from ..cm_plane.ethernet import EthernetDecoder
from ..cm_plane.hdlc import HdlcDecoder
from ..events import Event, Plane
from ..frame_structure import controlwords as cw
from ..linerates import LineRateOption
from .alarms import RemoteAlarms
from .cm_channels import CmChannels
from .l1_inband import FilteredValue, L1Inband
from .octet_watch import OctetWatch
from .settings import PlaneSettings
from .startup import StartupState, StartupWatch
from .sync_word import FillerCheck
from .timing import TimingCheck

__all__ = ["HyperframePlanes", "PlaneParts"]


@dataclass(frozen=True, kw_only=True)
class PlaneParts:
    """What builds the parts that read control octets; a subclass of one of them can stand in its place."""

    fillers: Callable[[LineRateOption, dict[str, int]], FillerCheck] = FillerCheck
    timing: Callable[[dict[str, int]], TimingCheck] = TimingCheck
    remote_alarms: Callable[[int], RemoteAlarms] = RemoteAlarms
    l1_inband: Callable[[LineRateOption, PlaneSettings, dict[str, int], RemoteAlarms], L1Inband] = L1Inband
    hdlc: Callable[..., HdlcDecoder] = HdlcDecoder
    """Called with `lsb_first` and `max_octets`, as the next one."""
    ethernet: Callable[..., EthernetDecoder] = EthernetDecoder
    octet_watch: Callable[..., OctetWatch] = OctetWatch
    """Called with option, counters and `ctrl_axc`."""
    startup: Callable[[], StartupWatch] = StartupWatch


@dataclass(slots=True)
class LastHyperframe:
    """What the last hyperframe carried, for the summary; `first` is (BFN, HFN) of the first one ever."""

    bfn: int = 0
    hfn: int = 0
    version: int = 0
    rate: int = 0
    pointer: int = 0
    control: bytes = b""
    first: tuple[int, int] | None = None

    @property
    def known(self) -> bool:
        return self.first is not None


class HyperframePlanes:
    """Control planes of one direction; `counters` are moved in place."""

    def __init__(
        self,
        option: LineRateOption,
        settings: PlaneSettings,
        counters: dict[str, int],
        parts: PlaneParts | None = None,
    ) -> None:
        parts = parts or PlaneParts()
        self.last = LastHyperframe()
        self._fillers = parts.fillers(option, counters)
        self._timing = parts.timing(counters)
        remote = parts.remote_alarms(settings.reset_hyperframes)
        self._l1 = parts.l1_inband(option, settings, counters, remote)
        self._channels = CmChannels(
            option,
            counters,
            parts.hdlc(lsb_first=settings.hdlc_lsb_first, max_octets=settings.hdlc_max_octets),
            parts.ethernet(lsb_first=settings.ethernet_lsb_first, max_octets=settings.ethernet_max_octets),
        )
        self._watch = parts.octet_watch(option, counters, ctrl_axc=settings.ctrl_axc)
        self._startup = parts.startup()
        self._started = False

    @property
    def remote(self) -> RemoteAlarms:
        """Alarm bits as received in Z.130.0."""
        return self._l1.remote

    @property
    def version(self) -> FilteredValue:
        """Protocol version, filtered; as the next two, None in `accepted` before sync."""
        return self._l1.version

    @property
    def rate(self) -> FilteredValue:
        """HDLC rate code, filtered."""
        return self._l1.rate

    @property
    def pointer(self) -> FilteredValue:
        """Pointer p, filtered."""
        return self._l1.pointer

    @property
    def startup_state(self) -> StartupState:
        return self._startup.state

    def lost(self, hyperframe: int) -> list[Event]:
        """Sync is lost: frames in progress are cut, and nothing is compared across the gap."""
        self._channels.cut_hdlc(hyperframe)
        self._channels.cut_ethernet(hyperframe)
        self._timing.restart()
        self._l1.restart()
        self._watch.restart()
        self._started = False
        return self._startup.lose(hyperframe)

    def skip(self, hyperframes: int | None, following: int) -> None:
        """So many hyperframes were not received before number `following`: frames in progress are forgotten.

        How they would have ended is not known, so they count nowhere. HFN and BFN are expected to have gone on;
        with None they may be any.
        """
        self._channels.skip(following)
        self._timing.skip(hyperframes)

    def receive(self, view: U8, first: int, ahead: U8) -> list[Event]:
        """Events of the hyperframes `view` (n, 256, 16, T/8), numbered from `first`, in time order.

        `ahead` is the same array or a longer one: the hyperframes at hand, of which the first three decide
        the settings that a receiver starts with.
        """
        control = np.ascontiguousarray(view[:, :, 0, :])
        fields = cw.l1_fields(control)
        if not self._started:
            self._start(cw.l1_fields(ahead[:3, :, 0, :]), first)
        hfn = control[:, cw.X_HFN, 0].astype(np.int64)
        bfn = control[:, cw.X_BFN_LOW, 0].astype(np.int64)
        bfn |= (control[:, cw.X_BFN_HIGH, 0] & 0x0F).astype(np.int64) << 8

        events: list[Event] = []
        events += self._fillers.receive(control[:, 0], first)
        events += self._timing.receive(hfn, bfn, first)
        events += self._l1.receive(fields, first)
        accepted, stretches = self._l1.accept(fields, first)
        events += accepted
        for stretch in stretches:
            at = first + stretch.start
            if stretch.new_pointer:
                self._channels.cut_ethernet(at)
            if stretch.new_rate:
                self._channels.cut_hdlc(at)
            part = control[stretch.start : stretch.end]
            pointer, rate = stretch.pointer_p, stretch.rate_code
            numbers = (hfn[stretch.start :], bfn[stretch.start :])
            events += self._channels.receive(part, pointer, rate, at, numbers)
            events += self._watch.receive(part, pointer, rate, at)

        last = self.last
        last.first = last.first or (int(bfn[0]), int(hfn[0]))
        last.bfn, last.hfn = int(bfn[-1]), int(hfn[-1])
        last.version, last.rate = int(fields.version[-1]), int(fields.rate[-1])
        last.pointer = int(fields.pointer[-1])
        last.control = control[-1].tobytes()
        events.sort(key=_when)
        return self._startup.receive(events, first, first + len(control) - 1)

    def _start(self, fields: cw.L1Fields, first: int) -> None:
        self._l1.start(fields)
        self._started = True
        self._channels.start(first)
        values = (self.version, self.rate, self.pointer)
        self._startup.start({value.name: value.accepted or 0 for value in values}, first)


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
