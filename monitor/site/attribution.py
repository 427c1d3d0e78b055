"""From drafts to damages: what only followed from another one, and where each entered."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from decoders.events import Alarm, Plane

from ..links.damage import ChainDamage, Point
from ..sources.names import Segment
from ..text import counted
from .clusters import APART_HYPERFRAMES, Cluster, Group
from .drafts import Draft, Drafts
from .route import RouteComparison
from .shared_time import short_way

__all__ = ["damages_of"]

BEHIND_OUTAGE = 64
"""So many hyperframes after a loss of sync a node may still forward something else."""
ALARM_DELAY = 64
"""So many hyperframes, 4 ms, an alarm may take from one node to the next and back."""
_SLACK = 2
_ALARM_AGAIN, _ALARM_EARLY = 16, 4
_BUCKET = 1024
_NUMBER_SIGNS = {"hfn_discontinuities", "bfn_discontinuities", "hfn_invalid"}
_PER_HOP = {Alarm.RAI, Alarm.LOS, Alarm.LOF}


def damages_of(routes: Sequence[RouteComparison]) -> tuple[list[ChainDamage], list[Drafts]]:
    """The damages of all routes in the order of their times; each stands once, whatever routes its point is on."""
    drafts = [Drafts(route) for route in routes]
    found: dict[tuple[object, ...], ChainDamage] = {}
    for one in _Causes(drafts).own():
        if one.draft.gap is not None:
            continue  # the capture's, and not the line's
        damage = _Telling(one.route, one.draft).damage()
        key = (damage.point, damage.plane, damage.first, damage.segments)
        found.setdefault(key, damage)
    return sorted(found.values(), key=lambda d: (d.first, d.point.name)), drafts


@dataclass(frozen=True, slots=True, eq=False)
class _Placed:
    """A draft and its route."""

    route: RouteComparison
    draft: Draft

    @property
    def cluster(self) -> Cluster:
        return self.draft.cluster

    @property
    def point(self) -> Point:
        return self.route.stops[self.cluster.point].point

    @property
    def segment(self) -> Segment:
        return self.point.segment

    def later_than(self, other: _Placed) -> int:
        """Hyperframes from the beginning of the other one to this one's, on whatever routes."""
        ahead = self.cluster.first - other.cluster.first
        return ahead if self.route is other.route else short_way(ahead)

    @property
    def length(self) -> int:
        return self.cluster.last - self.cluster.first

    @property
    def unsure(self) -> int:
        """Hyperframes by which its times may be wrong: jumps of its numbers that may be gaps of its capture."""
        return sum(by for _, by in self.route.timelines[self.cluster.point].turns)

    def nodes_between(self) -> set[str]:
        """The nodes that pass on what this one differs by."""
        here = self.route.stops[self.cluster.point]
        if self.cluster.before is None:
            return {here.point.segment.sender}
        low = self.route.stops[self.cluster.before].at
        return {segment.receiver for segment in self.route.segments[low : here.at]} or {
            here.point.segment.sender
        }


