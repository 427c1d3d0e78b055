"""Points and routes from names."""

from __future__ import annotations

import pytest

from monitor.errors import InputError
from monitor.links.damage import Point
from monitor.site.routes import check_points, parse_points, routes_of
from monitor.sources.names import Segment

DOWN = [Segment("REC-A", "RE-1"), Segment("RE-1", "RE-2"), Segment("RE-2", "RE-3")]


def test_segments_are_named_as_they_stand() -> None:
    found = parse_points(["REC-A>RE-1=one.bits", "sent:RE-1>RE-2=a=b.bits"])
    assert found == [
        (Point(Segment("REC-A", "RE-1")), "one.bits"),
        (Point(Segment("RE-1", "RE-2"), sent=True), "a=b.bits"),
    ]


def test_nodes_alone_stand_in_the_order_of_the_chain() -> None:
    found = parse_points(["REC-A=a", "RE-1=b", "RE-2=c"])
    assert [point.name for point, _ in found] == ["RE-1>REC-A", "REC-A>RE-1", "RE-1>RE-2"]


def test_a_chain_names_the_nodes_that_have_no_source() -> None:
    found = parse_points(["RE-1=b", "RE-3=c"], ("REC-A", "RE-1", "RE-2", "RE-3"))
    assert [point.name for point, _ in found] == ["REC-A>RE-1", "RE-2>RE-3"]


@pytest.mark.parametrize(
    ("words", "chain", "said"),
    [
        (["one.bits"], (), "is not NAME=SOURCE"),
        (["RE-1=a"], (), "one node alone"),
        (["RE-1=a", "RE-1=b"], (), "named twice"),
        (["RE-9=a"], ("REC-A", "RE-1"), "not a node of --chain"),
        (["RE-1>RE-1=a"], (), "is not SENDER>RECEIVER"),
    ],
)
def test_words_that_are_no_points(words: list[str], chain: tuple[str, ...], said: str) -> None:
    with pytest.raises(InputError, match=said):
        parse_points(words, chain)


def test_points_are_two_or_more_and_each_once() -> None:
    one = Point(DOWN[0])
    with pytest.raises(InputError, match="one point alone"):
        check_points([one])
    with pytest.raises(InputError, match="two sources"):
        check_points([one, one])
    with pytest.raises(InputError, match="32 are the most"):
        check_points([Point(Segment("REC-A", f"RE-{i}")) for i in range(33)])


def test_a_chain_has_a_route_each_way() -> None:
    points = [*map(Point, DOWN), *(Point(segment.reverse) for segment in DOWN)]
    down, up = routes_of(points)
    assert down.segments == tuple(DOWN)
    assert down.stops == ((0, 0), (1, 1), (2, 2))
    assert down.away and not up.away
    assert up.stops == ((0, 5), (1, 4), (2, 3))


def test_a_segment_without_a_point_stays_on_the_route() -> None:
    [route] = routes_of([Point(DOWN[0]), Point(DOWN[2])], DOWN)
    assert route.segments == tuple(DOWN)
    assert route.stops == ((0, 0), (2, 1))


def test_a_tap_at_the_transmitter_stands_before_the_receiver() -> None:
    [route] = routes_of([Point(DOWN[0]), Point(DOWN[1]), Point(DOWN[1], sent=True)])
    assert route.stops == ((0, 0), (1, 2), (1, 1))


def test_a_tree_has_a_route_for_each_branch_and_none_from_branch_to_branch() -> None:
    tree = [Segment("REC-A", "RE-1"), Segment("RE-1", "RE-2"), Segment("RE-1", "RE-3")]
    points = [*map(Point, tree), Point(Segment("RE-3", "RE-1"))]
    routes = routes_of(points)
    assert sorted([tuple(i for _, i in route.stops) for route in routes]) == [(0, 1), (0, 2), (3,)]


def test_a_ring_and_two_trees_are_refused() -> None:
    with pytest.raises(InputError, match="ring"):
        routes_of([Point(s) for s in (*DOWN, Segment("RE-3", "REC-A"))])
    with pytest.raises(InputError, match="no segment connects"):
        routes_of([Point(DOWN[0]), Point(DOWN[2])])
