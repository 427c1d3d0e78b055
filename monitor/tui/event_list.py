"""What arrived: a scrolling list of events with one column a plane, newest at the bottom.

It is drawn line by line over a bounded list of events; only what is visible is put into words. While it is
held it takes nothing in, so nothing moves under the reader.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import ClassVar

from rich.segment import Segment
from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.message import Message

from decoders.counters import plane_of
from decoders.events import CodeErrors, Event, FrameReceived, HyperframesNotReceived, Plane

from ..links.snapshot import LogEntry
from .cells import fit
from .event_words import event_in_words, is_bad
from .feed import Feed, Link
from .line_pane import Line, LinePane
from .palette import BAD, GOOD, LETTERS, NAMES, Look
from .view import View
from .view_keys import EVENTS_HINTS, Hints

__all__ = ["EventList", "EventsView"]

PLANES = (
    Plane.LINE,
    Plane.SYNC,
    Plane.L1,
    Plane.HDLC,
    Plane.ETHERNET,
    Plane.VENDOR,
    Plane.CTRL_AXC,
    Plane.RESERVED,
)
HELD_LINES = 5000
_HEAD = 2


class EventList(LinePane, can_focus=True):
    """Events as lines; two head lines say what is shown and how."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f,end", "follow", "follow the newest event", id="events.follow"),
        Binding("space", "hold", "hold: add no new events", id="events.hold"),
        Binding("b", "bad_only", "errors only", id="events.bad"),
        Binding("n", "error(1)", "next error", id="events.next"),
        Binding("N", "error(-1)", "previous error", id="events.previous"),
        Binding("up", "step(-1)", "previous event", id="events.up"),
        Binding("down", "step(1)", "next event", id="events.down"),
        Binding("pageup", "page(-1)", "page up", id="events.pageup"),
        Binding("pagedown", "page(1)", "page down", id="events.pagedown"),
        Binding("home", "first", "oldest event", id="events.home"),
        Binding("enter", "open", "open the event in full", id="events.open"),
        Binding("a", "all", "all planes", id="events.all"),
        Binding("w", "app.save_event", "write the event to a file", id="events.write"),
        Binding("y", "app.copy_event", "copy the event", id="events.copy"),
        *(
            Binding(
                LETTERS[plane].lower(),
                f"plane('{plane.value}')",
                f"{NAMES[plane]} on or off",
                id=f"events.{plane}",
            )
            for plane in PLANES
        ),
    ]

    class Opened(Message):
        """A line is to be read in full."""

        def __init__(self, entry: LogEntry) -> None:
            super().__init__()
            self.entry = entry

    def __init__(self, look: Look) -> None:
        super().__init__(look, id="event-list")
        self.following = True
        self.held = False
        self.bad_only = False
        self.planes = frozenset(PLANES)
        self._next = 0
        self._lost = 0
        self._newest = 0
        self._entries: list[LogEntry] = []
        self._rows: list[LogEntry] = []
        self._top = 0
        self._chosen: int | None = None
        self._word = lru_cache(512)(self._line)

    def forget(self) -> None:
        """What comes next is from elsewhere in the capture: lines so far go, but while they are held."""
        if not self.held:
            self._entries, self._rows, self._chosen, self._top = [], [], None, 0

    def read(self, link: Link, newest: int) -> None:
        """Take in what is new; `newest` is how many events there have been."""
        self._newest = newest
        if self.held:
            return
        fresh = link.entries_since(self._next)
        if fresh:
            self._lost += fresh[0].number - self._next
            self._next = fresh[-1].number + 1
            fresh = self._folded(fresh)
            self._entries += fresh
            self._rows += [entry for entry in fresh if self._wanted(entry)]
            self._trim()

    def _folded(self, fresh: list[LogEntry]) -> list[LogEntry]:
        """Gaps, and code errors of one hyperframe, with nothing said between them become one.

        A slow line leaves out all the time, and a dark one brings nothing but errors.
        """
        out: list[LogEntry] = []
        before = self._entries[-1] if self._entries else None
        for entry in fresh:
            now = entry
            if before is not None and (together := _together(before.event, entry.event)):
                now = LogEntry(entry.number, together)
                for lines in (out,) if out else (self._entries, self._rows):
                    if lines and lines[-1] is before:
                        lines.pop()
            out.append(now)
            before = now
        return out

    def update(self) -> None:
        """Draw."""
        if not self.size.height:
            return
        room = self._room
        last_top = max(len(self._rows) - room, 0)
        self._top = last_top if self.following else min(self._top, last_top)
        lines = [self._mode_line(), self._head_line()]
        visible = self._rows[self._top : self._top + room]
        width = self.size.width
        lines += [self._word(entry, entry.number == self._chosen, width) for entry in visible]
        self.show(lines)

    # --- what is shown ------------------------------------------------------------------------------------

    @property
    def rows(self) -> Sequence[LogEntry]:
        """Lines that pass the filters."""
        return self._rows

    @property
    def chosen(self) -> LogEntry | None:
        """The line under the cursor, or the newest one."""
        index = self._index()
        return self._rows[index] if index is not None else None

    @property
    def _room(self) -> int:
        return max(self.size.height - _HEAD, 1)

    def _wanted(self, entry: LogEntry) -> bool:
        if self.bad_only and not is_bad(entry.event):
            return False
        return plane_of(entry.event) in self.planes

    def _trim(self) -> None:
        extra = len(self._entries) - HELD_LINES
        if extra <= 0:
            return
        oldest = self._entries[extra].number
        del self._entries[:extra]
        gone = next((i for i, entry in enumerate(self._rows) if entry.number >= oldest), len(self._rows))
        del self._rows[:gone]
        self._top = max(self._top - gone, 0)

    def _filter(self) -> None:
        chosen = self.chosen
        self._rows = [entry for entry in self._entries if self._wanted(entry)]
        if not self.following and chosen is not None:
            self._chosen = chosen.number
            index = self._index()
            self._top = max((index or 0) - self._room // 2, 0)
        self.update()

    def _index(self) -> int | None:
        """Row of the cursor; where that line is gone, the nearest one after it."""
        if not self._rows:
            return None
        if self._chosen is None:
            return len(self._rows) - 1
        low, high = 0, len(self._rows) - 1
        while low < high:
            middle = (low + high) // 2
            if self._rows[middle].number < self._chosen:
                low = middle + 1
            else:
                high = middle
        return low

    # --- keys ---------------------------------------------------------------------------------------------

    def action_follow(self) -> None:
        self.following, self.held, self._chosen = True, False, None
        self.update()

    def action_hold(self) -> None:
        self.held = not self.held
        if self.held:
            self.following = False
            if self._chosen is None and self._rows:
                self._chosen = self._rows[-1].number
        self.update()

    def action_bad_only(self) -> None:
        self.bad_only = not self.bad_only
        self._filter()

    def action_all(self) -> None:
        self.planes, self.bad_only = frozenset(PLANES), False
        self._filter()

    def action_plane(self, name: str) -> None:
        self.planes = self.planes ^ {Plane(name)}
        self._filter()

    def action_step(self, by: int) -> None:
        index = self._index()
        if index is not None:
            self._choose(index + by)

    def action_page(self, by: int) -> None:
        self.action_step(by * self._room)

    def action_first(self) -> None:
        self._choose(0)

    def action_error(self, direction: int) -> None:
        """To the next or previous line that tells of damage."""
        index = self._index()
        if index is None:
            return
        start = index + direction
        if self._chosen is None:
            start = len(self._rows) - 1 if direction < 0 else 0
        stop = len(self._rows) if direction > 0 else -1
        for at in range(start, stop, direction):
            if is_bad(self._rows[at].event):
                self._choose(at)
                return

    def action_open(self) -> None:
        entry = self.chosen
        if entry is not None:
            self.post_message(self.Opened(entry))

    def on_click(self, event: events.Click) -> None:
        at = self._top + event.y - _HEAD
        if event.y >= _HEAD and at < len(self._rows):
            again = self._chosen == self._rows[at].number
            self._choose(at)
            if again:
                self.action_open()

    def on_mouse_scroll_up(self, event: events.MouseScrollUp) -> None:
        self.action_step(-3)

    def on_mouse_scroll_down(self, event: events.MouseScrollDown) -> None:
        self.action_step(3)

    def _choose(self, index: int) -> None:
        if not self._rows:
            return
        index = min(max(index, 0), len(self._rows) - 1)
        self.following = False
        self._chosen = self._rows[index].number
        if index < self._top:
            self._top = index
        elif index >= self._top + self._room:
            self._top = index - self._room + 1
        self.update()

    # --- drawing ------------------------------------------------------------------------------------------

    def _mode_line(self) -> Line:
        look = self.look
        if self.held:
            behind = self._newest - self._next
            mode, style = f" HOLD, {behind} newer ", look.alarm
        elif self.following:
            mode, style = " following ", look.bar_chosen
        else:
            mode, style = " reading ", look.bar
        total = len(self._rows)
        first = self._top + 1 if total else 0
        text = f"  events {first}-{min(self._top + self._room, total)} of {total}"
        text += ", errors only" if self.bad_only else ""
        hidden = [LETTERS[plane] for plane in PLANES if plane not in self.planes]
        text += f", without {' '.join(hidden)}" if hidden else ""
        text += f", {self._lost} not shown: too fast" if self._lost else ""
        return Segment(mode, style), Segment(fit(text, self.size.width - len(mode)), look.quiet)

    def _head_line(self) -> Line:
        look = self.look
        line = [Segment(" ", look.text)]
        for plane in PLANES:
            on = plane in self.planes
            line.append(Segment(LETTERS[plane] if on else "x", look.badge(plane) if on else look.quiet))
        text = " hyperframe  BFN.HFN event     octets, content"
        line.append(Segment(fit(text, self.size.width - 9), look.quiet))
        return tuple(line)

    def _line(self, entry: LogEntry, chosen: bool, width: int) -> Line:
        look, event = self.look, entry.event
        plane, told = plane_of(event), event_in_words(event)
        column = PLANES.index(plane) if plane in PLANES else 0
        where = "-" if event.hyperframe is None else str(event.hyperframe)
        time = f"{event.bfn:4d}.{event.hfn:03d}" if isinstance(event, FrameReceived) else ""
        columns = f"{'.' * column}{LETTERS[plane]}{'.' * (len(PLANES) - 1 - column)}"
        middle = f" {where:>9} {time:>8} "
        bad = told.glyph == BAD
        text = fit(told.text, width - 22 - len(middle))
        if chosen:
            whole = f">{columns}{middle}{told.glyph} {told.word:<9} {text}"
            return (Segment(fit(whole, width).ljust(width), look.cursor),)
        judged = {BAD: look.alarm, GOOD: look.good}.get(told.glyph, look.text)
        return (
            Segment(" " + columns[:column], look.quiet),
            Segment(LETTERS[plane], look.badge(plane)),
            Segment(columns[column + 1 :], look.quiet),
            Segment(middle, look.quiet),
            Segment(f"{told.glyph} {told.word:<9}", judged),
            Segment(" " + text, look.bad if bad else look.text),
        )


class EventsView(View):
    """The list of events alone."""

    NAME = "Events"
    QUESTION = "what arrived?"
    REFRESHES: ClassVar[float] = 3.0

    def __init__(self, look: Look, feed: Feed) -> None:
        super().__init__(look, feed)
        self.list = EventList(look)

    def compose(self) -> ComposeResult:
        yield self.list

    @property
    def owner(self) -> EventList:
        return self.list

    @property
    def hints(self) -> Hints:
        return EVENTS_HINTS

    def draw(self, *, fresh: bool) -> None:
        self.list.update()

    def read_events(self) -> None:
        self.list.read(self.feed.link, self.feed.snapshot.events)

    def forget(self) -> None:
        self.list.forget()


def _together(one: Event, other: Event) -> Event | None:
    """Two gaps as one, or two counts of code errors that lie in one hyperframe; None for anything else."""
    if (
        isinstance(one, CodeErrors)
        and isinstance(other, CodeErrors)
        and one.hyperframe == other.hyperframe is not None
    ):
        return replace(
            one,
            code_violations=one.code_violations + other.code_violations,
            disparity_errors=one.disparity_errors + other.disparity_errors,
        )
    if not (isinstance(one, HyperframesNotReceived) and isinstance(other, HyperframesNotReceived)):
        return None
    unknown = one.count is None or other.count is None
    return HyperframesNotReceived(
        other.hyperframe, None if unknown else (one.count or 0) + (other.count or 0)
    )
