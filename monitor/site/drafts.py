"""From clusters of signs to drafts of damages: what belongs to one."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from decoders.events import Plane

from ..links.damage import Consequence, Point
from ..sources.names import Segment
from .clusters import Cluster, Group
from .frame_tracking import MissingFrame
from .route import RouteComparison

__all__ = ["Draft", "Drafts"]

RECURRING = 8
_UNSEEN = 4
"""Hyperframes that are decoded in a wrong place behind a gap, until that is noticed."""


@dataclass(slots=True, eq=False)
class Draft:
    """A cluster on its way to a damage, and what followed from it."""

    cluster: Cluster
    consequences: list[Consequence] = field(default_factory=list)
    clean_after: int | None = None
    recurs: int = 0
    gap: tuple[int, int, int] | None = None
    """The gap of the point's own capture that it comes from."""
    reported: bool = False
    """It stands beside a gap of the capture, and the remote end has an alarm for it."""
    causes: list[Segment] = field(default_factory=list)

    def note(self, point: Point, plane: Plane, text: str) -> None:
        """Something at another point followed from it."""
        one = Consequence(point, plane, text)
        if one not in self.consequences:
            self.consequences.append(one)

    def has(self, group: Group) -> bool:
        planes = {plane for plane, _ in self.cluster.signs}
        return self.cluster.group is group or (
            group is Group.LINE and bool(planes & {Plane.LINE, Plane.SYNC})
        )


class Drafts:
    """The drafts of one route: clusters merged, not yet sorted out."""

    def __init__(self, route: RouteComparison) -> None:
        self.route = route
        self.consumed: dict[tuple[int, Plane, bytes], int] = defaultdict(int)
        clusters = [_copy(cluster) for cluster in route.clusters.all()]
        clusters += self._frame_clusters()
        for cluster in clusters:
            gap = self._gap(cluster)
            if gap is not None:
                cluster.first, cluster.last = min(cluster.first, gap[0] - 1), max(cluster.last, gap[1])
        self.drafts = _recurring(_merged(clusters))
        for draft in self.drafts:
            draft.gap = self._gap(draft.cluster)
            for stop, fate in draft.cluster.fates:
                if stop > draft.cluster.point:
                    draft.clean_after = stop
                    draft.note(route.stops[stop].point, draft.cluster.plane, f"frame {fate}")

    def _gap(self, cluster: Cluster) -> tuple[int, int, int] | None:
        """The gap of a point's own capture that its line checks have met."""
        if cluster.group is not Group.LINE:
            return None
        return self.route.coverage[cluster.point].gap_near(cluster.first - _UNSEEN, cluster.last)

    def _frame_clusters(self) -> Iterator[Cluster]:
        frames = self.route.frames
        for sign in frames.signs:
            number = self.route.number(sign.point, sign.time)
            one = Cluster(
                sign.point, sign.before, Group.FRAMES, sign.plane, sign.since, sign.time, number, number, 1
            )
            one.add(sign.plane, f"frame_{sign.kind}", 1, sign.text)
            one.fates = list(sign.fates)
            yield one
        yield from self._missing(frames.missing)

    def _missing(self, missing: Sequence[MissingFrame]) -> Iterator[Cluster]:
        for lost in missing:
            key = (lost.point, lost.plane, lost.address)
            if not self.route.frames.passed.get(key):
                self.consumed[key] += 1
                continue
            number = self.route.number(lost.point, lost.time)
            one = Cluster(
                lost.point, lost.before, Group.FRAMES, lost.plane, lost.since, lost.time, number, number, 1
            )
            one.add(lost.plane, "frame_missing", 1, f"{lost.length} octets of data")
            yield one


def _copy(cluster: Cluster) -> Cluster:
    one = Cluster(
        cluster.point, cluster.before, cluster.group, cluster.plane,
        cluster.first, cluster.last, cluster.number, cluster.last_number,
        cluster.times, cluster.outage, cluster.old_zeros,
        keys=set(cluster.keys), kinds=set(cluster.kinds), fates=list(cluster.fates), places=set(cluster.places),
    )  # fmt: skip
    for (plane, kind), evidence in cluster.signs.items():
        one.add(plane, kind, evidence.count, evidence.text, evidence.octets)
    return one


_ORDER = (Group.LINE, Group.SETTINGS, Group.OCTETS, Group.FRAMES, Group.ALARMS)


def _belongs(other: Cluster, to: Cluster) -> bool:
    """Whether a cluster of the same stop and about the same time is part of another one."""
    if other.point != to.point:
        return False
    match to.group:
        case Group.LINE:
            return other.group is not Group.ALARMS and other.near(to)
        case Group.SETTINGS:
            frames = other.plane in (Plane.HDLC, Plane.ETHERNET)
            return (other.group is Group.SETTINGS or frames) and other.near(to, 2 * _FILTER)
        case Group.OCTETS:
            return other.plane is to.plane and other.group in (Group.OCTETS, Group.FRAMES) and other.near(to)
        case _:
            return other.group is to.group and other.plane is to.plane and other.near(to)


_FILTER = 8


def _merged(clusters: list[Cluster]) -> list[Draft]:
    """Clusters of one stop and about the same time as one draft each, under the first group of the order."""
    by_stop: dict[int, list[Cluster]] = defaultdict(list)
    for cluster in clusters:
        by_stop[cluster.point].append(cluster)
    drafts: list[Draft] = []
    for here in by_stop.values():
        here.sort(key=lambda c: (_ORDER.index(c.group), c.first))
        while here:
            one = here.pop(0)
            while (other := next((c for c in here if _belongs(c, one)), None)) is not None:
                here.remove(other)
                outage = one.outage or other.outage
                one.absorb(other)
                one.outage = outage
                one.keys |= other.keys if one.group is other.group else set()
                one.kinds |= other.kinds if one.group is other.group else set()
            drafts.append(Draft(one))
    return sorted(drafts, key=lambda d: (d.cluster.first, d.cluster.point))


def _recurring(drafts: list[Draft]) -> list[Draft]:
    """The same octets that differ again and again are told once."""
    counts: dict[tuple[int, int | None, Plane, int], int] = defaultdict(int)
    for draft in drafts:
        one = draft.cluster
        if one.group is Group.OCTETS:
            for place in one.places:
                counts[one.point, one.before, one.plane, place] += 1
    kept: list[Draft] = []
    first: dict[tuple[int, int | None, Plane], Draft] = {}
    for draft in drafts:
        one = draft.cluster
        key = (one.point, one.before, one.plane)
        again = one.group is Group.OCTETS and all(counts[*key, place] >= RECURRING for place in one.places)
        if again and key in first:
            first[key].cluster.absorb(one)
            first[key].recurs += 1
            continue
        if again:
            first[key] = draft
            draft.recurs = 1
        kept.append(draft)
    return kept
