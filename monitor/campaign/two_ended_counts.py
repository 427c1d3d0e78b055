"""The counts that a board keeps of its own receiver, held against what its line data show.

Line data are judged by the host's decoder; what the board itself counts of the line is its receiver's own word. A
count that stands at 0 and never moves is one that the board does not have (PROTOCOL.md, STATUS).
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress

from ..errors import InputError
from ..faults.kinds import Expectation
from ..faults.verdict import Finding, Observation, Verdict
from ..protocol.records import Status
from .two_ended_source import End

__all__ = ["COUNTED", "OwnCounts"]

COUNTED = ("code_violations", "disparity_errors", "los_events", "lof_events")
_MODULUS = 1 << 32


class OwnCounts:
    """The counts of the board at one end; `never` names those that had to move and stand at 0 to the end."""

    def __init__(self, end: End, never: list[str]) -> None:
        self._end = end
        self._never = never
        self._had: set[str] = set()
        self._before: Status | None = None

    def begin(self) -> None:
        """Counts from here on."""
        self._before = self._status()

    def _status(self) -> Status | None:
        with suppress(InputError):
            status = self._end.source.ask_status()
            self._had |= {name for name in COUNTED if getattr(status, name)}
            self._never[:] = [name for name in self._never if name not in self._had]
            return status
        return None

    def findings(self, seen: Observation, expectation: Expectation) -> Iterator[Finding]:
        """Where the board has counted otherwise since `begin` than its line data show.

        Exact counts must be the same; where the line was unreadable, only that it counts, or does not, is held.
        """
        before, after = self._before, self._status()
        if before is None or after is None:
            return
        for name in COUNTED:
            counted = (getattr(after, name) - getattr(before, name)) % _MODULUS
            shown = seen.counters[name]
            if name not in self._had:
                if shown and name not in self._never:
                    self._never.append(name)
                continue
            if _agree(counted, shown, exact=name in expectation.exact or not shown):
                continue
            verdict = Verdict.MISSED if not counted else Verdict.MISCOUNTED if shown else Verdict.SIDE_EFFECT
            text = f"{self._end.name} itself counts {name} {counted:+d}, its line data show {shown:+d}"
            yield Finding(verdict, name, text)


def _agree(counted: int, shown: int, *, exact: bool) -> bool:
    return counted == shown if exact else bool(counted) == bool(shown)
