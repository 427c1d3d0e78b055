"""Pages that lie over the views: one event in full, and the keys with the letters and marks explained."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import ClassVar

from rich.segment import Segment
from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen

from decoders.cm_plane.packet_text import describe, printable
from decoders.counters import plane_of
from decoders.events import FrameReceived, OctetsChanged, Plane

from ..links.snapshot import LogEntry
from .cells import fit_middle, inert_cells, wrapped
from .event_words import event_in_words
from .line_pane import Line, LinePane
from .palette import LETTERS, NAMES, Look
from .status import KeyLine

__all__ = ["AskPage", "EventPage", "Page", "help_lines", "reading"]

Maker = Callable[[int], list[Line]]
_SHOWN_CHANGES = 512


class Page(Screen[None]):
    """Scrolling lines, made anew for each width."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,enter", "leave", "back", id="page.back"),
        Binding("up", "scroll_lines(-1)", "up", id="page.up"),
        Binding("down", "scroll_lines(1)", "down", id="page.down"),
        Binding("pageup", "scroll_lines(-10)", "page up", id="page.pageup"),
        Binding("pagedown,space", "scroll_lines(10)", "page down", id="page.pagedown"),
    ]

    MORE_KEYS: ClassVar[tuple[tuple[str, str], ...]] = ()

    def __init__(self, look: Look, heading: str, make: Maker) -> None:
        super().__init__()
        self._look, self._heading, self._make = look, heading, make
        self._top = 0
        self._note = ""
        self._pane = LinePane(look, id="page")
        self._head = LinePane(look, id="page-head", style=look.bar)
        self._keys = KeyLine(look, id="keys")

    def compose(self) -> ComposeResult:
        yield self._head
        yield self._pane
        yield self._keys

    def on_mount(self) -> None:
        keys = [("esc", "back"), ("up/down", "line"), ("pgup/pgdn", "page")]
        self._keys.set_keys([*keys, *self.MORE_KEYS, ("q", "quit")])

    def say(self, text: str) -> None:
        """Put a note in front of the place, until the page is moved."""
        self._note = text
        self._draw()
        self._note = ""

    def on_resize(self, event: events.Resize) -> None:
        self.call_after_refresh(self._draw)

    def action_leave(self) -> None:
        self.dismiss()

    def action_scroll_lines(self, by: int) -> None:
        self._top += by
        self._draw()

    def on_mouse_scroll_up(self, event: events.MouseScrollUp) -> None:
        self.action_scroll_lines(-3)

    def on_mouse_scroll_down(self, event: events.MouseScrollDown) -> None:
        self.action_scroll_lines(3)

    def _draw(self) -> None:
        height = self._pane.size.height
        lines = self._make(self._pane.size.width)
        self._top = min(max(self._top, 0), max(len(lines) - height, 0))
        last = min(self._top + height, len(lines))
        place = f" {self._heading}   lines {self._top + 1}-{last} of {len(lines)}"
        if self._note:
            place = " " + fit_middle(inert_cells(self._note), self._head.size.width - 2)
        self._head.show([(Segment(place, self._look.bar),)])
        self._pane.show(lines[self._top : self._top + height])


