"""Delay through transceiver resets: reset a board, measure, again and again, and say whether the delay stays.

`DelayRun.step()` is one reset; `DelayRun.status()` is a frozen picture of all so far, for screens and reports.
Reads no clock, draws no chart.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from decoders.linerates import LineRateOption, option_named
from decoders.link_delay.delay import ONE_WAY_LIMIT_NS, ROUND_TRIP_LIMIT_NS
from decoders.link_delay.diagnosis import OffsetCoverage, diagnose, offset_coverage
from decoders.link_delay.uncertainty import readings, rectangular

from ..errors import InputError
from .findings import all_well, findings_of, series_of
from .samples import DelayFinding, DelaySample, DelayStatus, ResettableBoard

__all__ = ["DelayRun", "judge_delay"]

_NO_VERDICT = (
    "RS-FEC adds up to 79 block times by the codeword phase, which may be another after each reset, so the delay is"
    " not judged"
)


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
        """Whether all resets were measured, or the last one was none: what follows would show no more."""
        return len(self._samples) >= self.resets or bool(
            self._samples and not self._samples[-1].reset_counted
        )

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
            self._status = judge_delay(
                self._samples, board.description, board.option, board.names, self.resets
            )
        return self._status


def judge_delay(
    samples: Sequence[DelaySample], description: str, option: str, names: tuple[str, ...], wanted: int
) -> DelayStatus:
    """Everything that follows from the samples."""
    line = option_named(option)
    interval = float(line.unit_interval_s * 10**9)
    if not samples:
        return _nothing_measured(description, line, names, wanted)
    first = samples[0]
    clock = first.clock_period_ns
    delay = np.array([s.compensated_ns for s in samples])
    raw = np.array([s.raw_ns for s in samples])
    deviation = float(np.max(np.abs(delay - delay[0])))
    margin = 1e-6  # counts are floats: exactly one clock must not fail by its last digit
    one_clock = deviation <= clock + margin
    one_way, round_trip = deviation <= ONE_WAY_LIMIT_NS + margin, deviation <= ROUND_TRIP_LIMIT_NS + margin
    coverage = tuple(_coverage(samples, first.clock_ui))
    diagnosis = diagnose(series_of(samples, delay / (clock / first.clock_ui)))
    findings = tuple(findings_of(samples, diagnosis, names, line))
    if not (one_clock and one_way) and not any(f.fails for f in findings):
        text = (
            f"the delay leaves the first one measured by {deviation:.3f} ns; one clock is {clock:.3f} ns,"
            f" Tc/32 is {ONE_WAY_LIMIT_NS:.3f} ns"
        )
        findings += (DelayFinding("limit", "all resets", text),)
    verdict = "fail" if any(f.fails for f in findings) else "pass" if len(samples) >= wanted else "incomplete"
    if any(sample.fec for sample in samples):
        findings = tuple(f for f in findings if f.kind == "reset-not-counted")
        verdict = "fail" if findings else "none"
    mean = None
    if len(samples) > 1:
        half = first.resolution_ui * interval / 2
        mean = readings(delay.tolist()) + rectangular(0.0, half)
        if first.toffset_resolution_ui:
            mean += rectangular(0.0, first.toffset_resolution_ui * interval / 2)
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
        verdict=verdict,
        words=(),
    )
    words = tuple(f.text for f in findings)
    if verdict == "none":
        words += (_NO_VERDICT,)
    elif verdict != "fail":
        words += (all_well(diagnosis, samples),)
    return replace(status, words=words)


def _nothing_measured(
    description: str, line: LineRateOption, names: tuple[str, ...], wanted: int
) -> DelayStatus:
    interval = float(line.unit_interval_s * 10**9)
    clock = interval * (10 if line.line_code == "8b10b" else 66)
    return DelayStatus(
        description, line.name, names, wanted, (), clock, interval, None, 0.0, 0.0, 0.0, True, True, True,
        (), None, (), "pending", ("nothing measured yet",),
    )  # fmt: skip


def _coverage(samples: Sequence[DelaySample], positions: int) -> Iterator[OffsetCoverage]:
    yield offset_coverage((s.alignment_offset for s in samples), positions)
    if samples[0].far_alignment_offset is not None:
        far = [s.far_alignment_offset for s in samples if s.far_alignment_offset is not None]
        yield offset_coverage(far, positions)
