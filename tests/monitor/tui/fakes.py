"""A small source of hyperframes for the screen's tests, and one that can be damaged; no clock, no chance."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from decoders.ethernet import EthernetDamage
from decoders.iq import AxcContainer, IqMap
from decoders.linerates import option_named
from decoders.link import LinkEncoder, SenderSettings
from decoders.packets import build_arp_request, build_ethernet
from monitor.sources import Chunk

HOSTILE = b"\x1b[31m[red]\xff\xfe\xe2\x80\xae\xf0\x9f\x98\x80[/red]\x07\r\n"
"""Escape sequence, markup, broken UTF-8, a right-to-left override, a wide character, bell, line ends."""


class FakeSource:
    """Hyperframes of option 2 with slow and fast C&M frames, vendor octets that count, and IQ tones."""

    def __init__(
        self, chunks: int = 12, size: int = 20, *, description: str = "fake link", hostile: bool = False
    ) -> None:
        self.description = description
        self.form = "octets"
        self.option = "2"
        self.warnings: list[str] = []
        self.closed = False
        self.encoder = LinkEncoder(SenderSettings(option="2", bfn=17, hfn=140))
        self._chunks, self._size = chunks, size
        self._hostile = hostile
        self._spoil: dict[int, str] = {}
        self._iq = _tones(size)

    def chunks(self) -> Iterator[Chunk]:
        for index in range(self._chunks):
            yield Chunk(self._hyperframes(index), index * 1_333_333, 0)

    def close(self) -> None:
        self.closed = True

    def _hyperframes(self, index: int) -> NDArray[np.uint8]:
        encoder, size = self.encoder, self._size
        first = encoder.hyperframes
        text = HOSTILE if self._hostile else b"RE-1 temperature 41 C"
        encoder.hdlc.send(b"\x03\xcc" + text)
        payload = HOSTILE + bytes(46) if self._hostile else bytes(46)
        frame = build_ethernet("02:00:00:00:00:0a", "02:00:00:00:00:01", 0x88B5, payload)
        if self._spoil.pop(index, "") == "ethernet.fcs":
            encoder.ethernet.send(frame, EthernetDamage(fcs_xor=1))
        else:
            encoder.ethernet.send(frame)
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

    def inject(self, text: str) -> tuple[int, str, Mapping[str, int]]:
        at = self._index * self._size
        if text == "ethernet.fcs":
            self._spoil[self._index] = text
            return at, text, {"ethernet_fcs_errors": 1}
        if text == "sync.hfn":
            return at, text, {"hfn_discontinuities": 2}
        raise ValueError(f"no such fault here: {text}")


def _tones(size: int) -> NDArray[np.uint8]:
    iq_map = IqMap.packed(option_named("2"), [AxcContainer(f"A{i}", 15, 3_840_000) for i in range(8)])
    t = np.arange(size * 256)
    samples = {}
    for i, name in enumerate(iq_map.names):
        tone = np.stack((np.cos(t * 2 * np.pi / 64), np.sin(t * 2 * np.pi / 64)), axis=1)
        samples[name] = np.round(tone * (2000 * (i < 2))).astype(np.int16)
    return iq_map.pack(samples).reshape(size, 256, 15, 2)


__all__ = ["HOSTILE", "FakeFaultySource", "FakeSource", "build_arp_request"]
