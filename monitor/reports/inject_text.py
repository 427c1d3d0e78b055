"""One injection as plain text: what was injected, expected and observed, and the octets around the damage."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from ..campaign.results import CaseResult
from .campaign_text import case_lines

__all__ = ["inject_lines"]

_OCTETS_A_LINE = 17
_INDENT = " " * 10


def inject_lines(result: CaseResult, record: dict[str, Any]) -> Iterator[str]:
    """The lines of a case and its JSON object."""
    for place in result.placed:
        yield f"injected  {place.text}"
        if place.frame_hyperframe is not None:
            yield f"{_INDENT}its frame ended in hyperframe {place.frame_hyperframe}"
    for name, amount in record["expected"].items():
        yield f"expected  {name} {amount}"
    for name, change in result.moved.items():
        yield f"observed  {name} {change:+d}"
    for damage in result.excerpts:
        octets = [f"[{o}]" if i == damage.at else o for i, o in enumerate(damage.octets)]
        yield f"{'received' if result.seed is None else 'sent':8}  {damage.what}, from octet {damage.first}:"
        for start in range(0, len(octets), _OCTETS_A_LINE):
            yield _INDENT + " ".join(octets[start : start + _OCTETS_A_LINE])
    yield from case_lines(record)
