"""One direction of a link, sent."""

from __future__ import annotations

import numpy as np

from ..arrays import I64, U8
from ..cm_plane.ethernet_encoder import EthernetEncoder
from ..cm_plane.hdlc_encoder import HdlcEncoder
from ..errors import SettingsError
from ..frame_structure import controlwords as cw
from ..line_coding.code_8b10b import K28_5
from ..line_coding.code_64b66b import START, TERMINATE
from ..linerates import BFN_MODULUS, EIGHT_TEN, HYPERFRAMES_PER_FRAME, option_named
from .settings import D5_6, D16_2, SenderSettings, check_settings

__all__ = ["LinkEncoder"]

TERMINATE_AT, START_AT = 7, 8
"""Octets Z.0.0.Y of /T/ and /S/ in the sync word that is sent at 64B/66B: layout T7_S0."""


class LinkEncoder:
    """Builds hyperframes: sync, timing, L1, and the C&M channels from the queues of `hdlc` and `ethernet`."""

    def __init__(self, settings: SenderSettings) -> None:
        self.settings = settings
        self.option = option_named(settings.option)
        check_settings(self.option, settings.pointer_p, settings.hdlc_rate_code)
        if settings.filler not in (D16_2, D5_6):
            raise SettingsError(f"filler 0x{settings.filler:02X} is neither D16.2 (0x50) nor D5.6 (0xC5)")
        if not (0 <= settings.bfn < BFN_MODULUS and 0 <= settings.hfn < HYPERFRAMES_PER_FRAME):
            raise SettingsError(f"BFN {settings.bfn} / HFN {settings.hfn}: 0 to 4095 and 0 to 149")
        self.hdlc = HdlcEncoder(lsb_first=settings.planes.hdlc_lsb_first)
        self.ethernet = EthernetEncoder(lsb_first=settings.planes.ethernet_lsb_first)
        self.alarms = settings.alarms
        self.hyperframes = 0
        self._position = settings.bfn * HYPERFRAMES_PER_FRAME + settings.hfn

    @property
    def hdlc_octets(self) -> int:
        """Slow C&M octets a hyperframe."""
        return self.option.hdlc_octets(self.settings.hdlc_rate_code) or 0

    @property
    def ethernet_octets(self) -> int:
        """Fast C&M octets a hyperframe."""
        return self.option.ethernet_octets(self.settings.pointer_p)

    @property
    def vendor_octets(self) -> int:
        """Vendor specific octets a hyperframe, in time order."""
        return len(cw.vendor_places(self.option.name, self.settings.pointer_p))

    def timing_of(self, hyperframe: int) -> tuple[int, int]:
        """(BFN, HFN) of a hyperframe by its number from the first one sent."""
        start = self.settings.bfn * HYPERFRAMES_PER_FRAME + self.settings.hfn
        bfn, hfn = divmod(start + hyperframe, HYPERFRAMES_PER_FRAME)
        return bfn % BFN_MODULUS, hfn

    def special_positions(self, n: int) -> I64:
        """Positions, in n hyperframes one behind the other, of the special characters of the sync word."""
        starts = np.arange(n, dtype=np.int64) * self.option.hyperframe_octets
        if self.option.line_code == EIGHT_TEN:
            return starts
        both: I64 = starts[:, None] + np.array([TERMINATE_AT, START_AT])
        return both.reshape(-1)

    def encode(self, n: int, vendor: U8 | None = None, iq: U8 | None = None) -> U8:
        """The next n hyperframes, uint8 (n, 256, 16, T/8), plain; `special_positions` says which octets are K.

        `vendor` uint8 (n, vendor_octets) in time order; `iq` uint8 (n, 256, 15, T/8); zeros where left out.
        """
        settings, name = self.settings, self.option.name
        frame = np.zeros((n, 256, 16, self.option.word_octets), np.uint8)
        if iq is not None:
            frame[:, :, 1:, :] = iq.reshape(n, 256, 15, -1)
        control = np.zeros((n, 256, self.option.word_octets), np.uint8)
        position = self._position + np.arange(n)
        bfn, hfn = np.divmod(position, HYPERFRAMES_PER_FRAME)
        control[:, 0, :16] = D16_2
        if self.option.line_code == EIGHT_TEN:
            control[:, 0, 1:2] = settings.filler
            control[:, 0, 0] = K28_5
        else:
            control[:, 0, TERMINATE_AT], control[:, 0, START_AT] = TERMINATE, START
        control[:, cw.X_HFN, 0] = hfn
        control[:, cw.X_BFN_LOW, 0] = bfn & 0xFF
        control[:, cw.X_BFN_HIGH, 0] = (bfn % BFN_MODULUS) >> 8
        control[:, cw.X_VERSION, 0] = settings.version
        control[:, cw.X_RATE, 0] = settings.hdlc_rate_code
        control[:, cw.X_ALARMS, 0] = self.alarms
        control[:, cw.X_POINTER, 0] = settings.pointer_p
        flat = control.reshape(n, -1)
        for places, stream in (
            (cw.hdlc_places(name, settings.hdlc_rate_code), self.hdlc),
            (cw.ethernet_places(name, settings.pointer_p), self.ethernet),
        ):
            if len(places):
                octets = np.frombuffer(stream.take(n * len(places)), np.uint8)
                flat[:, places.flat] = octets.reshape(n, -1)
        if vendor is not None:
            flat[:, cw.vendor_places(name, settings.pointer_p).flat] = vendor
        frame[:, :, 0, :] = control
        self.hyperframes += n
        self._position += n
        return frame
