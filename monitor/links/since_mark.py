"""What the counters of one link have counted since a mark; the start of the link is the first mark."""

from __future__ import annotations

from collections.abc import Mapping

from decoders.counters import ERROR_COUNTERS, plane_of_counter
from decoders.events import Plane

from .snapshot import Snapshot

__all__ = ["SinceMark"]


class SinceMark:
    """`counters` are those at the mark, `at` the hyperframes of line time that had passed then."""

    def __init__(self) -> None:
        self.counters: Mapping[str, int] = {}
        self.at = 0

    def mark(self, snapshot: Snapshot) -> None:
        """Count from here."""
        self.counters = dict(snapshot.counters)
        self.at = snapshot.hyperframes + snapshot.hyperframes_missed

    def forget(self) -> None:
        """Count from the start."""
        self.counters, self.at = {}, 0

    def count(self, snapshot: Snapshot, name: str) -> int:
        """By how much a counter has risen."""
        return snapshot.counters[name] - self.counters.get(name, 0)

    def errors(self, snapshot: Snapshot) -> int:
        """Sum over the counters that tell of damage."""
        return sum(self.count(snapshot, name) for name in snapshot.counters if name in ERROR_COUNTERS)

    def errors_by_plane(self, snapshot: Snapshot) -> dict[Plane, int]:
        """Errors of each plane; planes without any are left out."""
        errors: dict[Plane, int] = {}
        for name in snapshot.counters:
            if name in ERROR_COUNTERS and (by := self.count(snapshot, name)):
                plane = plane_of_counter(name)
                errors[plane] = errors.get(plane, 0) + by
        return errors
