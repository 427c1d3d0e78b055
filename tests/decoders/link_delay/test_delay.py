"""Delay arithmetic, markers, diagnosis of reset series, chains: properties and caller mistakes."""

import math

import numpy as np
import pytest

from decoders.errors import LayoutError, SettingsError
from decoders.linerates import option_named
from decoders.link_delay.delay import (
    Compensation,
    MarkerTrain,
    antenna_round_trip,
    cable_delay,
    coax_delay_ns,
    counted_delay,
    fibre_delay_ns,
    fibre_drift_ns,
    marker_delays_bits,
    multi_hop_round_trip,
)
from decoders.link_delay.diagnosis import Series, diagnose, offset_coverage, resets_to_see_all
from decoders.link_delay.hops import Budget, Medium, RadioHead, chain_delays
from decoders.link_delay.uncertainty import DelayNs, readings, rectangular, student_quantile, total

OPTION_2 = option_named("2")
UI_2 = 1e9 / 1_228_800_000


def test_count_and_offset_add_up():
    """The same 2044 UI, whatever the offset: the count comes k UI early."""
    for k in range(10):
        found = counted_delay((2044 - k) / 10, k, OPTION_2)
        assert found.value_ns == pytest.approx(2044 * UI_2)
        assert found.u_ns == pytest.approx(5 * UI_2 / math.sqrt(3))
    assert counted_delay(204.1, 3, OPTION_2, resolution_ui=1.0).u_ns == pytest.approx(UI_2 / 2 / math.sqrt(3))


@pytest.mark.parametrize(
    ("kind", "left"),
    [
        (Compensation.CORRECT, [0] * 10),
        (Compensation.MISSING, [-k for k in range(10)]),
        (Compensation.WRONG_SIGN, [-2 * k for k in range(10)]),
        (Compensation.OFF_BY_ONE, [1] * 9 + [-9]),
        (Compensation.OFF_BY_ONE_LOW, [9] + [-1] * 9),
    ],
)
def test_what_each_compensation_leaves(kind, left):
    found = [
        counted_delay((500 - k) / 10, k, OPTION_2, compensation=kind).value_ns / UI_2 - 500 for k in range(10)
    ]
    assert found == pytest.approx(left)


def test_offset_outside_the_character():
    with pytest.raises(SettingsError, match="10 is outside 0 to 9"):
        counted_delay(100, 10, OPTION_2)
    assert counted_delay(100, 65, option_named("8")).value_ns > 0


def test_zero_is_taken_off_before_halving():
    found = cable_delay(DelayNs(5000.0), DelayNs(1000.0), DelayNs(200.0, 6.0))
    assert (found.value_ns, found.u_ns) == (1900.0, 3.0)


def test_antenna_round_trip():
    assert antenna_round_trip(DelayNs(5000), DelayNs(1000), DelayNs(300), DelayNs(400)).value_ns == 4700


def test_media():
    assert coax_delay_ns(10.0, 1.0) == pytest.approx(33.356, abs=1e-3)
    assert fibre_drift_ns(1000.0, 10.0) == pytest.approx(0.37)
    for call in (
        lambda: fibre_delay_ns(-1.0),
        lambda: fibre_delay_ns(1.0, 0.9),
        lambda: coax_delay_ns(-1.0),
        lambda: coax_delay_ns(1.0, 1.1),
        lambda: multi_hop_round_trip(DelayNs(1), -1, DelayNs(1)),
    ):
        with pytest.raises(SettingsError):
            call()


def timing(first: int, n: int) -> np.ndarray:
    """(BFN, HFN) of n hyperframes from this count on."""
    number = (first + np.arange(n)) % (4096 * 150)
    return np.stack(np.divmod(number, 150), axis=1)


def test_markers_tell_hyperframes_apart():
    """A delay of two hyperframes and 37 bits, over the end of the BFN."""
    first = 4096 * 150 - 3
    sent = MarkerTrain(0, 81920, timing(first, 8))
    received = MarkerTrain(3 * 81920 + 37, 81920, timing(first + 1, 9))
    delays = marker_delays_bits(sent, received)
    assert delays.tolist() == [2 * 81920 + 37] * 7


def test_markers_never_sent():
    sent = MarkerTrain(0, 81920, timing(10, 4))
    assert len(marker_delays_bits(sent, MarkerTrain(5, 81920, timing(20, 4)))) == 0
    assert len(marker_delays_bits(sent, MarkerTrain(5, 81920, timing(0, 0)))) == 0
    with pytest.raises(LayoutError):
        marker_delays_bits(sent, MarkerTrain(5, 81920, np.zeros((4, 3), np.int64)))


