"""Delay arithmetic against published and computed values.

R-19 Tc/32 and R-20/R-21 Tc/16: CPRI V7.0 clause 3.5 (numbers as restated in public texts). Unit intervals: computed
from the line bit rates of Table 3. Group index 1.4677 at 1310 nm: ITU-T G.652 fibres, from memory. Coupon collector:
Feller, An Introduction to Probability Theory, vol. 1. Uncertainty: JCGM 100:2008 (GUM).
"""

import math
from fractions import Fraction

import numpy as np
import pytest
from scipy import stats

from decoders.linerates import OPTIONS, option_named
from decoders.link_delay.delay import (
    LIMITS_NS,
    TC_NS,
    cable_delay,
    clock_period_ns,
    fibre_delay_ns,
    multi_hop_round_trip,
    t14,
    unit_interval_ns,
)
from decoders.link_delay.diagnosis import chance_of_all, resets_to_see_all
from decoders.link_delay.hops import BUDGETS, Budget, CableKnownBy, RadioHead, chain_delays
from decoders.link_delay.uncertainty import DelayNs, readings, rectangular, student_quantile, total

UNIT_INTERVAL_PS = {
    "1": 1627.604, "2": 813.802, "3": 406.901, "4": 325.521, "5": 203.451, "6": 162.760, "7": 101.725,
    "7A": 123.303, "8": 98.643, "9": 82.202, "10": 41.101,
}  # fmt: skip
CLOCK_NS = {
    "1": 16.276, "2": 8.138, "3": 4.069, "4": 3.255, "5": 2.035, "6": 1.628, "7": 1.017,
    "7A": 8.138, "8": 6.510, "9": 5.425, "10": 2.713,
}  # fmt: skip


def test_chip_and_limits():
    assert pytest.approx(260.4166667, abs=1e-6) == TC_NS
    assert LIMITS_NS["R-19"] == pytest.approx(8.138, abs=5e-4)
    assert LIMITS_NS["R-20"] == LIMITS_NS["R-21"] == pytest.approx(16.276, abs=5e-4)


@pytest.mark.parametrize("name", OPTIONS)
def test_unit_interval_and_character(name):
    assert unit_interval_ns(option_named(name)) * 1000 == pytest.approx(UNIT_INTERVAL_PS[name], abs=6e-4)
    assert clock_period_ns(option_named(name)) == pytest.approx(CLOCK_NS[name], abs=6e-4)


def test_fibre():
    """4.9 us for a kilometre; 10 km, the cable length of R-3, both ways just below 98 us."""
    assert fibre_delay_ns(1000.0) == pytest.approx(4895.7, abs=0.1)
    assert fibre_delay_ns(1000.0, 1.4682) == pytest.approx(4897.4, abs=0.1)


def test_cable_formula_turns_the_round_trip_over():
    """T14 = T12 + Toffset + T34 and (T14 - Toffset)/2, clause 4.2.9, for 2 km each way."""
    fibre = DelayNs(fibre_delay_ns(2000.0))
    toffset = DelayNs(3210.0)
    assert cable_delay(t14(fibre, toffset, fibre), toffset).value_ns == pytest.approx(fibre.value_ns)


def test_multi_hop_formula():
    """T14(1) + N Tc - Toffset(last): two basic frames more, one head's turnaround less."""
    found = multi_hop_round_trip(DelayNs(5000.0, 3.0), 2, DelayNs(1000.0, 4.0))
    assert found.value_ns == pytest.approx(5000.0 + 2 * 260.4166667 - 1000.0)
    assert found.u_ns == pytest.approx(5.0)


def test_coupon_collector_for_ten():
    """Mean 10 H(10) = 29.29 draws, summed from the exact tail; 99 % checked against a plain count of outcomes."""
    mean = sum(1 - chance_of_all(10, n) for n in range(400))
    assert float(mean) == pytest.approx(10 * sum(1 / i for i in range(1, 11)), abs=1e-9)
    assert float(mean) == pytest.approx(29.29, abs=0.005)
    assert chance_of_all(10, 9) == 0
    assert chance_of_all(10, 10) == Fraction(math.factorial(10), 10**10)
    # The Markov chain of "how many seen so far" is another way to the same probability.
    seen = np.zeros(11)
    seen[0] = 1.0
    need = 0
    while seen[10] < 0.99:
        step = np.arange(11) / 10
        seen = seen * step + np.concatenate(([0.0], (seen * (1 - step))[:-1]))
        need += 1
    assert resets_to_see_all(10) == need == 66


