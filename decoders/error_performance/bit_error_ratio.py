"""How sure a bit error ratio is: bounds from bits observed and errors counted, and the reverse.

The exact bounds are those of the binomial distribution (Clopper and Pearson, Biometrika 26, 1934), the others its
Poisson limit, chi-square(2k + 2) / 2n. Probabilities are summed term by term from the nearest one, whose logarithm
is taken without cancellation (Loader, "Fast and Accurate Computation of Binomial Probabilities", 2000, from
memory), so that 10^12 bits lose no digits. Errors are taken as independent; bursts break that. Nothing here counts.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from ..errors import SettingsError

__all__ = [
    "BitErrorRatio",
    "bits_needed",
    "count_range",
    "lower_bound",
    "poisson_lower_bound",
    "poisson_upper_bound",
    "upper_bound",
]

_NEGLIGIBLE = 1e-17
_HALVINGS = 200


@dataclass(frozen=True, slots=True)
class BitErrorRatio:
    """`errors` in `bits`, the one-sided upper bound at `confidence`, and the two-sided interval."""

    bits: int
    errors: int
    confidence: float
    upper: float
    interval: tuple[float, float]

    @classmethod
    def of(cls, bits: int, errors: int, confidence: float = 0.95) -> BitErrorRatio:
        """Exact bounds; SettingsError for counts or a confidence that cannot be."""
        both = (1 + confidence) / 2
        two_sided = (lower_bound(bits, errors, both), upper_bound(bits, errors, both))
        return cls(bits, errors, confidence, upper_bound(bits, errors, confidence), two_sided)

    @property
    def ratio(self) -> float:
        return self.errors / self.bits


def upper_bound(bits: int, errors: int, confidence: float = 0.95) -> float:
    """The ratio at which so few errors or fewer have probability 1 - confidence; exact binomial."""
    _check(bits, errors, confidence)
    if errors == bits:
        return 1.0
    if not errors:
        return -math.expm1(math.log1p(-confidence) / bits)
    return _solve(lambda p: _binomial_below(errors, bits, p), 1 - confidence, errors / bits, 1.0)


def lower_bound(bits: int, errors: int, confidence: float = 0.95) -> float:
    """The ratio at which so many errors or more have probability 1 - confidence; 0 without errors."""
    _check(bits, errors, confidence)
    if not errors:
        return 0.0
    return _solve(lambda p: -_binomial_above(errors, bits, p), confidence - 1, 0.0, errors / bits)


def poisson_upper_bound(bits: int, errors: int, confidence: float = 0.95) -> float:
    """`upper_bound` in the Poisson limit: chi-square quantile of 2 * errors + 2 degrees over 2 * bits."""
    _check(bits, errors, confidence)
    if not errors:
        return -math.log1p(-confidence) / bits
    top = errors + 40.0 * math.sqrt(errors) + 800.0
    return _solve(lambda mean: _poisson_below(errors, mean), 1 - confidence, float(errors), top) / bits


def poisson_lower_bound(bits: int, errors: int, confidence: float = 0.95) -> float:
    """`lower_bound` in the Poisson limit: chi-square quantile of 2 * errors degrees over 2 * bits."""
    _check(bits, errors, confidence)
    if not errors:
        return 0.0
    return _solve(lambda mean: -_poisson_above(errors, mean), confidence - 1, 0.0, float(errors)) / bits


def bits_needed(ratio: float, confidence: float = 0.95, errors: int = 0) -> int:
    """Fewest bits with which, `errors` of them wrong, a ratio of at most `ratio` can be claimed."""
    _check(max(1, errors), errors, confidence)
    if not 0.0 < ratio < 1.0:
        raise SettingsError(f"bit error ratio {ratio} is outside 0 to 1")
    without = math.ceil(math.log1p(-confidence) / math.log1p(-ratio))
    if not errors:
        return without
    top = without
    while upper_bound(max(top, errors), errors, confidence) > ratio:
        top *= 2
    return max(errors, _first(top, lambda n: n > errors and upper_bound(n, errors, confidence) <= ratio))


def count_range(bits: int, ratio: float, confidence: float = 0.999) -> tuple[int, int]:
    """Central interval of the number of errors in `bits` at `ratio`: (1 - confidence) / 2 at most on each side."""
    _check(bits, 0, confidence)
    if not 0.0 < ratio < 1.0:
        raise SettingsError(f"bit error ratio {ratio} is outside 0 to 1")
    tail = (1 - confidence) / 2
    low = _first(bits, lambda k: _at_most(k, bits, ratio) >= tail)
    high = _first(bits, lambda k: _more_than(k, bits, ratio) <= tail)
    return low, high


def _check(bits: int, errors: int, confidence: float) -> None:
    if bits < 1 or not 0 <= errors <= bits:
        raise SettingsError(f"{errors} errors in {bits} bits cannot be")
    if not 0.5 <= confidence < 1.0:
        raise SettingsError(f"confidence {confidence} is outside 0.5 to 1")


def _solve(falling: Callable[[float], float], target: float, low: float, high: float) -> float:
    """Where a falling function takes a value, between low and high."""
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        if falling(middle) > target:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _first(top: int, holds: Callable[[int], bool]) -> int:
    """The least number 0..top for which a condition, once true always true, holds."""
    low, high = 0, top
    while low < high:
        middle = (low + high) // 2
        if holds(middle):
            high = middle
        else:
            low = middle + 1
    return low


def _at_most(k: int, n: int, p: float) -> float:
    return _binomial_below(k, n, p) if k < n * p else 1 - _more_than(k, n, p)


def _more_than(k: int, n: int, p: float) -> float:
    if k >= n:
        return 0.0
    return _binomial_above(k + 1, n, p) if k + 1 > n * p else 1 - _binomial_below(k, n, p)


def _binomial_below(k: int, n: int, p: float) -> float:
    """P(X <= k), summed from k downwards."""
    term = total = math.exp(_log_binomial(k, n, p))
    for i in range(k, 0, -1):
        term *= i / (n - i + 1) * (1 - p) / p
        total += term
        if term <= total * _NEGLIGIBLE:
            break
    return total


def _binomial_above(k: int, n: int, p: float) -> float:
    """P(X >= k), summed from k upwards."""
    term = total = math.exp(_log_binomial(k, n, p))
    for i in range(k, n):
        term *= (n - i) / (i + 1) * p / (1 - p)
        total += term
        if term <= total * _NEGLIGIBLE:
            break
    return total


def _poisson_below(k: int, mean: float) -> float:
    term = total = math.exp(_log_poisson(k, mean))
    for i in range(k, 0, -1):
        term *= i / mean
        total += term
        if term <= total * _NEGLIGIBLE:
            break
    return total


def _poisson_above(k: int, mean: float) -> float:
    term = total = math.exp(_log_poisson(k, mean))
    i = k
    while term > total * _NEGLIGIBLE:
        i += 1
        term *= mean / i
        total += term
    return total


def _log_binomial(k: int, n: int, p: float) -> float:
    if p <= 0.0 or p >= 1.0:
        return 0.0 if k == (0 if p <= 0.0 else n) else -math.inf
    if k == 0:
        return n * math.log1p(-p)
    if k == n:
        return n * math.log(p)
    shape = _stirling_error(n) - _stirling_error(k) - _stirling_error(n - k)
    shape -= _deviance(k, n * p) + _deviance(n - k, n * (1 - p))
    return shape - 0.5 * (math.log(2 * math.pi * k) + math.log1p(-k / n))


def _log_poisson(k: int, mean: float) -> float:
    if mean <= 0.0:
        return 0.0 if k == 0 else -math.inf
    if k == 0:
        return -mean
    return -_stirling_error(k) - _deviance(k, mean) - 0.5 * math.log(2 * math.pi * k)


def _stirling_error(n: int) -> float:
    """ln n! less Stirling's formula."""
    if n <= 15:
        return math.lgamma(n + 1) - (n + 0.5) * math.log(n) + n - 0.5 * math.log(2 * math.pi)
    square = n * n
    return (1 / 12 - (1 / 360 - (1 / 1260 - 1 / 1680 / square) / square) / square) / n


def _deviance(k: int, mean: float) -> float:
    """k ln(k / mean) + mean - k, without cancellation where k is near the mean."""
    if abs(k - mean) >= 0.1 * (k + mean):
        return k * math.log(k / mean) + mean - k
    v = (k - mean) / (k + mean)
    total = (k - mean) * v
    power = 2 * k * v
    for j in range(1, 1000):
        power *= v * v
        longer = total + power / (2 * j + 1)
        if longer == total:
            break
        total = longer
    return total