class EventPage(Page):
    """One event, which can be written to a file and copied."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("w", "app.save_event", "write the event to a file", id="event.write"),
        Binding("y", "app.copy_event", "copy the event", id="event.copy"),
    ]
    MORE_KEYS = (("w", "write"), ("y", "copy"))

    def __init__(self, look: Look, entry: LogEntry) -> None:
        super().__init__(look, f"event {entry.number}", reading(entry, look))
        self.entry = entry


class AskPage(Page):
    """A question before something is done; `then` follows a yes."""

    BINDINGS: ClassVar[list[BindingType]] = [
        # Enter, which asked for it, must not answer as well.
        Binding("y", "yes", "yes, do it", id="ask.yes"),
    ]
    MORE_KEYS = (("y", "yes, for this session"),)

    def __init__(self, look: Look, text: Sequence[str], then: Callable[[], None]) -> None:
        def make(width: int) -> list[Line]:
            lines: list[Line] = [()]
            for part in text:
                lines += [
                    *((Segment(f" {row}", look.text),) for row in wrapped(inert_cells(part), width - 2)),
                    (),
                ]
            return lines

        super().__init__(look, "question", make)
        self._then = then

    def action_yes(self) -> None:
        self.dismiss()
        self._then()


def _fields(pairs: Sequence[tuple[str, str]], width: int, look: Look) -> list[Line]:
    lines: list[Line] = []
    for name, value in pairs:
        for i, part in enumerate(wrapped(inert_cells(value), max(width - 18, 10))):
            label = f"  {inert_cells(name)[:15]:<16}" if i == 0 else " " * 18
            lines.append((Segment(label, look.quiet), Segment(part, look.text)))
    return lines


def _octet_lines(data: bytes, width: int, look: Look) -> list[Line]:
    """Octets under a ruler of tens, as a paper form has them."""
    size = 40 if width >= 8 + 40 * 3 else 20
    ruler = "".join(f"+{i:<2d}" if i % 5 == 0 else " . " for i in range(size))
    lines: list[Line] = [(Segment(f"        {ruler}", look.quiet),)]
    for at in range(0, len(data), size):
        row = data[at : at + size].hex(" ").upper()
        lines.append((Segment(f" {at:5d}  ", look.quiet), Segment(row, look.text)))
    return lines


def reading(entry: LogEntry, look: Look) -> Maker:
    """One event told in full."""

    def make(width: int) -> list[Line]:
        event = entry.event
        plane, told = plane_of(event), event_in_words(event)
        lines: list[Line] = [
            (
                Segment(f" {LETTERS[plane]} ", look.badge(plane)),
                Segment(f" {NAMES[plane]}   ", look.plane(plane, bold=True)),
                Segment(f"{told.glyph} {told.word}", look.bad if told.glyph == "!" else look.good),
            ),
            (),
        ]
        where = "not in sync" if event.hyperframe is None else str(event.hyperframe)
        if isinstance(event, FrameReceived):
            lines += _fields(
                [
                    ("ended in", f"hyperframe {where}, BFN.HFN {event.bfn}.{event.hfn:03d}"),
                    ("length", f"{event.length} octets with check sequence"),
                    ("check sequence", event.fcs.hex(" ").upper() or "none"),
                ],
                width,
                look,
            )
            if plane is Plane.ETHERNET:
                for layer in describe(event.data).layers:
                    lines += [(), (Segment(" " + inert_cells(layer.name), look.strong),)]
                    lines += _fields(layer.fields, width, look)
            else:
                lines += _fields([("as text", printable(event.data, 2048))], width, look)
            lines += [(), (Segment(" octets in line order", look.strong),)]
            lines += _octet_lines(event.data, width, look)
            return lines
        lines += _fields([("hyperframe", where)], width, look)
        if isinstance(event, OctetsChanged):
            lines += [(), (Segment("  address       Ns Xs  Y   old   new   bits that changed", look.quiet),)]
            for i, c in enumerate(event.changes()):
                if i == _SHOWN_CHANGES:
                    lines.append((Segment(f"  and {len(event) - i} more", look.quiet),))
                    break
                text = f"  {f'#Z.{c.ns + 64 * c.xs}.{c.y}':<12} {c.ns:3d}  {c.xs} {c.y:2d}    {c.old:02X}    "
                lines.append((Segment(f"{text}{c.new:02X}   {c.old ^ c.new:08b}", look.text),))
            return lines
        lines += _fields([("event", told.text)], width, look)
        return lines

    return make


def help_lines(look: Look, groups: Sequence[tuple[str, Sequence[tuple[str, str]]]]) -> Maker:
    """Keys by group, then what letters and marks mean."""

    def make(width: int) -> list[Line]:
        lines: list[Line] = []
        for heading, keys in groups:
            lines += [(Segment(" " + heading, look.strong),)]
            for key, meaning in keys:
                parts = wrapped(meaning, max(width - 18, 10))
                lines.append(
                    (Segment(f"   {key:<15}", look.plane(Plane.L1, bold=True)), Segment(parts[0], look.text))
                )
                lines += [(Segment(" " * 18 + part, look.text),) for part in parts[1:]]
            lines.append(())
        lines.append((Segment(" Letters of the planes", look.strong),))
        for plane, letter in LETTERS.items():
            lines.append(
                (
                    Segment("   ", look.text),
                    Segment(f" {letter} ", look.badge(plane)),
                    Segment("  " + NAMES[plane], look.text),
                )
            )
        lines += [(), (Segment(" Marks", look.strong),)]
        for mark, meaning in _MARKS:
            lines.append((Segment(f"   {mark:<9}", look.strong), Segment(meaning, look.text)))
        return lines

    return make


_MARKS = (
    ("*", "behind an octet: it changed since the last refresh (C&M octets are bold instead)"),
    ("+", "behind an octet: another octet of its word changed"),
    ("..", "in the hyperframe: octet 00"),
    ("--", "in the hyperframe: nothing received yet"),
    ("+", "in front of a word: good"),
    ("!", "in front of a word: an error, or an alarm that is raised"),
    ("~", "in front of a word: octets changed"),
    ("-", "in front of a word: a state or a setting; alone: not known yet"),
    (">", "at the end of a line: it is cut; enter opens it in full"),
    ("hf", "hyperframe, counted from 0 at the first one in sync"),
    ("in 10 s", "in the last 10 s of line time: 150 000 hyperframes, at whatever speed they are read"),
    ("mark", "counts since m was pressed, or since the start"),
)
