"""Counting from a mark on."""

from __future__ import annotations

from dataclasses import replace

from decoders.events import Plane
from monitor.links.since_mark import SinceMark
from tests.support.sites import healthy


def test_a_mark_counts_from_here_and_can_be_forgotten() -> None:
    before = healthy()
    first = replace(before, counters={**before.counters, "hdlc_fcs_errors": 3, "hdlc_frames": 9})
    then = replace(first, counters={**first.counters, "hdlc_fcs_errors": 5, "missed_sync_bytes": 1})
    mark = SinceMark()
    assert mark.errors(first) == 3 and mark.errors_by_plane(first) == {Plane.HDLC: 3}
    assert mark.count(first, "hdlc_frames") == 9, "which is no error"
    mark.mark(first)
    assert mark.at == before.hyperframes + before.hyperframes_missed
    assert mark.errors(first) == 0 and mark.errors_by_plane(first) == {}
    assert mark.errors(then) == 3 and mark.errors_by_plane(then) == {Plane.HDLC: 2, Plane.SYNC: 1}
    mark.forget()
    assert mark.errors(then) == 6 and mark.at == 0
