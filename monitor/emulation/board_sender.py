"""The sender of an emulated board: each plane's traffic can be set while it runs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from decoders.events import Plane
from decoders.link.settings import SenderSettings

from ..protocol.records import TrafficPlane
from .line_settings import LineSettings
from .sender import EmulatedSender
from .traffic import VendorPattern

__all__ = ["BoardSender"]


class BoardSender(EmulatedSender):
    """A sender whose planes can be filled one by one, in percent."""

    def __init__(
        self,
        settings: SenderSettings,
        seed: int,
        load: float,
        *,
        uplink: bool,
        line: LineSettings | None = None,
    ) -> None:
        super().__init__(settings, seed, uplink=uplink, line=line)
        self._shares = {Plane.HDLC: load, Plane.ETHERNET: load}
        self._credit = {Plane.HDLC: 0.0, Plane.ETHERNET: 0.0}
        self._vendor_pattern = self._vendor
        self._iq_octets = self._iq.octets

    def set_traffic(self, plane: TrafficPlane, percent: int) -> None:
        if plane is TrafficPlane.VENDOR:
            self._vendor = self._vendor_pattern if percent else _Quiet(b"\0")
        elif plane is TrafficPlane.IQ:
            # The sender's plane of tones is silenced at its door.
            octets = self._iq_octets if percent else self._silence
            self._iq.octets = octets  # type: ignore[method-assign]
        else:
            channel = Plane.HDLC if plane is TrafficPlane.HDLC else Plane.ETHERNET
            self._shares[channel], self._credit[channel] = percent / 100, 0.0

    def announced(self, hyperframe: int) -> tuple[int, int]:
        """(BFN, HFN) of a hyperframe as they would be sent without a fault in it; earlier jumps are counted in."""
        waiting = ((fault, fault.hyperframe) for fault in self._waiting)
        lasting = ((place.fault, place.hyperframe) for place in self._lasting)
        jumps = sum(
            fault.values["by"]
            for fault, at in (*waiting, *lasting)
            if fault.kind.name == "sync.jump" and at is not None and at < hyperframe
        )
        return self.timing_of(hyperframe + jumps)

    def send_frame(self, plane: TrafficPlane, frame: bytes) -> str:
        """Queue one C&M frame, given without its FCS; why not, where there is no such channel."""
        encoder = self.encoder
        queue = encoder.hdlc if plane is TrafficPlane.HDLC else encoder.ethernet
        octets = encoder.hdlc_octets if plane is TrafficPlane.HDLC else encoder.ethernet_octets
        if not octets:
            return f"this link has no {plane.name.lower()} channel"
        queue.send(frame)
        return ""

    def _silence(self, first_hyperframe: int, n: int) -> NDArray[np.uint8]:
        return np.zeros((n, 256, 15, self.option.word_octets), np.uint8)

    def _feed(self, n: int) -> None:
        encoder = self.encoder
        for queue, traffic, octets, plane in (
            (encoder.hdlc, self._hdlc, encoder.hdlc_octets, Plane.HDLC),
            (encoder.ethernet, self._ethernet, encoder.ethernet_octets, Plane.ETHERNET),
        ):
            if not octets:
                continue
            # A channel earns its share as time passes and pays for each frame, so the share holds over time.
            self._credit[plane] = min(
                self._credit[plane] + n * octets * self._shares[plane], 2.0 * n * octets
            )
            while self._credit[plane] > 0 and queue.pending_octets < n * octets:
                before = queue.pending_octets
                queue.send(next(traffic))
                self._credit[plane] -= queue.pending_octets - before


class _Quiet(VendorPattern):
    """Vendor octets that are all 0."""

    def octets(self, first_hyperframe: int, n: int, n_octets: int) -> NDArray[np.uint8]:
        return np.zeros((n, n_octets), np.uint8)
