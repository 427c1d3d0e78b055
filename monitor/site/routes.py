"""Points of a site, and the routes on which data pass through them, told from names alone.

The segments of the points (and of a site plan, where there is one) make a tree. A route is one way through it, away
from the REC or towards it, and the points on it in the order in which data pass.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from ..errors import InputError
from ..links.damage import Point
from ..sources.names import Segment, named_source

__all__ = ["MOST_POINTS", "Route", "check_points", "parse_points", "routes_of"]

MOST_POINTS = 32
_NODE = r"[A-Za-z0-9][A-Za-z0-9_.-]{0,63}"


@dataclass(frozen=True, slots=True)
class Route:
    """`segments` in the order in which data pass, and the points on them: (index into `segments`, index of point).

    It begins at an end of the tree, whether there is a point or not, and ends with the last point.
    """

    segments: tuple[Segment, ...]
    stops: tuple[tuple[int, int], ...]
    away: bool = True
    """Away from the REC."""


def parse_points(words: Sequence[str], chain: Sequence[str] = ()) -> list[tuple[Point, str]]:
    """Points and their SOURCE words of `NAME=SOURCE`; InputError for words that are none.

    NAME is a segment `REC-A>RE-1`, `sent:REC-A>RE-1` for a tap at its transmitter, or a node. Nodes alone stand in
    the order of the chain, the REC first: each one is the receiver that gets data from the node before it, the first
    one that gets them from the second. `chain` says the order of all nodes where some have no source.
    """
    found: list[tuple[Point | str, str]] = []
    for word in words:
        tap = re.match(rf"(sent:)?({_NODE}>{_NODE})=(?=.)", word)
        if tap is not None:
            found.append((Point(Segment.parse(tap[2]), bool(tap[1])), word[tap.end() :]))
            continue
        name, source = named_source(word)
        if name is None:
            raise InputError(
                f"{word!r} is not NAME=SOURCE", hint="for example 'REC-A>RE-1=one.bits' 'RE-1>RE-2=two.bits'"
            )
        found.append((name, source))
    order = list(chain) or [name for name, _ in found if isinstance(name, str)]
    return [(_receiver(name, order) if isinstance(name, str) else name, source) for name, source in found]


def check_points(points: Sequence[Point]) -> None:
    """InputError where there is nothing to compare: fewer than two points, or one twice."""
    if len(points) < 2:
        raise InputError("one point alone cannot tell where damage enters", hint="name two points or more")
    if len(points) > MOST_POINTS:
        raise InputError(f"{len(points)} points: {MOST_POINTS} are the most")
    for i, point in enumerate(points):
        if point in points[:i]:
            raise InputError(f"two sources are named {point.name}")


def _receiver(name: str, order: Sequence[str]) -> Point:
    if order.count(name) != 1:
        where = "is not a node of --chain" if name not in order else "is named twice"
        raise InputError(f"{name} {where}", hint="name the segments, as in RE-1>RE-2")
    if len(order) < 2:
        raise InputError(f"{name}: one node alone has no segment", hint="name the segment, as in REC-A>RE-1")
    at = order.index(name)
    return Point(Segment(order[at - 1], name) if at else Segment(order[1], name))


def routes_of(points: Sequence[Point], segments: Sequence[Segment] = ()) -> list[Route]:
    """Every route with a point on it, away from the REC and towards it; none is part of another one.

    The REC of a tree is the first end of it that `segments`, then the points name. InputError where the segments
    form a ring, or more than one tree.
    """
    every = [*segments, *(point.segment for point in points)]
    neighbours = _tree(every)
    ends = [n for s in every for n in (s.sender, s.receiver) if len(neighbours[n]) == 1]
    away = [tuple(pairwise(path)) for path in _paths(neighbours, ends[0])]
    nodes = {node for path in away for hop in path for node in hop}
    apart = sorted(set(neighbours) - nodes)
    if apart:
        raise InputError(
            f"no segment connects {ends[0]} and {apart[0]}", hint="give every node in order: --chain A,B,C,D"
        )
    used = {point.segment for point in points}
    found: list[Route] = []
    for path in away:
        down = tuple(Segment(a, b) for a, b in path)
        for hops, leads_away in ((down, True), (tuple(hop.reverse for hop in reversed(down)), False)):
            inside = [at for at, hop in enumerate(hops) if hop in used]
            if inside:
                used_hops = hops[: inside[-1] + 1]
                found.append(Route(used_hops, tuple(_stops(used_hops, points)), leads_away))
    return _without_parts(found)


def _stops(hops: tuple[Segment, ...], points: Sequence[Point]) -> Iterator[tuple[int, int]]:
    for at, hop in enumerate(hops):
        here = [(index, point) for index, point in enumerate(points) if point.segment == hop]
        yield from ((at, index) for index, _ in sorted(here, key=lambda e: not e[1].sent))


def _tree(segments: Iterable[Segment]) -> dict[str, list[str]]:
    neighbours: dict[str, list[str]] = {}
    groups: dict[str, str] = {}

    def top(node: str) -> str:
        while groups.setdefault(node, node) != node:
            node = groups[node]
        return node

    for segment in segments:
        a, b = segment.sender, segment.receiver
        if b in neighbours.get(a, ()):
            continue
        if top(a) == top(b):
            raise InputError(f"segment {segment.name} closes a ring: a site is a chain or a tree")
        groups[top(a)] = top(b)
        neighbours.setdefault(a, []).append(b)
        neighbours.setdefault(b, []).append(a)
    return neighbours


def _paths(neighbours: dict[str, list[str]], start: str) -> Iterator[list[str]]:
    """Paths from an end of a tree to each other end."""
    stack = [[start]]
    while stack:
        here = stack.pop()
        further = [node for node in neighbours[here[-1]] if node not in here]
        if not further:
            yield here
        stack += [[*here, node] for node in reversed(further)]


def _without_parts(routes: list[Route]) -> list[Route]:
    kept: list[Route] = []
    for route in sorted(routes, key=lambda r: (-len(r.stops), -len(r.segments))):
        members = {index for _, index in route.stops}
        if not any(members <= {index for _, index in other.stops} for other in kept):
            kept.append(route)
    return sorted(kept, key=lambda r: min(index for _, index in r.stops))
