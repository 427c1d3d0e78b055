"""What broke, and does it detect what I break: counters by plane, faults to inject, and verdicts in words.

Counters that stand at zero are folded into one line a plane where the room is short. Which counters must move
is said by the source that injects; the verdict compares them with what did move.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, NamedTuple

from rich.segment import Segment
from textual import events
from textual.binding import Binding, BindingType
from textual.message import Message

from decoders.counters import COUNTERS_OF_PLANE, ERROR_COUNTERS, plane_of_counter
from decoders.events import Plane

from ..faults.catalogue import CATALOGUE
from ..faults.verdict import Verdict
from ..links.judgement import Judged
from .cells import count, fit, inert, wrapped
from .feed import Feed
from .line_pane import Line, LinePane
from .palette import LETTERS, NAMES, Look
from .repeater import Repeater

__all__ = ["FAULTS", "FaultChoice", "FaultList", "Tally", "Verdicts"]


class FaultChoice(NamedTuple):
    """A fault as the source takes it, and what it does in words."""

    text: str
    does: str

    @property
    def name(self) -> str:
        return self.text.split(":", 1)[0]


_PARAMETERS = {"vendor.value": "hyperframes=24", "line.invert": "hyperframes=24"}
"""Where a fault's own defaults would leave the link changed for good."""

FAULTS = tuple(
    FaultChoice(f"{name}:{_PARAMETERS[name]}" if name in _PARAMETERS else name, kind.meaning)
    for name, kind in CATALOGUE.items()
)


class Tally(LinePane):
    """Counters by plane: total, since mark, rate, hyperframe of the last change."""

    def __init__(self, look: Look) -> None:
        super().__init__(look, id="tally")
        self._top = 0
        self._all: list[Line] = []

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
                what = f"{folded} more at zero" if shown else f"{NAMES[plane]}: all {folded} at zero"
                letter = Segment(f" {LETTERS[plane]} ", self.look.plane(plane, bold=True))
                lines.append((letter, Segment(what, self.look.quiet)))
        self._all = lines
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
            name += f" ({self._top + 1}-{min(self._top + room, len(self._all))} of {len(self._all)})"
        head = f"   {name:<25}{'total':>8}{'mark':>7}{'per s':>7}{'last hf':>8}"
        self.show([(Segment(head, self.look.quiet),), *self._all[self._top : self._top + room]])

    def _row(self, feed: Feed, plane: Plane, name: str) -> Line:
        look, snapshot = self.look, feed.snapshot
        total, since = snapshot.counters[name], feed.since_mark(name)
        rate = feed.rate(name)
        last = snapshot.last_change.get(name)
        wrong = name in ERROR_COUNTERS and total
        glyph = "!" if wrong and since else " "
        style = look.bad if wrong and since else look.text if total else look.quiet
        text = (
            f"{glyph}{name:<25}{count(total, 7):>8}{count(since, 6):>7}"
            f"{'-' if rate is None else count(round(rate), 6):>7}{'-' if last is None else count(last, 7):>8}"
        )
        return Segment(f" {LETTERS[plane]}", look.plane(plane, bold=True)), Segment(text, style)


