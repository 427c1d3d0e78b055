"""Faults on the segments of an emulated chain: the segment is named, and what only follows is not."""

from __future__ import annotations

import random

import numpy as np
import pytest

from decoders.arrays import U8
from decoders.events import Plane
from decoders.line_coding.characters import LineForm
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings
from monitor.emulation.chain import EmulatedChain
from monitor.emulation.node_sender import CmRelay
from monitor.links.damage import Forwarding, Localised, LocateVerdict, Point
from monitor.site.localisation import Localisation
from monitor.sources.names import Segment
from tests.support.chain_locating import (
    SETTLED,
    chain_streams,
    cut_streams,
    inject_at_random,
    judged,
    located,
    sent_hyperframes,
)

FAULTS = {
    "iq.flip@60": ("RE-1>RE-2", Plane.IQ),
    "vendor.flip@60": ("RE-2>RE-1", Plane.VENDOR),
    "hdlc.fcs@90": ("REC-A>RE-1", Plane.HDLC),
    "ethernet.fcs@90": ("RE-2>RE-3", Plane.ETHERNET),
    "line.flip@150": ("RE-3>RE-2", Plane.LINE),
    "ctrl_axc.flip@160": ("RE-1>REC-A", Plane.CTRL_AXC),
    "sync.hfn@170": ("RE-2>RE-3", Plane.SYNC),
    "l1.sdi@200": ("RE-1>REC-A", Plane.L1),
    "line.dark@230:hyperframes=6": ("RE-1>RE-2", Plane.LINE),
}
COUNT = 330


@pytest.fixture(scope="module")
def streams() -> dict[Segment, U8]:
    chain = EmulatedChain("1", seed=7)
    for fault, (segment, _) in FAULTS.items():
        chain.inject(f"{fault}{',' if ':' in fault else ':'}segment={segment}")
    return chain_streams(chain, COUNT)


def points(streams: dict[Segment, U8]) -> dict[Point, U8]:
    return {Point(segment): octets for segment, octets in streams.items()}


def found(result: Localised) -> set[tuple[str, Plane]]:
    assert all(damage.distinguished for damage in result.damages)
    return {(damage.segments[0].name, damage.plane) for damage in result.damages}


@pytest.fixture(scope="module")
def result(streams: dict[Segment, U8]) -> Localised:
    return located(points(streams), "1")


def test_every_fault_is_named_on_its_segment_and_nothing_else(result: Localised) -> None:
    assert found(result) == set(FAULTS.values())
    assert len(result.damages) == len(FAULTS)
    assert result.verdict is LocateVerdict.DAMAGE


def test_what_follows_from_the_dark_line_stands_beside_it(result: Localised) -> None:
    [dark] = [damage for damage in result.damages if any(sign.kind == "los_events" for sign in damage.signs)]
    told = {(each.point.name, each.plane) for each in dark.consequences}
    assert ("RE-2>RE-3", Plane.L1) in told  # SDI
    assert ("RE-2>RE-1", Plane.L1) in told  # LOS, LOF, RAI
    assert dark.clean_before == Point(Segment("REC-A", "RE-1"))


def test_a_frame_that_the_next_node_drops_is_clean_there(result: Localised) -> None:
    [frame] = [damage for damage in result.damages if damage.plane is Plane.HDLC]
    assert frame.clean_after == Point(Segment("RE-1", "RE-2"))
    assert frame.consequences[0].text == "frame not passed on"


def test_the_nodes_are_told_as_they_are(result: Localised) -> None:
    for pair in result.pairs:
        assert pair.planes[Plane.IQ].forwarding is Forwarding.IDENTICAL
        assert pair.planes[Plane.ETHERNET].forwarding is Forwarding.RELAYED
    assert sum("first point of its direction" in limit for limit in result.limits) == 2


def test_a_chain_without_faults_is_clean(streams: dict[Segment, U8]) -> None:
    begun = {segment: octets[: 59 * 8192] for segment, octets in streams.items()}
    result = located(points(begun), "1")
    assert (result.verdict, result.damages) == (LocateVerdict.CLEAN, ())


def test_captures_cut_at_different_places_tell_the_same(streams: dict[Segment, U8]) -> None:
    cut = {
        s: octets[2 * (700 + 3003 * i) :][: len(octets) - 9000 * i]
        for i, (s, octets) in enumerate(streams.items())
    }
    assert found(located(points(cut), "1")) == set(FAULTS.values())


