"""Points of a chain as sources, alone and several of one chain."""

from __future__ import annotations

import threading

import numpy as np
import pytest

from monitor.emulation.chain import EmulatedChain
from monitor.emulation.chain_source import ChainPointSource, chain_sources
from monitor.errors import InputError
from monitor.links.judgement import live_judgement
from monitor.links.pipeline import Pipeline
from monitor.sources.names import Segment

DOWN, UP = Segment("RE-1", "RE-2"), Segment("RE-1", "REC-A")


def chain() -> EmulatedChain:
    return EmulatedChain(option="1", pointer_p=50, load=0.3)


def data_of(source: ChainPointSource) -> bytes:
    return b"".join(bytes(chunk.data) for chunk in source.chunks())


def test_sources_of_one_chain_give_what_its_points_get() -> None:
    sources = chain_sources(chain(), [DOWN, UP], limit=70, chunk_hyperframes=8)
    got: dict[Segment, bytes] = {}

    def read(point: Segment) -> None:
        got[point] = data_of(sources[point])

    threads = [threading.Thread(target=read, args=(point,)) for point in sources]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    whole = chain().step(70)
    assert got == {point: whole[point].astype("<u2").tobytes() for point in (DOWN, UP)}


def test_one_source_alone_is_the_same_chain() -> None:
    (source,) = chain_sources(chain(), [UP], limit=30).values()
    chunks = list(source.chunks())
    assert b"".join(bytes(c.data) for c in chunks) == chain().step(30)[UP].astype("<u2").tobytes()
    assert (source.form, source.option) == ("symbols", "1") and chunks[0].offset == 0
    assert source.description == "emulated: Saltmarsh chain, REC-A from RE-1"


def test_a_source_that_is_closed_is_not_waited_for() -> None:
    sources = chain_sources(chain(), [DOWN, UP], limit=40, chunk_hyperframes=2)
    slow = sources[DOWN].chunks()
    next(slow)
    closing = threading.Timer(0.2, sources[DOWN].close)
    closing.start()
    assert len(data_of(sources[UP])) == 40 * 2 * 4096
    closing.join()
    assert list(slow) == []


def test_a_fault_is_judged_at_the_point_that_is_read() -> None:
    verdicts = {}
    for point in (DOWN, UP):
        sources = chain_sources(chain(), [point], limit=160, chunk_hyperframes=16)
        pipeline = Pipeline(sources[point])
        pipeline.step()
        pipeline.inject("ctrl_axc.flip@40:segment=RE-1>RE-2")
        pipeline.inject("iq.flip@40")
        while pipeline.step():
            pass
        snapshot = pipeline.snapshot()
        verdicts[point] = [live_judgement(fault, snapshot).verdict.name for fault in snapshot.injected]
        assert snapshot.counters["ctrl_axc_changes"] == (2 if point == DOWN else 0)
    assert [verdicts[p][0] for p in (DOWN, UP)] == ["DETECTED", "BOUNDED"]


def test_the_hyperframe_given_back_is_that_of_the_point() -> None:
    long = EmulatedChain(option="1", lengths_m=(9000.0, 9000.0, 9000.0))
    sources = chain_sources(long)
    first, last = Segment("REC-A", "RE-1"), UP
    injection = sources[last].inject("vendor.flip@30:segment=REC-A>RE-1")
    assert injection.segment == first and injection.point == last and injection.expected == {}
    assert injection.hyperframe == 30 + long.starts[last] // 4096 - long.starts[first] // 4096 == 34
    assert long.first_hyperframe(last) == (4095, 150 - long.starts[last] // 4096)


@pytest.mark.parametrize("text", ["vendor.flip@3:segment=A>B", "vendor.flip@3:ns=63", "hdlc.nothing"])
def test_a_fault_is_checked_before_it_is_put_in(text: str) -> None:
    (source,) = chain_sources(chain(), [UP]).values()
    source.check_fault("vendor.flip@3")
    with pytest.raises(InputError):
        source.check_fault(text)
    with pytest.raises(InputError):
        source.inject(text)
    assert np.array_equal(source.chain.step(8)[UP], chain().step(8)[UP])
