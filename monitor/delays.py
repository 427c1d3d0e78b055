"""Delay through transceiver resets: reset a board, measure, again and again, and say whether the delay stays.

`DelayRun.step()` is one reset; `DelayRun.status()` is a frozen picture of all so far, for screens and reports.
A board is anything that can be reset and asked (`ResettableBoard`); where its line bits are at hand, the sync
marker of every hyperframe (CPRI V7.0 clause 4.2.9) is a second measurement, to the bit, that owes nothing to the
board's registers. Reads no clock, draws no chart.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from decoders import controlwords as cw
from decoders.characters import LineForm
from decoders.delay import (
    ONE_WAY_LIMIT_NS,
    ROUND_TRIP_LIMIT_NS,
    Compensation,
    MarkerTrain,
    marker_delays_bits,
)
from decoders.delay_diagnosis import Diagnosis, OffsetCoverage, Series, diagnose, offset_coverage
from decoders.delay_uncertainty import DelayNs, readings, rectangular
from decoders.events import AlignmentChanged
from decoders.linerates import LineRateOption, option_named
from decoders.link import HyperframeBlock, LinkDecoder, LinkSettings

from .errors import InputError

F64 = NDArray[np.float64]

__all__ = [
    "DelayRun",
    "DelaySample",
    "DelayStatus",
    "Finding",
    "LineReading",
    "ResettableBoard",
    "loop_delay_bits",
    "read_line",
]


@dataclass(frozen=True, slots=True)
class LineReading:
    """What the line itself says: offsets as the decoder finds them, and T14 - Toffset by the sync marker."""

    alignment_offset: int
    far_alignment_offset: int | None
    round_trip_bits: int


@dataclass(frozen=True, slots=True)
class DelaySample:
    """One measurement after one reset; counts are parallel clocks, fractions where the board resolves them.

    `raw_clocks` is T14 as counted. `compensated_clocks` is T14 - Toffset with whatever the board adds for the
    word alignment offset of each receiver. `far_alignment_offset` is None in a loop of one board.
    """

    alignment_offset: int
    far_alignment_offset: int | None
    raw_clocks: float
    compensated_clocks: float
    clock_period_ns: float
    clock_ui: int
    resolution_ui: float
    line: LineReading | None = None

    @property
    def raw_ns(self) -> float:
        return self.raw_clocks * self.clock_period_ns

    @property
    def compensated_ns(self) -> float:
        return self.compensated_clocks * self.clock_period_ns


class ResettableBoard(Protocol):
    """A board whose transceiver can be reset and whose delay can be read."""

    @property
    def description(self) -> str: ...
    @property
    def option(self) -> str: ...
    @property
    def names(self) -> tuple[str, ...]:
        """Who has receivers in the loop: the near end, and the far end if there is one."""
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
    skipped = (start // 10) // decoder.option.hyperframe_octets
    if len(found) > 1 or decoder.losses or decoder.acquired_at_hyperframe != skipped:
        raise InputError("sync was lost in the line bits; no delay can be read from them")
    train = MarkerTrain(first_bit + start, decoder.option.hyperframe_line_bits, np.concatenate(timing))
    return found[0].slip_bits, train


def loop_delay_bits(sent: MarkerTrain, received: MarkerTrain) -> int:
    """Delay between two points by the sync markers both have seen; InputError unless all agree."""
    delays = np.unique(marker_delays_bits(sent, received))
    if len(delays) != 1:
        text = "no hyperframe was seen at both points" if not len(delays) else "the delay changes on the way"
        raise InputError(text)
    return int(delays[0])


@dataclass(frozen=True, slots=True)
class Finding:
    """Something seen, by a name for programs and in words; one that does not fail the run is only a note."""

    kind: str
    where: str
    text: str
    fails: bool = True


@dataclass(frozen=True, slots=True)
class DelayStatus:
    """A picture of a run. Delays in nanoseconds; deviations are from the first measurement.

    `verdict` is "pass", "fail" or "pending" (nothing measured yet). `words` say it all in sentences.
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
    findings: tuple[Finding, ...]
    verdict: str
    words: tuple[str, ...]

    @property
    def resets(self) -> int:
        return len(self.samples)


class DelayRun:
    """Resets a board `resets` times and measures after each."""

    def __init__(self, board: ResettableBoard, resets: int) -> None:
        if resets < 1:
            raise InputError(f"{resets} resets: at least 1")
        self.board = board
        self.resets = resets
        self._samples: list[DelaySample] = []
        self._status: DelayStatus | None = None

    @property
    def done(self) -> bool:
        return len(self._samples) >= self.resets

    @property
    def samples(self) -> Sequence[DelaySample]:
        return self._samples

    def step(self) -> DelaySample:
        """One reset, one measurement."""
        self.board.reset()
        sample = self.board.measure()
        self._samples.append(sample)
        self._status = None
        return sample

    def status(self) -> DelayStatus:
        """The run so far; worked out once for each step."""
        if self._status is None:
            board = self.board
            self._status = judge(self._samples, board.description, board.option, board.names, self.resets)
        return self._status


