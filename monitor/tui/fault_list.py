"""The faults that can be injected, and the keys to choose one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, NamedTuple

from rich.segment import Segment
from textual import events
from textual.binding import Binding, BindingType
from textual.message import Message

from decoders.events import Plane
from decoders.linerates import LineRateOption

from ..faults.catalogue import CATALOGUE
from .cells import fit
from .line_pane import Line, LinePane
from .palette import LETTERS, NAMES, Look

__all__ = ["FAULTS", "FaultChoice", "FaultList", "faults_for"]


class FaultChoice(NamedTuple):
    """A fault as the source takes it, and what it does in words."""

    text: str
    does: str

    @property
    def name(self) -> str:
        return self.text.split(":", 1)[0]

    @property
    def plane(self) -> Plane | None:
        """The plane that the fault's name begins with; None for faults of the delay."""
        head = self.name.split(".", 1)[0]
        return next((plane for plane in LETTERS if plane.value == head), None)


_NAME = 19
"""Cells of the longest name of a fault."""
_PARAMETERS = {"vendor.value": "hyperframes=24", "line.invert": "hyperframes=24"}
"""Where a fault's own defaults would leave the link changed for good."""

FAULTS = tuple(
    FaultChoice(f"{name}:{_PARAMETERS[name]}" if name in _PARAMETERS else name, kind.meaning)
    for name, kind in CATALOGUE.items()
)


def faults_for(option: LineRateOption) -> tuple[FaultChoice, ...]:
    """The faults that are valid for an option."""
    return tuple(fault for fault in FAULTS if not CATALOGUE[fault.name].refused(option))


class FaultList(LinePane, can_focus=True):
    """Faults to choose from, each under the letter of its plane."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "step(-1)", "previous fault", id="inject.up"),
        Binding("down", "step(1)", "next fault", id="inject.down"),
        Binding("enter", "inject", "inject the fault", id="inject.inject"),
        Binding("x", "repeat", "repeat the fault; press again to stop", id="inject.repeat"),
        Binding("plus", "interval(-1)", "repeat more often", id="inject.shorter"),
        Binding("minus", "interval(1)", "repeat less often", id="inject.longer"),
        *(
            Binding(
                letter.lower(), f"plane('{plane.value}')", f"faults of {NAMES[plane]}", id=f"inject.{plane}"
            )
            for plane, letter in LETTERS.items()
        ),
        Binding("pageup", "counters(-5)", "counters up", id="inject.pageup"),
        Binding("pagedown", "counters(5)", "counters down", id="inject.pagedown"),
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

    def choose(self, name: str) -> None:
        """Put the cursor on a fault; ValueError where there is none of that name."""
        self.action_step([fault.name for fault in self.faults].index(name) - self.index)

    def update(self, can_inject: bool) -> None:
        look, width = self.look, self.size.width
        self._can_inject = can_inject
        head = f"fault to inject ({len(self.faults)})" if can_inject else "no faults"
        lines: list[Line] = [(Segment(fit(head, width), look.quiet),)]
        wide = width >= 2 * _NAME
        room = max(self.size.height - 1, 1)
        top = min(max(self.index - room // 2, 0), max(len(self.faults) - room, 0))
        for i, fault in enumerate(self.faults[top : top + room], top):
            here = i == self.index and can_inject
            letter = LETTERS[fault.plane] if fault.plane is not None else "-"
            badge = look.quiet if fault.plane is None else look.plane(fault.plane, bold=True)
            style = look.cursor if here else look.text if can_inject else look.quiet
            name = (
                f"{'>' if here else ' '}{fault.name:<{_NAME}}"
                if wide
                else f"{'>' if here else ' '}{fault.name}"
            )
            does = fit(fault.does, width - _NAME - 4).ljust(max(width - _NAME - 4, 0)) if wide else ""
            text = name + " " + does if wide else fit(name, width - 2).ljust(max(width - 2, 0))
            if wide and not here:
                lines.append(
                    (Segment(f"{letter} ", badge), Segment(name, style), Segment(" " + does, look.quiet))
                )
            else:
                lines.append((Segment(f"{letter} ", badge), Segment(text, style)))
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
