"""Sources of several points read side by side."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import pytest

from decoders.line_coding.characters import LineForm
from decoders.link.encoder import LinkEncoder
from decoders.link.settings import LinkSettings, SenderSettings
from monitor.errors import InputError
from monitor.links.damage import LocateVerdict, Point
from monitor.site.locating import PointSource, locate_sources
from monitor.sources.names import Segment
from monitor.sources.source import Chunk

POINTS = [Point(Segment("REC-A", "RE-1")), Point(Segment("RE-1", "RE-2"))]


@dataclass
class Repeated:
    """The hyperframes of one sender as octets, piece by piece; `broken` ends it with an error."""

    description: str
    hyperframes: int
    damaged: int = -1
    broken: bool = False
    form: str = LineForm.OCTETS.value
    option: str = "1"
    warnings: list[str] = field(default_factory=list)
    closed: bool = False

    def chunks(self) -> Iterator[Chunk]:
        encoder = LinkEncoder(SenderSettings(option="1", pointer_p=0, hdlc_rate_code=0))
        for start in range(0, self.hyperframes, 50):
            octets = encoder.encode(50)
            octets[:, 20, 0, 0] = (start + np.arange(50)) % 251
            if start <= self.damaged < start + 50:
                octets[self.damaged - start, 30, 7, 0] ^= 1
            yield Chunk(octets.tobytes(), 0, 0)
        if self.broken:
            raise InputError(f"{self.description}: the disk is gone")

    def close(self) -> None:
        self.closed = True


def sources(*captures: Repeated, live: bool = False) -> list[PointSource]:
    settings = LinkSettings(option="1", form=LineForm.OCTETS)
    return [PointSource(p, capture, settings, live) for p, capture in zip(POINTS, captures, strict=True)]


@pytest.mark.parametrize("live", [False, True])
def test_captures_and_live_sources_are_read_to_their_ends_and_closed(live: bool) -> None:
    one, two = Repeated("one", 300), Repeated("two", 250, damaged=120)
    located = locate_sources(sources(one, two, live=live))
    assert located.whole and not located.troubles
    [damage] = located.result.damages
    assert (damage.first, damage.segments) == (120, (POINTS[1].segment,))
    assert one.closed and two.closed


@pytest.mark.parametrize("live", [False, True])
def test_a_source_that_breaks_ends_and_the_others_go_on(live: bool) -> None:
    one, two = Repeated("one", 100, broken=True), Repeated("two", 300)
    located = locate_sources(sources(one, two, live=live))
    assert [str(trouble) for trouble in located.troubles] == ["one: the disk is gone"]
    assert [point.hyperframes for point in located.result.points] == [100, 300]
    assert located.result.verdict is LocateVerdict.CLEAN


@pytest.mark.slow
def test_memory_does_not_grow_with_the_length() -> None:
    peaks = []
    for hyperframes in (3_000, 30_000):
        tracemalloc.start()
        locate_sources(sources(Repeated("one", hyperframes), Repeated("two", hyperframes)))
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.2 * peaks[0]