def judge(
    samples: Sequence[DelaySample], description: str, option: str, names: tuple[str, ...], wanted: int
) -> DelayStatus:
    """Everything that follows from the samples."""
    line = option_named(option)
    interval = float(line.unit_interval_s * 10**9)
    if not samples:
        clock = interval * (10 if line.line_code == "8b10b" else 66)
        return DelayStatus(
            description, option, names, wanted, (), clock, interval, None, 0.0, 0.0, 0.0, True, True, True,
            (), None, (), "pending", ("nothing measured yet",),
        )  # fmt: skip
    first = samples[0]
    clock = first.clock_period_ns
    delay = np.array([s.compensated_ns for s in samples])
    raw = np.array([s.raw_ns for s in samples])
    deviation = float(np.max(np.abs(delay - delay[0])))
    # Counts are floats, so that a deviation of exactly one clock must not fail by its last digit.
    margin = 1e-6
    one_clock = deviation <= clock + margin
    one_way, round_trip = deviation <= ONE_WAY_LIMIT_NS + margin, deviation <= ROUND_TRIP_LIMIT_NS + margin
    coverage = tuple(_coverage(samples, first.clock_ui))
    diagnosis = diagnose(_series(samples, delay / (clock / first.clock_ui)))
    findings = tuple(_findings(samples, diagnosis, names, line))
    good = one_clock and one_way and not any(f.fails for f in findings)
    mean = None
    if len(samples) > 1:
        half = first.resolution_ui * interval / 2
        mean = readings(delay.tolist()) + rectangular(0.0, half)
    status = DelayStatus(
        description=description,
        option=option,
        names=names,
        resets_wanted=wanted,
        samples=tuple(samples),
        clock_period_ns=clock,
        unit_interval_ns=interval,
        mean=mean,
        spread_ns=float(np.ptp(delay)),
        raw_spread_ns=float(np.ptp(raw)),
        largest_deviation_ns=deviation,
        within_one_clock=one_clock,
        within_one_way_limit=one_way,
        within_round_trip_limit=round_trip,
        coverage=coverage,
        diagnosis=diagnosis,
        findings=findings,
        verdict="pass" if good else "fail",
        words=(),
    )
    words = tuple(f.text for f in findings)
    if not any(f.fails for f in findings):
        words += (_all_well(diagnosis, samples),)
    return replace(status, words=words)


def _series(samples: Sequence[DelaySample], delay_ui: F64) -> Series:
    first = samples[0]
    far = None
    if first.far_alignment_offset is not None:
        far = np.array([s.far_alignment_offset for s in samples], np.int64)
    near = np.array([s.alignment_offset for s in samples], np.int64)
    return Series(delay_ui, near, far, first.clock_ui, first.resolution_ui)


def _coverage(samples: Sequence[DelaySample], positions: int) -> Iterator[OffsetCoverage]:
    yield offset_coverage((s.alignment_offset for s in samples), positions)
    if samples[0].far_alignment_offset is not None:
        far = [s.far_alignment_offset for s in samples if s.far_alignment_offset is not None]
        yield offset_coverage(far, positions)


_KIND_WORDS = {
    Compensation.MISSING: ("compensation-missing", "the word alignment offset k is not compensated", "-1"),
    Compensation.WRONG_SIGN: ("compensation-wrong-sign", "k is compensated with the wrong sign", "-2"),
    Compensation.OFF_BY_ONE: (
        "compensation-off-by-one",
        "k is compensated off by one, as (k + 1) mod {n}",
        "",
    ),
    Compensation.OFF_BY_ONE_LOW: (
        "compensation-off-by-one",
        "k is compensated off by one, as (k - 1) mod {n}",
        "",
    ),
}


def _findings(
    samples: Sequence[DelaySample], found: Diagnosis, names: tuple[str, ...], option: LineRateOption
) -> Iterator[Finding]:
    first = samples[0]
    interval = float(option.unit_interval_s * 10**9)
    n, clock_ui = len(samples), first.clock_ui
    compensation_wrong = False
    kinds: tuple[Compensation | None, ...] = (found.near, found.far)
    if found.near is None:
        kinds = _by_the_line(samples)
    for name, kind in zip(names, kinds, strict=False):
        if kind is None or kind is Compensation.CORRECT:
            continue
        compensation_wrong = True
        code, text, slope = _KIND_WORDS[kind]
        text = f"{name}: {text.format(n=clock_ui)}"
        if slope:
            text += f": {slope} UI ({float(slope) * interval:+.3f} ns) for each position"
        else:
            wrapping = clock_ui - 1 if kind is Compensation.OFF_BY_ONE else 0
            text += f": where k is {wrapping} the delay is a whole clock ({clock_ui * interval:.3f} ns) away"
        yield Finding(code, name, text)
    if found.step_at is not None:
        clocks = found.step_ui / clock_ui
        text = (
            f"delay step of {clocks:+.2f} clocks ({found.step_ui * interval:+.3f} ns)"
            f" after reset {found.step_at}; {_on_the_line(samples, found.step_at, found.step_ui)}"
        )
        yield Finding("delay-step", f"reset {found.step_at}", text)
    if found.drift_ui_per_reset:
        text = (
            f"slow drift of {found.drift_ui / clock_ui:+.2f} clocks ({found.drift_ui * interval:+.3f} ns) over"
            f" {n} resets, {found.drift_ui_per_reset * interval * 1000:+.2f} ps a reset;"
            f" without it the delay varies by {found.residual_ui * interval:.3f} ns (standard deviation)"
        )
        # Less than one UI over the run is what any fibre does when the room warms up.
        yield Finding("drift", "all resets", text, fails=abs(found.drift_ui) >= 1.0)
    if found.near is not None and found.residual_ui > 0.5 + first.resolution_ui / math.sqrt(12.0):
        text = f"the delay varies by {found.residual_ui * interval:.3f} ns (standard deviation) for no reason found"
        yield Finding("scatter", "all resets", text)
    yield from _against_the_line(samples, names, compensation_wrong, interval)


