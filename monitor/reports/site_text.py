"""Several links in words: what each one is doing, and what it has counted."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from decoders.events import Plane

from ..links.snapshot import Snapshot
from ..text import counted

__all__ = ["SiteLine", "site_text_lines"]


class SiteLine(NamedTuple):
    """One link: its name, the word for what it is doing, why nothing is read, and its counts."""

    name: str
    state: str
    why: str
    snapshot: Snapshot
    known: bool
    errors: Mapping[Plane, int]


def site_text_lines(name: str, links: Iterable[SiteLine]) -> list[str]:
    """A heading, and a few lines for each link."""
    told = list(links)
    lines = [f"{name}: {counted(len(told), 'link')}"]
    for each in told:
        why = f" ({each.why})" if each.why else ""
        lines += ["", f"{each.name}: {each.state}{why}", f"  source       {each.snapshot.source}"]
        if not each.known:
            lines.append("  hyperframes  none in sync")
            continue
        snapshot = each.snapshot
        lost = snapshot.hyperframes_missed - snapshot.hyperframes_not_received
        lines.append(f"  option       {snapshot.option}")
        amount = (
            f"{snapshot.hyperframes} decoded, {lost} lost, {snapshot.hyperframes_not_received} not received"
        )
        lines.append(f"  hyperframes  {amount}")
        errors = ", ".join(f"{plane.value} {number}" for plane, number in each.errors.items())
        lines.append(f"  errors       {errors or 'none'}")
    return lines
