"""Which signs belong to one damage."""

from __future__ import annotations

from decoders.events import Plane
from decoders.line_coding.characters import LineForm
from monitor.links.damage import Point
from monitor.site import clusters as c
from monitor.site import drafts as d
from monitor.sources.names import Segment
from tests.support.chain_locating import line_symbols, located, located_octets, sent_hyperframes

ONE, TWO = Segment("REC-A", "RE-1"), Segment("RE-1", "RE-2")
SENT = sent_hyperframes(400)


def test_line_errors_and_the_octets_that_they_change_are_one_damage() -> None:
    line = line_symbols(SENT)
    damaged = line.copy()
    damaged[200 * 4096 + 1607] ^= 8
    streams = {Point(ONE): line.view("u1"), Point(TWO): damaged.view("u1")}
    [damage] = located(streams, "1", LineForm.SYMBOLS).damages
    assert (damage.plane, damage.segments, damage.first) == (Plane.LINE, (TWO,), 200)
    assert {sign.plane for sign in damage.signs} == {Plane.LINE, Plane.IQ}
    assert damage.entered == "on the line from RE-1 to RE-2"


def test_two_planes_at_one_time_are_two_damages_where_the_line_is_clean() -> None:
    damaged = SENT.copy()
    damaged[200, 100, 7, 0] ^= 1
    damaged[200, 20, 0, 0] ^= 1
    damages = located_octets({ONE.name: SENT, TWO.name: damaged}).damages
    assert sorted(damage.plane for damage in damages) == [Plane.IQ, Plane.VENDOR]


def test_octets_that_differ_again_and_again_are_told_once_and_not_as_certain() -> None:
    damaged = SENT.copy()
    damaged[60::30, 20, 0, 0] ^= 1
    [damage] = located_octets({ONE.name: SENT, TWO.name: damaged}).damages
    assert not damage.distinguished
    assert "again and again (12 times)" in damage.reason
    assert damage.signs[0].count == 12


def test_what_is_in_one_hyperframe_long_after_is_another_damage() -> None:
    damaged = SENT.copy()
    damaged[[100, 101, 104, 150], 20, 0, 0] ^= 1
    first, second = located_octets({ONE.name: SENT, TWO.name: damaged}).damages
    assert (first.first, first.last, first.hyperframes) == (100, 104, 3)
    assert (second.first, second.last, second.hyperframes) == (150, 150, 1)


def test_a_draft_has_the_line_where_any_sign_is_of_it() -> None:
    cluster = c.Cluster(0, None, c.Group.LINE, Plane.SYNC, 1, 1, 1, 1)
    cluster.add(Plane.SYNC, "missed_sync_bytes", 1, "")
    assert d.Draft(cluster).has(c.Group.LINE)
    assert not d.Draft(cluster).has(c.Group.FRAMES)