class _Causes:
    """Finds for each draft whether it followed from another one."""

    def __init__(self, drafts: Sequence[Drafts]) -> None:
        self._placed = [_Placed(each.route, draft) for each in drafts for draft in each.drafts]
        self._neighbours: dict[str, set[str]] = defaultdict(set)
        for each in drafts:
            for segment in each.route.segments:
                self._neighbours[segment.sender].add(segment.receiver)
                self._neighbours[segment.receiver].add(segment.sender)
        self._covered = {
            stop.point.segment: (each.route, at)
            for each in drafts
            for at, stop in enumerate(each.route.stops)
            if each.route.coverage[at].hyperframes and not stop.point.sent
        }
        self._explained: dict[tuple[int, Point, object], int] = {}
        """When an alarm first followed from a draft at a point."""
        self._beyond: dict[Segment, set[str]] = {}
        self._buckets: dict[int, list[_Placed]] = defaultdict(list)
        self._long: list[_Placed] = []
        for one in self._placed:
            if one.length > _BUCKET:
                self._long.append(one)
            else:
                self._buckets[one.cluster.first // _BUCKET].append(one)

    def own(self) -> list[_Placed]:
        """Those that followed from no other one; what followed from each is in it now."""
        causes = {id(one): self._cause(one) for one in self._placed}
        kept = []
        for one in self._placed:
            found = causes[id(one)]
            if found is None:
                kept.append(one)
                continue
            seen = {id(one)}
            cause, text = found
            while (further := causes[id(cause)]) is not None and id(cause) not in seen:
                seen.add(id(cause))
                cause = further[0]
            cause.draft.note(one.point, one.cluster.plane, text)
        return kept

    def _near(self, here: _Placed) -> Iterator[_Placed]:
        """Drafts that may be its cause by their times."""
        bucket = here.cluster.first // _BUCKET
        modulus = short_way(here.cluster.first) // _BUCKET
        for at in {
            bucket - 2,
            bucket - 1,
            bucket,
            bucket + 1,
            modulus - 2,
            modulus - 1,
            modulus,
            modulus + 1,
        }:
            yield from self._buckets.get(at, ())
        yield from self._long

    def _cause(self, here: _Placed) -> tuple[_Placed, str] | None:
        if here.cluster.group is Group.ALARMS:
            return self._cause_of_alarms(here)
        for there in self._near(here):
            if there is not here and there.point != here.point:
                text = self._follows(here, there)
                if text:
                    return there, text
        return None

    def _follows(self, here: _Placed, there: _Placed) -> str:
        one, other = here.cluster, there.cluster
        late = here.later_than(there)
        if there.draft.gap is not None and one.group not in (Group.OCTETS, Group.FRAMES):
            return ""
        if one.group in (Group.OCTETS, Group.FRAMES):
            if there.draft.gap is not None:
                near = -here.length - APART_HYPERFRAMES <= late <= there.length + APART_HYPERFRAMES
                return "beside a gap of the capture" if near and self._touches(here, there) else ""
            disturbed = other.outage or (one.group is Group.FRAMES and other.group is Group.SETTINGS)
            soon = -_SLACK - here.length <= late <= there.length + BEHIND_OUTAGE
            if disturbed and soon and there.segment.receiver in here.nodes_between():
                return f"{_what(one)}, behind the {'loss of sync' if other.outage else 'changed setting'}"
            return self._follows_octets(here, there)
        if here.segment.sender not in self.beyond(there.segment):
            return ""
        if not there.route.away and here.route is not there.route:
            return ""  # the downlink sets the time of both directions
        if not self._before(there, here, late):
            return ""
        if one.outage and other.outage and late <= there.length + BEHIND_OUTAGE and self._dark(one):
            here.draft.causes.append(there.segment)
            return ""
        disturbed = one.outage or {kind for _, kind in one.signs} <= _NUMBER_SIGNS
        if other.outage and late <= there.length + BEHIND_OUTAGE and disturbed:
            return f"{_what(one)}, behind the loss of sync"
        same = one.group is other.group and bool(one.kinds) and one.kinds <= other.kinds and not one.outage
        return f"{_what(one)}, passed on" if same and late <= ALARM_DELAY else ""

    @staticmethod
    def _touches(here: _Placed, there: _Placed) -> bool:
        """Whether a draft was told by what the point of another one read."""
        stops = (here.cluster.point, here.cluster.before)
        return here.route is there.route and there.cluster.point in stops

    @staticmethod
    def _dark(cluster: Cluster) -> bool:
        """Whether the line code was damaged, too, as by a transmitter that is switched off."""
        kinds = {kind for _, kind in cluster.signs}
        return bool(kinds & {"los_events", "block_lock_losses"})

    @staticmethod
    def _before(there: _Placed, here: _Placed, late: int) -> bool:
        """Whether one can be the cause of the other: earlier, or at the same time upstream; so none causes itself."""
        upstream = here.route is there.route and there.cluster.point < here.cluster.point
        return late > 0 or (late == 0 and upstream)

    @staticmethod
    def _follows_octets(here: _Placed, there: _Placed) -> str:
        one, other = here.cluster, there.cluster
        if here.route is not there.route or one.before is None:
            return ""
        if one.group is Group.FRAMES:
            pair = here.route.pairs.get((one.before, one.point))
            same = pair is not None and pair.passes(one.plane)
            before = other.point <= one.before and other.group is not Group.ALARMS and other.near(one)
            return f"{_what(one)}, in octets that are passed on as they are" if same and before else ""
        if one.group is not Group.OCTETS or other.point != one.before:
            return ""
        if one.old_zeros and other.near(one, 0) and there.draft.has(Group.LINE):
            return "octets that could not be read are sent on with another value"
        if one.keys and one.keys <= other.keys:
            there.draft.clean_after = one.point
            return "octets are right again"
        return ""

    def _cause_of_alarms(self, here: _Placed) -> tuple[_Placed, str] | None:
        one = here.cluster
        alarms = {key[0] for key in one.kinds if isinstance(key, tuple)}
        explained: set[object] = set()
        cause: _Placed | None = None
        for there in self._near(here):
            if there is here or (there.point != here.point and not self._in_time(here, there)):
                continue
            told = alarms & self._told_by(here, there)
            for alarm in told:
                since = self._explained.setdefault((id(there), here.point, alarm), here.cluster.first)
                if here.cluster.first - since > _ALARM_AGAIN:
                    told = told - {alarm}  # it has been reported
            if told - explained:
                explained |= told
                cause = cause or there
        if cause is not None and explained == alarms:
            return cause, f"{', '.join(sorted(str(alarm).upper() for alarm in alarms))} set in Z.130.0"
        back = here.segment.reverse
        if alarms & _PER_HOP and back.sender in self._neighbours and not self._covers_before(back, one.first):
            here.draft.causes.append(back)
        return None

    def _covers_before(self, segment: Segment, time: int) -> bool:
        """Whether a point has every hyperframe of as long before a time as an alarm may take."""
        if segment not in self._covered:
            return False
        route, stop = self._covered[segment]
        coverage = route.coverage[stop]
        there = coverage.end + short_way(time - coverage.end)
        jumped = any(0 <= there - at <= ALARM_DELAY + by for at, by in route.timelines[stop].turns)
        return not jumped and coverage.covers(there - ALARM_DELAY, min(there, coverage.end))

    @staticmethod
    def _in_time(here: _Placed, there: _Placed) -> bool:
        """Whether an alarm comes soon enough to tell of what another point had."""
        unsure = here.unsure + there.unsure
        return -_ALARM_EARLY - unsure <= here.later_than(there) <= there.length + ALARM_DELAY + unsure

    def _told_by(self, here: _Placed, there: _Placed) -> set[object]:
        """Alarms that a node sends at one point because of what it had at the other."""
        told: set[object] = set()
        if there.draft.gap is not None and there.point != here.point:
            if not there.cluster.outage or there.segment != here.segment.reverse:
                return told
            there.draft.gap, there.draft.reported = None, True  # more than a gap of the capture, it seems
        if there.point == here.point:  # read in damaged hyperframes
            near = there.draft.has(Group.LINE) and there.cluster.near(here.cluster)
            return {*_PER_HOP, Alarm.SDI, Alarm.RESET} if near else told
        if there.segment == here.segment.reverse and there.cluster.outage:
            told |= _PER_HOP
        if here.segment.sender not in self.beyond(there.segment):
            return told
        if there.cluster.outage:
            told.add(Alarm.SDI)
        if there.cluster.group is Group.ALARMS and self._before(there, here, here.later_than(there)):
            passed = {key[0] for key in there.cluster.kinds if isinstance(key, tuple)}
            told |= passed & {Alarm.SDI, Alarm.RESET}
        return told

    def beyond(self, segment: Segment) -> set[str]:
        """The nodes that a segment leads to."""
        found = self._beyond.get(segment)
        if found is None:
            found, stack = {segment.receiver}, [segment.receiver]
            while stack:
                for node in self._neighbours[stack.pop()]:
                    if node != segment.sender and node not in found:
                        found.add(node)
                        stack.append(node)
            self._beyond[segment] = found
        return found


def _what(cluster: Cluster) -> str:
    return _listed(f"{kind} {e.count}" for (_, kind), e in cluster.signs.items())


def _listed(words: Iterable[str]) -> str:
    return ", ".join(words)


class _Telling:
    """Makes a damage of a draft."""

    def __init__(self, route: RouteComparison, draft: Draft) -> None:
        self.route, self.draft = route, draft
        self.cluster = draft.cluster
        self.stop = route.stops[self.cluster.point]

    def damage(self) -> ChainDamage:
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
        return ChainDamage(
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
            sender, back = self.stop.point.segment.sender, self.draft.causes[0].name
            reason = (
                f"{sender} reports it, and {back} is not covered then: lost there, or the bits were changed"
            )
            if one.group is Group.LINE:
                reason = f"sync was lost on {back} at about this time: {sender} may have stopped sending"
            return list(dict.fromkeys((*self.draft.causes, self.stop.point.segment))), reason
        if self.draft.has(Group.LINE) or one.group in (Group.SETTINGS, Group.ALARMS):
            return [self.stop.point.segment], self._jump()
        low = 0
        if before is not None:
            stop = self.route.stops[before]
            low = stop.at + (0 if stop.point.sent else 1)
        segments = list(self.route.segments[min(low, here) : here + 1])
        if len(segments) == 1:
            return segments, ""
        return segments, self._missing_points(before)

    def _jump(self) -> str:
        """Why a jump of the numbers may be no damage: nothing that moves says whether hyperframes are missing."""
        one = self.cluster
        if self.draft.reported:
            sender = self.stop.point.segment.receiver
            return f"the capture has a gap there, and {sender} reports a loss of sync: one of both, or both"
        turns = [] if one.outage else [(at, at, by) for at, by in self.route.timelines[one.point].turns]
        for start, end, by in (*turns, *self.route.coverage[one.point].short_gaps):
            if one.first - _SLACK <= end and start <= one.last + _SLACK:
                count = counted(by, "hyperframe")
                return f"BFN and HFN jump by {by}: sent so, or {count} missing in the capture"
        return ""

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
