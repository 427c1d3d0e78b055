"""Counts that only rise."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from monitor.metrics.totals import RisingCounts


def test_a_group_that_begins_anew_counts_on() -> None:
    counts = RisingCounts()
    assert counts.receive({"a": 5, "b": 2}) == {"a": 5, "b": 2}
    assert counts.receive({"a": 1, "b": 2}) == {"a": 6, "b": 4}  # `a` fell: both began anew
    assert counts.receive({"a": 9, "b": 9}, generation=1) == {"a": 15, "b": 13}  # said, though none fell
    assert counts.receive({"a": 9, "b": 9}, generation=1) == {"a": 15, "b": 13}


@given(st.lists(st.lists(st.integers(0, 50), min_size=1, max_size=6), min_size=1, max_size=6))
def test_totals_are_the_sum_of_all_generations(gains: list[list[int]]) -> None:
    counts, told, true = RisingCounts(), 0, 0
    for generation, steps in enumerate(gains):
        value = 0
        for gain in steps:
            value += gain
            true += gain
            now = counts.receive({"a": value}, generation)["a"]
            assert now >= told
            told = now
    assert told == true
