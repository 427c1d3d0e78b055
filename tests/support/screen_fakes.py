"""A small source of hyperframes for the screen's tests, and one that can be damaged; no clock, no chance."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from decoders.cm_plane.ethernet_encoder import EthernetDamage
from decoders.cm_plane.packets import Host, build_arp_request, build_ethernet
from decoders.linerates import option_named
from decoders.link.encoder import LinkEncoder
from decoders.link.settings import SenderSettings
from decoders.user_plane.axc_container import AxcContainer
from decoders.user_plane.iq_map import IqMap
from monitor.errors import InputError
from monitor.sources.source import Chunk, Injection

HOSTILE = b"\x1b[31m[red]\xff\xfe\xe2\x80\xae\xf0\x9f\x98\x80[/red]\x07\r\n"
"""Escape sequence, markup, broken UTF-8, a right-to-left override, a wide character, bell, line ends."""


class FakeSource:
    """Hyperframes with slow and fast C&M frames, vendor octets that count, and IQ tones; octets form."""

    def __init__(
        self,
        chunks: int = 12,
        size: int = 20,
        *,
        description: str = "fake link",
        hostile: bool = False,
        option: str = "2",
        breaks_at: int | None = None,
    ) -> None:
        self.description = description
        self.form = "octets"
        self.option = option
        self.warnings: list[str] = []
        self.closed = False
        rate_code = {"1": 2}.get(option, 3)
        self.encoder = LinkEncoder(SenderSettings(option=option, hdlc_rate_code=rate_code, bfn=17, hfn=140))
        self._chunks, self._size = chunks, size
        self._hostile, self._breaks_at = hostile, breaks_at
        self._spoil: dict[int, str] = {}
        self._iq = _tones(size, option)

    def chunks(self) -> Iterator[Chunk]:
        for index in range(self._chunks):
            if index == self._breaks_at:
                raise InputError("the board \x1b[31mwent away", where=4096)
            yield Chunk(self._hyperframes(index), index * 1_333_333, 0)

    def close(self) -> None:
        self.closed = True

    def _hyperframes(self, index: int) -> NDArray[np.uint8]:
        encoder, size = self.encoder, self._size
        first = encoder.hyperframes
        encoder.hdlc.send(b"\x03\xcc" + (HOSTILE if self._hostile else b"RE-1 temperature 41 C"))
        if self._hostile:
            frame = build_ethernet("02:00:00:00:00:0a", "02:00:00:00:00:01", 0x88B5, HOSTILE + bytes(46))
        else:
            sender = Host("02:00:00:00:00:01", "10.77.0.1")
            frame = build_arp_request(sender, "10.77.0.11")
        spoiled = self._spoil.pop(index, "") == "ethernet.fcs"
        encoder.ethernet.send(frame, EthernetDamage(fcs_xor=1) if spoiled else None)
        vendor = np.zeros((size, encoder.vendor_octets), np.uint8)
        vendor[:, 9] = (first + np.arange(size)) // 7
        return encoder.encode(size, vendor, self._iq)


class FakeFaultySource(FakeSource):
    """Takes `ethernet.fcs`, and `sync.hfn`, of which it falsely says that it was done."""

    def __init__(self, chunks: int = 12, size: int = 20) -> None:
        super().__init__(chunks, size)
        self._index = 0

    def _hyperframes(self, index: int) -> NDArray[np.uint8]:
        self._index = index + 1
        return super()._hyperframes(index)

    def inject(self, text: str) -> Injection:
        at = self._index * self._size
        if text == "ethernet.fcs":
            self._spoil[self._index] = text
            return Injection(at, text, {"ethernet_fcs_errors": 1})
        if text == "sync.hfn":
            return Injection(at, text, {"hfn_discontinuities": 2})
        raise InputError(f"no such fault here: {text}")


def _tones(size: int, option: str) -> NDArray[np.uint8]:
    """Full scale less 18.3 dB in the first two containers, nothing in the others."""
    line = option_named(option)
    slots = line.iq_bits_per_basic_frame // 30
    iq_map = IqMap.packed(line, [AxcContainer(f"A{i}", 15, 3_840_000) for i in range(slots)])
    t = np.arange(size * 256)
    tone = np.stack((np.cos(t * 2 * np.pi / 64), np.sin(t * 2 * np.pi / 64)), axis=1)
    samples = {
        name: np.round(tone * (2000 * (i < 2))).astype(np.int16) for i, name in enumerate(iq_map.names)
    }
    return iq_map.pack(samples).reshape(size, 256, 15, -1)
