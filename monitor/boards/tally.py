"""What is wrong on a line, counted by kind: the first of a kind is a warning, and so is each tenfold of it."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

__all__ = ["DamageTally"]

MOST_KINDS = 100
LONGEST_KIND = 120
_OTHERS = "other damage on the line"


class DamageTally:
    """`warnings` gets the lines to show. At most MOST_KINDS kinds are kept apart: the peer may choose their words."""

    def __init__(self, warnings: list[str]) -> None:
        self._warnings = warnings
        self._counts: dict[str, int] = {}

    @property
    def counts(self) -> Mapping[str, int]:
        return MappingProxyType(self._counts)

    def add(self, kind: str, count: int = 1) -> None:
        """`count` more of a kind."""
        kind = kind[:LONGEST_KIND]
        if kind not in self._counts and len(self._counts) >= MOST_KINDS:
            kind = _OTHERS
        before = self._counts.get(kind, 0)
        now = self._counts[kind] = before + count
        if not before or len(str(now)) > len(str(before)):
            self._warnings.append(f"{kind}: {now} so far")
