"""What changed between two runs: beyond their uncertainty, or not."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest
import scipy.stats

from decoders.link_delay.delay import fibre_delay_ns
from monitor.acceptance.differences import compare_evidence, same_ratio_chance
from monitor.acceptance.opening_rigs import open_rig
from monitor.acceptance.run import AcceptanceRun, begin_evidence
from monitor.errors import InputError
from tests.support.acceptance import short_plan

KINDS = ("link_up", "delay", "iq_integrity", "ber")


def run_into(path: Path, emulated: str = "", seed: int = 1, kinds: Sequence[str] = KINDS) -> Path:
    plan = short_plan(
        *kinds, source="emulated:pair", emulated=emulated, more=f"seed = {seed}",
        settings={"ber": "bound = 1e-6", "link_up": "resets = 1", "delay": "resets = 10"},
    )  # fmt: skip
    AcceptanceRun(plan, open_rig(plan), begin_evidence(path, plan)).run()
    return path


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return run_into(tmp_path_factory.mktemp("first") / "run")


def test_another_seed_is_no_change(first: Path, tmp_path: Path) -> None:
    other = compare_evidence(first, run_into(tmp_path / "other", seed=7))
    assert other.changes == () and len(other.moved) >= 6 and other.only == ()


def test_a_metre_more_of_fibre_is_named_with_its_uncertainty(first: Path, tmp_path: Path) -> None:
    longer = compare_evidence(first, run_into(tmp_path / "longer", "length_m = 151", kinds=("delay",)))
    assert [each.what for each in longer.changes] == ["one-way delay"]
    change = longer.changes[0]
    assert change.difference is not None and change.uncertainty is not None
    # A metre is 4.896 ns at 1310 nm; the emulated fibre has whole bits of 0.814 ns, so half a bit of doubt.
    assert change.difference == pytest.approx(fibre_delay_ns(1.0), abs=0.407)
    assert 0 < change.uncertainty < 0.5
    assert "4.88 ns ±" in change.text


def test_a_verdict_that_changed_is_named(first: Path, tmp_path: Path) -> None:
    worse = compare_evidence(
        first, run_into(tmp_path / "worse", 'compensation = "missing"\nber = 1e-5', kinds=("delay", "ber"))
    )
    what = {(each.stage, each.what) for each in worse.changes}
    assert ("delay", "verdict") in what and ("ber", "bit error ratio at REC-A>RE-1") in what


@pytest.mark.parametrize(
    ("errors", "bits"), [((0, 4), (10**6, 10**6)), ((3, 17), (10**6, 2 * 10**6)), ((5, 5), (10**6, 10**6))]
)
def test_the_test_of_two_ratios_is_scipys_binomial_test(
    errors: tuple[int, int], bits: tuple[int, int]
) -> None:
    """Conditional on the sum, the second count is binomial (Przyborowski and Wilenski)."""
    known = scipy.stats.binomtest(errors[1], sum(errors), bits[1] / sum(bits)).pvalue
    assert same_ratio_chance(errors, bits) == pytest.approx(known, rel=1e-6)


def test_a_folder_without_stages_cannot_be_compared(first: Path, tmp_path: Path) -> None:
    begin_evidence(tmp_path / "empty", short_plan("vendor"))
    with pytest.raises(InputError, match="no stage is done"):
        compare_evidence(first, tmp_path / "empty")
