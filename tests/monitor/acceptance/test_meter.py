"""Watching points: what moved is counted once, in its interval, and nothing is counted that was not received."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from decoders.line_coding.characters import LineForm
from monitor.acceptance.captures import CaptureKeeper
from monitor.acceptance.meter import Interval, watch_points
from monitor.acceptance.opening_rigs import open_rig
from monitor.acceptance.results import NotObservable
from monitor.acceptance.rig import StreamPoint, Streams
from monitor.sources.source import Chunk, Injection
from tests.support.acceptance import short_plan


class Cut:
    """Other streams with gaps before some chunks, or that end."""

    def __init__(self, chunks: list[Chunk], form: LineForm) -> None:
        self.points = (StreamPoint("p", "2", form),)
        self._chunks = chunks

    def read(self) -> Iterator[tuple[int, Chunk]]:
        for chunk in self._chunks:
            yield 0, chunk

    def inject(self, text: str) -> Injection:
        raise NotImplementedError


def keeper(streams: Streams, folder: Path | None = None) -> CaptureKeeper:
    return CaptureKeeper(folder, "01-quiet", streams.points)


def test_what_moved_lies_in_its_interval() -> None:
    rig = open_rig(short_plan("quiet", emulated='faults = ["line.flip@400"]'))
    with rig.watch() as streams:
        metered = watch_points(streams, 600, interval=150, keeper=keeper(streams))
    errors = [sum(interval.moved.values()) for interval in metered.intervals]
    assert sum(errors) in (1, 2) and metered.in_sync == (True,) and metered.settled == (True,)
    assert sum(interval.hyperframes for interval in metered.intervals) >= 600
    before = sum(i.hyperframes for i in metered.intervals[: next(n for n, e in enumerate(errors) if e)])
    assert before <= 400


def octets(count: int) -> bytes:
    from decoders.link.encoder import LinkEncoder
    from decoders.link.settings import SenderSettings

    return LinkEncoder(SenderSettings("2")).encode(count).tobytes()


def test_hyperframes_that_were_not_received_are_not_counted() -> None:
    data, size = octets(400), 8192
    chunks = [Chunk(data[i * size : (i + 10) * size], 0, i * size) for i in range(0, 200, 10)]
    chunks += [
        Chunk(data[i * size : (i + 10) * size], 0, i * size, 50 if i == 250 else 0)
        for i in range(250, 400, 10)
    ]
    streams = Cut(chunks, LineForm.OCTETS)
    metered = watch_points(streams, 200, interval=50, keeper=keeper(streams))
    assert sum(i.hyperframes for i in metered.intervals) >= 200
    assert sum(i.missing for i in metered.intervals) == 50
    assert not any(i.moved for i in metered.intervals)


def test_streams_that_end_early_are_not_tested() -> None:
    streams = Cut([Chunk(octets(100), 0, 0)], LineForm.OCTETS)
    with pytest.raises(NotObservable, match="ended before the watch was over"):
        watch_points(streams, 200, interval=50, keeper=keeper(streams))


def test_a_dead_line_ends_the_watch_without_sync() -> None:
    dead = [Chunk(bytes(8192 * 50), 0, i * 8192 * 50) for i in range(90)]
    streams = Cut(dead, LineForm.OCTETS)
    metered = watch_points(streams, 200, interval=50, keeper=keeper(streams))
    assert metered.settled == (False,) and metered.in_sync == (False,)


def test_clean_intervals_are_one() -> None:
    rig = open_rig(short_plan("quiet"))
    with rig.watch() as streams:
        metered = watch_points(streams, 600, interval=50, keeper=keeper(streams))
    assert len(metered.intervals) == 1 and metered.intervals[0].clean


def test_intervals_add_up() -> None:
    one, two = Interval(0, 10, 1, 2, 1, {"a": 1}), Interval(0, 5, 0, 0, 0, {"a": 2, "b": 3})
    one.add(two)
    assert (one.hyperframes, one.missing, one.missed, one.errored, one.moved) == (
        15,
        1,
        2,
        1,
        {"a": 3, "b": 3},
    )
