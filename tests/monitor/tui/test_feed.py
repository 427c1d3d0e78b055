"""What the screen knows: recent counts and when a fault was detected."""

from __future__ import annotations

import dataclasses

import pytest

from monitor.links.pipeline import Pipeline
from monitor.links.snapshot import Snapshot
from monitor.tui.feed import Feed
from tests.support.screen_fakes import FakeSource


def _later(snapshot: Snapshot, hyperframes: int, **counters: int) -> Snapshot:
    return dataclasses.replace(snapshot, hyperframes=hyperframes, counters={**snapshot.counters, **counters})


def test_recent_counts_are_of_a_window_of_line_time() -> None:
    """One HDLC frame every 20 hyperframes of 15 000 a second, computed."""
    pipeline = Pipeline(FakeSource(170))
    feed = Feed(pipeline)
    assert feed.window_s == 0 and feed.recent("hdlc_frames") == 0
    for steps in (10, 160):
        for _ in range(steps):
            pipeline.step()
        feed.read()
    assert feed.window_s == pytest.approx(170 * 20 / 15000)
    assert feed.recent("hdlc_frames") == feed.snapshot.counters["hdlc_frames"] in (169, 170)
    base = feed.snapshot
    for seconds in range(1, 25):
        now = _later(base, seconds * 15_000, hdlc_frames=seconds * 750)
        pipeline.snapshot = lambda now=now: now  # type: ignore[method-assign,misc]
        feed.read()
    assert feed.window_s == 10 and feed.recent("hdlc_frames") == 7500
