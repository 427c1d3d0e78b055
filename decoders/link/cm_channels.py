"""Slow and fast C&M of one direction: the octets of each channel to its decoder, frames to events and counters."""

from __future__ import annotations

from collections.abc import Iterator

from ..arrays import I64, U8
from ..cm_plane.ethernet import EthernetDecoder, EthernetFrame
from ..cm_plane.hdlc import HdlcDecoder, HdlcFrame
from ..counters import FRAME_COUNTERS
from ..events import FrameReceived, Plane
from ..frame_structure import controlwords as cw
from ..linerates import LineRateOption

__all__ = ["CmChannels"]


class CmChannels:
    """The two channels (CPRI clause 4.2.7.7); which octets they have follows from rate code and pointer p."""

    def __init__(
        self, option: LineRateOption, counters: dict[str, int], hdlc: HdlcDecoder, ethernet: EthernetDecoder
    ) -> None:
        self._option = option
        self._counters = counters
        self._hdlc, self._ethernet = hdlc, ethernet
        # Hyperframe in which the decoder's octet 0 lies.
        self._hdlc_origin = self._ethernet_origin = 0

    def start(self, following: int) -> None:
        """Octets to come begin with hyperframe `following`."""
        self._hdlc_origin = self._ethernet_origin = following

    def skip(self, following: int) -> None:
        """Hyperframes before `following` were not received: frames in progress count nowhere."""
        self._hdlc.reset()
        self._ethernet.reset()
        self.start(following)

    def cut_hdlc(self, following: int) -> None:
        """The slow channel is another one from `following` on, or sync is lost: a frame in progress is cut."""
        if self._hdlc.reset():
            self._counters["hdlc_lost_sync"] += 1
        self._hdlc_origin = following

    def cut_ethernet(self, following: int) -> None:
        """As `cut_hdlc`, for the fast channel."""
        if self._ethernet.reset():
            self._counters["ethernet_lost_sync"] += 1
        self._ethernet_origin = following

    def receive(
        self, control: U8, pointer_p: int, rate_code: int, first: int, numbers: tuple[I64, I64]
    ) -> Iterator[FrameReceived]:
        """Frames that end in control words (n, 256, T/8) with the same settings.

        `numbers` are HFN and BFN, int64 (m,), of hyperframes from `first` on, these and those behind them.
        """
        option = self._option
        n = len(control)
        slow_places = cw.hdlc_places(option.name, rate_code)
        if len(slow_places):
            stream = control.reshape(n, -1)[:, slow_places.flat].reshape(-1)
            for slow in self._hdlc.receive(stream):
                at = self._hdlc_origin + slow.end_octet // len(slow_places)
                yield self._frame(Plane.HDLC, at, slow, first, numbers)
        if cw.POINTER_MIN <= pointer_p <= 63:
            words = control.reshape(n, 4, 64, -1)[..., : option.control_octets]
            for fast in self._ethernet.receive(words[:, :, pointer_p:, :].reshape(-1)):
                at = self._ethernet_origin + fast.end_octet // option.ethernet_octets(pointer_p)
                yield self._frame(Plane.ETHERNET, at, fast, first, numbers)

    def _frame(
        self, plane: Plane, at: int, frame: HdlcFrame | EthernetFrame, first: int, numbers: tuple[I64, I64]
    ) -> FrameReceived:
        self._counters[FRAME_COUNTERS[plane, frame.status]] += 1
        hfn, bfn = (int(values[at - first]) for values in numbers)
        return FrameReceived(at, bfn, hfn, plane, frame.status, frame.data, frame.fcs, frame.left_out)
