"""Text that cannot do anything to a terminal, cut and counted to fit its cells.

Whatever comes from a link, a file name or a failure goes through `inert_cells` before it reaches a screen. One
character is then always one cell. Nothing here parses markup.
"""

from __future__ import annotations

from rich.cells import cell_len

from .. import text as plain

__all__ = ["count", "fit", "fit_middle", "inert_cells", "lasting", "window_text", "wrapped"]

CUT = ">"
"""Stands at the end of text that was cut."""


def inert_cells(text: str) -> str:
    """Escaped text (°, ü as they are), and what takes two cells or none as an escape, too (`\\u96fb`, `\\u0301`)."""
    shown = plain.inert(text)
    if shown.isascii():
        return shown
    return "".join(c if cell_len(c) == 1 else c.encode("unicode_escape").decode() for c in shown)


def fit(text: str, width: int) -> str:
    """The beginning of `text` in at most `width` cells; a cut is marked by '>'."""
    if len(text) <= width:
        return text
    return text[: width - 1] + CUT if width > 0 else ""


def fit_middle(text: str, width: int) -> str:
    """`text` in at most `width` cells with both ends kept, as suits paths."""
    if len(text) <= width:
        return text
    if width < 5:
        return fit(text, width)
    head = (width - 2) // 2
    return text[:head] + ".." + text[len(text) - (width - 2 - head) :]


def count(value: int, width: int = 7) -> str:
    """A number in at most `width` cells: whole where it fits, else in k, M, G or T."""
    text = str(value)
    if len(text) <= width:
        return text
    scaled = float(value)
    for unit in "kMGT":
        scaled /= 1000
        for digits in (2, 1, 0):
            text = f"{scaled:.{digits}f}{unit}"
            if len(text) <= width and abs(scaled) < 1000:
                return text
    return ">" * width


def lasting(seconds: float) -> str:
    """A time that goes on: whole seconds, minutes from two on, hours from two on."""
    for unit, size in (("h", 3600), ("min", 60)):
        if seconds >= 2 * size:
            return f"{int(seconds / size)} {unit}"
    return f"{int(seconds)} s"


def window_text(seconds: float) -> str:
    """A span of time that counts are of: `10 s`, `2.5 s`, `420 ms`."""
    if seconds >= 9.95:
        return f"{seconds:.0f} s"
    return f"{seconds:.1f} s" if seconds >= 0.95 else f"{seconds * 1000:.0f} ms"


def wrapped(text: str, width: int) -> list[str]:
    """Lines of at most `width` cells, broken at spaces where there are any; at least one line."""
    width = max(width, 1)  # a pane has no width before its first layout
    lines: list[str] = []
    rest = text
    while len(rest) > width:
        at = rest.rfind(" ", 1, width + 1)
        at = at if at > 0 else width
        lines.append(rest[:at].rstrip())
        rest = rest[at:].lstrip()
    return [*lines, rest]
