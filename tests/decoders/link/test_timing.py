"""HFN counts 0 to 149 and BFN steps with HFN 0 (CPRI clause 4.2.7.3)."""

from __future__ import annotations

import numpy as np

from decoders.events import BfnDiscontinuity, Event, HfnDiscontinuity, HfnInvalid
from decoders.link.timing import TimingCheck

COUNTED = ("hfn_invalid", "hfn_discontinuities", "bfn_discontinuities")


def checked(*batches: list[tuple[int, int]], skip: int | str | None = "") -> tuple[list[Event], list[int]]:
    """Events and counters of (BFN, HFN) in batches; `skip` between the first and the second."""
    counters = dict.fromkeys(COUNTED, 0)
    check = TimingCheck(counters)
    events: list[Event] = []
    first = 0
    for batch in batches:
        bfn, hfn = (np.array(column, np.int64) for column in zip(*batch, strict=True))
        events += check.receive(hfn, bfn, first)
        if first == 0 and not isinstance(skip, str):
            check.skip(skip)
        first += len(batch)
    return events, list(counters.values())


def test_numbers_that_count_on() -> None:
    batch = [divmod(150 * 4094 + 148 + n, 150) for n in range(400)]
    wrapped = [(bfn % 4096, hfn) for bfn, hfn in batch]
    assert checked(wrapped[:7], wrapped[7:8], wrapped[8:]) == ([], [0, 0, 0])


def test_a_gap_is_counted_once_and_followed() -> None:
    events, counters = checked([(0, 5), (0, 6), (0, 9), (0, 10)])
    assert events == [HfnDiscontinuity(2, 7, 9)]
    assert counters == [0, 1, 0]


def test_an_hfn_above_149_is_invalid_and_the_count_goes_on() -> None:
    events, counters = checked([(0, 5), (0, 150), (0, 7)])
    assert events == [HfnInvalid(1, 150)]
    assert counters == [1, 0, 0]


def test_bfn_steps_with_hfn_0_alone() -> None:
    events, counters = checked([(7, 148), (7, 149), (7, 0), (7, 1)])
    assert events == [BfnDiscontinuity(2, 8, 7)]
    assert counters == [0, 0, 1]


def test_hyperframes_not_received_have_counted_on() -> None:
    assert checked([(7, 147)], [(8, 1)], skip=3) == ([], [0, 0, 0])
    assert checked([(7, 147)], [(8, 2)], skip=3)[0] == [HfnDiscontinuity(1, 1, 2)]
    assert checked([(7, 147)], [(99, 99)], skip=None) == ([], [0, 0, 0])
