"""Hyperframes of one link with traffic on every channel, made by the encoders alone, and one way to decode them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from decoders.arrays import I64, U8
from decoders.events import Event, FrameReceived, FrameStatus, Plane
from decoders.line_coding.characters import LineForm
from decoders.linerates import OPTIONS
from decoders.link.decoder import HyperframeBlock, LinkDecoder
from decoders.link.encoder import LinkEncoder
from decoders.link.line_encoder import LineEncoder
from decoders.link.settings import LinkSettings, SenderSettings

__all__ = ["Hyperframes", "Received", "hyperframes", "line_data", "receive"]


@dataclass(frozen=True, slots=True, eq=False)
class Hyperframes:
    """Plain hyperframes (n, 256, 16, T/8), where their special characters lie, and the frames inside.

    `octets` may be changed: they are a copy each time.
    """

    option: str
    octets: U8
    special: I64
    sent: dict[Plane, list[bytes]]


@lru_cache(maxsize=12)
def _made(option: str, count: int, version: int) -> tuple[U8, I64, dict[Plane, list[bytes]]]:
    code = 6 if OPTIONS[option].word_octets >= 8 else 2
    settings = SenderSettings(
        option=option, hdlc_rate_code=code, pointer_p=40, bfn=4095, hfn=147, version=version
    )
    encoder = LinkEncoder(settings)
    random = np.random.default_rng(3)
    sent: dict[Plane, list[bytes]] = {
        Plane.HDLC: [random.bytes(30) for _ in range(count * encoder.hdlc_octets // 40)],
        Plane.ETHERNET: [random.bytes(80) for _ in range(count * encoder.ethernet_octets // 140)],
    }
    for frame in sent[Plane.HDLC]:
        encoder.hdlc.send(frame)
    for frame in sent[Plane.ETHERNET]:
        encoder.ethernet.send(frame)
    iq = random.integers(0, 256, (count, 256, 15, encoder.option.word_octets), np.uint8)
    return encoder.encode(count, iq=iq), encoder.special_positions(count), sent


def hyperframes(option: str, count: int = 6, *, version: int = 1) -> Hyperframes:
    """HFN wraps on the way; slow and fast C&M are full, IQ is random, vendor specific octets are 0."""
    octets, special, sent = _made(option, count, version)
    return Hyperframes(option, octets.copy(), special, sent)


def line_data(
    made: Hyperframes,
    form: LineForm,
    *,
    fec: bool = False,
    header_xor: bool = False,
    seed: int | None = None,
    lead_bits: int = 0,
) -> bytes:
    encoder = LineEncoder(made.option, form, fec=fec, header_xor=header_xor, seed=seed, lead_bits=lead_bits)
    return encoder.encode(made.octets, made.special) + encoder.finish()


@dataclass(slots=True)
class Received:
    """All that a decoder said of a stream, and the hyperframes it gave."""

    decoder: LinkDecoder
    events: list[Event]
    octets: U8

    @property
    def moved(self) -> dict[str, int]:
        """Counters that are not 0, but those of good frames."""
        good = ("hdlc_frames", "ethernet_frames")
        return {name: by for name, by in self.decoder.counters.items() if by and name not in good}

    def frames(self, plane: Plane) -> list[bytes]:
        return [
            event.data
            for event in self.events
            if isinstance(event, FrameReceived) and event.plane is plane and event.status is FrameStatus.GOOD
        ]


def receive(data: bytes, settings: LinkSettings, cuts: Iterable[int] = ()) -> Received:
    """Decode a whole stream, fed in pieces of the sizes `cuts` and what is left over at the end."""
    blocks: list[U8] = []

    def keep(block: HyperframeBlock) -> None:
        blocks.append(block.octets.copy())

    decoder = LinkDecoder(settings, keep)
    events: list[Event] = []
    at = 0
    for size in (*cuts, len(data)):
        events += decoder.receive(data[at : at + size])
        at += size
    events += decoder.finish()
    return Received(decoder, events, np.concatenate(blocks) if blocks else np.zeros(0, np.uint8))
