"""What a test expects of counters."""

from __future__ import annotations

from collections.abc import Mapping

from ..errors import InputError

__all__ = ["Change", "Expected", "LinkExpectationError"]

Expected = int | tuple[int, int]
"""By how much a counter must move: exactly so, or (least, most)."""
Change = Mapping[str, int]
_GOOD_FRAMES = ("hdlc_frames", "ethernet_frames")


class LinkExpectationError(AssertionError):
    """Counters did not move as expected; the message has a line for each."""


def check_names(counters: Mapping[str, Expected]) -> None:
    from decoders.counters import COUNTERS

    for name in counters:
        if name not in COUNTERS:
            import difflib

            near = difflib.get_close_matches(name, COUNTERS, 1)
            raise InputError(
                f"counter {name!r} does not exist", hint=f"did you mean {near[0]}?" if near else None
            )


def expectation_differences(moved: Change, counters: Mapping[str, Expected], others: int | None) -> list[str]:
    """A line for each counter that did not move as expected."""
    lines = []
    for name, expected in counters.items():
        least, most = (expected, expected) if isinstance(expected, int) else expected
        seen = moved.get(name, 0)
        if not least <= seen <= most:
            wish = f"{least:+d}" if least == most else f"{least:+d} to {most:+d}"
            lines.append(f"{name}: expected {wish}, seen {seen:+d}")
    if others is None:
        return lines
    for name, change in moved.items():
        if name not in counters and name not in _GOOD_FRAMES and change != others:
            lines.append(f"side effect: {name} {change:+d}, expected {others:+d}")
    return lines
