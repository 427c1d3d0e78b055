"""A pane repaints only the cells that differ."""

from __future__ import annotations

import pytest
from rich.segment import Segment
from rich.style import Style

from monitor.tui.line_pane import Line, cells, differing, line_text

BOLD = Style(bold=True)


def line(*parts: str | tuple[str, Style]) -> Line:
    return tuple(Segment(part) if isinstance(part, str) else Segment(*part) for part in parts)


@pytest.mark.parametrize(
    ("old", "new", "span"),
    [
        (line("abc"), line("abc"), None),
        (line("abcdef"), line("abXdef"), (2, 3)),
        (line("abcdef"), line("aXcdXf"), (1, 5)),
        (line("abc", ("def", BOLD)), line("abc", ("dXf", BOLD)), (4, 5)),
        (line("abcdef"), line("abc", ("def", BOLD)), (3, 6)),
        (line("abc"), line("abcd"), (3, 80)),
        ((), line("abc"), (0, 80)),
    ],
    ids=["same", "one", "two", "in a style", "another style", "longer", "new"],
)
def test_only_the_cells_that_differ(old: Line, new: Line, span: tuple[int, int] | None) -> None:
    assert differing(old, new, 80) == span


def test_width_and_text_of_a_line() -> None:
    assert cells(line("abc", ("de", BOLD))) == 5
    assert line_text(line("abc", ("de", BOLD))) == "abcde"