def test_delays_that_cannot_be():
    for bad in (math.nan, math.inf):
        with pytest.raises(SettingsError):
            DelayNs(bad)
    with pytest.raises(SettingsError):
        DelayNs(1.0, -1.0)
    with pytest.raises(SettingsError):
        DelayNs(1.0, 1.0, 0)
    with pytest.raises(SettingsError):
        readings([1.0])
    with pytest.raises(SettingsError):
        rectangular(1.0, -1.0)
    with pytest.raises(SettingsError):
        student_quantile(0.5, 3)
    with pytest.raises(SettingsError):
        student_quantile(0.9, 0.5)


def test_equal_readings_leave_no_doubt_but_the_resolution():
    mean = readings([5.0] * 4)
    assert mean.u_ns == 0.0
    both = mean + rectangular(0.0, 1.0)
    assert both.u_ns == pytest.approx(1 / math.sqrt(3))
    assert math.isinf(both.degrees_of_freedom)
    assert total([]).value_ns == 0.0
    assert str(DelayNs(10.0, 1.0).expanded()) == "10.000 ns ± 2.000 ns (coverage factor 2.00)"


def series(
    n=200, near=Compensation.CORRECT, far=None, step=0.0, at=0, drift=0.0, noise=0.0, resolution=0.1, seed=1
) -> Series:
    random = np.random.default_rng(seed)
    k = random.integers(0, 10, n)
    delay = 2044.0 + near.applied(k) - k + random.normal(0.0, noise or 1e-9, n)
    delay += np.where(np.arange(n) >= at, step, 0.0) + drift * np.linspace(0.0, 1.0, n)
    far_k = None
    if far is not None:
        far_k = random.integers(0, 10, n)
        delay += far.applied(far_k) - far_k
    return Series(delay, k, far_k, 10, resolution)


@pytest.mark.parametrize("near", Compensation)
@pytest.mark.parametrize("far", [None, *Compensation])
def test_each_compensation_is_named(near, far):
    found = diagnose(series(near=near, far=far))
    assert (found.near, found.far, found.step_at, found.drift_ui_per_reset) == (near, far, None, 0.0)
    assert found.residual_ui < 1e-6
    assert found.steady == (near is Compensation.CORRECT and far in (None, Compensation.CORRECT))


@pytest.mark.parametrize("near", Compensation)
@pytest.mark.parametrize("noise", [0.0, 0.3])
def test_step_and_drift_beside_a_wrong_compensation(near, noise):
    found = diagnose(series(near=near, step=20.0, at=77, noise=noise))
    assert (found.near, found.step_at, found.drift_ui_per_reset) == (near, 77, 0.0)
    assert found.step_ui == pytest.approx(20.0, abs=0.2)
    found = diagnose(series(near=near, drift=-12.0, noise=noise))
    assert (found.near, found.step_at) == (near, None)
    assert found.drift_ui == pytest.approx(-12.0, abs=0.5)
    assert found.residual_ui == pytest.approx(noise, rel=0.15, abs=1e-6)


@pytest.mark.parametrize("at", [1, 2, 100, 198, 199])
def test_step_near_an_end(at):
    assert diagnose(series(step=-10.0, at=at)).step_at == at


@pytest.mark.parametrize("seed", range(40))
def test_noise_alone_is_neither_step_nor_drift(seed):
    found = diagnose(series(noise=0.8, seed=seed))
    assert (found.near, found.step_at, found.drift_ui_per_reset) == (Compensation.CORRECT, None, 0.0)


def test_regression_slopes():
    found = diagnose(series(near=Compensation.WRONG_SIGN, drift=4.0))
    assert found.offset_slope == pytest.approx(-2.0, abs=1e-6)
    assert found.reset_slope == pytest.approx(4.0 / 199, abs=1e-6)


def test_too_little_to_tell():
    assert diagnose(series(n=9, near=Compensation.MISSING)).near is None
    still = Series(np.full(50, 100.0), np.full(50, 4), None, 10, 0.1)
    assert diagnose(still).near is None
    assert diagnose(Series(np.zeros(0), np.zeros(0, np.int64), None, 10, 0.1)).steady
    with pytest.raises(SettingsError):
        diagnose(Series(np.zeros(3), np.zeros(2, np.int64), None, 10, 0.1))


@pytest.mark.parametrize("kind", [Compensation.CORRECT, Compensation.MISSING, Compensation.WRONG_SIGN])
@pytest.mark.parametrize("path", range(2040, 2050))
def test_counter_of_whole_clocks(kind, path):
    """The count is floor((path - k)/10); what rounding leaves has a pattern of its own over k."""
    k = np.random.default_rng(path).integers(0, 10, 300)
    delay = (path - k) // 10 * 10.0 + kind.applied(k)
    assert diagnose(Series(delay, k, None, 10, 10.0)).near is kind


