"""From clusters of signs to damages: what belongs to one, what only followed from another, and where it entered."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from decoders.events import Alarm, Plane

from ..links.damage import Consequence, Damage, Point
from ..sources.names import Segment
from .clusters import Cluster, Group
from .frame_tracking import MissingFrame
from .route import RouteComparison
from .shared_time import short_way

__all__ = ["Drafts", "damages_of"]

BEHIND_OUTAGE = 64
"""So many hyperframes after a loss of sync a node may still forward something else."""
ALARM_DELAY = 450
"""So many hyperframes, 30 ms, an alarm may take from one node to the next and back."""
RECURRING = 8


@dataclass(slots=True, eq=False)
class Draft:
    """A cluster on its way to a damage, and what followed from it."""

    cluster: Cluster
    consequences: list[Consequence] = field(default_factory=list)
    clean_after: int | None = None
    recurs: int = 0
    causes: list[Segment] = field(default_factory=list)

    def has(self, group: Group) -> bool:
        planes = {plane for plane, _ in self.cluster.signs}
        return self.cluster.group is group or (
            group is Group.LINE and bool(planes & {Plane.LINE, Plane.SYNC})
        )


class Drafts:
    """The drafts of one route, merged and sorted out."""

    def __init__(self, route: RouteComparison) -> None:
        self.route = route
        self.consumed: dict[tuple[int, Plane, bytes], int] = defaultdict(int)
        clusters = [_copy(cluster) for cluster in route.clusters.all()]
        clusters += self._frame_clusters()
        self.drafts = _recurring(_merged(clusters))
        self._sort_out()

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

    # --- consequences -----------------------------------------------------------------------------------------

    def _sort_out(self) -> None:
        for draft in self.drafts:
            for stop, fate in draft.cluster.fates:
                if stop > draft.cluster.point:
                    draft.clean_after = stop
                    self._note(draft, stop, draft.cluster.plane, f"frame {fate}")
        kept = []
        for draft in self.drafts:
            cause, text = self._cause(draft)
            if cause is None:
                kept.append(draft)
            else:
                self._follow(cause, draft, text)
        self.drafts = kept

    def _follow(self, cause: Draft, draft: Draft, text: str) -> None:
        self._note(cause, draft.cluster.point, draft.cluster.plane, text)
        cause.consequences += draft.consequences

    def _note(self, draft: Draft, stop: int, plane: Plane, text: str) -> None:
        one = Consequence(self.route.stops[stop].point, plane, text)
        if one not in draft.consequences:
            draft.consequences.append(one)

    def _cause(self, draft: Draft) -> tuple[Draft | None, str]:
        here = draft.cluster
        for other in self.drafts:
            there = other.cluster
            if other is draft or there.point >= here.point:
                continue
            if there.outage and self._follows_outage(here, there):
                what = "; ".join(f"{kind} {e.count}" for (_, kind), e in here.signs.items())
                return other, f"follows the loss of sync ({what})"
            if here.group is Group.OCTETS and there.point == here.before:
                if here.old_zeros and there.near(here, 0) and other.has(Group.LINE):
                    return other, "octets that could not be read are sent on with another value"
                if here.keys and here.keys <= there.keys:
                    other.clean_after = here.point
                    return other, "octets are right again"
            if here.group in (Group.SETTINGS, Group.ALARMS, Group.LINE) and _passed_on(here, there):
                return other, "passed on"
        return None, ""

    @staticmethod
    def _follows_outage(here: Cluster, there: Cluster) -> bool:
        if not there.first - 1 <= here.first <= there.last + BEHIND_OUTAGE:
            return False
        if here.group is not Group.LINE:
            return True
        numbers = {"hfn_discontinuities", "bfn_discontinuities", "hfn_invalid"}
        return here.outage or {kind for _, kind in here.signs} <= numbers


def _passed_on(here: Cluster, there: Cluster) -> bool:
    if not here.kinds or here.group is not there.group:
        return False
    if here.group is Group.ALARMS:
        return here.kinds <= there.kinds and 0 <= here.first - there.first <= ALARM_DELAY
    told = {key for _, key in here.keys}
    return told == here.kinds <= there.kinds and abs(here.first - there.first) <= 2 and not here.outage


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


# --- alarms of the remote end -------------------------------------------------------------------------------------


def damages_of(routes: Sequence[RouteComparison]) -> tuple[list[Damage], list[Drafts]]:
    """The damages of all routes in the order of their times; each stands once, whatever routes its point is on."""
    sorted_out = [Drafts(route) for route in routes]
    for drafts in sorted_out:
        kept = []
        for draft in drafts.drafts:
            cause = (
                _reported(draft, drafts.route, sorted_out) if draft.cluster.group is Group.ALARMS else None
            )
            if cause is None:
                kept.append(draft)
            else:
                point = drafts.route.stops[draft.cluster.point].point
                alarms = ", ".join(sorted(str(key[0]).upper() for key in _keys(draft.cluster)))
                cause.consequences.append(Consequence(point, Plane.L1, f"{alarms} set in Z.130.0"))
        drafts.drafts = kept
    found: dict[tuple[object, ...], Damage] = {}
    for drafts in sorted_out:
        for draft in drafts.drafts:
            damage = _Telling(drafts.route, draft).damage()
            key = (damage.point, damage.plane, damage.first, damage.segments)
            found.setdefault(key, damage)
    return sorted(found.values(), key=lambda d: (d.first, d.point.name)), sorted_out


def _keys(cluster: Cluster) -> Iterator[tuple[object, ...]]:
    return (key for key in cluster.kinds if isinstance(key, tuple))


def _reported(draft: Draft, route: RouteComparison, every: Sequence[Drafts]) -> Draft | None:
    """The loss of sync that an alarm of the remote end reports; else where it may be that no point covers it."""
    here = draft.cluster
    segment = route.stops[here.point].point.segment
    alarms = {key[0] for key in _keys(here)}
    covered = False
    for drafts in every:
        for stop, other in enumerate(drafts.route.stops):
            back = other.point.segment == segment.reverse and not other.point.sent
            on_the_way = drafts.route is route and stop < here.point and Alarm.SDI in alarms
            if not back and not on_the_way:
                continue
            covered |= back and drafts.route.coverage[stop].hyperframes > 0
            for cause in drafts.drafts:
                there = cause.cluster
                if there.point != stop or not cause.has(Group.LINE):
                    continue
                ahead = short_way(here.number - there.number)
                length = there.last - there.first
                if -BEHIND_OUTAGE <= ahead <= length + ALARM_DELAY:
                    return cause
    if not covered and alarms & {Alarm.RAI, Alarm.LOS, Alarm.LOF}:
        draft.causes.append(segment.reverse)
    return None


# --- one damage ---------------------------------------------------------------------------------------------------


class _Telling:
    """Makes a damage of a draft."""

    def __init__(self, route: RouteComparison, draft: Draft) -> None:
        self.route, self.draft = route, draft
        self.cluster = draft.cluster
        self.stop = route.stops[self.cluster.point]

    def damage(self) -> Damage:
        one, draft = self.cluster, self.draft
        before = self._before()
        segments, reason = self._segments(before)
        if draft.recurs:
            node = self.stop.point.segment.sender
            reason = (
                f"these octets differ again and again ({draft.recurs} times): {node} changes them by itself, or"
                " damage that recurs"
            )
        after = draft.clean_after
        if after is None and draft.has(Group.LINE):
            after = self._next_clean()
        return Damage(
            plane=self._plane(),
            segments=tuple(segments),
            point=self.stop.point,
            entered=self._entered(before),
            first=one.number,
            last=one.last_number,
            hyperframes=max(one.times, 1),
            signs=one.told(),
            clean_before=None if before is None else self._point(before),
            clean_after=None if after is None else self._point(after),
            reason=reason,
            consequences=tuple(draft.consequences),
        )

    def _point(self, stop: int) -> Point:
        return self.route.stops[stop].point

    def _plane(self) -> Plane:
        planes = [plane for plane, _ in self.cluster.signs]
        order = (Plane.LINE, Plane.SYNC, Plane.L1)
        return next((plane for plane in order if plane in planes), self.cluster.plane)

    def _before(self) -> int | None:
        one = self.cluster
        if one.before is not None:
            return one.before
        return next(
            (s for s in range(one.point - 1, -1, -1) if self._covers(s, one.first, one.last + 1)), None
        )

    def _covers(self, stop: int, first: int, end: int) -> bool:
        return self.route.coverage[stop].covers(first, end)

    def _next_clean(self) -> int | None:
        one, after = self.cluster, self.cluster.point + 1
        if after >= len(self.route.stops) or not self._covers(after, one.first, one.last + 1):
            return None
        return after

    def _segments(self, before: int | None) -> tuple[list[Segment], str]:
        one = self.cluster
        here = self.stop.at
        if self.draft.causes:
            sender = self.stop.point.segment.sender
            back = self.draft.causes[0].name
            reason = (
                f"{sender} reports it, and no point covers {back}: lost there, or the alarm bits were changed"
            )
            return [*self.draft.causes, self.stop.point.segment], reason
        if self.draft.has(Group.LINE) or one.group in (Group.SETTINGS, Group.ALARMS):
            return [self.stop.point.segment], ""
        low = 0
        if before is not None:
            stop = self.route.stops[before]
            low = stop.at + (0 if stop.point.sent else 1)
        segments = list(self.route.segments[min(low, here) : here + 1])
        if len(segments) == 1:
            return segments, ""
        return segments, self._missing_points(before)

    def _missing_points(self, before: int | None) -> str:
        first = -1 if before is None else before
        skipped = [self.route.stops[s].point.name for s in range(first + 1, self.cluster.point)]
        if skipped:
            return f"{', '.join(skipped)} does not cover these hyperframes"
        return "there is no point between"

    def _entered(self, before: int | None) -> str:
        segment = self.stop.point.segment
        if self.stop.point.sent:
            return f"inside {segment.sender}"
        tapped = before is not None and self._point(before) == Point(segment, sent=True)
        if self.draft.has(Group.LINE) or tapped:
            return f"on the line from {segment.sender} to {segment.receiver}"
        if self.cluster.group in (Group.SETTINGS, Group.ALARMS):
            return f"sent by {segment.sender}, or on the line behind it"
        if before is None:
            return "on the segment or before it: no point before shows what was sent"
        return f"inside {segment.sender}, or on the line behind it in valid characters"
