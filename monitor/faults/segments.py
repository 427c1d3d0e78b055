"""The segment of a site that a fault is put in on: `plane.what@hyperframe:key=value,segment=RE-1>RE-2`."""

from __future__ import annotations

from ..errors import InputError

__all__ = ["fault_and_segment"]

_KEY = "segment"


def fault_and_segment(text: str) -> tuple[str, str | None]:
    """(the fault's text without its segment, the segment's name or None); InputError where there are two."""
    head, colon, tail = text.strip().partition(":")
    items = tail.split(",")
    named = [item for item in items if item.partition("=")[0].strip() == _KEY]
    if not named:
        return text, None
    if len(named) > 1:
        raise InputError(f"fault {head}: there are two segments")
    rest = ",".join(item for item in items if item not in named)
    return f"{head}{colon if rest else ''}{rest}", named[0].partition("=")[2].strip()