def test_pieces_of_any_size_tell_the_same(streams: dict[Segment, U8], result: Localised) -> None:
    again = located(points(streams), "1", piece=77_777 * 2)
    assert again.damages == result.damages


def test_a_node_that_changes_vendor_octets_by_itself_is_told_once() -> None:
    chain = EmulatedChain("1", seed=7, own_vendor=True, cm_relay=CmRelay.OCTETS)
    chain.inject("iq.flip@70:segment=RE-1>RE-2")
    result = located(points(chain_streams(chain, 130)), "1")
    assert found(result) == {("RE-1>RE-2", Plane.IQ)}
    assert any("RE-1 changes" in note and "vendor" in note for note in result.notes)
    assert result.pairs[0].planes[Plane.ETHERNET].forwarding is Forwarding.IDENTICAL


def test_points_of_other_options_say_that_octets_cannot_be_compared() -> None:
    one, two = Segment("REC-A", "RE-1"), Segment("RE-1", "RE-2")
    localisation = Localisation([Point(one), Point(two)])
    sent = sent_hyperframes(120)
    decoders = []
    for index, option in enumerate(("1", "2")):
        tap = localisation.taps[index]
        decoders.append(LinkDecoder(LinkSettings(option=option, form=LineForm.OCTETS), tap.on_block))
        localisation.attach(index, decoders[-1])
    for tap, decoder, octets in zip(
        localisation.taps, decoders, (sent, np.repeat(sent, 2, axis=3)), strict=True
    ):
        tap.receive(decoder.receive(octets.reshape(-1)))
        tap.receive(decoder.finish())
    for tap in localisation.taps:
        tap.end()
    result = localisation.result()
    assert "option 1 before and 2 behind" in result.pairs[0].apart
    assert result.verdict is LocateVerdict.INCOMPLETE


def test_the_result_may_be_asked_for_at_any_time(streams: dict[Segment, U8]) -> None:
    localisation = Localisation(list(points(streams)))
    decoders = []
    for index, tap in enumerate(localisation.taps):
        decoder = LinkDecoder(LinkSettings(option="1", form=LineForm.SYMBOLS), tap.on_block)
        localisation.attach(index, decoder)
        decoders.append(decoder)
    assert localisation.result().verdict is LocateVerdict.INCOMPLETE
    counts = []
    for start in range(0, COUNT, 110):
        for tap, decoder, octets in zip(localisation.taps, decoders, streams.values(), strict=True):
            tap.receive(decoder.receive(octets[8192 * start : 8192 * (start + 110)]))
        counts.append(len(localisation.result().damages))
    assert counts == sorted(counts) and counts[-1] >= 7


@pytest.mark.parametrize(("cut", "relay"), [(True, CmRelay.FRAMES), (False, CmRelay.OCTETS)])
def test_a_few_random_faults_are_on_no_wrong_segment(cut: bool, relay: CmRelay) -> None:
    rng = random.Random(11)
    chain = EmulatedChain("1", seed=11, cm_relay=relay)
    faults = inject_at_random(chain, rng, [SETTLED, SETTLED + 100], 2)
    streams = chain_streams(chain, SETTLED + 220)
    if cut:
        streams = cut_streams(streams, rng, 4096)
    outcome = judged(faults, located(points(streams), "1"))
    assert outcome.wrong == []
    assert outcome.right


@pytest.mark.slow
@pytest.mark.parametrize("variant", ["whole", "cut", "spliced", "together"])
def test_random_faults_of_every_plane_are_on_no_wrong_segment(variant: str) -> None:
    right = 0
    for number in range(6):
        rng = random.Random(9000 + number)
        chain = EmulatedChain("1", seed=number)
        places = [SETTLED + 110 * i for i in range(8)]
        faults = inject_at_random(chain, rng, places, 3 if variant == "together" else 1)
        streams = chain_streams(chain, places[-1] + 300)
        if variant in ("cut", "spliced"):
            streams = cut_streams(streams, rng, 4096, variant == "spliced")
        outcome = judged(faults, located(points(streams), "1"))
        assert outcome.wrong == []
        right += len(outcome.right)
        hidden = [fault for fault in outcome.unseen if fault.moves and not fault.first]
        assert not hidden or variant in ("cut", "spliced")  # what a gap hides nobody can see
    assert right > 25
