"""Streams for the link tests: hyperframes with traffic, damage to characters, and one way to decode them all."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from decoders.events import Event, FrameReceived, OctetsChanged
from decoders.line_coding.characters import LineForm
from decoders.line_coding.code_8b10b import K_CODES, SymbolDecoder, SymbolEncoder
from decoders.linerates import option_named
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings, SenderSettings
from monitor.emulation.crafting import craft
from monitor.emulation.sender import EmulatedSender
from monitor.faults.catalogue import parse_fault
from monitor.reports.decode_records import decode_record, frame_record, vendor_records

U8 = NDArray[np.uint8]
U16 = NDArray[np.uint16]

RATE_CODES = {"1": 2, "2": 3, "3": 4, "4": 5, "5": 6, "6": 6, "7": 6}


@dataclass(frozen=True)
class Outcome:
    """All that a decoder said about a stream."""

    events: list[Event]
    record: dict[str, Any]
    missed: int

    @property
    def counters(self) -> dict[str, int]:
        counters: dict[str, int] = self.record["counters"]
        return counters

    @property
    def moved(self) -> dict[str, int]:
        return {name: value for name, value in self.counters.items() if value}

    @property
    def frames(self) -> list[dict[str, Any]]:
        return [frame_record(e) for e in self.events if isinstance(e, FrameReceived)]

    @property
    def vendor(self) -> list[dict[str, Any]]:
        return [line for e in self.events if isinstance(e, OctetsChanged) for line in vendor_records(e)]


def decode(data: bytes, settings: LinkSettings, cuts: Iterable[int] | None = None) -> Outcome:
    """Decode a whole stream, fed at once or in pieces of the sizes `cuts` (what is left over at the end)."""
    decoder = LinkDecoder(settings)
    events: list[Event] = []
    at = 0
    for size in cuts or ():
        events += decoder.receive(data[at : at + size])
        at += size
    events += decoder.receive(data[at:])
    events += decoder.finish()
    assert decoder.finish() == []
    return Outcome(events, decode_record(decoder), decoder.hyperframes_missed)


@cache
def crafted(
    option: str,
    form: LineForm,
    faults: Sequence[str] = (),
    hyperframes: int = 24,
    lead_bits: int = 0,
    pointer_p: int = 40,
    seed: int = 5,
    hfn: int = 140,
) -> tuple[bytes, dict[str, Any]]:
    """(stream, truth) of `framefray craft`; BFN and HFN wrap on the way."""
    out = bytearray()
    settings = SenderSettings(
        option=option, hdlc_rate_code=RATE_CODES[option], pointer_p=pointer_p, bfn=4095, hfn=hfn
    )
    made = craft(
        settings,
        hyperframes,
        form,
        out.extend,
        seed=seed,
        faults=[parse_fault(text) for text in faults],
        lead_bits=lead_bits,
    )
    return bytes(out), made.truth


@cache
def _traffic(option: str, hyperframes: int, seed: int) -> bytes:
    settings = SenderSettings(
        option=option,
        hdlc_rate_code=RATE_CODES[option],
        pointer_p=20 + 11 * seed % 44,
        bfn=4095,
        hfn=(145 + seed) % 150,
    )
    batches = EmulatedSender(settings, seed, load=0.9).batch(hyperframes)
    return b"".join(batch.octets.tobytes() for batch in batches)


class Stream:
    """Hyperframes with traffic as octets and K positions, to be damaged, then coded."""

    def __init__(self, option: str, hyperframes: int, seed: int = 1) -> None:
        self.option = option_named(option)
        self.size = self.option.hyperframe_octets
        self.octets: U8 = np.frombuffer(_traffic(option, hyperframes, seed), np.uint8).copy()
        self.k: set[int] = set(range(0, len(self.octets), self.size))

    @property
    def hyperframes(self) -> U8:
        """View (n, octets of a hyperframe)."""
        return self.octets.reshape(-1, self.size)

    def control(self, x: int, y: int = 0) -> U8:
        """View (n,) of one control octet in every hyperframe."""
        return self.hyperframes[:, x * self.option.basic_frame_octets + y]

    def symbols(self, disparity: int = 0) -> U16:
        k = np.array(sorted(p for p in self.k if int(self.octets[p]) in K_CODES), np.int64)
        return SymbolEncoder(disparity).encode(self.octets, k)


def as_form(symbols: U16, form: LineForm) -> bytes:
    """A run of symbols as octets, flagged or symbols."""
    if form is LineForm.SYMBOLS:
        return symbols.astype("<u2").tobytes()
    block = SymbolDecoder().decode(symbols)
    if form is LineForm.OCTETS:
        return block.octets.tobytes()
    words = block.octets.astype("<u2")
    words[block.k_positions] |= np.uint16(0x100)
    words[block.violations] |= np.uint16(0x200)
    words[block.disparity_errors] |= np.uint16(0x400)
    return words.tobytes()