class FaultList(LinePane, can_focus=True):
    """Faults to choose from."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "step(-1)", "fault before", id="break.up"),
        Binding("down", "step(1)", "next fault", id="break.down"),
        Binding("enter", "inject", "inject", id="break.inject"),
        Binding("x", "repeat", "repeat the fault until pressed again", id="break.repeat"),
        Binding("plus", "interval(1)", "repeat less often", id="break.longer"),
        Binding("minus", "interval(-1)", "repeat more often", id="break.shorter"),
        *(
            Binding(
                letter.lower(), f"plane('{plane.value}')", f"faults of {NAMES[plane]}", id=f"break.{plane}"
            )
            for plane, letter in LETTERS.items()
        ),
        Binding("pageup", "counters(-5)", "counters up", id="break.pageup"),
        Binding("pagedown", "counters(5)", "counters down", id="break.pagedown"),
    ]

    class Chosen(Message):
        """The fault under the cursor is to be injected."""

        def __init__(self, text: str) -> None:
            super().__init__()
            self.text = text

    class Repeat(Message):
        """The fault under the cursor is to be repeated, or no more."""

    class Interval(Message):
        """Faults are to be repeated less (1) or more (-1) often."""

        def __init__(self, by: int) -> None:
            super().__init__()
            self.by = by

    class Moved(Message):
        """Another fault is under the cursor."""

    class ScrollCounters(Message):
        """The counters beside are to move."""

        def __init__(self, lines: int) -> None:
            super().__init__()
            self.lines = lines

    def __init__(self, look: Look, faults: Sequence[FaultChoice]) -> None:
        super().__init__(look, id="faults")
        self.faults = tuple(faults)
        self.index = 0
        self._can_inject = True

    @property
    def fault(self) -> FaultChoice:
        return self.faults[self.index]

    def update(self, can_inject: bool) -> None:
        look, width = self.look, self.size.width
        self._can_inject = can_inject
        head = "break what?" if can_inject else "cannot break"
        lines: list[Line] = [(Segment(fit(head, width), look.quiet),)]
        room = max(self.size.height - 1, 1)
        top = min(max(self.index - room // 2, 0), max(len(self.faults) - room, 0))
        for i, fault in enumerate(self.faults[top : top + room], top):
            here = i == self.index
            text = fit(f"{'>' if here else ' '} {fault.name}", width)
            style = look.text if can_inject else look.quiet
            lines.append((Segment(text.ljust(width), look.cursor if here and can_inject else style),))
        self.show(lines)

    def action_step(self, by: int) -> None:
        self.index = min(max(self.index + by, 0), len(self.faults) - 1)
        self.update(self._can_inject)
        self.post_message(self.Moved())

    def action_plane(self, name: str) -> None:
        """Go to the first fault of a plane."""
        first = next((i for i, fault in enumerate(self.faults) if fault.name.startswith(f"{name}.")), None)
        if first is not None:
            self.action_step(first - self.index)

    def action_inject(self) -> None:
        self.post_message(self.Chosen(self.fault.text))

    def action_repeat(self) -> None:
        self.post_message(self.Repeat())

    def action_interval(self, by: int) -> None:
        self.post_message(self.Interval(by))

    def action_counters(self, lines: int) -> None:
        self.post_message(self.ScrollCounters(lines))

    def on_click(self, event: events.Click) -> None:
        room = max(self.size.height - 1, 1)
        top = min(max(self.index - room // 2, 0), max(len(self.faults) - room, 0))
        at = top + event.y - 1
        if event.y >= 1 and at < len(self.faults):
            again = at == self.index
            self.action_step(at - self.index)
            if again:
                self.action_inject()


class Verdicts(LinePane):
    """What the chosen fault does, and what became of the last ones injected."""

    def update(self, feed: Feed, fault: FaultChoice, problem: str, repeater: Repeater) -> None:
        look, width = self.look, self.size.width
        lines: list[Line] = [(Segment("─" * width, look.quiet),)]
        if not feed.link.can_inject:
            text = "This source cannot be broken: it brings what it has. Faults need an emulated or a real board."
            lines += [(Segment(" " + part, look.text),) for part in wrapped(text, width - 2)]
            self.show(lines)
            return
        lines.append(
            (
                Segment(f" {inert(fault.text)} ", look.strong),
                Segment(fit(fault.does, max(width - len(fault.text) - 3, 0)), look.quiet),
            )
        )
        if problem:
            lines += [(Segment(" ! " + part, look.bad),) for part in wrapped(inert(problem), width - 4)]
        if repeater.told:
            style = look.alarm if repeater.worst else look.bar_chosen if repeater.active else look.good
            lines.append((Segment(fit(f" {repeater.told} ", width), style),))
        for judged in reversed(feed.judged):
            lines += self._told(judged, width)
        if not feed.judged and not problem:
            lines.append(
                (Segment(fit(" enter breaks it; then see here which counters moved", width), look.text),)
            )
        self.show(lines[: self.size.height])

    def _told(self, judged: Judged, width: int) -> list[Line]:
        look, fault = self.look, judged.fault
        glyph, style = "!", look.alarm
        if not judged.verdict.final:
            glyph, style = "-", look.text
        elif judged.verdict.passed:
            glyph, style = "+", look.good
        elif judged.verdict in (Verdict.MISCOUNTED, Verdict.SIDE_EFFECT):
            style = look.bad
        verdict = f"{glyph} {judged.verdict.value}"
        head = f"  {inert(fault.text)} at hf {fault.hyperframe}"
        names = [*fault.expected, *(name for name in judged.moved if name not in fault.expected)]
        parts = [
            f"{name} {judged.moved.get(name, 0)} of {fault.expected[name]}"
            if name in fault.expected
            else f"{name} {judged.moved[name]}"
            for name in names
        ]
        moved = "moved: " + (", ".join(parts) if parts else "no error counter")
        number = f" {fault.number + 1} "
        head_line = (
            Segment(number, look.text),
            Segment(verdict, style),
            Segment(fit(head, width - len(number) - len(verdict)), look.text),
        )
        return [head_line, *((Segment("   " + part, look.quiet),) for part in wrapped(moved, width - 3))]