def _gaps_ui(samples: Sequence[DelaySample]) -> F64:
    """Compensated delay less that of the sync marker, in UI, where the line was read."""
    return np.array(
        [s.compensated_clocks * s.clock_ui - s.line.round_trip_bits for s in samples if s.line is not None]
    )


def _by_the_line(samples: Sequence[DelaySample]) -> tuple[Compensation | None, ...]:
    """Where few resets were made: the one way of compensating that agrees with the sync marker each time."""
    first = samples[0]
    gaps = _gaps_ui(samples)
    if len(gaps) < len(samples):
        return (None, None)
    series = _series(samples, gaps)
    fitting = []
    for near in Compensation:
        for far in Compensation if series.far_offset is not None else (None,):
            left = gaps - (near.applied(series.offset, first.clock_ui) - series.offset)
            if far is not None and series.far_offset is not None:
                left = left - (far.applied(series.far_offset, first.clock_ui) - series.far_offset)
            if np.max(np.abs(left)) <= 0.5 + first.resolution_ui / 2:
                fitting.append((near, far))
    return fitting[0] if len(fitting) == 1 else (None, None)


def _on_the_line(samples: Sequence[DelaySample], at: int, step_ui: float) -> str:
    lines = [s.line for s in samples]
    bits = [line.round_trip_bits for line in lines if line is not None]
    if len(bits) < len(samples):
        return "no line bits to tell whether the line moved"
    moved = float(np.median(bits[at:]) - np.median(bits[:at]))
    if abs(moved - step_ui) < 1.0:
        return "the sync marker on the line moved with it"
    return f"the sync marker on the line moved by {moved:+g} bits only: it is in the count, not on the line"


def _against_the_line(
    samples: Sequence[DelaySample], names: tuple[str, ...], compensation_wrong: bool, interval: float
) -> Iterator[Finding]:
    """Registers against what the line bits say."""
    for index, name in enumerate(names):
        differ = []
        for number, sample in enumerate(samples, 1):
            if sample.line is None:
                continue
            told = (sample.alignment_offset, sample.far_alignment_offset)[index]
            seen = (sample.line.alignment_offset, sample.line.far_alignment_offset)[index]
            if told != seen:
                differ.append((number, told, seen))
        if differ:
            number, told, seen = differ[0]
            yield Finding(
                "register-disagrees",
                name,
                f"{name}: its alignment offset register disagrees with the line at {len(differ)} resets,"
                f" first at reset {number}: {told}, on the line {seen}",
            )
    first = samples[0]
    gaps = _gaps_ui(samples)
    if compensation_wrong or not len(gaps):
        return
    bias = float(np.median(gaps))
    allowed = 0.5 + first.resolution_ui
    if abs(bias) > allowed:
        kind = "compensation-off-by-one" if abs(abs(bias) - 1.0) < 0.25 else "marker-bias"
        text = f"every delay is {bias:+.2f} UI ({bias * interval:+.3f} ns) from that of the sync marker on the line"
        yield Finding(kind, names[0], text)
    elif (worst := float(np.max(np.abs(gaps - bias)))) > 2 * allowed:
        # The line is read in whole bits: that alone may be half a bit either way, and so may the median.
        text = f"the compensated delay leaves that of the sync marker on the line by up to {worst:.2f} UI"
        yield Finding("marker-scatter", names[0], text)


def _all_well(found: Diagnosis, samples: Sequence[DelaySample]) -> str:
    first = samples[0]
    if found.near is None:
        text = "nothing wrong seen; too few resets or offsets to tell how k is compensated"
        return text + (", but every delay is that of the sync marker" if len(_gaps_ui(samples)) else "")
    text = "the delay is the same after every reset; k is compensated correctly, no step"
    text += "" if found.drift_ui_per_reset else ", no drift"
    if first.resolution_ui >= first.clock_ui:
        text += " (a counter of whole clocks cannot show k off by one)"
    return text
