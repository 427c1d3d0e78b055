"""Which hyperframes are decoded: the machine of Fig. 26 and LOS, worked out by hand for each row."""

from __future__ import annotations

import pytest

from monitor.campaign.sync_model import stretches_of


@pytest.mark.parametrize(
    ("missing", "errors", "stretches"),
    [
        (set(), {}, [(0, 40)]),
        ({10}, {}, [(0, 40)]),
        ({10, 11}, {}, [(0, 40)]),
        ({10, 11, 12}, {}, [(0, 12), (13, 40)]),  # the third one loses sync
        ({10, 11, 13}, {}, [(0, 40)]),  # bad, bad, good, bad: two states back, one forward, one back
        ({10, 11, 12, 16}, {}, [(0, 12), (17, 40)]),  # three right ones are not enough
        (set(), {10: 15}, [(0, 40)]),
        (set(), {10: 16}, [(0, 11), (12, 40)]),  # one clean hyperframe, then four sync bytes
        (set(), {10: 16, 11: 1}, [(0, 11), (13, 40)]),  # a single error does not clear LOS
        ({1}, {}, [(2, 40)]),
    ],
)
def test_stretches(missing: set[int], errors: dict[int, int], stretches: list[tuple[int, int]]) -> None:
    """CPRI V7.0 clauses 4.2.9 and 4.2.10 (one state back for a missed sync byte is from memory)."""
    assert [(s.first, s.end) for s in stretches_of(40, missing, errors)] == stretches


def test_marks_of_a_stretch() -> None:
    (stretch,) = stretches_of(40, {10, 11}, {})
    assert (stretch.missed, stretch.left_sync, stretch.back_in_sync) == ((10, 11), (10,), (13,))
    first, _ = stretches_of(40, set(), {10: 16})
    assert first.los and first.lof and first.loses_at == 10
