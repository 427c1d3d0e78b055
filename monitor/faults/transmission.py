"""One recorded transmission: what an emulated link or a crafted capture puts on the line, with its faults.

The same settings and faults give the same octets. Nothing here decodes or judges.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from decoders.characters import LineForm
from decoders.code_8b10b import SymbolDecoder, symbols_at
from decoders.errors import DecodersError
from decoders.linerates import HYPERFRAMES_PER_FRAME, LineRateOption, option_named
from decoders.link import SenderSettings

from ..emulation.crafting import craft
from ..emulation.sender import LineWriter, SentBatch, SentFrame
from ..errors import InputError
from ..sources.emulated import DEFAULT_RATE_CODES, EmulatedSource
from .catalogue import Fault, Layer

__all__ = [
    "CHUNK_HYPERFRAMES",
    "LEAD_HYPERFRAMES",
    "MOST_HYPERFRAMES",
    "Conditions",
    "LinkConditions",
    "PlacedFault",
    "TappedSource",
    "Transmission",
    "around",
    "tail_hyperframes",
    "transmit",
]

CHUNK_HYPERFRAMES = 8
LEAD_HYPERFRAMES = 24
"""Hyperframes before the fault: sync takes four of them."""
MOST_HYPERFRAMES = 100_000
"""Of one trial, whose line data are held in memory."""
LOAD = 1.0
"""Full channels: then the order of the frames does not hang on how the stream is cut."""
CRAFT_LEAD_BITS = 7
DEFAULT_POINTER = 40
_LONGEST_SLOW_OCTETS = 340
_LONGEST_FAST_OCTETS = 1750
"""A frame that waits, the damaged frame, and what the channel code adds; with room (computed)."""


class Conditions(Protocol):
    """What a campaign knows of the link that faults are put into.

    `length` are the hyperframes of a case, at the least; `fault_hyperframe` of them come before the fault.
    """

    @property
    def option(self) -> str: ...
    @property
    def line(self) -> LineRateOption: ...
    @property
    def form(self) -> LineForm: ...
    @property
    def pointer_p(self) -> int: ...
    @property
    def rate_code(self) -> int: ...
    @property
    def hyperframes(self) -> int | None: ...
    @property
    def length(self) -> int: ...
    @property
    def fault_hyperframe(self) -> int: ...
    @property
    def words(self) -> dict[str, str | int | None]:
        """For reports: each condition by its name."""
        ...

    def hfn_at(self, hyperframe: int) -> int:
        """The right HFN of a hyperframe."""
        ...

    def command(self, name: str, seed: int | None, *more: str) -> str:
        """The command line that does the same again, or at another seed."""
        ...


def tail_hyperframes(line: LineRateOption, rate_code: int, pointer_p: int) -> int:
    """Hyperframes after a fault in which the slowest C&M channel brings a damaged frame."""
    slow = line.hdlc_octets(rate_code) or 0
    fast = line.ethernet_octets(pointer_p) if pointer_p else 0
    tail = 40
    if slow:
        tail = max(tail, 2 * CHUNK_HYPERFRAMES - -_LONGEST_SLOW_OCTETS // slow)
    if fast:
        tail = max(tail, 2 * CHUNK_HYPERFRAMES - -_LONGEST_FAST_OCTETS // fast)
    return tail


@dataclass(frozen=True, slots=True)
class LinkConditions:
    """The emulated link that faults are put into.

    `form` is the raw form of a crafted capture; emulated links give bits. `hyperframes` None takes as many after
    the fault as the slowest C&M channel needs for a damaged frame.
    """

    source: str = "emulated"
    crafted: bool = False
    form: LineForm = LineForm.BITS
    option: str = "2"
    pointer_p: int = DEFAULT_POINTER
    hdlc_rate_code: int | None = None
    seed: int = 1
    hyperframes: int | None = None

    def __post_init__(self) -> None:
        if self.hyperframes is not None and self.hyperframes > MOST_HYPERFRAMES:
            raise InputError(
                f"--hyperframes {self.hyperframes}: at most {MOST_HYPERFRAMES} on an emulated link"
            )
        if self.source not in ("emulated", "emulated:pair"):
            raise InputError(f"source {self.source!r}: there are emulated and emulated:pair")
        if self.form is not LineForm.BITS and not self.crafted:
            raise InputError(f"form {self.form.value}: an emulated link gives bits", hint="add --via craft")
        if self.crafted and self.source != "emulated":
            raise InputError(f"a crafted capture has one sender, so {self.source} cannot be crafted")
        try:
            line = option_named(self.option)
        except DecodersError as error:
            raise InputError(str(error)) from None
        if line.line_code != "8b10b":
            raise InputError(f"option {self.option} has line code 64B/66B; options 1 to 7 can be proven")

    @property
    def line(self) -> LineRateOption:
        return option_named(self.option)

    @property
    def rate_code(self) -> int:
        """HDLC rate code: the one asked for, or the highest of the option."""
        return DEFAULT_RATE_CODES.get(self.option, 6) if self.hdlc_rate_code is None else self.hdlc_rate_code

    @property
    def fault_hyperframe(self) -> int:
        return LEAD_HYPERFRAMES

    @property
    def length(self) -> int:
        """Hyperframes sent in all."""
        if self.hyperframes is not None:
            return LEAD_HYPERFRAMES + self.hyperframes
        return LEAD_HYPERFRAMES + tail_hyperframes(self.line, self.rate_code, self.pointer_p)

    def hfn_at(self, hyperframe: int) -> int:
        return hyperframe % HYPERFRAMES_PER_FRAME

    def command(self, name: str, seed: int | None, *more: str) -> str:
        words = ["framefray", name, self.source, "--option", self.option]
        if self.crafted:
            words += ["--via", "craft", "--form", self.form.value]
        words += ["--pointer", str(self.pointer_p), "--hdlc-rate", str(self.rate_code)]
        words += ["--seed", str(self.seed if seed is None else seed)]
        if self.hyperframes is not None:
            words += ["--hyperframes", str(self.hyperframes)]
        return shlex.join([*words, *more])

    @property
    def words(self) -> dict[str, str | int | None]:
        return {
            "source": self.source,
            "via": "craft" if self.crafted else "link",
            "form": self.form.value,
            "option": self.option,
            "pointer_p": self.pointer_p,
            "hdlc_rate_code": self.rate_code,
            "seed": self.seed,
            "hyperframes": self.length,
            "fault_hyperframe": self.fault_hyperframe,
        }


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
            pair=conditions.source == "emulated:pair",
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
