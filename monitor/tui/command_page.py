"""The command line under `:`: type words of what you want, choose among the actions that have them all, do it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, NamedTuple

from rich.segment import Segment
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Container
from textual.dom import DOMNode
from textual.screen import Screen
from textual.widgets import Input

from .cells import fit
from .line_pane import Line, LinePane
from .palette import Look
from .status import KeyLine

__all__ = ["Action", "CommandPage", "matching"]

_PROMPT = " do: "


class Action(NamedTuple):
    """Something a key does: where it belongs, what it does, its keys, and how the application runs it."""

    where: str
    text: str
    keys: str
    name: str
    target: DOMNode


def matching(actions: Sequence[Action], typed: str) -> list[Action]:
    """Actions whose text has every typed word, those that begin with the first one in front."""
    words = typed.lower().split()
    found = [a for a in actions if all(word in f"{a.where} {a.text}".lower() for word in words)]
    return sorted(found, key=lambda a: not a.text.lower().startswith(words[0])) if words else found


class CommandPage(Screen[None]):
    """One line to type in, and the actions that fit below it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "back", id="command.back"),
        Binding("up", "step(-1)", "previous action", id="command.up"),
        Binding("down", "step(1)", "next action", id="command.down"),
        Binding("pageup", "step(-10)", "ten actions up", id="command.pageup"),
        Binding("pagedown", "step(10)", "ten actions down", id="command.pagedown"),
    ]

    def __init__(self, look: Look, actions: Sequence[Action]) -> None:
        super().__init__()
        self._look, self._actions = look, tuple(actions)
        self.found = list(self._actions)
        self.index = 0
        self._prompt = LinePane(look, id="command-prompt", style=look.bar_key)
        self._input = Input(id="command-input", compact=True)
        self._pane = LinePane(look, id="page")
        self._keys = KeyLine(look, id="keys")

    def compose(self) -> ComposeResult:
        with Container(id="command-line"):
            yield self._prompt
            yield self._input
        yield self._pane
        yield self._keys

    def on_mount(self) -> None:
        self._input.cursor_blink = False
        self._input.focus()
        self._keys.set_keys((("letters", "find"), ("up/down", "choose"), ("enter", "do it"), ("esc", "back")))
        self.call_after_refresh(self._draw)

    def on_resize(self) -> None:
        self.call_after_refresh(self._draw)

    def on_input_changed(self, event: Input.Changed) -> None:
        self.found = matching(self._actions, event.value)
        self.index = 0
        self._draw()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        if self.index < len(self.found):
            action = self.found[self.index]
            self.dismiss()
            self.app.call_later(self.app.run_action, action.name, action.target)

    def action_leave(self) -> None:
        self.dismiss()

    def action_step(self, by: int) -> None:
        self.index = min(max(self.index + by, 0), max(len(self.found) - 1, 0))
        self._draw()

    def _draw(self) -> None:
        look, width, room = self._look, self._pane.size.width, self._pane.size.height
        self._prompt.show([(Segment(_PROMPT, look.bar_key),)])
        if not self.found:
            self._pane.show([(Segment(fit(" no action has these words; esc goes back", width), look.text),)])
            return
        top = min(max(self.index - room // 2, 0), max(len(self.found) - room, 0))
        lines: list[Line] = []
        for i, action in enumerate(self.found[top : top + room], top):
            here = i == self.index
            keys, text = f"{'>' if here else ' '} {action.keys:<14}", f"{action.where}{action.text}"
            if here:
                lines.append((Segment(fit(f"{keys}{text}", width).ljust(width), look.cursor),))
            else:
                lines.append((Segment(keys, look.strong), Segment(fit(text, width - len(keys)), look.text)))
        self._pane.show(lines)
