"""The line that a replay has: whether it plays, how fast, where it is, and where the errors lie; and its keys.

It shows what the replay's control says and passes keys on to it; it reads no capture. Places are hyperframe
numbers as a decode of the whole capture counts them, and BFN.HFN (CPRI V7.0 clause 4.2.7.4).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import ClassVar, Protocol

from rich.segment import Segment
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import ModalScreen
from textual.widgets import Input

from ..errors import InputError
from ..links.snapshot import Snapshot
from .cells import count, fit, inert
from .line_pane import Line, LinePane, cells
from .palette import Look

__all__ = ["REPLAY_BINDINGS", "REPLAY_KEYS", "ReplayBar", "ReplayPosition", "Replayed", "SeekPage"]

_SPEEDS = (0.0001, 0.001, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 100.0, 1000.0, math.inf)
_LEAST_TRACK = 8

REPLAY_BINDINGS = (
    Binding("full_stop", "replay('play')", "replay: play or pause", id="replay.play"),
    Binding("left_square_bracket", "replay('back')", "replay: one hyperframe back", id="replay.back"),
    Binding("right_square_bracket", "replay('on')", "replay: one hyperframe on", id="replay.on"),
    Binding("less_than_sign", "replay('slower')", "replay: slower", id="replay.slower"),
    Binding("greater_than_sign", "replay('faster')", "replay: faster", id="replay.faster"),
    Binding("left_curly_bracket", "replay('error_before')", "replay: error before", id="replay.previous"),
    Binding("right_curly_bracket", "replay('next_error')", "replay: next error", id="replay.next"),
    Binding("g", "seek", "replay: go to a hyperframe, BFN.HFN or time", id="replay.seek"),
)
REPLAY_KEYS = ((".", "play/pause"), ("[ ]", "step"), ("< >", "speed"), ("{ }", "errors"), ("g", "go to"))


class ReplayPosition(Protocol):
    """Where a replay is: the hyperframe played last, None before the first, and how many there are."""

    @property
    def hyperframe(self) -> int | None: ...

    @property
    def total(self) -> int: ...


class Marks(Protocol):
    """Where the errors are."""

    def error_after(self, number: int) -> int | None: ...


class Replayed(Protocol):
    """The part of a replay's control that a screen uses; see monitor.sources.replay."""

    speed: float

    @property
    def playing(self) -> bool: ...

    @property
    def at_end(self) -> bool: ...

    @property
    def position(self) -> ReplayPosition: ...

    @property
    def errors(self) -> int: ...

    @property
    def scanned(self) -> float: ...

    @property
    def timeline(self) -> Marks: ...

    def toggle(self) -> None: ...

    def step(self, n: int = 1) -> None: ...

    def seek_text(self, text: str) -> int: ...

    def next_error(self) -> int | None: ...

    def previous_error(self) -> int | None: ...

    def close(self) -> None: ...


class ReplayBar(LinePane):
    """One line: state and speed, BFN.HFN, hyperframe of how many, errors, and a track with a tick for each.

    On the track `#` is where the replay is, `!` a stretch with errors, and `?` what is not scanned yet.
    """

    def __init__(self, look: Look, control: Replayed | None) -> None:
        super().__init__(look, id="replay", style=look.bar)
        self.control = control
        self.compact = False

    def update(self, snapshot: Snapshot) -> None:
        control, look = self.control, self.look
        if control is None:
            return
        width, place = self.size.width, control.position
        state = "END" if control.at_end else "play" if control.playing else "halt"
        at = "-" if place.hyperframe is None else str(place.hyperframe)
        size = len(str(place.total))
        about = "" if control.scanned >= 1 else "~"
        found = control.errors
        line: list[Segment] = [
            Segment(f" {state:<4}", look.bar_chosen if control.playing else look.alarm),
            Segment(f" {self._speed(control.speed):<6}", look.bar),
            Segment(f"{snapshot.bfn:4d}.{snapshot.hfn:03d} ", look.bar_key),
            Segment(f"hf {at:>{size}}/{about}{place.total} ", look.bar),
            Segment(f"{'!' if found else '+'}{count(found, 5)} ", look.bar_key if found else look.bar),
        ]
        tail = ". [] <> {} g : ? q" if self.compact else ""
        room = width - cells(tuple(line)) - len(tail) - 3
        if room >= _LEAST_TRACK:
            line.append(Segment(f"|{self._track(room)}| ", look.bar))
        line.append(Segment(tail, look.bar_key))
        self.show([self._cut(tuple(line), width)])

    @staticmethod
    def _cut(line: Line, width: int) -> Line:
        return (
            line
            if cells(line) <= width
            else (*line[:2], *(line[3:5] if cells(line[:5]) > width else line[2:5]))
        )

    @staticmethod
    def _speed(factor: float) -> str:
        return "max" if math.isinf(factor) else f"x{factor:.4g}"

    def _track(self, room: int) -> str:
        """The capture from its first to its last hyperframe in `room` cells."""
        control = self.control
        assert control is not None
        place = control.position
        total = max(place.total, 1)
        known = control.scanned * room
        text = ""
        for i in range(room):
            first, after = i * total // room, max((i + 1) * total // room, i * total // room + 1)
            error = control.timeline.error_after(first - 1)
            if place.hyperframe is not None and first <= min(place.hyperframe, total - 1) < after:
                text += "#"
            elif error is not None and error < after:
                text += "!"
            else:
                text += "-" if i < known else "?"
        return text

    def act(self, what: str) -> str:
        """Do what a key says; what there is to tell, or nothing."""
        control = self.control
        if control is None:
            return ""
        if what == "play":
            control.toggle()
        elif what in ("on", "back"):
            control.step(1 if what == "on" else -1)
        elif what in ("slower", "faster"):
            control.speed = _next_speed(control.speed, faster=what == "faster")
            return f"replay speed {self._speed(control.speed)}"
        else:
            found = control.next_error() if what == "next_error" else control.previous_error()
            rest = "" if control.scanned >= 1 else " as far as it is scanned"
            where = "after" if what == "next_error" else "before"
            return f"no error {where} this{rest}" if found is None else f"error in hyperframe {found}"
        return ""

    def go(self, text: str) -> str:
        """Seek to what was typed; what there is to tell."""
        if self.control is None or not text.strip():
            return ""
        try:
            return f"at hyperframe {self.control.seek_text(text)}"
        except InputError as problem:
            return str(problem)


def _next_speed(now: float, *, faster: bool) -> float:
    if faster:
        return next((s for s in _SPEEDS if s > now), now)
    return next((s for s in reversed(_SPEEDS) if s < now), now)


class SeekPage(ModalScreen[None]):
    """Asks where to go."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "back", id="seek.back")]

    def __init__(self, look: Look, go: Callable[[str], None]) -> None:
        super().__init__()
        self._go = go
        self._head = LinePane(look, id="page-head", style=look.bar)
        self._input = Input(id="seek", compact=True, placeholder="120   17.42   12.5ms")

    def compose(self) -> ComposeResult:
        yield self._head
        yield self._input

    def on_mount(self) -> None:
        self._input.cursor_blink = False
        self._input.focus()
        self.call_after_refresh(self._draw)

    def on_resize(self) -> None:
        self.call_after_refresh(self._draw)

    def _draw(self) -> None:
        text = " go to a hyperframe 120, BFN.HFN 17.42, or time 12.5ms; enter goes, esc back"
        self._head.show([(Segment(fit(inert(text), self._head.size.width), self._head.fill),)])

    def action_leave(self) -> None:
        self.dismiss()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        self.dismiss()
        self._go(event.value)