def test_rectangular_of_the_guide():
    """JCGM 100 clause 4.3.7: half-width a gives a/sqrt(3)."""
    half_clock = clock_period_ns(option_named("2")) / 2
    assert rectangular(0.0, half_clock).u_ns == pytest.approx(
        stats.uniform(-half_clock, 2 * half_clock).std()
    )


def test_readings_against_scipy():
    values = [100.1, 100.4, 99.8, 100.0, 100.3, 99.9]
    found = readings(values)
    assert found.u_ns == pytest.approx(stats.sem(values))
    assert found.degrees_of_freedom == 5
    low, high = stats.t.interval(0.9545, 5, loc=np.mean(values), scale=stats.sem(values))
    expanded = found.expanded()
    assert expanded.value_ns - expanded.half_width_ns == pytest.approx(low, rel=1e-5)
    assert expanded.value_ns + expanded.half_width_ns == pytest.approx(high, rel=1e-5)


def test_student_quantile_against_scipy():
    for nu in (1, 2, 3, 4, 5, 7, 10, 16, 30, 100, 1000):
        assert student_quantile(0.97725, nu) == pytest.approx(stats.t.ppf(0.97725, nu), rel=1.5e-3)
        assert student_quantile(0.995, nu) == pytest.approx(stats.t.ppf(0.995, nu), rel=8e-3)
    assert student_quantile(0.97725, math.inf) == pytest.approx(2.0, abs=1e-4)


def test_effective_degrees_of_freedom():
    """JCGM 100 H.1.6, the end gauge: 25, 9.7, 2.9 and 16.6 nm with 18, 25.6, 50 and 2 give 32 nm with 16."""
    parts = ((25.0, 18), (9.7, 25.6), (2.9, 50), (16.6, 2))
    found = total(DelayNs(0.0, u, nu) for u, nu in parts)
    assert found.u_ns == pytest.approx(32.0, abs=0.5)
    assert int(found.degrees_of_freedom) == 16


def three_heads() -> tuple[RadioHead, ...]:
    common = {
        "option": "3",
        "known_by": CableKnownBy.LENGTH,
        "length_tolerance_m": 0.4,
        "antenna_tolerance_ns": 3.0,
    }
    return (
        RadioHead(
            "RE-1", "REC-A", length_m=400.0, through_basic_frames=2, through_tolerance_ns=2.5, **common
        ),
        RadioHead("RE-2", "RE-1", length_m=900.0, through_basic_frames=2, through_tolerance_ns=2.5, **common),
        RadioHead("RE-3", "RE-2", length_m=250.0, **common),
    )


def test_chain_of_three_against_monte_carlo():
    """Each tolerance drawn evenly, the chain added up anew: JCGM 101 in place of JCGM 100, within 1 %."""
    heads = three_heads()
    found = chain_delays("REC-A", heads, BUDGETS["lte-mimo"])
    random = np.random.default_rng(4)
    trials = 400_000
    metre = fibre_delay_ns(1.0) * (1 + random.uniform(-0.001, 0.001, trials))
    arrival = np.zeros(trials)
    antenna = []
    for head in heads:
        arrival = arrival + (head.length_m + random.uniform(-0.4, 0.4, trials)) * metre
        antenna.append(arrival + random.uniform(-3.0, 3.0, trials))
        arrival = arrival + head.through_basic_frames * TC_NS + random.uniform(-2.5, 2.5, trials)
    for head, drawn in zip(found.heads, antenna, strict=True):
        assert head.one_way_ns == pytest.approx(drawn.mean(), rel=1e-4)
        assert head.u_ns == pytest.approx(drawn.std(), rel=0.01)
    skews = {(a, b): (antenna[b] - antenna[a]).std() for a in range(3) for b in range(a + 1, 3)}
    (a, b), worst = max(skews.items(), key=lambda item: item[1])
    assert found.worst == (heads[a].name, heads[b].name)
    assert found.error_ns == pytest.approx(2 * worst, rel=0.01)


def test_budgets_name_their_clause():
    """3GPP TS 36.104 and 38.104 clause 6.5.3, from memory."""
    assert {name: b.limit_ns for name, b in BUDGETS.items() if "mimo" in name} == {
        "lte-mimo": 65.0,
        "nr-mimo": 65.0,
    }
    assert all("3GPP TS" in b.source and "clause 6.5.3" in b.source for b in BUDGETS.values())
    assert Budget(10.0, "x").limit_ns == 10.0
