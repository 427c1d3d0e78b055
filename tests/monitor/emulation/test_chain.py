"""The emulated chain: what its points get, how late it comes, and what a fault on one segment does to all of them.

What a fault does to its own segment is held to the catalogue's declarations, elsewhere to those made of them.

The yardstick of delays is arithmetic by hand: a fibre has 299 792 458 m/s over its group index 1.4677 (ITU-T G.652,
from memory), a line bit of option 2 takes 1 / 1 228.8 MHz (CPRI V7.0, Table 3).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from decoders.events import AlarmCleared, AlarmRaised, FrameReceived
from decoders.line_coding.characters import LineForm
from decoders.linerates import option_named
from decoders.link.decoder import HyperframeBlock, LinkDecoder
from decoders.link.hyperframe_sync import SyncState
from decoders.link.settings import LinkSettings
from monitor.emulation.chain import EmulatedChain
from monitor.emulation.node_sender import CmRelay
from monitor.errors import InputError
from monitor.faults.catalogue import kinds_for
from monitor.faults.kinds import Expectation
from monitor.faults.together import together
from monitor.faults.verdict import Declared, Observation, judge
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


def _problems(watched: WatchedChain, clean: WatchedChain, declared: dict[Segment, Expectation]) -> list[str]:
    """What is not as declared at any point."""
    out = []
    for point, expectation in declared.items():
        before, after = (
            Observation(dict(w.decoders[point].counters), None, w.decoders[point].state is SyncState.HFNSYNC)
            for w in (clean, watched)
        )
        events = watched.events[point]
        raised = {(e.alarm, e.origin) for e in events if isinstance(e, AlarmRaised)}
        cleared = {(e.alarm, e.origin) for e in events if isinstance(e, AlarmCleared)}
        found = [finding.text for finding in judge(Declared(expectation), before, after)]
        found += [f"{alarm} not raised" for alarm in expectation.raised if alarm not in raised]
        found += [f"{alarm} not cleared" for alarm in expectation.cleared if alarm not in cleared]
        out += [f"{point.name}: {text}" for text in found]
    return out


def _chain_with(
    *faults: str, hyperframes: int, **settings: Any
) -> tuple[WatchedChain, dict[Segment, Expectation]]:
    watched = WatchedChain(EmulatedChain(option="1", pointer_p=50, load=0.5, first_hfn=100, **settings))
    declared = dict.fromkeys(watched.chain.points, Expectation())
    for fault in faults:
        injection = watched.chain.inject(fault)
        declared = {p: together(e, injection.expectations[p]) for p, e in declared.items()}
    return watched.run(hyperframes), declared


EVERY_PLANE = (
    "hdlc.fcs@5", "ethernet.code@5", "vendor.flip@12", "ctrl_axc.flip@14", "reserved.flip@15", "iq.flip@20",
    "sync.hfn@22", "sync.comma@26", "l1.rai@29:hyperframes=2", "l1.sdi@33:hyperframes=3",
    "line.violation@40:count=15", "line.dark@70:hyperframes=3",
)  # fmt: skip


@pytest.fixture(scope="module")
def without_faults() -> WatchedChain:
    return _chain_with(hyperframes=110)[0]


@pytest.mark.parametrize("segment", POINTS)
def test_faults_of_every_plane_appear_where_they_must_and_nowhere_else(
    segment: str, without_faults: WatchedChain
) -> None:
    faults = [f"{fault}{',' if ':' in fault else ':'}segment={segment}" for fault in EVERY_PLANE]
    watched, declared = _chain_with(*faults, hyperframes=110)
    assert _problems(watched, without_faults, declared) == []
    moved = {point: watched.moved(point) for point in POINTS}
    assert [p for p in POINTS if moved[p].get("hdlc_fcs_errors") or moved[p].get("hfn_discontinuities")] == [
        segment
    ]
    assert [p for p in POINTS if moved[p].get("reserved_changes") or moved[p].get("missed_sync_bytes")] == [
        segment
    ]
    direction = POINTS[:3] if segment in POINTS[:3] else POINTS[3:]
    onward = direction[direction.index(segment) :]
    assert [p for p in POINTS if moved[p].get("ctrl_axc_changes", 0) >= 2] == onward
    back = Segment.parse(segment).reverse.name
    told = {segment, back} | (set(onward) if direction == POINTS[:3] else set())
    assert {p for p in POINTS if "l1_alarm_changes" in moved[p]} == told


def test_octets_of_c_and_m_passed_on_bring_their_errors_along() -> None:
    settings = {"cm_relay": CmRelay.OCTETS, "own_vendor": True}
    clean, _ = _chain_with(hyperframes=60, **settings)
    faults = ("hdlc.fcs@12", "ethernet.fcs@12", "vendor.flip@20")
    watched, declared = _chain_with(*(f"{f}:segment=REC-A>RE-1" for f in faults), hyperframes=60, **settings)
    assert _problems(watched, clean, declared) == []
    for point in POINTS[:3]:
        assert watched.moved(point).items() >= {"hdlc_fcs_errors": 1, "ethernet_fcs_errors": 1}.items()
    assert [watched.moved(p).get("vendor_changes", 0) - clean.moved(p).get("vendor_changes", 0) for p in POINTS] == [
        2, 0, 0, 0, 0, 0
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("fault", "anew"),
    [
        ("line.character@20:characters=4", False),
        ("line.character@20:characters=5", True),
        ("delay.step@20:bits=-60", True),
    ],
)
def test_a_jump_beyond_the_elastic_buffer_goes_through_the_chain(
    fault: str, anew: bool, without_faults: WatchedChain
) -> None:
    watched, declared = _chain_with(f"{fault},segment=REC-A>RE-1", hyperframes=110)
    assert _problems(watched, without_faults, declared) == []
    lost = [point for point in POINTS if watched.moved(point).get("lof_events")]
    assert lost == (POINTS if anew else POINTS[:1])
    assert all(decoder.state is SyncState.HFNSYNC for decoder in watched.decoders.values())
    assert not any(watched.decoders[p].planes.remote.octet for p in watched.chain.points)


def test_a_reset_is_lost_at_the_neighbours_and_found_at_another_boundary() -> None:
    watched = _chain_with(hyperframes=20)[0]
    chain, offsets = watched.chain, set()
    for _ in range(3):
        chain.reset("RE-2")
        watched.run(60)
        offsets.add(chain.delays[Segment("RE-1", "RE-2")].alignment_offset)
        for point, symbols in chain.step(2).items():
            sync = np.flatnonzero(np.isin(symbols, K28_5))
            assert (sync % 4096 == chain.starts[point]).all() and len(sync) == 2, point
        watched = WatchedChain(chain)
    assert len(offsets) > 1
    watched = _chain_with(hyperframes=20)[0]
    watched.chain.reset("RE-2")
    watched.run(80)
    lost = {point for point in POINTS if watched.moved(point).get("los_events")}
    assert {"RE-2>RE-3", "RE-2>RE-1"} <= lost <= {"RE-2>RE-3", "RE-2>RE-1", "RE-1>RE-2", "RE-3>RE-2"}
    assert all(decoder.state is SyncState.HFNSYNC for decoder in watched.decoders.values())
    assert not any(decoder.planes.remote.octet for decoder in watched.decoders.values())
    with pytest.raises(InputError, match="'RE-9' is not in the chain"):
        watched.chain.reset("RE-9")


VARIANTS = (
    "sync.comma:count=3", "sync.jump:by=150", "sync.jump:by=-7", "line.violation:count=16",
    "line.violation:x=20,w=0,count=1", "l1.reset:hyperframes=10", "l1.reset:hyperframes=9",
    "l1.alarms:mask=7,hyperframes=12", "delay.step:bits=100", "delay.step:bits=-203", "line.character:characters=-8",
    "line.slip:bits=-1", "delay.drift:bits=-7,steps=2,every=15", "line.dark:level=1,hyperframes=20",
    "line.flip:x=20,w=0,y=0,bit=3", "line.flip:x=130,w=0,y=0,bit=3", "line.burst:count=200,span=400",
    "l1.pointer:value=55,hyperframes=20", "l1.rate:value=1,hyperframes=20", "line.k:x=64,w=0",
    "line.k:code=5,x=64,w=5", "line.invert:hyperframes=10",
    "vendor.value:ns=16,xs=2,value=77,hyperframes=7", "sync.hfn_stuck:hyperframes=40",
)  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("segment", ["REC-A>RE-1", "RE-2>RE-3", "RE-2>RE-1"])
def test_every_fault_of_the_catalogue_on_a_segment(segment: str) -> None:
    option = option_named("1")
    texts = [kind.fault(None).text for kind in kinds_for(option).values() if kind.name != "sync.filler"]
    clean: dict[int, WatchedChain] = {}
    problems = []
    for text in (*texts, *VARIANTS):
        name, _, values = text.partition(":")
        hyperframes = {"hdlc.long": 700, "sync.bfn_stuck": 230}.get(name, 90)
        if hyperframes not in clean:
            clean[hyperframes] = _chain_with(hyperframes=hyperframes)[0]
        fault = f"{name}@30:{values}{',' if values else ''}segment={segment}"
        watched, declared = _chain_with(fault, hyperframes=hyperframes)
        problems += [f"{fault}: {problem}" for problem in _problems(watched, clean[hyperframes], declared)]
    assert problems == []
