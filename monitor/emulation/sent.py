"""What a sender has sent: frames, faults, batches."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from decoders.arrays import I64, U8
from decoders.events import FrameStatus, Plane
from decoders.linerates import LineRateOption

from ..faults.injector import Cut
from ..faults.kinds import Context, Fault

__all__ = ["SentBatch", "SentFault", "SentFrame", "bit_cuts"]


@dataclass(frozen=True, slots=True)
class SentFrame:
    """A C&M frame that has left: the hyperframe its closing delimiter lies in, and what it must decode to."""

    plane: Plane
    hyperframe: int
    sequence: int
    status: FrameStatus
    data: bytes
    fcs: bytes


@dataclass(slots=True)
class SentFault:
    """A fault as put in: `offset_octets` from the start of the stream, `expected` counters.

    A fault of a C&M channel takes its frame's number in `sequence`; until the frame has left, nothing moves.
    `context` is what `expected` was worked out from; `changes` is False where the octet was so already.
    """

    fault: Fault
    hyperframe: int
    offset_octets: int | None
    expected: Mapping[str, int]
    context: Context
    sequence: int | None = None
    sent: bool = True
    changes: bool = True


@dataclass(slots=True)
class SentBatch:
    """Hyperframes `first`.. as octets, uint8 (n, 256, 16, T/8), with what the line coder must do to them.

    `k_positions` in the flat octets; `inversions` where the sender's disparity turns over; `symbol_faults`
    by hyperframe of the batch; `cuts` where line bits are added or taken away; `seeds` of the scrambling of
    version 2, int64 (n,), None for version 1.
    """

    first: int
    octets: U8
    k_positions: I64
    inversions: I64
    symbol_faults: list[tuple[int, Fault]] = field(default_factory=list)
    cuts: list[Cut] = field(default_factory=list)
    seeds: I64 | None = None


def bit_cuts(batch: SentBatch, option: LineRateOption) -> Iterator[tuple[int, int]]:
    """(line bit, bits more or fewer) of the cuts within characters; those before them in the batch are counted in."""
    moved = least = 0
    for cut in batch.cuts:
        at = moved + (cut.hyperframe - batch.first) * option.hyperframe_line_bits + cut.at
        at = least = max(at, least)
        if not cut.whole:
            yield at, cut.bits
        moved += cut.bits


def fault_hyperframe(fault: Fault) -> int:
    return -1 if fault.hyperframe is None else fault.hyperframe
