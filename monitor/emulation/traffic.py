"""Traffic of the emulated boards on each plane: Ethernet and HDLC frames, vendor octets, IQ samples.

The site is fictional (Saltmarsh: controller REC-A, radio heads RE-1 to RE-3), the addresses are from a
private range (RFC 1918) and locally administered. What C&M frames and vendor octets say is left to the
vendor by CPRI V7.0 (clause 4.2.7.7), so texts, ports and mixes here are our own choice.

Everything is a function of the seed and, for octets and samples, of the absolute position: the same call
gives the same octets, whatever was asked before. Frame generators draw by `random.Random.random` alone, the
one method whose sequence Python promises to keep. Nothing here reads a clock or knows the line.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from decoders.cm_plane.packets import (
    SHORTEST_FRAME,
    Host,
    build_arp_reply,
    build_arp_request,
    build_icmp_echo,
    build_ipv4_udp,
    padded,
)
from decoders.linerates import CHIP_RATE_HZ, HYPERFRAMES_PER_FRAME

__all__ = [
    "KEEP_ALIVE_PORT",
    "LONGEST_FRAME",
    "RADIO_HEADS",
    "REC_A",
    "RE_1",
    "RE_2",
    "RE_3",
    "BitSource",
    "Constant",
    "EthernetTraffic",
    "HdlcTraffic",
    "IqTraffic",
    "Pn",
    "Ramp",
    "Station",
    "Tone",
    "VendorPattern",
    "Waveform",
    "ZeroSamples",
    "seeded_bits",
]


@dataclass(frozen=True, slots=True)
class Station:
    """A board of the site: its name, addresses and HDLC station address."""

    name: str
    host: Host
    hdlc_address: int


REC_A = Station("REC-A", Host("02:53:4d:00:00:01", "10.77.0.1"), 0x01)
RE_1 = Station("RE-1", Host("02:53:4d:00:00:11", "10.77.0.11"), 0x03)
RE_2 = Station("RE-2", Host("02:53:4d:00:00:12", "10.77.0.12"), 0x05)
RE_3 = Station("RE-3", Host("02:53:4d:00:00:13", "10.77.0.13"), 0x07)
RADIO_HEADS = (RE_1, RE_2, RE_3)

KEEP_ALIVE_PORT = 5005
LONGEST_FRAME = 1514
"""Octets of the longest untagged Ethernet frame without FCS (IEEE 802.3: 1 518 with it)."""

_T = TypeVar("_T")
_WORDS = ("carrier", "filter", "gain", "lamp", "mast", "power", "tide", "clock", "fan", "door")


def _pick(rng: random.Random, choices: Sequence[_T]) -> _T:
    return choices[int(rng.random() * len(choices))]


def _pick_weighted(rng: random.Random, weights: Sequence[tuple[_T, int]]) -> _T:
    left = rng.random() * sum(weight for _, weight in weights)
    for choice, weight in weights:
        left -= weight
        if left < 0:
            return choice
    return weights[-1][0]


def _octets(rng: random.Random, n: int) -> bytes:
    return bytes(int(rng.random() * 256) for _ in range(n))


class _Packet(StrEnum):
    KEEP_ALIVE = "keep-alive"
    ECHO_REQUEST = "echo request"
    ECHO_REPLY = "echo reply"
    ARP_REQUEST = "arp request"
    ARP_REPLY = "arp reply"


_CONTROLLER_MIX = (
    (_Packet.KEEP_ALIVE, 70),
    (_Packet.ECHO_REQUEST, 14),
    (_Packet.ARP_REQUEST, 10),
    (_Packet.ECHO_REPLY, 3),
    (_Packet.ARP_REPLY, 3),
)
_RADIO_MIX = (
    (_Packet.KEEP_ALIVE, 70),
    (_Packet.ECHO_REPLY, 14),
    (_Packet.ARP_REPLY, 10),
    (_Packet.ECHO_REQUEST, 3),
    (_Packet.ARP_REQUEST, 3),
)


class EthernetTraffic:
    """Endless frames of `sender` to its `peers`, each 60..1514 octets without FCS, padded as a MAC pads.

    The controller mostly asks (ARP request, echo request) and a radio head mostly answers; both send UDP
    keep-alives that carry a counter and text. UDP and echo frames have one of the lengths in `sizes`, drawn
    evenly; ARP frames have the shortest. ValueError for no peer, no size, or a size outside 60..1514.
    """

    def __init__(
        self,
        seed: int,
        *,
        sender: Station = REC_A,
        peers: Sequence[Station] = RADIO_HEADS,
        sizes: Sequence[int] = (60, 90, 128, 256, 590),
    ) -> None:
        if not peers:
            raise ValueError("Ethernet traffic needs at least one peer")
        if not sizes or any(not SHORTEST_FRAME <= size <= LONGEST_FRAME for size in sizes):
            raise ValueError(f"frame sizes must be {SHORTEST_FRAME}..{LONGEST_FRAME} octets, at least one")
        self._rng = random.Random(f"ethernet {seed} {sender.name}")
        self._sender = sender
        self._peers = tuple(peers)
        self._sizes = tuple(sizes)
        self._mix = _CONTROLLER_MIX if sender.name.startswith("REC") else _RADIO_MIX
        self._count = 0

    def __iter__(self) -> Iterator[bytes]:
        return self

    def __next__(self) -> bytes:
        kind = _pick_weighted(self._rng, self._mix)
        peer = _pick(self._rng, self._peers)
        size = _pick(self._rng, self._sizes)
        number, self._count = self._count & 0xFFFF, self._count + 1
        me, other = self._sender.host, peer.host
        if kind is _Packet.ARP_REQUEST:
            return padded(build_arp_request(me, other.ip))
        if kind is _Packet.ARP_REPLY:
            return padded(build_arp_reply(me, other))
        # Ethernet, IPv4 and UDP or ICMP headers take 14 + 20 + 8 octets.
        if kind is _Packet.KEEP_ALIVE:
            payload = self._text(peer, size - 42)
            return build_ipv4_udp(
                me, other, KEEP_ALIVE_PORT, KEEP_ALIVE_PORT + 1, payload, identification=number
            )
        payload = bytes(i & 0xFF for i in range(size - 42))
        return build_icmp_echo(
            me,
            other,
            peer.hdlc_address,
            number,
            payload,
            reply=kind is _Packet.ECHO_REPLY,
            identification=number,
        )

    def _text(self, peer: Station, octets: int) -> bytes:
        """A keep-alive of exactly `octets`: the counter first, so that the shortest still has it."""
        temperature = 28 + 8 * self._rng.random()
        count = (self._count - 1) % 1_000_000
        text = f"{count:06d} {self._sender.name}>{peer.name} keep-alive temp={temperature:.1f} site=Saltmarsh"
        while len(text) < octets:
            text += f" {_pick(self._rng, _WORDS)}={int(self._rng.random() * 1000):03d}"
        return text[:octets].encode("ascii")


class _Message(StrEnum):
    TICK = "tick"
    STATUS = "status"
    LOG = "log"
    TABLE = "table"


_MESSAGE_MIX = ((_Message.STATUS, 55), (_Message.LOG, 20), (_Message.TICK, 15), (_Message.TABLE, 10))
_UNNUMBERED_INFORMATION = 0x03
"""Control octet UI with the poll bit clear (ISO/IEC 13239, from memory)."""


class HdlcTraffic:
    """Endless HDLC frames of `sender`: address, control UI and information, without FCS and flags.

    Each has `shortest`..`longest` octets (from 6, up to any length; ValueError outside). Information is a
    counter in readable text; one frame in ten ends in arbitrary octets, for the bit stuffing. The address is
    the radio head's, in both directions.
    """

    def __init__(
        self,
        seed: int,
        *,
        sender: Station = REC_A,
        peers: Sequence[Station] = RADIO_HEADS,
        shortest: int = 6,
        longest: int = 120,
    ) -> None:
        if not peers:
            raise ValueError("HDLC traffic needs at least one peer")
        if not 6 <= shortest <= longest:
            raise ValueError(f"HDLC frame lengths {shortest}..{longest} must rise from at least 6 octets")
        self._rng = random.Random(f"hdlc {seed} {sender.name}")
        self._sender = sender
        self._peers = tuple(peers)
        self._shortest, self._longest = shortest, longest
        self._count = 0

    def __iter__(self) -> Iterator[bytes]:
        return self

    def __next__(self) -> bytes:
        rng = self._rng
        peer = _pick(rng, self._peers)
        kind = _pick_weighted(rng, _MESSAGE_MIX)
        text = self._information(kind, peer)
        self._count += 1
        secondary = peer if self._sender.name.startswith("REC") else self._sender
        frame = bytes((secondary.hdlc_address, _UNNUMBERED_INFORMATION)) + text
        return frame[: self._longest].ljust(self._shortest, b" ")

    def _information(self, kind: _Message, peer: Station) -> bytes:
        rng = self._rng
        if kind is _Message.TICK:
            return b"%04d" % (self._count % 10_000)
        head = f"{self._sender.name}>{peer.name} {kind} {self._count % 1_000_000:06d}"
        if kind is _Message.STATUS:
            return f"{head} temp={28 + 8 * rng.random():.1f}".encode("ascii")
        if kind is _Message.LOG:
            words = (
                f" {_pick(rng, _WORDS)}={int(rng.random() * 1000):03d}" for _ in range(int(rng.random() * 12))
            )
            return (head + "".join(words)).encode("ascii")
        return (
            f"{head} ".encode("ascii")
            + b"\xff" * int(rng.random() * 8)
            + _octets(rng, int(rng.random() * 60))
        )


@dataclass(frozen=True, slots=True)
class VendorPattern:
    """Vendor octets as a function of the hyperframe index alone.

    The first two are a counter, high octet first, that steps once a 10 ms frame (150 hyperframes, CPRI V7.0
    clause 4.2.7.1.2) and starts at `counter_start`; the rest repeat `constants`. Index 0 must be the
    first hyperframe of a frame (HFN 0), so that the counter steps where BFN does.
    """

    constants: bytes = b"SALTMARSH"
    counter_start: int = 0

    def octets(self, first_hyperframe: int, n: int, n_octets: int) -> NDArray[np.uint8]:
        """Hyperframes `first_hyperframe` .. + n - 1, as (n, n_octets) uint8.

        With one octet only the counter's high octet is there. ValueError for a negative argument or no
        constants where some are needed.
        """
        if first_hyperframe < 0 or n < 0 or n_octets < 0:
            raise ValueError("hyperframe index and counts must not be negative")
        if n_octets > 2 and not self.constants:
            raise ValueError("a vendor pattern of more than two octets needs constants")
        out = np.empty((n, n_octets), np.uint8)
        frames = np.arange(first_hyperframe, first_hyperframe + n, dtype=np.int64) // HYPERFRAMES_PER_FRAME
        counter = (frames + self.counter_start) & 0xFFFF
        columns = np.stack((counter >> 8, counter & 0xFF), axis=1).astype(np.uint8)
        out[:, :2] = columns[:, :n_octets]
        if n_octets > 2:
            out[:, 2:] = np.resize(np.frombuffer(self.constants, np.uint8), n_octets - 2)
        return out


BitSource = Callable[[int, int], NDArray[np.uint8]]
"""(first_bit, n) -> n values 0 or 1, a function of the absolute bit position."""


def seeded_bits(seed: int) -> BitSource:
    """Arbitrary bits addressed by position: 64 at a time from a counter mixed as SplitMix64 does.

    Good enough to look like noise; not a sequence that any test set knows.
    """
    golden = 0x9E3779B97F4A7C15
    offset = np.uint64((seed * golden) & 0xFFFF_FFFF_FFFF_FFFF)

    def bits(first_bit: int, n: int) -> NDArray[np.uint8]:
        if first_bit < 0 or n < 0:
            raise ValueError("bit position and count must not be negative")
        first_word = first_bit // 64
        words = np.arange(first_word, (first_bit + n + 63) // 64, dtype=np.uint64)
        mixed = (words + np.uint64(1)) * np.uint64(golden) ^ offset
        mixed = (mixed ^ mixed >> np.uint64(30)) * np.uint64(0xBF58476D1CE4E5B9)
        mixed = (mixed ^ mixed >> np.uint64(27)) * np.uint64(0x94D049BB133111EB)
        mixed ^= mixed >> np.uint64(31)
        unpacked = np.unpackbits(mixed.astype("<u8").view(np.uint8), bitorder="little")
        skip = first_bit - 64 * first_word
        return unpacked[skip : skip + n]

    return bits


@dataclass(frozen=True, slots=True)
class ZeroSamples:
    """Zero samples."""


@dataclass(frozen=True, slots=True)
class Constant:
    """The same I and Q always, as integers of the sample width."""

    i: int
    q: int


@dataclass(frozen=True, slots=True)
class Ramp:
    """I steps up by `step` a sample and wraps; Q is its bitwise complement, so a swap of I and Q shows."""

    step: int = 1


@dataclass(frozen=True, slots=True)
class Tone:
    """A complex tone: negative frequencies turn the other way.

    0 dBFS is the circle through the largest positive sample value (common practice, no source).
    """

    frequency_hz: float
    level_dbfs: float = -12.0
    sample_rate_hz: float = float(CHIP_RATE_HZ)


@dataclass(frozen=True, slots=True)
class Pn:
    """Samples filled from a bit sequence: the bits of I, least significant first, then those of Q."""

    bits: BitSource


Waveform = ZeroSamples | Constant | Ramp | Tone | Pn


class IqTraffic:
    """The samples of one AxC at a sample width M of 4..20 bits (CPRI V7.0 clause 4.2.7.2, from memory).

    ValueError for a width, level, frequency or constant that cannot be.
    """

    def __init__(self, waveform: Waveform, width_bits: int) -> None:
        if not 4 <= width_bits <= 20:
            raise ValueError(f"sample width {width_bits} is outside 4..20 bits")
        self._waveform = waveform
        self._width = width_bits
        self._half = 1 << (width_bits - 1)
        if isinstance(waveform, Constant):
            for value in (waveform.i, waveform.q):
                if not -self._half <= value < self._half:
                    raise ValueError(f"constant {value} does not fit {width_bits} bits")
        elif isinstance(waveform, Tone):
            if not waveform.level_dbfs <= 0:
                raise ValueError(f"tone level {waveform.level_dbfs} dBFS is above full scale")
            if not (
                waveform.sample_rate_hz > 0 and 2 * abs(waveform.frequency_hz) <= waveform.sample_rate_hz
            ):
                raise ValueError(f"tone of {waveform.frequency_hz} Hz is outside half the sample rate")

    def samples(self, first_sample: int, n: int) -> NDArray[np.int32]:
        """Samples `first_sample` .. + n - 1 as (n, 2) int32, I then Q, two's complement values of M bits."""
        if first_sample < 0 or n < 0:
            raise ValueError("sample index and count must not be negative")
        waveform = self._waveform
        if isinstance(waveform, ZeroSamples):
            return np.zeros((n, 2), np.int32)
        if isinstance(waveform, Constant):
            return np.tile(np.array((waveform.i, waveform.q), np.int32), (n, 1))
        if isinstance(waveform, Ramp):
            return self._ramp(waveform, first_sample, n)
        if isinstance(waveform, Tone):
            return self._tone(waveform, first_sample, n)
        return self._pn(waveform, first_sample, n)

    def _ramp(self, ramp: Ramp, first_sample: int, n: int) -> NDArray[np.int32]:
        modulus = 2 * self._half
        index = np.arange(first_sample, first_sample + n, dtype=np.int64) % modulus
        value = index * (ramp.step % modulus) % modulus
        i = (value ^ self._half) - self._half
        return np.stack((i, ~i), axis=1).astype(np.int32)

    def _tone(self, tone: Tone, first_sample: int, n: int) -> NDArray[np.int32]:
        # The phase is an integer of 2^-64 turns, so it is exact at any index and any splitting.
        turns = Fraction(tone.frequency_hz) / Fraction(tone.sample_rate_hz)
        step = np.uint64(round(turns * (1 << 64)) & 0xFFFF_FFFF_FFFF_FFFF)
        index = np.arange(first_sample, first_sample + n, dtype=np.uint64)
        angle = (index * step >> np.uint64(11)).astype(np.float64) * (2 * np.pi / (1 << 53))
        amplitude = (self._half - 1) * 10 ** (tone.level_dbfs / 20)
        out = np.empty((n, 2), np.int32)
        out[:, 0] = np.rint(amplitude * np.cos(angle))
        out[:, 1] = np.rint(amplitude * np.sin(angle))
        return out

    def _pn(self, pn: Pn, first_sample: int, n: int) -> NDArray[np.int32]:
        width = self._width
        bits = np.asarray(pn.bits(2 * width * first_sample, 2 * width * n), np.uint8)
        if bits.shape != (2 * width * n,):
            raise ValueError(
                f"the bit source gave shape {bits.shape}, not the {2 * width * n} bits asked for"
            )
        packed = np.packbits(bits.reshape(2 * n, width), axis=1, bitorder="little")
        words = np.zeros((2 * n, 4), np.uint8)
        words[:, : packed.shape[1]] = packed
        value = words.view("<i4").reshape(n, 2)
        return ((value ^ self._half) - self._half).astype(np.int32)
