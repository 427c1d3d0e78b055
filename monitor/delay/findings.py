"""What is wrong with a series of delays, each thing by a name for programs and in words for people."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from decoders.arrays import F64
from decoders.linerates import LineRateOption
from decoders.link_delay.delay import Compensation
from decoders.link_delay.diagnosis import Diagnosis, Series

from ..text import counted
from .samples import DelayFinding, DelaySample, was_counted_or_not_known

__all__ = ["all_well", "findings_of", "series_of"]


def series_of(samples: Sequence[DelaySample], delay_ui: F64) -> Series:
    """The samples' offsets with these delays (n,) in UI."""
    first = samples[0]
    far = None
    if first.far_alignment_offset is not None:
        far = np.array([s.far_alignment_offset for s in samples], np.int64)
    near = np.array([s.alignment_offset for s in samples], np.int64)
    return Series(delay_ui, near, far, first.clock_ui, first.resolution_ui)


_KIND_WORDS = {
    Compensation.MISSING: ("compensation-missing", "the alignment offset is not compensated", "-1"),
    Compensation.WRONG_SIGN: (
        "compensation-wrong-sign",
        "the alignment offset is compensated with the wrong sign",
        "-2",
    ),
    Compensation.TWICE: (
        "compensation-twice",
        "the alignment offset is compensated twice: the board does it, and gives the offset all the same",
        "+1",
    ),
    Compensation.OFF_BY_ONE: (
        "compensation-off-by-one",
        "the alignment offset is compensated off by one, as (offset + 1) mod {n}",
        "",
    ),
    Compensation.OFF_BY_ONE_LOW: (
        "compensation-off-by-one",
        "the alignment offset is compensated off by one, as (offset - 1) mod {n}",
        "",
    ),
}


def findings_of(
    samples: Sequence[DelaySample], found: Diagnosis, names: tuple[str, ...], option: LineRateOption
) -> Iterator[DelayFinding]:
    """Everything wrong with one sample or more: resets not seen, compensation, step, drift, registers and line."""
    yield from _not_counted(samples, names)
    causes = list(_causes(samples, found, names, option))
    registers = list(_against_the_count(samples, names))
    clocks = [s.compensated_clocks for s in samples]
    if registers and (max(clocks) - min(clocks) > 1.0 or any(cause.fails for cause in causes)):
        yield from registers  # the causes rest on these registers
    else:
        yield from causes


def _causes(
    samples: Sequence[DelaySample], found: Diagnosis, names: tuple[str, ...], option: LineRateOption
) -> Iterator[DelayFinding]:
    """What the offsets, the count and the line explain."""
    first = samples[0]
    interval = float(option.unit_interval_s * 10**9)
    n, clock_ui = len(samples), first.clock_ui
    compensation_wrong = False
    kinds: tuple[Compensation | None, ...] = (found.near, found.far)
    known = found.near is not None or found.far is not None
    if not known:
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
            text += f": at offset {wrapping} the delay is a whole clock ({clock_ui * interval:.3f} ns) away"
        yield DelayFinding(code, name, text)
    if found.step_at is not None:
        clocks = found.step_ui / clock_ui
        text = (
            f"delay step of {clocks:+.2f} clocks ({found.step_ui * interval:+.3f} ns)"
            f" after reset {found.step_at}; {_on_the_line(samples, found.step_at, found.step_ui)}"
        )
        yield DelayFinding("delay-step", f"reset {found.step_at}", text)
    if found.drift_ui_per_reset:
        text = (
            f"slow drift of {found.drift_ui / clock_ui:+.2f} clocks ({found.drift_ui * interval:+.3f} ns) over"
            f" {counted(n, 'reset')}, {found.drift_ui_per_reset * interval * 1000:+.2f} ps a reset;"
            f" without it the delay varies by {found.residual_ui * interval:.3f} ns (standard deviation)"
        )
        # Less than one UI over the run is what any fibre does when the room warms up.
        yield DelayFinding("drift", "all resets", text, fails=abs(found.drift_ui) >= 1.0)
    if known and found.residual_ui > 0.5 + first.resolution_ui / math.sqrt(12.0):
        text = f"the delay varies by {found.residual_ui * interval:.3f} ns (standard deviation) for no reason found"
        yield DelayFinding("scatter", "all resets", text)
    yield from _against_the_line(samples, names, compensation_wrong, interval)


def _not_counted(samples: Sequence[DelaySample], names: tuple[str, ...]) -> Iterator[DelayFinding]:
    """Resets that a board acknowledged and its own count does not show."""
    for number, sample in enumerate(samples, 1):
        if not sample.reset_counted:
            before, after = sample.resets_before, sample.resets_after
            name, whose = names[0], "the board's"
            if was_counted_or_not_known(before, after) and sample.far_resets is not None:
                (before, after), name, whose = sample.far_resets, names[-1], f"{names[-1]}'s"
            counts = f"{before} before and after" if before == after else f"{before} before, {after} after"
            text = f"reset {number} was acknowledged, but {whose} count of resets does not show it ({counts})"
            yield DelayFinding("reset-not-counted", name, f"{text}: not a measurement")


def _against_the_count(samples: Sequence[DelaySample], names: tuple[str, ...]) -> Iterator[DelayFinding]:
    """Registers against the change of the count, where one end was reset alone: twice is no step of the line."""
    for index, name in enumerate(names):
        lone = [(n, a) for n, s in enumerate(samples, 1) for a in s.alone if a.end == index]
        differ = [(n, a) for n, a in lone if not a.fits(samples[0].clock_ui)]
        if len(differ) > 1:
            number, one = differ[0]
            text = (
                f"{name}: its alignment offset register disagrees with the count at"
                f" {counted(len(differ), 'reset')} of its own, first at reset {number}:"
                f" offset {one.offset_before} before and {one.offset_after} after, T14 {one.count_clocks:+g} clocks"
            )
            yield DelayFinding("register-disagrees", name, text)


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
    series = series_of(samples, gaps)
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
        return "no line bits to check the line itself"
    moved = float(np.median(bits[at:]) - np.median(bits[:at]))
    if abs(moved - step_ui) < 1.0:
        return "the sync marker on the line shows the same step"
    return (
        f"the sync marker on the line shows {moved:+g} bits only: the step is in the count, not on the line"
    )


def _against_the_line(
    samples: Sequence[DelaySample], names: tuple[str, ...], compensation_wrong: bool, interval: float
) -> Iterator[DelayFinding]:
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
            yield DelayFinding(
                "register-disagrees",
                name,
                f"{name}: its alignment offset register disagrees with the line at {counted(len(differ), 'reset')},"
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
        yield DelayFinding(kind, names[0], text)
    elif (worst := float(np.max(np.abs(gaps - bias)))) > 2 * allowed:
        # The line is read in whole bits: that alone may be half a bit either way, and so may the median.
        text = f"the compensated delay leaves that of the sync marker on the line by up to {worst:.2f} UI"
        yield DelayFinding("marker-scatter", names[0], text)


def all_well(found: Diagnosis, samples: Sequence[DelaySample]) -> str:
    """What a run without failures shows, and no more than that."""
    first = samples[0]
    if found.near is None and found.far is None:
        text = "no errors; too few resets or offsets to decide how the alignment offset is compensated"
        return text + (", but every delay is that of the sync marker" if len(_gaps_ui(samples)) else "")
    text = "the delay is constant through all resets; the alignment offset is compensated correctly, no step"
    text += "" if found.drift_ui_per_reset else ", no drift"
    if first.resolution_ui >= first.clock_ui:
        text += " (a counter of whole clocks cannot show an offset off by one)"
    return text
