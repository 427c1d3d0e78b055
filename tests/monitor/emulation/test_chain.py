"""The emulated chain: what its points get, how late it comes, and what a fault on one segment does to all of them.

The yardstick of delays is arithmetic by hand: a fibre has 299 792 458 m/s over its group index 1.4677 (ITU-T G.652,
from memory), a line bit of option 2 takes 1 / 1 228.8 MHz (CPRI V7.0, Table 3).
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from decoders.events import FrameReceived
from decoders.line_coding.characters import LineForm
from decoders.link.decoder import HyperframeBlock, LinkDecoder
from decoders.link.settings import LinkSettings
from monitor.emulation.chain import EmulatedChain
from monitor.errors import InputError
from monitor.sources.names import Segment
from tests.support.chains import WatchedChain

POINTS = ["REC-A>RE-1", "RE-1>RE-2", "RE-2>RE-3", "RE-3>RE-2", "RE-2>RE-1", "RE-1>REC-A"]
K28_5 = (0b0101111100, 0b1010000011)
"""K28.5 in both columns, bit 0 = a (IEEE 802.3 table 36-2: 0011111010 and 1100000101, a first)."""


@pytest.fixture(scope="module")
def clean() -> WatchedChain:
    return WatchedChain(EmulatedChain(load=0.8)).run(1, 39, 60)


def test_every_point_is_in_operation_from_the_first_symbol(clean: WatchedChain) -> None:
    assert [point.name for point in clean.chain.points] == POINTS
    for point, decoder in clean.decoders.items():
        assert clean.moved(point.name) == {}, point
        assert decoder.acquired_at_hyperframe == 0 and decoder.hyperframes == 99
        assert decoder.planes.last.first == clean.chain.first_hyperframe(point) == (0, 0)
        assert decoder.counters["hdlc_frames"] > 8 and decoder.counters["ethernet_frames"] > 40


def test_a_hyperframe_comes_back_later_by_the_sum_of_delays() -> None:
    chain = EmulatedChain(seed=3, lengths_m=(200.0, 1000.0, 50.0), toffset_clocks=400, through_clocks=64)
    got = chain.step(2)
    at, hand = 0, {}
    metre_bits = 1.4677 / 299_792_458 * 1_228_800_000
    for name in POINTS:
        sender, receiver = name.split(">")
        length = {"REC-A": 200, "RE-1": 1000, "RE-2": 50}[
            min(sender, receiver, key=["REC-A", "RE-1", "RE-2", "RE-3"].index)
        ]
        offset = chain.delays[Segment.parse(name)].alignment_offset
        through = {"REC-A": 0, "RE-3": 400}.get(sender, 64)
        if through == 64:  # the elastic buffer holds 0 to 3 symbols
            fill = chain.through[sender][name in POINTS[3:]] - 64
            assert 0 <= fill < 4
            through += fill
        at += through + round((round(length * metre_bits) + 120 - offset) / 10)
        hand[name] = at
    for segment, symbols in got.items():
        sync = np.flatnonzero(np.isin(symbols, K28_5))
        assert sync.tolist() == [hand[segment.name], hand[segment.name] + 8192], segment
    assert (
        2 * 1250 * metre_bits / 10
        < hand["RE-1>REC-A"] - 400 - 6 * 12 - 4 * 64
        < 2 * 1250 * metre_bits / 10 + 20
    )


def test_what_is_sent_at_one_end_is_received_at_the_other(clean: WatchedChain) -> None:
    for names in (POINTS[:3], POINTS[3:]):
        frames = []
        for name in names:
            events = clean.events[Segment.parse(name)]
            frames.append([(e.plane, e.data) for e in events if isinstance(e, FrameReceived)])
        for plane in {plane for plane, _ in frames[0]}:
            first, last = ([data for p, data in some if p is plane] for some in (frames[0], frames[2]))
            start = next(i for i in range(4) if first[i] in last[:4])
            shift = last.index(first[start]) - start
            assert len(last) > 8 and last[start + shift :] == first[start : len(last) - shift]


def _content(symbols: NDArray[np.uint16]) -> dict[tuple[int, int], bytes]:
    """IQ data, Ctrl_AxC and vendor specific octets by BFN and HFN."""
    out: dict[tuple[int, int], bytes] = {}

    def keep(block: HyperframeBlock) -> None:
        for octets in block.octets:
            number = int(octets[128, 0, 0]), int(octets[64, 0, 0])
            control = octets[:, 0].reshape(4, 64, -1)
            out[number] = octets[:, 1:].tobytes() + control[:, 4:8].tobytes() + control[:, 16:40].tobytes()

    decoder = LinkDecoder(LinkSettings(option="2", form=LineForm.SYMBOLS), keep)
    decoder.receive(symbols.astype("<u2").view(np.uint8))
    decoder.finish()
    return out


def test_user_plane_and_octets_stay_with_their_bfn_and_hfn() -> None:
    got = {p.name: _content(s) for p, s in EmulatedChain(first_bfn=5, first_hfn=140).step(20).items()}
    for names in (POINTS[:3], POINTS[3:]):
        assert (5, 140) in got[names[0]] and (6, 2) in got[names[0]]
        assert len(set(got[names[0]].values())) > 5
        assert got[names[0]] == got[names[1]] == got[names[2]]
    assert got["REC-A>RE-1"][5, 140] != got["RE-3>RE-2"][5, 140]


def test_the_same_whatever_the_steps() -> None:
    whole = EmulatedChain(seed=4)
    parts = EmulatedChain(seed=4)
    for chain in (whole, parts):
        chain.inject("line.dark@5:hyperframes=3,segment=RE-1>RE-2")
    at_once = whole.step(40)
    pieces = [parts.step(n) for n in (1, 2, 3, 4, 30)]
    for point, symbols in at_once.items():
        assert np.array_equal(symbols, np.concatenate([piece[point] for piece in pieces]))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("vendor.flip@3:segment=RE-1>RE-9", "segment 'RE-1>RE-9' is not in the chain"),
        ("vendor.flip@3:segment=RE-1", "segment 'RE-1' is not SENDER>RECEIVER"),
        ("vendor.flip@3", "no segment is named"),
        ("vendor.flip@3:ns=63,segment=RE-1>RE-2", "ns=63 is not vendor specific"),
        ("vendor.flip@0:segment=RE-1>RE-2", "hyperframe 0 is past"),
    ],
)
def test_a_fault_that_cannot_be_is_one_line(text: str, said: str) -> None:
    chain = EmulatedChain()
    chain.step(20)
    with pytest.raises(InputError, match=said):
        chain.inject(text)
    assert chain.injections == []
