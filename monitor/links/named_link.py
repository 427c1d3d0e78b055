"""One link among those that are watched: its name, its last snapshot, and how it is in one word."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from .snapshot import Snapshot

__all__ = ["DataState", "NamedLink"]


class DataState(StrEnum):
    """How the data of a link come; `failed` is the gravest."""

    UP = "up"
    SILENT = "silent"
    """The line is up and brings no line data."""
    DOWN = "down"
    """The line is down and will be opened again."""
    WAITING = "waiting"
    """The source is not open, or its decoder does not answer; it is tried again."""
    ENDED = "ended"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class NamedLink:
    """`name` and `segment` (empty where none is known) tell it from others; `failure` says why reading stopped.

    `waiting` says why the source is not open now, where it is tried again. `restarts` is how often decoding began
    anew, and with it the counters of the snapshot.
    """

    name: str
    snapshot: Snapshot
    segment: str = ""
    failure: str = ""
    restarts: int = 0
    waiting: str = ""

    @property
    def state(self) -> DataState:
        if self.failure:
            return DataState.FAILED
        if self.waiting:
            return DataState.WAITING
        if self.snapshot.ended:
            return DataState.ENDED
        still = self.snapshot.standstill
        if still is None:
            return DataState.UP
        return DataState.DOWN if still.broken else DataState.SILENT
