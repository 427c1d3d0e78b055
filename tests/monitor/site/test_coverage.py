"""Which times a point covers."""

from __future__ import annotations

from monitor.site.coverage import Coverage


def test_hyperframes_in_a_row_are_one_stretch() -> None:
    here = Coverage()
    here.add(0, 10)
    here.add(10, 20)
    here.add(25, 30)
    assert here.covers(3, 20) and not here.covers(3, 21) and not here.covers(19, 26)
    assert here.touches(18, 24) and not here.touches(20, 25)
    assert (here.hyperframes, here.end) == (25, 30)


def test_a_loss_of_sync_is_told_from_a_gap_of_the_capture() -> None:
    here = Coverage()
    here.add(0, 10)
    here.add(14, 20, lost=True)
    here.add(60, 70, lost=True, skipped=38)
    here.splice(65, 5)
    here.add(72, 80, lost=True, skipped=2)
    here.lose()
    assert here.outages == [(10, 14), (20, 60), (70, 72), (80, None)]
    assert here.gaps == [(20, 60, 38), (65, 70, 5)]
    assert here.short_gaps == [(70, 72, 2)]
    assert here.gap_near(8, 19) is None
    assert here.gap_near(60, 61) == (20, 60, 38)
