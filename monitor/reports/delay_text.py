"""A delay run as plain text: table, strip charts, offsets, verdict and diagnosis. Only printable characters."""

from __future__ import annotations

from collections.abc import Sequence

from decoders.linerates import option_named
from decoders.link_delay.delay import ONE_WAY_LIMIT_NS, ROUND_TRIP_LIMIT_NS

from ..delay.samples import DelaySample, DelayStatus
from ..text import counted

__all__ = ["delay_lines", "strip_chart", "verdict_line"]

_SHOWN = 5
_WIDTH = 64
_ROWS = 7


def strip_chart(
    values: Sequence[float],
    low: float,
    high: float,
    *,
    width: int = _WIDTH,
    rows: int = _ROWS,
    ascii_only: bool = False,
) -> list[str]:
    """Values in order from left to right; a column is filled from its least to its greatest. Top line first.

    Each line begins with the value in its middle. Values outside low..high stand on the edge.
    """
    mark, rule = ("#", "|") if ascii_only else ("█", "│")
    columns = min(width, len(values))
    step = (high - low) / rows or 1.0
    lines: list[list[str]] = [[" "] * columns for _ in range(rows)]
    for column in range(columns):
        part = values[column * len(values) // columns : (column + 1) * len(values) // columns]
        bottom, top = (min(rows - 1, max(0, int((v - low) / step))) for v in (min(part), max(part)))
        for row in range(bottom, top + 1):
            lines[rows - 1 - row][column] = mark
    return [
        f"{round(low + (rows - i - 0.5) * step, 6) + 0.0:+9.2f} {rule}" + "".join(line)
        for i, line in enumerate(lines)
    ]


def _charts(status: DelayStatus, ascii_only: bool) -> list[str]:
    """Raw and compensated delay on one scale, as deviation from the first measurement."""
    samples = status.samples
    raw = [s.raw_ns - samples[0].raw_ns for s in samples]
    delay = [s.compensated_ns - samples[0].compensated_ns for s in samples]
    edge = max(status.clock_period_ns * 0.55, *(abs(v) for v in (*raw, *delay)))
    per = max(1, len(samples) // min(_WIDTH, len(samples)))
    lines = []
    for title, values in (("raw count", raw), ("compensated", delay)):
        lines.append(f"  {title}: ns from the first measurement, about {counted(per, 'reset')} a column")
        lines += strip_chart(values, -edge, edge, ascii_only=ascii_only)
    return lines


def _row(number: int, sample: DelaySample, first: DelaySample) -> str:
    far = "" if sample.far_alignment_offset is None else f" {sample.far_alignment_offset:6}"
    line = "-" if sample.line is None else str(sample.line.round_trip_bits)
    return (
        f"  {number:5} {sample.alignment_offset:6}{far} {sample.raw_clocks:12.2f} {sample.raw_ns:12.3f}"
        f" {sample.compensated_ns:15.3f} {sample.compensated_ns - first.compensated_ns:+12.3f} {line:>11}"
    )


def _table(status: DelayStatus) -> list[str]:
    samples = status.samples
    far = "" if samples[0].far_alignment_offset is None else " remote"
    lines = [
        f"  {'reset':>5} {'offset':>6}{far} {'raw clocks':>12} {'raw ns':>12} {'compensated ns':>15}"
        f" {'deviation ns':>12} {'marker bits':>11}"
    ]
    numbers = list(range(1, len(samples) + 1))
    if len(samples) > 2 * _SHOWN + 1:
        numbers = [*numbers[:_SHOWN], 0, *numbers[-_SHOWN:]]
    lines += [_row(number, samples[number - 1], samples[0]) if number else "    ..." for number in numbers]
    return lines


def _toffset_lines(status: DelayStatus) -> list[str]:
    """What was taken off T14, where two boards were measured."""
    first = status.samples[0]
    if first.toffset_clocks is None:
        return []
    by = f"counted by {status.names[1]}" if first.toffset_resolution_ui else "as given"
    return [
        f"  T14 counted by {status.names[0]}, Toffset {first.toffset_clocks * first.clock_period_ns:.3f} ns {by}"
    ]


def _coverage(status: DelayStatus) -> list[str]:
    lines = []
    for name, covered in zip(status.names, status.coverage, strict=True):
        seen = " ".join(f"{k}:{count}" for k, count in enumerate(covered.counts) if count)
        never = ", ".join(map(str, covered.never_seen)) or "none"
        lines += [
            f"  {name}: alignment offsets (offset:times) {seen}; never occurred: {never}",
            f"    all {len(covered.counts)} occur in {counted(status.resets, 'even draw')} with probability"
            f" {covered.chance_of_all:.4f}; 99 % needs {counted(covered.resets_for_99_percent, 'reset')}",
        ]
    return lines


def verdict_line(status: DelayStatus) -> str:
    words = status.words if status.complete else (f"{status.extent} resets", *status.words)
    return f"verdict: {status.verdict}: " + "; ".join(words)


def delay_lines(status: DelayStatus, *, ascii_only: bool = False) -> list[str]:
    """The whole report."""
    option = option_named(status.option)
    unit = "character" if option.line_code == "8b10b" else "block"
    lines = [
        f"{status.description}; option {option.name}, {option.line_rate_bps / 1e6:g} Mbit/s",
        f"  {status.extent} transceiver reset{'s' * (status.resets_wanted != 1)}; one parallel clock = one"
        f" {unit} = {status.clock_period_ns / status.unit_interval_ns:.0f} UI = {status.clock_period_ns:.3f} ns",
        *_toffset_lines(status),
        *_table(status),
        *_charts(status, ascii_only),
        f"  spread: raw {status.raw_spread_ns:.3f} ns, compensated {status.spread_ns:.3f} ns",
    ]
    if status.mean is not None:
        expanded = status.mean.expanded()
        plus = "+-" if ascii_only else "±"
        lines.append(
            f"  round trip without Toffset: {str(expanded).replace('±', plus)},"
            f" level of confidence {expanded.level:.2%}; one way {expanded.value_ns / 2:.3f} ns"
            f" {plus} {expanded.half_width_ns / 2:.3f} ns"
        )
    lines += _coverage(status)
    plus = "+-" if ascii_only else "±"
    lines.append(f"  largest deviation from the first measurement {status.largest_deviation_ns:.3f} ns:")
    for good, text in (
        (status.within_one_clock, f"one clock ({plus}{status.clock_period_ns:.3f} ns)"),
        (status.within_one_way_limit, f"R-19, Tc/32 ({plus}{ONE_WAY_LIMIT_NS:.3f} ns)"),
        (status.within_round_trip_limit, f"R-20 and R-21, Tc/16 ({plus}{ROUND_TRIP_LIMIT_NS:.3f} ns)"),
    ):
        lines.append(f"    {'within' if good else 'OUTSIDE'} {text}")
    lines.append(verdict_line(status))
    if ascii_only:
        lines = [line.encode("ascii", "replace").decode() for line in lines]
    return lines
