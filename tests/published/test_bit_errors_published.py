"""Error ratio bounds against the chi-square and beta quantiles, typed from tables and taken from scipy."""

from __future__ import annotations

import math
import random

import pytest
from scipy import stats

from decoders.error_performance.bit_error_ratio import (
    BitErrorRatio,
    bits_needed,
    count_range,
    lower_bound,
    poisson_lower_bound,
    poisson_upper_bound,
    upper_bound,
)
from decoders.errors import SettingsError
from decoders.linerates import option_named

ERRORS = (0, 1, 2, 3, 4, 5, 10)
# Half the chi-square quantile of 2k + 2 degrees of freedom, to four places (computed with scipy).
HALF_CHI_SQUARE = {
    0.90: (2.3026, 3.8897, 5.3223, 6.6808, 7.9936, 9.2747, 15.4066),
    0.95: (2.9957, 4.7439, 6.2958, 7.7537, 9.1535, 10.5130, 16.9622),
    0.99: (4.6052, 6.6384, 8.4059, 10.0451, 11.6046, 13.1085, 20.1447),
}
# Error-free seconds for 1e-12 at 95 % on the line bits (computed).
SECONDS = {
    "1": 4875.9, "2": 2437.9, "3": 1219.0, "4": 975.2, "5": 609.5, "6": 487.6,
    "7": 304.7, "7A": 369.4, "8": 295.5, "9": 246.3, "10": 123.1,
}  # fmt: skip


@pytest.mark.parametrize("confidence", HALF_CHI_SQUARE)
def test_poisson_bound_has_the_chi_square_table(confidence: float) -> None:
    for errors, value in zip(ERRORS, HALF_CHI_SQUARE[confidence], strict=True):
        assert poisson_upper_bound(10**9, errors, confidence) * 1e9 == pytest.approx(value, abs=5.1e-5)


def test_typed_bounds() -> None:
    assert upper_bound(10**12, 0) == pytest.approx(2.99573e-12, rel=2e-6)
    assert upper_bound(10**12, 1) == pytest.approx(4.74386e-12, rel=2e-6)
    assert upper_bound(10**6, 0) == pytest.approx(2.9957278e-6, rel=1e-8)
    assert poisson_upper_bound(10**6, 0) == pytest.approx(2.9957323e-6, rel=1e-8)
    assert upper_bound(10**6, 3) == pytest.approx(7.7536381e-6, rel=1e-8)
    both = BitErrorRatio.of(10**12, 10)
    assert both.ratio == 1e-11
    assert both.interval[0] == pytest.approx(4.7954e-12, rel=1e-5)
    assert both.interval[1] == pytest.approx(1.83904e-11, rel=1e-5)


@pytest.mark.parametrize("option", SECONDS)
def test_error_free_seconds(option: str) -> None:
    seconds = bits_needed(1e-12) / option_named(option).line_rate_bps
    assert seconds == pytest.approx(SECONDS[option], abs=0.06)


@pytest.mark.parametrize("bits", [1, 7, 100, 10**4, 10**6, 10**9, 10**12])
def test_bounds_are_those_of_scipy(bits: int) -> None:
    choice = random.Random(bits)
    for errors in {0, 1, 2, min(bits, 17), min(bits, 400), choice.randrange(min(bits, 3000) + 1)}:
        if errors > bits:
            continue
        for confidence in (0.5, 0.9, 0.95, 0.999):
            exact = stats.beta.ppf(confidence, errors + 1, bits - errors) if errors < bits else 1.0
            assert upper_bound(bits, errors, confidence) == pytest.approx(exact, rel=1e-9)
            below = stats.beta.ppf(1 - confidence, errors, bits - errors + 1) if errors else 0.0
            assert lower_bound(bits, errors, confidence) == pytest.approx(below, rel=1e-9)
            limit = stats.chi2.ppf(confidence, 2 * errors + 2) / 2 / bits
            assert poisson_upper_bound(bits, errors, confidence) == pytest.approx(limit, rel=1e-9)
            limit = stats.chi2.ppf(1 - confidence, 2 * errors) / 2 / bits if errors else 0.0
            assert poisson_lower_bound(bits, errors, confidence) == pytest.approx(limit, rel=1e-9)


@pytest.mark.parametrize(("bits", "ratio"), [(50, 0.3), (10**5, 1e-3), (2 * 10**7, 1e-5), (10**12, 1e-9)])
@pytest.mark.parametrize("confidence", [0.9, 0.99, 0.999])
def test_count_range_is_that_of_scipy(bits: int, ratio: float, confidence: float) -> None:
    low, high = stats.binom.interval(confidence, bits, ratio)
    assert count_range(bits, ratio, confidence) == (int(low), int(high))


def test_zero_errors_claim_just_what_was_asked() -> None:
    bits = bits_needed(1e-6, 0.99)
    assert upper_bound(bits, 0, 0.99) <= 1e-6 < upper_bound(bits - 1, 0, 0.99)
    assert bits == math.ceil(math.log(0.01) / math.log1p(-1e-6))


@pytest.mark.parametrize(
    ("bits", "errors", "confidence"),
    [(0, 0, 0.95), (10, 11, 0.95), (10, -1, 0.95), (10, 1, 1.0), (10, 1, 0.4)],
)
def test_what_cannot_be_is_refused(bits: int, errors: int, confidence: float) -> None:
    with pytest.raises(SettingsError):
        upper_bound(bits, errors, confidence)


@pytest.mark.parametrize("ratio", [0.0, 1.0, -1e-9])
def test_ratios_that_cannot_be_are_refused(ratio: float) -> None:
    with pytest.raises(SettingsError):
        count_range(100, ratio)
    with pytest.raises(SettingsError):
        bits_needed(ratio)
