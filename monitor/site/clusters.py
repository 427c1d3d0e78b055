"""Signs of damage gathered into clusters: those of one stop, one kind and about one time belong together."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum

from decoders.events import Plane

from ..links.damage import ChangedOctet, Sign

__all__ = ["APART_HYPERFRAMES", "Cluster", "Clusters", "Group"]

APART_HYPERFRAMES = 8
"""Signs with no more hyperframes between them belong together."""
MOST_CLUSTERS = 20_000
_PLACES_KEPT = 8
_KEYS_KEPT = 256


class Group(StrEnum):
    """What belongs together at one stop."""

    LINE = "line"
    """Line code, FEC and sync."""
    SETTINGS = "settings"
    """L1 values: pointer, rate, version."""
    ALARMS = "alarms"
    """Alarms and requests of the remote end."""
    OCTETS = "octets"
    FRAMES = "frames"


@dataclass(slots=True)
class _Evidence:
    count: int = 0
    text: str = ""
    octets: list[ChangedOctet] = field(default_factory=list)


@dataclass(slots=True)
class Cluster:
    """Signs at stop `point` from time `first` to `last`; `before` is the stop that they were told against.

    `keys` are equal for signs that a node passes on, with their times; `old_zeros` as of OctetDifference.
    """

    point: int
    before: int | None
    group: Group
    plane: Plane
    first: int
    last: int
    number: int
    last_number: int
    times: int = 0
    outage: bool = False
    old_zeros: bool = True
    signs: dict[tuple[Plane, str], _Evidence] = field(default_factory=dict)
    keys: set[tuple[int, object]] = field(default_factory=set)
    kinds: set[object] = field(default_factory=set)
    fates: list[tuple[int, str]] = field(default_factory=list)
    places: set[int] = field(default_factory=set)
    reason: str = ""

    def add(
        self, plane: Plane, kind: str, count: int, text: str, octets: Iterable[ChangedOctet] = ()
    ) -> None:
        evidence = self.signs.setdefault((plane, kind), _Evidence(text=text))
        evidence.count += count
        evidence.octets += list(octets)[: _PLACES_KEPT - len(evidence.octets)]

    def told(self) -> tuple[Sign, ...]:
        return tuple(
            Sign(plane, kind, e.count, e.text, tuple(e.octets)) for (plane, kind), e in self.signs.items()
        )

    def near(self, other: Cluster, apart: int = APART_HYPERFRAMES) -> bool:
        return self.first <= other.last + apart and other.first <= self.last + apart

    def absorb(self, other: Cluster) -> None:
        """Take over the signs of another cluster of the same stop."""
        if other.group is self.group:  # a frame begins long before the line damage in it
            if other.first < self.first:
                self.first, self.number = other.first, other.number
            if other.last > self.last:
                self.last, self.last_number = other.last, other.last_number
        self.times = max(self.times, other.times)
        for (plane, kind), evidence in other.signs.items():
            self.add(plane, kind, evidence.count, evidence.text, evidence.octets)
        self.fates += other.fates
        if self.before is None:
            self.before = other.before


@dataclass(frozen=True, slots=True)
class SignTime:
    """When a sign stands, and the link number there."""

    time: int
    number: int


class Clusters:
    """Gathers the signs of one route, in the order of their times for each stop, in bounded memory."""

    def __init__(self) -> None:
        self.closed: list[Cluster] = []
        self.more = 0
        self._open: dict[tuple[int, int | None, Group, Plane], Cluster] = {}

    def cluster(self, point: int, before: int | None, group: Group, plane: Plane, at: SignTime) -> Cluster:
        """The cluster of a sign, which is at it from here on."""
        key = (point, before, group, plane)
        here = self._open.get(key)
        if here is None or at.time > here.last + APART_HYPERFRAMES + 1:
            if here is not None:
                self._close(here)
            here = Cluster(point, before, group, plane, at.time, at.time, at.number, at.number, times=1)
            self._open[key] = here
        elif at.time > here.last:
            here.last, here.last_number = at.time, at.number
            here.times += 1
        return here

    def keep(self, cluster: Cluster) -> None:
        """A cluster that is whole."""
        self._close(cluster)

    def _close(self, cluster: Cluster) -> None:
        if len(self.closed) < MOST_CLUSTERS:
            self.closed.append(cluster)
        else:
            self.more += 1

    def all(self) -> list[Cluster]:
        """All clusters by now, in the order of their times."""
        return sorted(
            [*self.closed, *self._open.values()], key=lambda c: (c.first, c.point, c.group, c.plane)
        )

    @staticmethod
    def note_key(cluster: Cluster, time: int, key: object) -> None:
        if len(cluster.keys) < _KEYS_KEPT:
            cluster.keys.add((time, key))
