"""One recorded transmission: what an emulated link or a crafted capture puts on the line, with its faults.

The same settings and faults give the same octets. Nothing here decodes or judges.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from decoders.errors import DecodersError
from decoders.line_coding.characters import LineForm
from decoders.line_coding.code_8b10b import SymbolDecoder, symbols_at
from decoders.link.settings import SenderSettings

from ..emulation.emulated_link import EmulatedSource
from ..emulation.sender import EmulatedSender
from ..emulation.sent import SentFault, SentFrame
from ..errors import InputError
from ..faults.kinds import Fault
from ..faults.queues import READ_FROM_THE_LINE
from ..reference.block_code import BAD_HEADER, blocks_at, characters_of_blocks, stored_blocks
from ..sources.names import is_pair
from .conditions import CHUNK_HYPERFRAMES, LinkConditions
from .sent_blocks import open_tap
from .sent_stream import SentStream

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

    `stream` lists it hyperframe by hyperframe; None where nobody knows what a board has sent. `fec`: with RS-FEC.
    """

    form: LineForm
    chunks: tuple[bytes, ...]
    sent: bytes
    sent_lead_bits: int
    placed: tuple[PlacedFault, ...]
    stream: SentStream | None = None
    fec: bool = False


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
            load=conditions.load,
            chunk_hyperframes=CHUNK_HYPERFRAMES,
            every_plane=conditions.every_plane,
            first_bfn=conditions.first_bfn,
            first_hfn=conditions.first_hfn,
            delay_bits=conditions.delay_bits,
            line=conditions.sent_line,
        )
        self._frames: dict[tuple[str, int], SentFrame] = {}
        line = conditions.sent_line
        self._tap = open_tap(LineForm.BITS, conditions.line, line, keep=keep, on_write=self._keep_frames)
        self._keeps = keep
        self._writer = self._tap

    def _keep_frames(self) -> None:
        """A live source forgets the frames it sent: they are kept here, or at least those with a fault."""
        if self._keeps:
            self.stream.frames += self._sender.sent
        wanted = {(p.fault.kind.plane, p.sequence) for p in self._sender.placed if p.sequence is not None}
        for frame in self._sender.sent if wanted else ():
            key = (frame.plane.value, frame.sequence)
            if key in wanted:
                self._frames[key] = frame

    @property
    def stream(self) -> SentStream:
        """What was sent so far, hyperframe by hyperframe."""
        return self._tap.stream

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
        return _placed(self._sender.placed, self._frames)


def _placed(
    places: Iterable[SentFault], frames: Mapping[tuple[str, int], SentFrame]
) -> tuple[PlacedFault, ...]:
    out = []
    for place in places:
        frame = None if place.sequence is None else frames.get((place.fault.kind.plane, place.sequence))
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
        sent = make(conditions, faults, length)
    except DecodersError as error:
        raise InputError(str(error)) from None
    assert sent.stream is not None
    sent.stream.frames_listed = not any(fault.kind.name in READ_FROM_THE_LINE for fault in faults)
    return sent


def _emulated(conditions: LinkConditions, faults: Sequence[Fault], length: int) -> Transmission:
    source = TappedSource(conditions, limit=length)
    for fault in faults:
        source.inject(fault.text)
    chunks = tuple(bytes(chunk.data) for chunk in source.chunks())
    return Transmission(LineForm.BITS, chunks, source.sent, 0, source.placed, source.stream, conditions.fec)


def _crafted(conditions: LinkConditions, faults: Sequence[Fault], length: int) -> Transmission:
    settings = SenderSettings(
        option=conditions.option,
        pointer_p=conditions.pointer_p,
        hdlc_rate_code=conditions.rate_code,
        bfn=conditions.first_bfn,
        hfn=conditions.first_hfn,
    )
    sender = EmulatedSender(
        settings,
        conditions.seed,
        load=conditions.load,
        every_plane=conditions.every_plane,
        line=conditions.sent_line,
    )
    for fault in faults:
        sender.schedule(fault)
    period = 10 if conditions.line.line_code == "8b10b" else 66
    lead = conditions.delay_bits % period if conditions.form is LineForm.BITS else 0
    tap = open_tap(conditions.form, conditions.line, conditions.sent_line, lead_bits=lead)
    chunks = []
    for start in range(0, length, CHUNK_HYPERFRAMES):
        n = min(CHUNK_HYPERFRAMES, length - start)
        chunks.append(tap.write(sender.batch(n, following=length - start - n)))
    chunks.append(tap.finish())
    tap.stream.frames += sender.sent
    frames = {(f.plane.value, f.sequence): f for f in sender.sent}
    sent = b"".join(chunks)
    return Transmission(
        conditions.form,
        tuple(chunks),
        sent,
        lead,
        _placed(sender.placed, frames),
        tap.stream,
        conditions.fec,
    )


def around(transmission: Transmission, offset_octets: int, reach: int = 16) -> tuple[int, list[str]]:
    """What was sent from `reach` octets before an octet of the stream to `reach` after it.

    Returns the first one's number and each as two hex digits; a special character with a K behind it, one that
    is in no code table as `!!`.
    """
    first = max(0, offset_octets - reach)
    count = offset_octets + reach + 1 - first
    form, sent = transmission.form, transmission.sent
    if transmission.stream is not None and transmission.stream.option.line_code == "64b66b":
        return _around_in_blocks(transmission, first, count)
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


def _around_in_blocks(transmission: Transmission, first: int, count: int) -> tuple[int, list[str]]:
    """The same at 64B/66B; nothing behind RS-FEC, whose codewords hold no octets one could point at."""
    form, sent = transmission.form, transmission.sent
    if form in (LineForm.OCTETS, LineForm.FLAGGED):
        whole = np.frombuffer(sent, "<u2" if form is LineForm.FLAGGED else np.uint8)[first : first + count]
        return first, [
            "!!" if w & 0x200 else f"{w & 0xFF:02X}" + "K" * bool(w & 0x100) for w in whole.tolist()
        ]
    block = max(0, first // 8 - 1)
    blocks = (first + count) // 8 + 1 - block
    if form is LineForm.BLOCKS:
        run = stored_blocks(sent[: 9 * (block + blocks)], block)
    elif transmission.fec:
        return first, []
    else:
        bit = transmission.sent_lead_bits + 66 * block
        run = blocks_at(sent[bit // 8 : (bit + 66 * blocks) // 8 + 1], bit % 8)
    read = characters_of_blocks(run)
    begin = first - 8 * block
    marks = zip(read.octets[begin : begin + count], read.flags[begin : begin + count], strict=True)
    return first, ["!!" if f & BAD_HEADER else f"{o:02X}" + "K" * bool(f & 1) for o, f in marks]
