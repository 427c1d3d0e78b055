"""Counters by plane: total, since the mark, in the last seconds, and the hyperframe of the last change.

Counters that stand at zero are folded into one line a plane where the room is short.
"""

from __future__ import annotations

from rich.segment import Segment
from textual import events

from decoders.counters import COUNTERS_OF_PLANE, ERROR_COUNTERS, plane_of_counter
from decoders.events import Plane

from .cells import count, window_text
from .feed import Feed
from .line_pane import Line, LinePane
from .palette import LETTERS, NAMES, Look

__all__ = ["CounterTable"]


class CounterTable(LinePane):
    """All counters of the link, as far as there is room; the rest by scrolling."""

    def __init__(self, look: Look) -> None:
        super().__init__(look, id="counters")
        self._top = 0
        self._all: list[Line] = []
        self._window = ""

    def update(self, feed: Feed) -> None:
        groups: dict[Plane, list[str]] = {plane: [] for plane in COUNTERS_OF_PLANE}
        for name in feed.snapshot.counters:
            groups[plane_of_counter(name)].append(name)
        roomy = self.size.height > sum(map(len, groups.values()))
        lines: list[Line] = []
        for plane, names in groups.items():
            shown = [n for n in names if roomy or feed.snapshot.counters[n]]
            lines += [self._row(feed, plane, name) for name in shown]
            folded = len(names) - len(shown)
            if folded:
                what = f"{folded} more, all 0" if shown else f"{NAMES[plane]}: all 0"
                letter = Segment(LETTERS[plane], self.look.badge(plane))
                lines.append((letter, Segment(" " + what, self.look.quiet)))
        self._all = lines
        self._window = f"in {window_text(feed.window_s)}" if feed.window_s else "recent"
        self._draw()

    def scroll_by(self, lines: int) -> None:
        """Move the part shown, where not all of it fits."""
        self._top += lines
        self._draw()

    def on_mouse_scroll_up(self, event: events.MouseScrollUp) -> None:
        self.scroll_by(-3)

    def on_mouse_scroll_down(self, event: events.MouseScrollDown) -> None:
        self.scroll_by(3)

    def _draw(self) -> None:
        room = max(self.size.height - 1, 1)
        self._top = min(max(self._top, 0), max(len(self._all) - room, 0))
        more = len(self._all) - room
        name = "counter"
        if more > 0:
            name += f" {self._top + 1}-{min(self._top + room, len(self._all))} of {len(self._all)}"
        head = f"  {name:<25}{'total':>7}{'mark':>6}{self._window:>10}{'last hf':>8}"
        self.show([(Segment(head, self.look.quiet),), *self._all[self._top : self._top + room]])

    def _row(self, feed: Feed, plane: Plane, name: str) -> Line:
        look, snapshot = self.look, feed.snapshot
        total, since = snapshot.counters[name], feed.since_mark(name)
        recent = count(feed.recent(name), 6) if feed.window_s else "-"
        last = snapshot.last_change.get(name)
        wrong = bool(name in ERROR_COUNTERS and total)
        glyph = "!" if wrong and since else " "
        style = look.bad if wrong and since else look.text if total else look.quiet
        figures = f"{count(total, 6):>7}{count(since, 5):>6}{recent:>10}{'-' if last is None else count(last, 7):>8}"
        return (
            Segment(LETTERS[plane], look.badge(plane)),
            Segment(glyph, look.alarm if wrong and since else look.text),
            Segment(f"{name:<25}" + figures[max(len(name) - 25, 0) :], style),
        )
