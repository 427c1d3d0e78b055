"""One recorded transmission: what an emulated link or a crafted capture puts on the line, with its faults.

The same settings and faults give the same octets. Nothing here decodes or judges.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from decoders.errors import DecodersError
from decoders.line_coding.characters import LineForm
from decoders.line_coding.code_8b10b import SymbolDecoder, symbols_at
from decoders.linerates import LineRateOption
from decoders.link.settings import SenderSettings

from ..emulation.crafting import craft
from ..emulation.emulated_link import EmulatedSource
from ..emulation.line_writer import LineWriter
from ..emulation.sent import SentBatch, SentFrame
from ..errors import InputError
from ..faults.kinds import Fault, Layer
from ..sources.names import is_pair
from .conditions import CHUNK_HYPERFRAMES, CRAFT_LEAD_BITS, LOAD, LinkConditions

__all__ = ["PlacedFault", "TappedSource", "Transmission", "around", "transmit"]


@dataclass(frozen=True, slots=True)
class PlacedFault:
    """A fault as put in.

    `offset_octets` is the first octet damaged, from the start of the stream; a fault of a C&M frame has none,
    but the frame (FCS last) and the hyperframe in which it ended. `sent` is False where the frame never left.
    """

    text: str
    hyperframe: int
    offset_octets: int | None
    sent: bool = True
    frame: bytes | None = None
    frame_hyperframe: int | None = None

    @property
    def on_line(self) -> int:
        """The hyperframe from which on a receiver can know."""
        return self.hyperframe if self.frame_hyperframe is None else self.frame_hyperframe


@dataclass(frozen=True, slots=True)
class Transmission:
    """`chunks` is what arrives; `sent` what was sent, its first symbol at bit `sent_lead_bits` in bit form.

    `truth` holds the counters of a crafted capture as worked out without the decoders, or None.
    """

    form: LineForm
    chunks: tuple[bytes, ...]
    sent: bytes
    sent_lead_bits: int
    placed: tuple[PlacedFault, ...]
    truth: Mapping[str, int] | None = None


class _TappedWriter(LineWriter):
    """A line writer that keeps what it wrote, if asked, and calls `on_write` after each time."""

    def __init__(
        self, form: LineForm, option: LineRateOption, keep: bool, on_write: Callable[[], object]
    ) -> None:
        super().__init__(form, option)
        self.written: list[bytes] = []
        self._keeps = keep
        self._on_write = on_write

    def write(self, batches: Iterable[SentBatch]) -> bytes:
        data = super().write(batches)
        if self._keeps:
            self.written.append(data)
        self._on_write()
        return data

    def finish(self) -> bytes:
        data = super().finish()
        if self._keeps:
            self.written.append(data)
        return data


class TappedSource(EmulatedSource):
    """An emulated source, unpaced, whose placed faults can be looked at and, with `keep`, the bits it sent."""

    def __init__(self, conditions: LinkConditions, *, limit: int | None = None, keep: bool = True) -> None:
        super().__init__(
            option=conditions.option,
            pair=is_pair(conditions.source),
            seed=conditions.seed,
            pointer_p=conditions.pointer_p,
            hdlc_rate_code=conditions.rate_code,
            limit=limit,
            load=LOAD,
            chunk_hyperframes=CHUNK_HYPERFRAMES,
        )
        self._frames: dict[tuple[str, int], SentFrame] = {}
        self._tap = _TappedWriter(LineForm.BITS, conditions.line, keep, self._keep_damaged)
        self._writer = self._tap

    def _keep_damaged(self) -> None:
        """A live source forgets the frames it sent: those with a fault are kept here."""
        wanted = {(p.fault.kind.plane, p.sequence) for p in self._sender.placed if p.sequence is not None}
        for frame in self._sender.sent if wanted else ():
            key = (frame.plane.value, frame.sequence)
            if key in wanted:
                self._frames[key] = frame

    @property
    def next_hyperframe(self) -> int:
        """Number of the next hyperframe to be sent."""
        return self._sender.next_hyperframe

    def set_chunk(self, hyperframes: int) -> None:
        """Hyperframes of the next chunk."""
        self._chunk = hyperframes

    @property
    def sent(self) -> bytes:
        """The line bits sent so far, before the cable."""
        return b"".join(self._tap.written)

    @property
    def placed(self) -> tuple[PlacedFault, ...]:
        """The faults put in so far."""
        out = []
        for place in self._sender.placed:
            frame: SentFrame | None = None
            if place.sequence is not None:
                frame = self._frames.get((place.fault.kind.plane, place.sequence))
            out.append(
                PlacedFault(
                    place.fault.text,
                    place.hyperframe,
                    place.offset_octets,
                    place.sent,
                    None if frame is None else frame.data + frame.fcs,
                    None if frame is None else frame.hyperframe,
                )
            )
        return tuple(out)


def transmit(conditions: LinkConditions, faults: Sequence[Fault], length: int) -> Transmission:
    """Send `length` hyperframes with these faults; InputError where one has no place in the link."""
    try:
        make = _crafted if conditions.crafted else _emulated
        return make(conditions, faults, length)
    except DecodersError as error:
        raise InputError(str(error)) from None


def _emulated(conditions: LinkConditions, faults: Sequence[Fault], length: int) -> Transmission:
    source = TappedSource(conditions, limit=length)
    for fault in faults:
        source.inject(fault.text)
    chunks = tuple(bytes(chunk.data) for chunk in source.chunks())
    return Transmission(LineForm.BITS, chunks, source.sent, 0, source.placed)


def _crafted(conditions: LinkConditions, faults: Sequence[Fault], length: int) -> Transmission:
    settings = SenderSettings(
        option=conditions.option, pointer_p=conditions.pointer_p, hdlc_rate_code=conditions.rate_code
    )
    lead = CRAFT_LEAD_BITS if conditions.form is LineForm.BITS else 0
    data = bytearray()
    write: Callable[[bytes], object] = data.extend
    made = craft(
        settings,
        length,
        conditions.form,
        write,
        seed=conditions.seed,
        load=LOAD,
        faults=faults,
        lead_bits=lead,
    )
    placed = []
    for fault, row in zip(_in_order(faults), made.truth["faults"], strict=True):
        frame: bytes | None = None
        at: int | None = None
        if fault.kind.layer is Layer.CHANNEL:
            broken = (
                f
                for f in made.truth["frames"]
                if f["plane"] == fault.kind.plane
                and f["status"] != "good"
                and f["hyperframe"] >= row["hyperframe"]
            )
            first = next(broken, None)
            if first is not None:
                frame, at = bytes.fromhex(first["data"] + first["fcs"]), first["hyperframe"]
        # Of a fault that breaks nothing, the capture does not tell which frame was its own.
        sent = fault.kind.layer is not Layer.CHANNEL or frame is not None or not row["expected"]
        placed.append(PlacedFault(fault.text, row["hyperframe"], row["offset_octets"], sent, frame, at))
    size = len(data) * CHUNK_HYPERFRAMES // length or 1
    chunks = tuple(bytes(data[i : i + size]) for i in range(0, len(data), size))
    return Transmission(
        conditions.form, chunks, bytes(data), lead, tuple(placed), dict(made.truth["counters"])
    )


def _in_order(faults: Sequence[Fault]) -> list[Fault]:
    """The order in which a sender places faults."""
    return sorted(faults, key=lambda f: -1 if f.hyperframe is None else f.hyperframe)


def around(transmission: Transmission, offset_octets: int, reach: int = 16) -> tuple[int, list[str]]:
    """What was sent from `reach` octets before an octet of the stream to `reach` after it.

    Returns the first one's number and each as two hex digits; a special character with a K behind it, one that
    is in no code table as `!!`.
    """
    first = max(0, offset_octets - reach)
    count = offset_octets + reach + 1 - first
    form, sent = transmission.form, transmission.sent
    if form is LineForm.OCTETS:
        return first, [f"{octet:02X}" for octet in sent[first : first + count]]
    if form is LineForm.FLAGGED:
        words = np.frombuffer(sent[2 * first : 2 * (first + count)], "<u2").tolist()
        return first, [
            "!!" if word & 0x200 else f"{word & 0xFF:02X}" + ("K" if word & 0x100 else "") for word in words
        ]
    if form is LineForm.SYMBOLS:
        symbols = np.frombuffer(sent[2 * first : 2 * (first + count)], "<u2")
    else:
        start = transmission.sent_lead_bits + 10 * first
        count = min(count, max(0, (8 * len(sent) - start) // 10))
        symbols = symbols_at(np.frombuffer(sent, np.uint8), start, count)
    block = SymbolDecoder().decode(symbols)
    marks = [f"{octet:02X}" for octet in block.octets.tolist()]
    for position in block.k_positions.tolist():
        marks[position] += "K"
    for position in block.violations.tolist():
        marks[position] = "!!"
    return first, marks