def test_offset_coverage():
    found = offset_coverage([0, 0, 3, 9])
    assert found.counts == (2, 0, 0, 1, 0, 0, 0, 0, 0, 1)
    assert found.never_seen == (1, 2, 4, 5, 6, 7, 8)
    assert found.chance_of_all == 0.0
    assert resets_to_see_all(1) == 1
    with pytest.raises(SettingsError):
        offset_coverage([10])
    with pytest.raises(SettingsError):
        resets_to_see_all(0)


# --- chains -----------------------------------------------------------------------------------------------

BUDGET = Budget(65.0, "test")


def test_chain_by_hand():
    heads = (
        RadioHead(
            "RE-1",
            "REC-A",
            "2",
            100.0,
            Medium.FIBRE,
            group_index=1.5,
            through_basic_frames=3,
            through_remainder_ns=10.0,
            up_through_basic_frames=1,
            up_through_remainder_ns=0.0,
            t2a_ns=50.0,
            ta3_ns=40.0,
            toffset_ns=500.0,
        ),
        RadioHead("RE-2", "RE-1", "2", 200.0, Medium.FIBRE, group_index=1.5, t2a_ns=70.0, ta3_ns=60.0),
    )
    found = chain_delays("REC-A", heads, BUDGET)
    metre = 1.5 / 0.299792458
    tc = 1e9 / 3.84e6
    first, second = found.heads
    assert first.one_way_ns == pytest.approx(100 * metre + 50)
    assert first.round_trip_ns == pytest.approx(200 * metre + 90)
    assert first.t14_ns == pytest.approx(200 * metre + 500)
    assert second.one_way_ns == pytest.approx(300 * metre + 3 * tc + 10 + 70)
    assert second.round_trip_ns == pytest.approx(600 * metre + 4 * tc + 10 + 130)
    assert second.buffer_ns == 0.0
    assert first.buffer_ns == found.skew_ns == pytest.approx(second.one_way_ns - first.one_way_ns)
    assert [effect.heads for effect in found.effects] == [("RE-1", "RE-2"), ("RE-2",)]
    assert found.effects[0].uncompensated_ns == pytest.approx(9 * UI_2)


def test_what_heads_share_drops_out_of_their_skew():
    """Doubt of the link to RE-1 is common to RE-2 and RE-3 behind it."""
    heads = [RadioHead("RE-1", "REC-A", "1", 100.0)]
    heads += [RadioHead(name, "RE-1", "4", 100.0) for name in ("RE-2", "RE-3")]
    found = chain_delays("REC-A", heads, BUDGET)
    coarse, fine = (10 * 1e9 / rate / 4 / math.sqrt(3) for rate in (614_400_000, 3_072_000_000))
    assert found.heads[1].u_ns == pytest.approx(math.hypot(coarse, fine))
    assert found.worst == ("RE-2", "RE-3")
    assert found.error_ns == pytest.approx(2 * math.sqrt(2) * fine)
    stepped = chain_delays("REC-A", heads, BUDGET, buffer_step_ns=10.0)
    assert stepped.error_ns == pytest.approx(2 * math.sqrt(2 * fine**2 + 2 * 25 / 3))


def test_temperature_of_a_fibre():
    warm = RadioHead("RE-1", "REC-A", "7", 10_000.0, temperature_k=30.0)
    assert warm.cable_doubts_ns()["temperature of the link to RE-1"] == pytest.approx(11.1 / math.sqrt(3))


def test_one_head_has_no_skew():
    found = chain_delays("REC-A", [RadioHead("RE-1", "REC-A", "2", 1.0)], BUDGET)
    assert (found.worst, found.error_ns, found.margin_ns) == (None, 0.0, 65.0)


@pytest.mark.parametrize(
    ("heads", "text"),
    [
        ((), "no radio head"),
        ((RadioHead("A", "B", "2", 1), RadioHead("B", "A", "2", 1)), "loop"),
        ((RadioHead("A", "A", "2", 1),), "loop"),
        ((RadioHead("A", "X", "2", 1),), "not in the plan"),
        ((RadioHead("A", "REC-A", "2", 1), RadioHead("A", "REC-A", "2", 1)), "same name"),
        ((RadioHead("A", "REC-A", "2", -1),), "no length"),
    ],
)
def test_chains_that_cannot_be(heads, text):
    with pytest.raises(SettingsError, match=text):
        chain_delays("REC-A", heads, BUDGET)
