"""The proof that two boards are joined: markers from one must arrive at the other, and nowhere else."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any, ClassVar

import pytest

from decoders.events import OctetsChanged, Plane
from monitor.campaign import two_ended_proof as proof
from monitor.campaign.live_link import LiveLink
from monitor.campaign.two_ended_proof import Marker, prove_connection, prove_way_back, sightings
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
    assert ends.shift == 31 and ends.says_place
    assert prove_way_back(ends, link) is None


def test_a_cable_crossed_with_a_third_board_is_said() -> None:
    ends, link = joined(pair_of(crossed=True))
    with pytest.raises(
        InputError, match="RE-1 does not receive what REC-A sends: of 3 markers none"
    ) as error:
        prove_connection(ends, link)
    assert "check that the cable joins these two boards" in str(error.value)
    assert prove_way_back(ends, link) is None


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


def test_a_board_that_takes_no_marker_proves_nothing() -> None:
    pair = pair_of()
    ends, link = joined(pair)

    def refuse(text: str) -> Injection:
        raise RefusedError("the board refuses the fault: unknown")

    pair.far.inject = refuse  # type: ignore[method-assign]
    prove_connection(ends, link, 1)
    assert prove_way_back(ends, link) == "the board refuses the fault: unknown"
    pair.near.inject = refuse  # type: ignore[method-assign]
    with pytest.raises(InputError, match=r"takes no marker .* so the connection cannot be proven"):
        prove_connection(ends, link)


def test_a_marker_is_its_value_for_its_time() -> None:
    marker = Marker(20, 1, 0xA5, 3)

    class Seen:
        origin = 100
        timed: ClassVar = [
            Timed(at, OctetsChanged(at, Plane.VENDOR, bytes(place), b"\0", bytes([new])))
            for at, place, new in (
                (5, (20, 1, 0), 0xA5), (9, (20, 1, 0), 0),  # too long
                (12, (20, 1, 0), 0xA4), (15, (20, 1, 0), 0),  # another value
                (20, (21, 1, 0), 0xA5), (23, (21, 1, 0), 0),  # another place
                (31, (20, 1, 0), 0xA5), (34, (20, 1, 0), 0x11),
            )
        ]  # fmt: skip

    assert list(sightings(Seen(), marker)) == [131]  # type: ignore[arg-type]
    assert marker.text == "vendor.value:ns=20,xs=1,y=0,value=165,hyperframes=3"


@pytest.mark.parametrize(("pointer_p", "last"), [(20, 19), (63, 62), (0, 63)])
def test_markers_are_drawn_where_vendor_octets_are(pointer_p: int, last: int) -> None:
    drawn = [Marker.drawn(pointer_p) for _ in range(200)]
    assert {m.ns for m in drawn} <= set(range(16, last + 1)) and len(set(drawn)) > 100
    assert all(m.value and 2 <= m.hyperframes <= 6 and 0 <= m.xs <= 3 for m in drawn)
