"""The proof that two boards are joined: markers from one must arrive at the other, and nowhere else."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from decoders.events import OctetsChanged, Plane
from decoders.link.decoder import HyperframeBlock
from monitor.campaign import two_ended_proof as proof
from monitor.campaign.live_link import LiveLink
from monitor.campaign.two_ended_proof import (
    AlarmOctets,
    LineMarker,
    Marker,
    Watched,
    prove_connection,
    prove_way_back,
)
from monitor.campaign.two_ended_source import End, TwoEnds
from monitor.emulation.board import RecordBoard
from monitor.errors import InputError, RefusedError
from monitor.faults.verdict import Timed
from monitor.sources.source import Injection
from tests.support.pairs import PumpedPair, pair_setups


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(proof, "_WITHIN", 24)
    monkeypatch.setattr(proof, "_MOST", 64)


def pair_of(**settings: Any) -> PumpedPair:
    near, far = (RecordBoard(setup) for setup in pair_setups("1"))
    return PumpedPair(near, far, **settings)


def joined(pair: PumpedPair) -> tuple[TwoEnds, LiveLink]:
    ends = TwoEnds(End("REC-A", pair.near), End("RE-1", pair.far), patience_s=0.5)
    return ends, LiveLink(ends)


def test_joined_boards_are_proven_both_ways() -> None:
    pair = pair_of(ahead=31)
    ends, link = joined(pair)
    prove_connection(ends, link)
    assert ends.shift == 31 and ends.says_place and ends.direct
    prove_connection(ends, link, 1)
    assert prove_way_back(ends, link) is None


def test_a_cable_crossed_with_a_third_board_is_said() -> None:
    ends, link = joined(pair_of(crossed=True))
    with pytest.raises(
        InputError, match="RE-1 does not receive what REC-A sends: of 3 markers none"
    ) as error:
        prove_connection(ends, link)
    assert "check that the cable joins these two boards" in str(error.value)
    assert prove_way_back(ends, link) is None


@pytest.mark.slow
def test_the_way_back_from_a_third_board_is_said() -> None:
    pair = pair_of(crossed=True)
    ends = TwoEnds(End("RE-1", pair.far), End("REC-A", pair.near), patience_s=0.5)
    link = LiveLink(ends)
    prove_connection(ends, link)
    with pytest.raises(InputError, match=r"RE-1 does not receive what REC-A sends: .*, in both directions"):
        prove_way_back(ends, link)


def test_a_pulled_cable_is_said() -> None:
    pair = pair_of()
    ends, link = joined(pair)
    pair.pull()
    with pytest.raises(
        InputError, match=r"RE-1 at .*: no hyperframe sync on what it receives; check that it"
    ):
        prove_connection(ends, link)


@pytest.mark.slow
def test_a_board_that_returns_what_it_receives_is_told() -> None:
    pair = pair_of()
    ends, link = joined(pair)
    returned = pair.a.from_link

    def from_link(data: bytes, **room: Any) -> bytes:
        return returned(mirrored[0] or data, **room)

    mirrored = [b""]
    to_link = pair.a.to_link

    def taken() -> bytes:
        mirrored[0] = to_link()
        return mirrored[0]

    pair.a.to_link, pair.a.from_link = taken, from_link  # type: ignore[method-assign]
    with pytest.raises(InputError, match="REC-A receives its own marker: its line is looped"):
        prove_connection(ends, link)


def changed(pair: PumpedPair, **changes: Any) -> Iterator[int]:
    """REC-A answers as told; how far off, from the first marker on."""
    inject = pair.near.inject
    count = 0

    def other(text: str) -> Injection:
        nonlocal count
        done = inject(text)
        count += 1
        if "off" in changes and done.sent is not None:
            bfn, hfn = divmod(150 * done.sent[0] + done.sent[1] + changes["off"], 150)
            return replace(done, sent=(bfn, hfn))
        return replace(done, sent=None, hyperframe=done.hyperframe + changes.get("drifts", 0) * count)

    pair.near.inject = other  # type: ignore[method-assign]
    yield count


def test_a_board_that_names_another_hyperframe_is_told() -> None:
    pair = pair_of()
    ends, link = joined(pair)
    next(changed(pair, off=2))
    with pytest.raises(InputError, match=r"RE-1 received it -2 hyperframes from there"):
        prove_connection(ends, link)


def test_a_board_that_names_none_is_measured() -> None:
    pair = pair_of(ahead=23)
    ends, link = joined(pair)
    next(changed(pair))
    prove_connection(ends, link)
    assert (ends.shift, ends.says_place) == (23, False)
    next(changed(pair, drifts=3))
    with pytest.raises(InputError, match="-3 hyperframes from one marker to the next; let the board say BFN"):
        prove_connection(ends, link)


@pytest.mark.parametrize("sender", ["REC-A", "RE-1"])
def test_a_node_that_passes_vendor_octets_on_is_no_line(sender: str) -> None:
    pair = pair_of()
    end = pair.near if sender == "REC-A" else pair.far
    inject = end.inject

    def without_l1(text: str) -> Injection:
        return inject("iq.flip" if text.startswith("l1.") else text)

    end.inject = without_l1  # type: ignore[method-assign]
    ends, link = joined(pair)
    with pytest.raises(InputError, match=f"receives no L1 inband octets of {sender}: another node stands"):
        prove_connection(ends, link)
        prove_way_back(ends, link)


@pytest.mark.slow
def test_a_board_without_the_line_marker_is_proven_by_the_other_alone() -> None:
    pair = pair_of()
    inject = pair.near.inject

    def refused(text: str) -> Injection:
        if text.startswith("l1."):
            raise RefusedError("the board refuses the fault: unknown")
        return inject(text)

    pair.near.inject = refused  # type: ignore[method-assign]
    ends, link = joined(pair)
    prove_connection(ends, link)
    prove_connection(ends, link, 1)
    assert not ends.direct and prove_way_back(ends, link) is None


def test_a_board_that_takes_no_marker_proves_nothing() -> None:
    pair = pair_of()
    ends, link = joined(pair)

    def refuse(text: str) -> Injection:
        raise RefusedError("the board refuses the fault: unknown")

    pair.far.inject = refuse  # type: ignore[method-assign]
    prove_connection(ends, link, 1)
    why = prove_way_back(ends, link)
    assert why is not None and "takes no marker (the board refuses the fault: unknown)" in why
    pair.near.inject = refuse  # type: ignore[method-assign]
    with pytest.raises(InputError, match=r"takes no marker .* so the connection cannot be proven"):
        prove_connection(ends, link)


class _Seen:
    origin = 100

    def __init__(self, timed: Sequence[Timed] = ()) -> None:
        self.timed = timed


def test_a_marker_is_its_value_for_its_time() -> None:
    marker = Marker(20, 1, 0xA5, 3)

    seen = [
        Timed(at, OctetsChanged(at, Plane.VENDOR, bytes(place), b"\0", bytes([new])))
        for at, place, new in (
            (5, (20, 1, 0), 0xA5), (9, (20, 1, 0), 0),  # too long
            (12, (20, 1, 0), 0xA4), (15, (20, 1, 0), 0),  # another value
            (20, (21, 1, 0), 0xA5), (23, (21, 1, 0), 0),  # another place
            (31, (20, 1, 0), 0xA5), (34, (20, 1, 0), 0x11),
        )
    ]  # fmt: skip
    watched = Watched(_Seen(seen), AlarmOctets())  # type: ignore[arg-type]
    assert list(marker.sightings(watched)) == [131]
    assert marker.text == "vendor.value:ns=20,xs=1,y=0,value=165,hyperframes=3"


def test_a_line_marker_is_all_reserved_bits_for_its_time() -> None:
    """CPRI V7.0 clause 4.2.7.6, Table 13: bits 7 to 5 of Z.130.0 are reserved."""
    octets = np.zeros((60, 256, 16, 1), np.uint8)
    for begin, end, bits in ((5, 9, 0xE0), (20, 23, 0xC0), (31, 34, 0xE0)):
        octets[begin:end, 130, 0, 0] |= bits
    octets[32:40, 130, 0, 0] |= 2  # RAI comes meanwhile
    octets[45:48, 194, 0, 0] = 0xE0  # another octet
    for cut in (60, 33, 32, 7):
        alarms = AlarmOctets()
        for first in range(0, 60, cut):
            alarms.receive(HyperframeBlock(first, octets[first : first + cut]))
        watched = Watched(_Seen(), alarms)  # type: ignore[arg-type]
        assert list(LineMarker(3).sightings(watched)) == [131]
    assert LineMarker(3).text == "l1.reserved:word=0,hyperframes=3"


@pytest.mark.parametrize(("pointer_p", "last"), [(20, 19), (63, 62), (0, 63)])
def test_markers_are_drawn_where_vendor_octets_are(pointer_p: int, last: int) -> None:
    drawn = [Marker.drawn(pointer_p) for _ in range(200)]
    assert {m.ns for m in drawn} <= set(range(16, last + 1)) and len(set(drawn)) > 100
    assert all(m.value and 2 <= m.hyperframes <= 6 and 0 <= m.xs <= 3 for m in drawn)
