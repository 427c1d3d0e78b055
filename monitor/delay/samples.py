"""What a measurement of delay after a transceiver reset consists of, and who can be measured.

A board is anything that can be reset and asked (`ResettableBoard`); where its line bits are at hand, the sync
marker of every hyperframe (CPRI V7.0 clause 4.2.9) is a second measurement, to the bit, that owes nothing to the
board's registers. Judges nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from decoders.events import AlignmentChanged
from decoders.frame_structure import controlwords as cw
from decoders.line_coding.characters import LineForm
from decoders.link.decoder import HyperframeBlock, LinkDecoder
from decoders.link.settings import LinkSettings
from decoders.link_delay.delay import MarkerTrain, marker_delays_bits
from decoders.link_delay.diagnosis import Diagnosis, OffsetCoverage
from decoders.link_delay.uncertainty import DelayNs

from ..errors import InputError

__all__ = [
    "DelayFinding",
    "DelaySample",
    "DelayStatus",
    "LineReading",
    "LoneReset",
    "ResettableBoard",
    "loop_delay_bits",
    "read_line",
    "was_counted",
    "was_counted_or_not_known",
]


@dataclass(frozen=True, slots=True)
class LineReading:
    """What the line itself says: offsets as the decoder finds them, T14 - Toffset and T14 by the sync marker."""

    alignment_offset: int
    far_alignment_offset: int | None
    round_trip_bits: int
    t14_bits: int | None = None


@dataclass(frozen=True, slots=True)
class LoneReset:
    """What changed at the reset of one end alone: number `end` of the names; T14 in clocks, and its offset in UI."""

    end: int
    count_clocks: float
    offset_before: int
    offset_after: int

    def fits(self, clock_ui: int) -> bool:
        """Whether a count of whole clocks may change so with the offset."""
        return abs(self.count_clocks * clock_ui + self.offset_after - self.offset_before) < clock_ui


@dataclass(frozen=True, slots=True)
class DelaySample:
    """One measurement after one reset; counts are parallel clocks, fractions where the board resolves them.

    `raw_clocks` is T14 as counted. `compensated_clocks` is T14 - Toffset with whatever the board adds for the
    word alignment offset of each receiver. `far_alignment_offset` is None in a loop of one board. `resets_before`
    and `resets_after` are the board's own count of its resets, where it has one; `far_resets` those of the other,
    before and after. `fec`: RS-FEC is on the line. `toffset_clocks`: what was taken off T14, and the UI to which a
    board has counted it (0 where it was given). `alone`: what each end's reset by itself has changed.
    """

    alignment_offset: int
    far_alignment_offset: int | None
    raw_clocks: float
    compensated_clocks: float
    clock_period_ns: float
    clock_ui: int
    resolution_ui: float
    line: LineReading | None = None
    resets_before: int | None = None
    resets_after: int | None = None
    fec: bool = False
    far_resets: tuple[int, int] | None = None
    toffset_clocks: float | None = None
    toffset_resolution_ui: float = 0.0
    alone: tuple[LoneReset, ...] = ()

    @property
    def reset_counted(self) -> bool:
        """Whether each board's own count shows the reset; a sample without that is no measurement."""
        far = self.far_resets or (None, None)
        return was_counted_or_not_known(self.resets_before, self.resets_after) and was_counted_or_not_known(
            *far
        )

    @property
    def raw_ns(self) -> float:
        return self.raw_clocks * self.clock_period_ns

    @property
    def compensated_ns(self) -> float:
        return self.compensated_clocks * self.clock_period_ns


def was_counted(before: int, after: int) -> bool:
    """Whether a count of 32 bits shows one reset more; up to four, for a command may be carried out again."""
    return 1 <= (after - before) % (1 << 32) <= 4


def was_counted_or_not_known(before: int | None, after: int | None) -> bool:
    """The same, where a board may have no count."""
    return before is None or after is None or was_counted(before, after)


class ResettableBoard(Protocol):
    """A board whose transceiver can be reset and whose delay can be read."""

    @property
    def description(self) -> str: ...
    @property
    def option(self) -> str: ...
    @property
    def names(self) -> tuple[str, ...]:
        """The boards with receivers in the loop: the local end, and the remote end if there is one."""
        ...

    def reset(self) -> None: ...
    def measure(self) -> DelaySample: ...


def read_line(data: bytes, option: str, first_bit: int = 0) -> tuple[int, MarkerTrain]:
    """(alignment offset, hyperframe starts) of packed line bits; `first_bit` is the number of their first bit.

    InputError where the decoder finds no hyperframes, or loses them in between.
    """
    timing: list[NDArray[np.int64]] = []

    def take(block: HyperframeBlock) -> None:
        first_octets = block.octets[:, :, 0, 0].astype(np.int64)
        bfn = first_octets[:, cw.X_BFN_LOW] | (first_octets[:, cw.X_BFN_HIGH] & 0xF) << 8
        timing.append(np.stack((bfn, first_octets[:, cw.X_HFN]), axis=1))

    decoder = LinkDecoder(LinkSettings(option=option, form=LineForm.BITS), take)
    events = [*decoder.receive(data), *decoder.finish()]
    found = [e for e in events if isinstance(e, AlignmentChanged)]
    if not found or not timing:
        raise InputError(f"no hyperframes of option {option} in the line bits")
    start = found[0].bit_offset
    skipped = start // decoder.option.hyperframe_line_bits
    if len(found) > 1 or decoder.losses or decoder.acquired_at_hyperframe != skipped:
        raise InputError("sync was lost in the line bits; no delay can be read from them")
    train = MarkerTrain(first_bit + start, decoder.option.hyperframe_line_bits, np.concatenate(timing))
    return found[0].slip_bits, train


def loop_delay_bits(sent: MarkerTrain, received: MarkerTrain) -> int:
    """Delay between two points by the sync markers both have seen; InputError unless all agree."""
    delays = np.unique(marker_delays_bits(sent, received))
    if len(delays) != 1:
        text = "no hyperframe is common to both points" if not len(delays) else "the delay changes on the way"
        raise InputError(text)
    return int(delays[0])


@dataclass(frozen=True, slots=True)
class DelayFinding:
    """Something seen, by a name for programs and in words; one that does not fail the run is only a note."""

    kind: str
    where: str
    text: str
    fails: bool = True


@dataclass(frozen=True, slots=True)
class DelayStatus:
    """A picture of a run. Delays in nanoseconds; deviations are from the first measurement.

    `verdict` is "pass", "fail", "incomplete" (nothing wrong, but resets are missing), "pending" (nothing measured
    yet) or "none" (with RS-FEC, where the numbers alone are given). `words` say it all in sentences.
    """

    description: str
    option: str
    names: tuple[str, ...]
    resets_wanted: int
    samples: tuple[DelaySample, ...]
    clock_period_ns: float
    unit_interval_ns: float
    mean: DelayNs | None
    spread_ns: float
    raw_spread_ns: float
    largest_deviation_ns: float
    within_one_clock: bool
    within_one_way_limit: bool
    within_round_trip_limit: bool
    coverage: tuple[OffsetCoverage, ...]
    diagnosis: Diagnosis | None
    findings: tuple[DelayFinding, ...]
    verdict: str
    words: tuple[str, ...]

    @property
    def resets(self) -> int:
        return len(self.samples)

    @property
    def complete(self) -> bool:
        return self.resets >= self.resets_wanted

    @property
    def extent(self) -> str:
        """How many resets, of how many where some are missing."""
        return f"{self.resets}" if self.complete else f"{self.resets} of {self.resets_wanted}"
