"""The line that a replay has: whether it plays, how fast, where it is, and where the errors lie; and its keys.

It shows what the replay's control holds and passes keys on to it; it reads no capture. Either it has the keys, or
the view has them; tab changes that. Places are hyperframe
numbers as a decode of the whole capture counts them, and BFN.HFN (CPRI V7.0 clause 4.2.7.4).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import ClassVar, Protocol

from rich.segment import Segment
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.message import Message
from textual.screen import ModalScreen
from textual.widgets import Input

from decoders.linerates import HYPERFRAMES_PER_FRAME

from ..errors import InputError
from .cells import count, fit, inert_cells
from .line_pane import Line, LinePane, cells
from .palette import Look

__all__ = ["ReplayBar", "ReplayPosition", "Replayed", "SeekPage"]

_SPEEDS = (0.0001, 0.001, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 100.0, 1000.0, math.inf)
_LEAST_TRACK = 8
_JUMP = HYPERFRAMES_PER_FRAME
_COMPACT_LEAST = "? keys"
_COMPACT_OWN = "space play  e next error  ? keys"
_COMPACT_VIEW = "tab replay keys  ? keys"

_STEPS = {"on": 1, "back": -1, "jump_on": _JUMP, "jump_back": -_JUMP}


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
    """The part of a replay's control that a screen uses; see monitor.recording.replay."""

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


class ReplayBar(LinePane, can_focus=True):
    """One line: state and speed, hyperframe of how many, errors, and a track with a tick for each.

    On the track `#` is where the replay is, `!` a stretch with errors, and `?` what is not scanned yet.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("space", "do('play')", "play or pause", id="replay.play"),
        Binding("left", "do('back')", "one hyperframe back", id="replay.back"),
        Binding("right", "do('on')", "one hyperframe on", id="replay.on"),
        Binding("pageup", "do('jump_back')", "150 hyperframes (10 ms) back", id="replay.jump_back"),
        Binding("pagedown", "do('jump_on')", "150 hyperframes (10 ms) on", id="replay.jump_on"),
        Binding("up", "do('faster')", "faster", id="replay.faster"),
        Binding("down", "do('slower')", "slower", id="replay.slower"),
        Binding("e", "do('next_error')", "next error", id="replay.next"),
        Binding("E", "do('previous_error')", "previous error", id="replay.previous"),
        Binding("g", "app.seek", "go to a hyperframe, BFN.HFN or time", id="replay.seek"),
    ]

    class Told(Message):
        """Something to tell the user; empty where only the line is to be drawn anew."""

        def __init__(self, text: str) -> None:
            super().__init__()
            self.text = text

    def __init__(self, look: Look, control: Replayed | None) -> None:
        super().__init__(look, id="replay", style=look.bar)
        self.control = control
        self.compact = False
        self.has_keys = control is not None

    def action_do(self, what: str) -> None:
        self.post_message(self.Told(self.act(what)))

    def update(self) -> None:
        control, look = self.control, self.look
        if control is None:
            return
        width, place = self.size.width, control.position
        state = "END" if control.at_end else "play" if control.playing else "paused"
        at = "-" if place.hyperframe is None else str(place.hyperframe)
        size = len(str(place.total))
        about = "" if control.scanned >= 1 else "~"
        found = control.errors
        line: list[Segment] = [
            Segment(f" {state:<6} ", look.bar_chosen if control.playing else look.alarm),
            Segment(f" {self._speed(control.speed):<5}", look.bar),
            Segment(f" hf {at:>{size}}/{about}{place.total} ", look.bar),
            Segment(f" {'!' if found else '+'} {count(found, 5)} ", look.alarm if found else look.bar),
            Segment(" ", look.bar),
        ]
        used = cells(tuple(line))
        tails = [""]
        if self.compact:
            tails = [_COMPACT_OWN if self.has_keys else _COMPACT_VIEW, _COMPACT_LEAST]
        tail = next((text for text in tails if used + len(text) + 3 + _LEAST_TRACK <= width), tails[-1])
        room = width - used - len(tail) - 3
        if room >= _LEAST_TRACK:
            line.append(Segment(f"|{self._track(room)}| ", look.bar))
        line.append(Segment(tail, look.bar_key))
        self.show([self._cut(tuple(line), width)])

    @staticmethod
    def _cut(line: Line, width: int) -> Line:
        """The line, or its first parts that fit; speed goes first."""
        return line if cells(line) <= width else (line[0], line[2], line[3])

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
        elif what in _STEPS:
            control.step(_STEPS[what])
        elif what in ("slower", "faster"):
            control.speed = _next_speed(control.speed, faster=what == "faster")
            return f"replay speed {self._speed(control.speed)}"
        else:
            found = control.next_error() if what == "next_error" else control.previous_error()
            rest = "" if control.scanned >= 1 else " (not all is scanned yet)"
            where = "after" if what == "next_error" else "before"
            return (
                f"no error {where} this hyperframe{rest}" if found is None else f"error in hyperframe {found}"
            )
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
        text = " go to hyperframe 120, BFN.HFN 17.42 or time 12.5ms; enter goes there, esc back"
        self._head.show([(Segment(fit(inert_cells(text), self._head.size.width), self._head.fill),)])

    def action_leave(self) -> None:
        self.dismiss()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        self.dismiss()
        self._go(event.value)
