"""What changed between two evidence folders, and whether by more than the uncertainty of both.

Delays: the difference against the expanded uncertainty of both means (JCGM 100). Counts: the conditional test of two
Poisson ratios (Przyborowski and Wilenski, Biometrika 31, 1940, from memory), two-sided. Times and levels: against
what one measurement resolves and scatters. The level of confidence of a single comparison is 0.997, because many
are made.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from statistics import NormalDist, fmean, stdev
from typing import Any

from decoders.error_performance.bit_error_ratio import BitErrorRatio

from ..errors import InputError
from .evidence import Evidence
from .folder import EvidenceFolder
from .reset_delay import delay_status, one_way
from .results import StageResult

__all__ = ["EvidenceDifference", "Moved", "compare_evidence"]

LEVEL = 0.997
_FACTOR = NormalDist().inv_cdf(0.5 + LEVEL / 2)


@dataclass(frozen=True, slots=True)
class Moved:
    """One quantity of both runs; `uncertainty` is the half-width of the difference at LEVEL, None for words."""

    stage: str
    what: str
    before: str
    after: str
    difference: float | None = None
    uncertainty: float | None = None
    unit: str = ""
    beyond: bool = False

    @property
    def text(self) -> str:
        """In a line."""
        line = f"{self.stage}: {self.what} {self.before} -> {self.after}"
        if self.difference is not None:
            line += f" ({self.difference:+.3g} {self.unit}".rstrip()
            line += (
                ")" if self.uncertainty is None else f" ± {self.uncertainty:.2g} {self.unit}".rstrip() + ")"
            )
        return line


@dataclass(frozen=True, slots=True)
class EvidenceDifference:
    """Quantities of both runs, and what is in one of them only."""

    before: str
    after: str
    moved: tuple[Moved, ...]
    only: tuple[str, ...]

    @property
    def changes(self) -> tuple[Moved, ...]:
        """Those beyond their uncertainty."""
        return tuple(each for each in self.moved if each.beyond)


def compare_evidence(before: Path, after: Path) -> EvidenceDifference:
    """Two folders, stage by stage of the same kind and name. InputError where one cannot be read."""
    sides = []
    for path in (before, after):
        result = Evidence.read(EvidenceFolder.existing(path)).result()
        if not result.stages:
            raise InputError(f"{path}: no stage is done")
        sides.append(_named(result.stages))
    first, second = sides
    moved = [change for name in first if name in second for change in _stage(name, first[name], second[name])]
    only = [f"{name}: only in {before}" for name in first if name not in second]
    only += [f"{name}: only in {after}" for name in second if name not in first]
    return EvidenceDifference(str(before), str(after), tuple(moved), tuple(only))


def _named(stages: tuple[StageResult, ...]) -> dict[str, StageResult]:
    """Stages by name, those with the same one numbered."""
    out: dict[str, StageResult] = {}
    for stage in stages:
        name = stage.title.partition(" ")[2]
        count = 2
        while name in out:
            name = f"{stage.title.partition(' ')[2]} ({count})"
            count += 1
        out[name] = stage
    return out


def _stage(name: str, before: StageResult, after: StageResult) -> Iterator[Moved]:
    if before.outcome is not after.outcome:
        yield Moved(name, "verdict", before.outcome.value, after.outcome.value, beyond=True)
    if before.kind != after.kind or not before.raw or not after.raw:
        return
    compare = _QUANTITIES.get(before.kind)
    if compare is not None:
        yield from compare(name, before.raw, after.raw)


def _delay(name: str, before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[Moved]:
    ways = [one_way(delay_status(raw)) for raw in (before, after)]
    if ways[0] is None or ways[1] is None:
        return
    change = ways[1] - ways[0]
    expanded = change.expanded(LEVEL)
    yield Moved(
        name,
        "one-way delay",
        f"{ways[0].value_ns:.3f} ns",
        f"{ways[1].value_ns:.3f} ns",
        change.value_ns,
        expanded.half_width_ns,
        "ns",
        abs(change.value_ns) > expanded.half_width_ns,
    )


def same_ratio_chance(errors: tuple[int, int], bits: tuple[int, int]) -> float:
    """Probability of a split of the errors at least as unlikely as this one, were both ratios the same."""
    total, share = sum(errors), bits[1] / (bits[0] + bits[1])
    if not total:
        return 1.0
    weights = [_log_split(k, total, share) for k in range(total + 1)]
    here = weights[errors[1]]
    return min(1.0, math.fsum(math.exp(w) for w in weights if w <= here + 1e-9))


def _log_split(k: int, n: int, p: float) -> float:
    return (
        math.lgamma(n + 1)
        - math.lgamma(k + 1)
        - math.lgamma(n - k + 1)
        + k * math.log(p)
        + (n - k) * math.log1p(-p)
    )


def _ber(name: str, before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[Moved]:
    rows = {row["point"]: row for row in after["rows"]}
    for row in before["rows"]:
        other = rows.get(row["point"])
        if other is None or not row["bits"] or not other["bits"]:
            continue
        errors, bits = (row["errors"], other["errors"]), (row["bits"], other["bits"])
        chance = same_ratio_chance(errors, bits) if sum(errors) <= 100_000 else _normal_chance(errors, bits)
        texts = []
        for count, extent in zip(errors, bits, strict=True):
            low, high = BitErrorRatio.of(extent, count, 0.95).interval
            texts.append(f"{count / extent:.3g} ({low:.2g} to {high:.2g})")
        beyond = chance < 1 - LEVEL
        change = errors[1] / bits[1] - errors[0] / bits[0]
        yield Moved(name, f"bit error ratio at {row['point']}", texts[0], texts[1], change, beyond=beyond)


def _normal_chance(errors: tuple[int, int], bits: tuple[int, int]) -> float:
    ratios = [e / b for e, b in zip(errors, bits, strict=True)]
    width = math.sqrt(sum(e / b**2 for e, b in zip(errors, bits, strict=True)))
    return 2 * NormalDist().cdf(-abs(ratios[1] - ratios[0]) / width)


def _times(name: str, before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[Moved]:
    for key, what in (("sync_ms", "time to HFNSYNC"), ("operation_ms", "time to state F")):
        points = {row["point"] for row in before["rows"]} & {row["point"] for row in after["rows"]}
        for point in sorted(points):
            series = [
                [row[key] for row in raw["rows"] if row["point"] == point and row[key] is not None]
                for raw in (before, after)
            ]
            if not series[0] or not series[1]:
                continue
            resolution = max(row["resolution_ms"] for raw in (before, after) for row in raw["rows"])
            # A time is late by up to what it resolves, in either run; a mean has the scatter, too.
            spread = math.sqrt(sum(stdev(s) ** 2 / len(s) for s in series if len(s) > 1))
            change = fmean(series[1]) - fmean(series[0])
            width = 2 * resolution + _FACTOR * spread
            texts = [f"{fmean(s):.3f} ms" for s in series]
            beyond = abs(change) > width
            yield Moved(name, f"{what} at {point}", texts[0], texts[1], change, width, "ms", beyond)


def _tones(name: str, before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[Moved]:
    rows = {row["axc"]: row for row in after["tones"]}
    for row in before["tones"]:
        other = rows.get(row["axc"])
        if other is None:
            continue
        for key, what, unit in (("level_dbfs", "level", "dB"), ("evm_percent", "EVM", "%")):
            if row[key] is None or other[key] is None:
                continue
            width = _FACTOR * _doubt(key, row, other)
            change = other[key] - row[key]
            texts = (f"{row[key]:.4g}", f"{other[key]:.4g}")
            beyond = abs(change) > width
            yield Moved(name, f"{what} of {row['axc']}", texts[0], texts[1], change, width, unit, beyond)


def _doubt(key: str, *rows: Mapping[str, Any]) -> float:
    """Standard uncertainty of a difference: that of an EVM from n samples, and what it does to a level.

    An r.m.s. of n complex samples has the relative standard deviation 1/(2 sqrt(n)); an error vector of share e of
    the tone moves a level by 8.7 e / sqrt(n) dB (computed). A tenth of a percent and 0.001 dB are added for rounding.
    """
    total = 0.0
    for row in rows:
        share = (row["evm_percent"] or 0.0) / 100
        if key == "level_dbfs":
            total += (8.7 * share / math.sqrt(row["samples"])) ** 2 + 0.001**2
        else:
            total += (row["evm_percent"] / (2 * math.sqrt(row["samples"]))) ** 2 + (
                0.1 * row["evm_percent"]
            ) ** 2
    return math.sqrt(total)


_QUANTITIES = {
    "delay": _delay,
    "ber": _ber,
    "link_up": _times,
    "iq_integrity": _tones,
}
