"""What a series of delays through transceiver resets says: is the delay the same, and if not, why not.

Each way of compensating the word alignment offset leaves a pattern of its own over k. All patterns are taken off
in turn, and what is left is read against the number of the reset as constant, as one step, or as a slope; the
pair that explains the series with the fewest parameters is the diagnosis (Bayesian information criterion,
Schwarz 1978). Never measures anything. Delays are in unit intervals (UI) here, so that all rates look alike.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import product

import numpy as np

from ..arrays import F64, I64
from ..errors import SettingsError
from .delay import Compensation

__all__ = ["Diagnosis", "OffsetCoverage", "Series", "diagnose", "offset_coverage", "resets_to_see_all"]

_LEAST = 10
"""Resets below which nothing is said about causes."""
_NOISE_FLOOR_UI = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """Compensated delays (n,) in UI through n resets, in order, with the offsets they were taken at.

    `offset` is k of the near receiver, `far_offset` that of the far one or None. `clock_ui` is the parallel clock
    (10) and also the number of offsets; `resolution_ui` what the counter resolves: `clock_ui` for whole clocks.
    """

    delay_ui: F64
    offset: I64
    far_offset: I64 | None
    clock_ui: int
    resolution_ui: float


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """What explains the series.

    `near` and `far` are how each end compensates; None where too few resets or offsets were seen to tell.
    `step_ui` came before reset `step_at` (counted from 0), 0 for none. `drift_ui_per_reset` is 0 unless a slope
    explains the series; `offset_slope` and `reset_slope` are the plain regression of the delay on k and on the
    reset number, in UI. `residual_ui` is the standard deviation that is left unexplained.
    """

    near: Compensation | None
    far: Compensation | None
    step_ui: float
    step_at: int | None
    drift_ui_per_reset: float
    drift_ui: float
    offset_slope: float
    reset_slope: float
    residual_ui: float

    @property
    def steady(self) -> bool:
        """Whether nothing is wrong that a reset or the time would change."""
        wrong = {self.near, self.far} - {None, Compensation.CORRECT}
        return not wrong and self.step_at is None and self.drift_ui_per_reset == 0.0


@dataclass(frozen=True, slots=True)
class _TimeFit:
    score: float
    rss: float
    step_ui: float = 0.0
    step_at: int | None = None
    slope: float = 0.0


def _pattern(kind: Compensation, offset: I64, modulus: int) -> F64:
    """UI that this way of compensating leaves in the delay at each offset."""
    left: F64 = (kind.applied(offset, modulus) - offset).astype(np.float64)
    return left


def _score(rss: float, n: int, parameters: int) -> float:
    return n * math.log(rss / n + _NOISE_FLOOR_UI**2) + parameters * math.log(n)


def _fit_time(y: F64, enough: float) -> _TimeFit:
    """Constant, one step or a slope, whichever scores best; a step or drift below `enough` UI is neither."""
    n = len(y)
    centred = y - y.mean()
    rss = float(centred @ centred)
    best = _TimeFit(_score(rss, n, 1), rss)
    when = np.arange(n) - (n - 1) / 2
    slope = float(when @ centred / (when @ when))
    left = centred - slope * when
    line_rss = float(left @ left)
    if abs(slope) * (n - 1) >= enough and _score(line_rss, n, 2) < best.score:
        best = _TimeFit(_score(line_rss, n, 2), line_rss, slope=slope)
    at = np.arange(1, n)
    before = np.cumsum(centred)[at - 1]
    # The two means that leave the smallest rest: the gain over one mean is s^2 n / (m (n - m)).
    gain = before**2 * n / (at * (n - at))
    i = int(np.argmax(gain))
    m = int(at[i])
    jump = float(-before[i] * n / (m * (n - m)))
    step_rss = max(0.0, rss - float(gain[i]))
    # Two means, a place, and one more for having looked at every place.
    if abs(jump) >= enough and _score(step_rss, n, 4) < best.score:
        best = _TimeFit(_score(step_rss, n, 4), step_rss, step_ui=jump, step_at=m)
    return best


def _counted_offsets(series: Series, near: Compensation, far: Compensation | None) -> Iterator[I64]:
    """By how many UI the count may be early at each reset, for these ways of compensating.

    An end that puts its line right by itself has no part in it; one that adds its offset twice afterwards has.
    """
    nothing = np.zeros_like(series.offset)
    beyond = nothing if series.far_offset is None else series.far_offset
    for mine in (series.offset, nothing) if near is Compensation.TWICE else (series.offset,):
        for other in (beyond, nothing) if far is Compensation.TWICE else (beyond,):
            yield mine + other


def _rounding(early: I64, clock_ui: int, remainder: int | None) -> F64:
    """UI that a counter of whole clocks leaves out, when the delay has this remainder and is counted so early."""
    if remainder is None:
        return np.zeros(len(early))
    left_out: F64 = ((remainder - early) % clock_ui).astype(np.float64)
    return left_out


def diagnose(series: Series) -> Diagnosis:
    """Read a series; SettingsError when its arrays do not belong together."""
    n = len(series.delay_ui)
    if len(series.offset) != n or (series.far_offset is not None and len(series.far_offset) != n):
        raise SettingsError("delays and offsets are not equally many")
    offset_slope, reset_slope = _plain_slopes(series)
    spread = float(np.std(series.delay_ui)) if n else 0.0
    if n < _LEAST:
        return Diagnosis(None, None, 0.0, None, 0.0, 0.0, offset_slope, reset_slope, spread)
    far_kinds: Iterable[Compensation | None] = (None,) if series.far_offset is None else Compensation
    whole = series.resolution_ui >= series.clock_ui
    remainders: Sequence[int | None] = range(series.clock_ui) if whole else (None,)
    enough = max(0.5, series.resolution_ui)
    best: tuple[float, Compensation, Compensation | None, _TimeFit] | None = None
    for far in far_kinds:
        far_part = np.zeros(n)
        if far is not None and series.far_offset is not None:
            far_part = _pattern(far, series.far_offset, series.clock_ui)
        for near in Compensation:
            # Wrong ways cost one parameter, so that of two which explain alike the right way is taken.
            cost = math.log(n) * sum(kind not in (None, Compensation.CORRECT) for kind in (near, far))
            left = series.delay_ui - far_part - _pattern(near, series.offset, series.clock_ui)
            for early, remainder in product(_counted_offsets(series, near, far), remainders):
                fit = _fit_time(left + _rounding(early, series.clock_ui, remainder), enough)
                if best is None or fit.score + cost < best[0] - 1e-9:
                    best = (fit.score + cost, near, far, fit)
    assert best is not None
    _, near_kind, far_kind, fit = best
    return Diagnosis(
        near=near_kind if len(np.unique(series.offset)) > 1 else None,
        far=far_kind if series.far_offset is not None and len(np.unique(series.far_offset)) > 1 else None,
        step_ui=fit.step_ui,
        step_at=fit.step_at,
        drift_ui_per_reset=fit.slope,
        drift_ui=fit.slope * (n - 1),
        offset_slope=offset_slope,
        reset_slope=reset_slope,
        residual_ui=math.sqrt(fit.rss / n),
    )


def _plain_slopes(series: Series) -> tuple[float, float]:
    """Least squares of the delay on k, the far k and the reset number together: slopes of the first and the last."""
    n = len(series.delay_ui)
    if n < 4:
        return 0.0, 0.0
    columns = [series.offset.astype(np.float64), np.arange(n, dtype=np.float64), np.ones(n)]
    if series.far_offset is not None:
        columns.append(series.far_offset.astype(np.float64))
    mean = float(series.delay_ui.mean())
    found = np.linalg.lstsq(np.stack(columns, axis=1), series.delay_ui - mean, rcond=None)[0]
    return float(found[0]), float(found[1])


@dataclass(frozen=True, slots=True)
class OffsetCoverage:
    """How often each word alignment offset was seen, and what more resets would bring.

    `chance_of_all` is the probability that so many resets show all offsets, were each as likely.
    """

    counts: tuple[int, ...]
    never_seen: tuple[int, ...]
    chance_of_all: float
    resets_for_99_percent: int


def offset_coverage(offsets: Iterable[int], positions: int = 10) -> OffsetCoverage:
    """Coverage of the offsets 0..positions-1 by those seen; SettingsError for one outside."""
    counts = [0] * positions
    for k in offsets:
        if not 0 <= k < positions:
            raise SettingsError(f"alignment offset {k} is outside 0 to {positions - 1}")
        counts[k] += 1
    chance = float(chance_of_all(positions, sum(counts)))
    never = tuple(k for k, count in enumerate(counts) if not count)
    return OffsetCoverage(tuple(counts), never, chance, resets_to_see_all(positions))


def chance_of_all(positions: int, draws: int) -> Fraction:
    """Probability that `draws` even draws show all of `positions`: inclusion and exclusion, exact."""
    ways = sum((-1) ** j * math.comb(positions, j) * (positions - j) ** draws for j in range(positions + 1))
    return Fraction(ways, positions**draws)


def resets_to_see_all(positions: int = 10, chance: Fraction = Fraction(99, 100)) -> int:
    """Fewest even draws that show all of `positions` with at least this probability (coupon collector)."""
    if positions < 1 or not 0 < chance < 1:
        raise SettingsError(
            f"{positions} positions, probability {float(chance):g}: one or more, and between 0 and 1"
        )
    low, high = positions, 2 * positions
    while chance_of_all(positions, high) < chance:
        low, high = high, 2 * high
    while low < high:
        middle = (low + high) // 2
        if chance_of_all(positions, middle) < chance:
            low = middle + 1
        else:
            high = middle
    return low
