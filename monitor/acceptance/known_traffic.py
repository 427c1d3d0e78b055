"""A sender of which everything is known: numbered C&M frames, tones or a PN sequence in the IQ data.

Numbered frames are a function of plane, number and seed, so a receiver's frame can be held to what was sent. Pure
and seeded.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Protocol

import numpy as np

from decoders.arrays import I64, U8
from decoders.error_performance.pn_sequences import PN_INVERTED, PnSequence
from decoders.events import Plane
from decoders.linerates import BASIC_FRAMES_PER_HYPERFRAME, CHIP_RATE_HZ, LineRateOption, option_named
from decoders.link.encoder import LinkEncoder
from decoders.link.settings import SenderSettings
from decoders.user_plane.iq_map import IqMap

from ..emulation.sender import IQ_SAMPLE_RATE_HZ, IQ_WIDTH, iq_map_sent
from ..emulation.sent import SentBatch
from ..emulation.traffic import IqTraffic, Tone, seeded_bits

__all__ = [
    "IqFill",
    "KnownSender",
    "NumberedTraffic",
    "PnFill",
    "ToneFill",
    "number_of_frame",
    "numbered_frame",
]

_MAGIC = b"acpt"
_NOISE = np.packbits(seeded_bits(20260101)(0, 8 * 8192)).tobytes()
_ETHERNET_HEAD = bytes.fromhex("02534d000011 02534d000001 88b5")
"""Locally administered addresses, and the first EtherType for local experiments (IEEE 802, from memory)."""
_HDLC_HEAD = bytes((0x03, 0x03))
_NUMBER_OCTETS = 5


def numbered_frame(plane: Plane, number: int, seed: int) -> bytes:
    """Frame `number` of a channel, without its FCS: mostly short ones, one in 64 long."""
    head = _ETHERNET_HEAD if plane is Plane.ETHERNET else _HDLC_HEAD
    long = number % 64 == 63
    shortest, longest = (60, 590) if plane is Plane.ETHERNET else (12, 64)
    octets = longest if long else shortest + number % 5
    body = head + _MAGIC + number.to_bytes(_NUMBER_OCTETS, "big")
    at = (number * 131 + seed * 17) % 4096
    return body + _NOISE[at : at + octets - len(body)]


def number_of_frame(plane: Plane, data: bytes, seed: int) -> int | None:
    """The number of a frame that is exactly one of `numbered_frame`; None for any other."""
    at = len(_ETHERNET_HEAD if plane is Plane.ETHERNET else _HDLC_HEAD)
    if data[at : at + len(_MAGIC)] != _MAGIC:
        return None
    at += len(_MAGIC)
    number = int.from_bytes(data[at : at + _NUMBER_OCTETS], "big")
    return number if data == numbered_frame(plane, number, seed) else None


class IqFill(Protocol):
    """What fills the IQ data blocks."""

    def octets(self, first: int, n: int) -> U8:
        """IQ octets of n hyperframes from number `first` on, (n, 256 * 15 * T/8)."""
        ...


class ToneFill:
    """A tone in each of as many packed containers as fit, four at most; at 0 Hz offset none.

    `gain_db` is what the level differs by from the nominal one.
    """

    LEVEL_DBFS = -12.0

    def __init__(self, option: LineRateOption, seed: int, gain_db: float = 0.0) -> None:
        self.iq_map = IqMap.parse(option, iq_map_sent(option))
        count = len(self.iq_map.names)
        self.tone_hz = tuple(float(100_000 * (2 * i + 1 + seed % 3)) for i in range(count))
        per_hyperframe = IQ_SAMPLE_RATE_HZ // CHIP_RATE_HZ * BASIC_FRAMES_PER_HYPERFRAME
        turns = [Fraction(round(hz) * per_hyperframe, IQ_SAMPLE_RATE_HZ) for hz in self.tone_hz]
        self._period = math.lcm(*(turn.denominator for turn in turns))
        level = self.LEVEL_DBFS + gain_db
        tones = [IqTraffic(Tone(hz, level, float(IQ_SAMPLE_RATE_HZ)), IQ_WIDTH) for hz in self.tone_hz]
        samples = {
            name: tone.samples(0, self._period * per_hyperframe).astype(np.int16)
            for name, tone in zip(self.iq_map.names, tones, strict=True)
        }
        self._octets = self.iq_map.pack(samples).reshape(self._period, -1)

    def octets(self, first: int, n: int) -> U8:
        rows: U8 = self._octets[(first + np.arange(n)) % self._period]
        return rows


class PnFill:
    """A PN sequence through all IQ data, least significant bit of each octet first; each call goes on."""

    def __init__(self, option: LineRateOption, order: int) -> None:
        self._sequence = PnSequence(order, inverted=order in PN_INVERTED)
        self._row = BASIC_FRAMES_PER_HYPERFRAME * 15 * option.word_octets

    def octets(self, first: int, n: int) -> U8:
        return self._sequence.octets(n * self._row).reshape(n, -1)


@dataclass(frozen=True, slots=True)
class NumberedTraffic:
    """`frames` numbered frames on each of `planes`; with `drop_every` that one of so many is not sent."""

    planes: tuple[Plane, ...] = ()
    frames: int = 0
    seed: int = 1
    drop_every: int = 0


class KnownSender:
    """Hyperframes with known contents; SettingsError for settings that cannot be."""

    def __init__(self, settings: SenderSettings, iq: IqFill, traffic: NumberedTraffic | None = None) -> None:
        self.encoder = LinkEncoder(settings)
        self.option = option_named(settings.option)
        self._iq = iq
        self._traffic = traffic or NumberedTraffic()
        self.handed: dict[Plane, int] = dict.fromkeys(self._traffic.planes, 0)
        self._inside = dict(self.handed)
        self._first_number = settings.bfn * 150 + settings.hfn
        self.next_hyperframe = 0
        self._vendor = np.resize(np.frombuffer(b"SALTMARSH", np.uint8), self.encoder.vendor_octets)

    def octets_of(self, plane: Plane) -> int:
        """Octets of a C&M channel in a hyperframe."""
        return self.encoder.hdlc_octets if plane is Plane.HDLC else self.encoder.ethernet_octets

    def _pending(self, plane: Plane) -> int:
        encoder = self.encoder
        return (encoder.hdlc if plane is Plane.HDLC else encoder.ethernet).pending_octets

    @property
    def waiting(self) -> bool:
        """Whether frames have not left yet, or are still to be handed over."""
        return any(
            count < self._traffic.frames or self._inside[plane] > 0 for plane, count in self.handed.items()
        )

    def batch(self, n: int) -> list[SentBatch]:
        """The next n hyperframes."""
        for plane in self.handed:
            self._feed(plane, n)
        first = self.next_hyperframe
        octets = self.encoder.encode(
            n, vendor=np.tile(self._vendor, (n, 1)), iq=self._iq.octets(self._first_number + first, n)
        )
        gone = {Plane.HDLC: len(self.encoder.hdlc.sent()), Plane.ETHERNET: len(self.encoder.ethernet.sent())}
        for plane in self._inside:
            self._inside[plane] -= gone[plane]
        self.next_hyperframe += n
        return [SentBatch(first, octets, self.encoder.special_positions(n), _NOWHERE)]

    def _feed(self, plane: Plane, n: int) -> None:
        traffic = self._traffic
        while self.handed[plane] < traffic.frames and self._pending(plane) < n * self.octets_of(plane):
            number = self.handed[plane]
            self.handed[plane] += 1
            if traffic.drop_every and (number + 1) % traffic.drop_every == 0:
                continue
            self._inside[plane] += 1
            frame = numbered_frame(plane, number, traffic.seed)
            if plane is Plane.HDLC:
                self.encoder.hdlc.send(frame)
            else:
                self.encoder.ethernet.send(frame)


_NOWHERE: I64 = np.zeros(0, np.int64)


def planes_named(names: Sequence[str]) -> tuple[Plane, ...]:
    return tuple(Plane(name) for name in names)
