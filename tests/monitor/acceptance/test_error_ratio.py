"""Bit error ratio: bounds of scipy, known bits beforehand, and an honest fail."""

from __future__ import annotations

import math
from contextlib import AbstractContextManager

import pytest
import scipy.stats

from decoders.error_performance.bit_error_ratio import bits_needed
from decoders.linerates import option_named
from monitor.acceptance.error_ratio import ErrorRatio, line_bits, needed_bits, needed_hyperframes, pn_bits
from monitor.acceptance.results import AcceptanceOutcome, NotObservable
from monitor.acceptance.rig import Streams
from monitor.acceptance.rig_emulated import EmulatedRig
from monitor.acceptance.stage import StageContext
from monitor.acceptance.stage_settings import BerSettings
from tests.support.acceptance import lines_of, result_of, short_plan, stage_of


def clopper_pearson_upper(bits: int, errors: int, confidence: float) -> float:
    """scipy's exact limit: the beta quantile (Clopper and Pearson 1934)."""
    return float(scipy.stats.beta.ppf(confidence, errors + 1, bits - errors))


@pytest.mark.parametrize("errors", [0, 1, 7])
@pytest.mark.parametrize("confidence", [0.95, 0.99])
def test_the_needed_bits_are_the_fewest_by_scipy(errors: int, confidence: float) -> None:
    ratio = 1e-4
    bits = bits_needed(ratio, confidence, errors)
    assert clopper_pearson_upper(bits, errors, confidence) <= ratio * (1 + 1e-9)
    assert clopper_pearson_upper(bits - 2, errors, confidence) > ratio


def test_the_needed_bits_without_errors_are_the_published_ones() -> None:
    """-ln(1 - C) / ratio: 2.996 for 95 % and 4.605 for 99 % (for 95 % the rule of three;
    Hanley and Lippman-Hand, JAMA 249, 1983)."""
    for confidence, factor in ((0.95, 2.996), (0.99, 4.605)):
        assert needed_bits(BerSettings(bound=1e-12, confidence=confidence)) * 1e-12 == pytest.approx(
            factor, abs=0.001
        )


def test_one_error_allowed_takes_the_chi_square_of_four_degrees() -> None:
    bits = needed_bits(BerSettings(bound=1e-9, errors=1))
    assert bits * 1e-9 == pytest.approx(scipy.stats.chi2.ppf(0.95, 4) / 2, rel=1e-6)


def test_bits_of_a_hyperframe() -> None:
    two = option_named("2")
    assert pn_bits(two) == 256 * 15 * 16 and line_bits(two) == 256 * 16 * 20
    assert line_bits(option_named("8")) == option_named("8").hyperframe_line_bits // 66 * 2
    wanted = needed_hyperframes(BerSettings(bound=1e-6), two, "pn")
    assert wanted == math.ceil(needed_bits(BerSettings(bound=1e-6)) / pn_bits(two))


def judged(
    bits: int, errors: int, lock_losses: int = 0, bound: str = "1e-6"
) -> tuple[AcceptanceOutcome, str]:
    row = {"point": "p", "bits": bits, "errors": errors, "unlocked": 0, "lock_losses": lock_losses}
    raw = {"method": "PN23", "rows": [row]}
    result = result_of(short_plan("ber", settings={"ber": f"bound = {bound}"}), raw)
    return result.outcome, lines_of(result)


def test_bounds_decide_and_not_the_ratio() -> None:
    enough = bits_needed(1e-6, 0.95)
    assert judged(enough, 0)[0] is AcceptanceOutcome.PASS
    assert judged(enough - 10, 0)[0] is AcceptanceOutcome.FAIL
    outcome, text = judged(enough, 1)  # a ratio of 3e-7, below the bound: not shown
    assert outcome is AcceptanceOutcome.FAIL and "the bound is not shown, which takes" in text
    outcome, text = judged(enough, 40)
    assert outcome is AcceptanceOutcome.FAIL and "the ratio is above the bound" in text
    assert judged(enough, 0, lock_losses=1)[0] is AcceptanceOutcome.FAIL
    assert judged(0, 0)[0] is AcceptanceOutcome.FAIL


def test_errors_are_counted_one_by_one() -> None:
    plan = short_plan("ber", emulated="ber = 2e-5", settings={"ber": "bound = 1e-4\nerrors = 60"})
    result = stage_of(plan)
    row = result.raw["rows"][0]
    # One wrong line bit is at most eight wrong octet bits, and about half of them.
    assert 0.2e-5 < row["errors"] / row["bits"] < 16e-5


def test_a_floor_is_caught_by_a_bound_below_it_and_passes_one_above() -> None:
    assert not stage_of(short_plan("ber", emulated="ber = 1e-6", settings={"ber": "bound = 1e-7"})).passed
    assert stage_of(short_plan("ber", emulated="ber = 1e-9", settings={"ber": "bound = 1e-6"})).passed


def test_the_line_code_shows_errors_where_no_bits_are_known() -> None:
    result = stage_of(
        short_plan("ber", emulated="ber = 1e-5", settings={"ber": 'bound = 1e-6\nmethod = "line_code"'})
    )
    assert result.outcome is AcceptanceOutcome.FAIL and result.raw["method"] == "line code"


@pytest.mark.slow
def test_an_error_floor_of_1e_9_is_caught_by_a_bound_of_1e_10() -> None:
    """30 errors are expected in the bits that the bound takes: none comes with a probability of 1e-13."""
    assert not stage_of(short_plan("ber", emulated="ber = 1e-9", settings={"ber": "bound = 1e-10"})).passed


class WithoutSequence(EmulatedRig):
    """A link that is said to carry a PN sequence, and carries something else."""

    def pn(self, order: int) -> AbstractContextManager[Streams]:
        return self.watch()


def test_a_sequence_that_is_not_there_is_no_pass_by_the_line_code() -> None:
    plan = short_plan("ber")
    with pytest.raises(NotObservable, match="no PN23 sequence was found"):
        ErrorRatio().measure(StageContext(WithoutSequence(plan), plan, plan.stages[0]))
