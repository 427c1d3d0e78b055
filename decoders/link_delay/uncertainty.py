"""Delays as measured quantities: a value with its standard uncertainty, and how they combine.

JCGM 100:2008 (GUM): type A from repeated readings (clause 4.2), type B from a half-width (clause 4.3.7), the
law of propagation for independent quantities (clause 5.1), the expanded uncertainty with the effective degrees
of freedom of Welch and Satterthwaite (annex G.4). Never measures anything and reads no clock.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from statistics import NormalDist

from ..errors import SettingsError

__all__ = [
    "LEVEL_OF_CONFIDENCE",
    "DelayNs",
    "ExpandedNs",
    "readings",
    "rectangular",
    "student_quantile",
    "total",
]

LEVEL_OF_CONFIDENCE = 0.9545
"""Two-sided level of confidence that coverage factor 2 gives for a normal distribution (JCGM 100 clause 6.3.3)."""


@dataclass(frozen=True, slots=True)
class ExpandedNs:
    """value +- `half_width_ns` = `coverage_factor` times the standard uncertainty, at `level`."""

    value_ns: float
    half_width_ns: float
    coverage_factor: float
    level: float

    def __str__(self) -> str:
        return f"{self.value_ns:.3f} ns ± {self.half_width_ns:.3f} ns (coverage factor {self.coverage_factor:.2f})"


@dataclass(frozen=True, slots=True)
class DelayNs:
    """A delay in nanoseconds, its standard uncertainty, and the degrees of freedom of the latter.

    Sums and differences hold for independent quantities only: a quantity minus itself is not without doubt.
    SettingsError for an uncertainty or degrees of freedom that cannot be.
    """

    value_ns: float
    u_ns: float = 0.0
    degrees_of_freedom: float = math.inf

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value_ns) and math.isfinite(self.u_ns)):
            raise SettingsError(f"delay {self.value_ns} ns, uncertainty {self.u_ns} ns: not finite")
        if self.u_ns < 0:
            raise SettingsError(f"standard uncertainty {self.u_ns:g} ns is negative")
        if not self.degrees_of_freedom > 0:
            raise SettingsError(f"degrees of freedom {self.degrees_of_freedom:g} are not above 0")

    def __add__(self, other: DelayNs) -> DelayNs:
        return total((self, other))

    def __sub__(self, other: DelayNs) -> DelayNs:
        return total((self, other.scaled(-1.0)))

    def scaled(self, factor: float) -> DelayNs:
        """`factor` times the delay, as in half of a round trip."""
        return DelayNs(factor * self.value_ns, abs(factor) * self.u_ns, self.degrees_of_freedom)

    def expanded(self, level: float = LEVEL_OF_CONFIDENCE) -> ExpandedNs:
        """Expanded uncertainty with Student's t of the degrees of freedom, cut to a whole number (annex G.6.4).

        For a result that one rectangular part dominates this is wider than need be (annex G.2.2, note).
        """
        nu = self.degrees_of_freedom
        factor = student_quantile(0.5 + level / 2, nu if math.isinf(nu) else max(1.0, math.floor(nu)))
        return ExpandedNs(self.value_ns, factor * self.u_ns, factor, level)


def total(parts: Iterable[DelayNs]) -> DelayNs:
    """Sum of independent delays; degrees of freedom by Welch-Satterthwaite (JCGM 100 equation G.2b)."""
    all_parts = tuple(parts)
    variance = math.fsum(p.u_ns**2 for p in all_parts)
    doubt = math.fsum(p.u_ns**4 / p.degrees_of_freedom for p in all_parts)
    nu = variance**2 / doubt if doubt > 0 else math.inf
    return DelayNs(math.fsum(p.value_ns for p in all_parts), math.sqrt(variance), nu or math.inf)


def readings(values_ns: Iterable[float]) -> DelayNs:
    """Type A: mean of n >= 2 independent readings, u = s/sqrt(n), n - 1 degrees of freedom (clause 4.2.3)."""
    values = tuple(values_ns)
    n = len(values)
    if n < 2:
        raise SettingsError(f"{n} readings: their scatter needs two")
    mean = math.fsum(values) / n
    variance = math.fsum((v - mean) ** 2 for v in values) / (n - 1)
    return DelayNs(mean, math.sqrt(variance / n), n - 1)


def rectangular(value_ns: float, half_width_ns: float) -> DelayNs:
    """Type B: anywhere within +- half-width with the same probability, u = a/sqrt(3) (clause 4.3.7).

    A count of whole clocks has half a clock for half-width.
    """
    if half_width_ns < 0:
        raise SettingsError(f"half-width {half_width_ns:g} ns is negative")
    return DelayNs(value_ns, half_width_ns / math.sqrt(3.0))


def student_quantile(p: float, degrees_of_freedom: float) -> float:
    """Quantile of Student's t for p above 0.5.

    Exact for 1 and 2 degrees of freedom; the expansion of Abramowitz & Stegun 26.7.5 with four terms above:
    within 0.14 % of it from 3 degrees of freedom on at p = 0.977, 0.8 % at p = 0.995 (measured).
    """
    if not 0.5 < p < 1.0:
        raise SettingsError(f"probability {p:g} is outside 0.5 to 1")
    nu = degrees_of_freedom
    if nu < 1:
        raise SettingsError(f"{nu:g} degrees of freedom: at least 1")
    if nu == 1:
        return math.tan(math.pi * (p - 0.5))
    if nu == 2:
        a = 2 * p - 1
        return a * math.sqrt(2 / (1 - a * a))
    x = NormalDist().inv_cdf(p)
    if math.isinf(nu):
        return x
    terms = (
        x,
        (x**3 + x) / 4,
        (5 * x**5 + 16 * x**3 + 3 * x) / 96,
        (3 * x**7 + 19 * x**5 + 17 * x**3 - 15 * x) / 384,
        (79 * x**9 + 776 * x**7 + 1482 * x**5 - 1920 * x**3 - 945 * x) / 92160,
    )
    return math.fsum(term / nu**i for i, term in enumerate(terms))
