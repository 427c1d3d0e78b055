"""A widget that draws prepared lines and repaints only the cells that differ from the last ones.

Lines are tuples of rich segments, built from inert text; a widget of this kind never parses markup and never
scrolls by layout: what it shows is what it was given.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TypeAlias

from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.geometry import Region
from textual.message import Message
from textual.strip import Strip
from textual.widget import Widget

from .palette import Look

__all__ = ["Line", "LinePane", "cells", "differing", "line_text"]

Line: TypeAlias = tuple[Segment, ...]


def cells(line: Line) -> int:
    """Width of a line; its text is ASCII or box drawing, one cell a character."""
    return sum(len(segment.text) for segment in line)


def line_text(line: Line) -> str:
    return "".join(segment.text for segment in line)


def differing(old: Line, new: Line, width: int) -> tuple[int, int] | None:
    """(first cell, cell after the last) that differ, or None."""
    if old == new:
        return None
    left = _alike(old, new)
    if cells(old) != cells(new):
        return min(left, width - 1), width
    right = cells(new) - _alike(_mirrored(old), _mirrored(new))
    return left, max(right, left + 1)


def _alike(a: Line, b: Line) -> int:
    """Cells at the start of both lines that are the same."""
    total = 0
    for one, other in zip(a, b, strict=False):
        if one == other:
            total += len(one.text)
            continue
        if one.style == other.style:
            pairs = enumerate(zip(one.text, other.text, strict=False))
            total += next((i for i, (x, y) in pairs if x != y), min(len(one.text), len(other.text)))
        break
    return total


def _mirrored(line: Line) -> Line:
    return tuple(Segment(text[::-1], style, control) for text, style, control in reversed(line))


class LinePane(Widget):
    """Draws `lines`; `style` fills what they leave free."""

    ALLOW_SELECT = False

    def __init__(self, look: Look, *, id: str | None = None, style: Style | None = None) -> None:
        super().__init__(id=id)
        self.look = look
        self.fill = style if style is not None else look.text
        self.lines: list[Line] = []

    class Resized(Message):
        """The pane has another size, so its lines must be made anew."""

    def on_resize(self, event: events.Resize) -> None:
        self.post_message(self.Resized())

    def show(self, lines: Sequence[Line]) -> None:
        """Replace the lines; what stays the same is not painted again.

        Neighbours of one style become one segment, which saves most of the bytes to a remote terminal.
        """
        old, new = self.lines, [tuple(Segment.simplify(line)) for line in lines]
        self.lines = new
        width = self.size.width
        regions: list[Region] = []
        for y in range(min(max(len(old), len(new)), self.size.height)):
            before = old[y] if y < len(old) else ()
            now = new[y] if y < len(new) else ()
            span = differing(before, now, width)
            if span is not None:
                regions.append(Region(span[0], y, span[1] - span[0], 1))
        if regions:
            self.refresh(*regions)

    def render_line(self, y: int) -> Strip:
        line: Iterable[Segment] = self.lines[y] if y < len(self.lines) else ()
        return Strip(line).adjust_cell_length(self.size.width, self.fill)

    def shown(self) -> list[str]:
        """The visible lines as text."""
        return [self.render_line(y).text.rstrip() for y in range(self.size.height)]
