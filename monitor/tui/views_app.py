"""What the screen of one link and that of a site have in common: views of which one is open, keys, notes, pages.

One timer reads what is watched, then draws the view that is open. Nothing else draws by itself. Each view answers one
question. Keys are plain letters, digits and arrows.
"""

from __future__ import annotations

import math
import os
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import ClassVar

from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.widget import Widget

from ..links.snapshot import LogEntry
from .cells import inert_cells
from .command_page import Action, CommandPage
from .event_file import event_text, saved_in_words
from .event_list import EventList
from .key_help import actions_of, help_groups
from .line_pane import LinePane
from .link_panel import LINK_VIEWS, LinkPanel
from .pages import EventPage, Page, help_lines
from .palette import Look
from .replay_bar import ReplayBar, Replayed, SeekPage
from .reset_run import Resets
from .status import FailureLines, KeyLine, StatusLines, state_word
from .view import ScreenView
from .view_keys import EVERYWHERE_HINTS, REPLAY_HINTS

__all__ = ["EVERYWHERE_KEYS", "ViewsApp", "refreshes_per_second", "view_keys"]

_FPS, _FPS_REMOTE = 10.0, 4.0
_NOTE_SECONDS = 4.0
_LEAST = (80, 24)


def refreshes_per_second(fps: float | None, environment: dict[str, str] | None = None) -> float:
    """`fps` where it is given, else 10, or 4 over a remote shell."""
    known = os.environ if environment is None else environment
    if fps is not None:
        return min(max(fps, 0.2), 60.0)
    return _FPS_REMOTE if known.get("SSH_CONNECTION") else _FPS


def view_keys(views: Sequence[tuple[str, str]]) -> list[BindingType]:
    """A digit for each view."""
    return [
        Binding(str(i + 1), f"view({i})", f"{name}: {question}", id=f"view.{name.lower()}")
        for i, (name, question) in enumerate(views)
    ]


EVERYWHERE_KEYS: tuple[BindingType, ...] = (
    Binding("m", "mark", "count from here", id="all.mark"),
    Binding("p", "pause", "pause or resume the display; in a replay, the replay", id="all.pause"),
    Binding(
        "tab", "switch_keys", "in a replay: keys of the replay or of the view", id="all.keys", priority=True
    ),
    Binding("question_mark", "help", "help", id="all.help"),
    Binding("colon", "actions", "find an action by its words", id="all.actions"),
    Binding("q", "leave", "quit", id="all.quit"),
    Binding("ctrl+c", "interrupt", "interrupt", show=False, priority=True),
)


class ViewsApp(App[int], inherit_bindings=False):
    """The screen over the links of `panel`, which whoever inherits from this makes.

    With `live` False there is neither thread nor timer: tests step what is watched and call `tick`.
    """

    CSS_PATH = Path(__file__).with_name("framefray.tcss")
    TITLE = "framefray"
    ENABLE_COMMAND_PALETTE = False
    HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (101, "-wide"), (197, "-ultra")]  # noqa: RUF012
    VERTICAL_BREAKPOINTS = [(0, "-short"), (33, "-tall")]  # noqa: RUF012
    NAMES: ClassVar[Sequence[tuple[str, str]]] = LINK_VIEWS
    """Names and questions of the views, in the order of their digits."""
    FIRST: ClassVar[int] = 0
    """The view that is open at first."""
    panel: LinkPanel
    """The views of the link that is open."""

    def __init__(
        self,
        *,
        fps: float | None = None,
        title: str = "",
        colour: bool | None = None,
        live: bool = True,
        replay: Replayed | None = None,
    ) -> None:
        if colour is None:
            colour = not os.environ.get("NO_COLOR")
        super().__init__(ansi_color=None if colour else True)
        if not colour:
            self.theme = "ansi-dark"
        self.look = look = Look(colour)
        self.fps = refreshes_per_second(fps)
        self.paused = False
        self.refreshes = 0
        self.sparing = self._live = live
        self.view = 0
        self._ticks = 0
        self._title_text = title
        self._stop = threading.Event()
        self._note, self._note_left = "", 0
        self._redraw_asked = False
        self.status = StatusLines(look, self.NAMES, self.action_view)
        self.failure = FailureLines(look)
        self.keys = KeyLine(look, id="keys")
        self.replay_bar = ReplayBar(look, replay)

    @property
    def views(self) -> tuple[ScreenView, ...]:
        """In the order of their digits."""
        return self.panel.views

    @property
    def open_view(self) -> ScreenView:
        return self.views[self.view]

    @property
    def body(self) -> Widget:
        """What lies between the status lines and the keys."""
        return self.panel

    def compose(self) -> ComposeResult:
        yield self.status
        yield self.body
        yield self.failure
        yield self.replay_bar
        yield self.keys

    def on_mount(self) -> None:
        self.failure.display = False
        self.replay_bar.display = self.replay_bar.control is not None
        self.action_view(self.FIRST)
        if self._live:
            self.start_reading()
            self.set_interval(1 / self.fps, self.tick)

    def start_reading(self) -> None:
        """Begin to read what is watched."""

    def run_resets(self, resets: Resets) -> None:
        if self._live:
            self.run_worker(lambda: resets.run(self._stop), thread=True, exit_on_error=False)

    def on_unmount(self) -> None:
        self._stop.set()
        control = self.replay_bar.control
        if control is not None:
            control.close()  # it may be waiting for a key

    def tick(self) -> None:
        """Read what is watched and draw once."""
        if self.paused:
            return
        self._read()
        self._note_left = max(self._note_left - 1, 0)
        if len(self.screen_stack) > 1:
            return
        self._ticks += 1
        rate = min(self.open_view.REFRESHES, self.fps)
        if self.sparing and self._ticks % math.ceil(self.fps / rate):
            self._draw_frame()
        else:
            self._draw(fresh=True)

    def _read(self) -> None:
        """Look at what is watched."""
        self.panel.read()

    # --- drawing ------------------------------------------------------------------------------------------

    def _draw(self, *, fresh: bool = False) -> None:
        self._draw_frame()
        self.open_view.draw(fresh=fresh)

    def _draw_frame(self) -> None:
        """The lines that every view has."""
        self.refreshes += 1
        self._draw_status()
        self._draw_failure()
        self._draw_replay()

    def _draw_failure(self) -> None:
        self.failure.update(self.panel.feed.link.failure)

    @property
    def _note_now(self) -> str:
        """What is to be read for a while in the place of the title."""
        note = self._note if self._note_left or self.paused else ""
        if not note and (self.size.width < _LEAST[0] or self.size.height < _LEAST[1]):
            note = f"too small: needs {_LEAST[0]}x{_LEAST[1]}"
        return note

    def _draw_status(self) -> None:
        state = state_word(
            self.panel.feed.snapshot,
            paused=self.paused,
            failed=self.panel.feed.link.failure is not None,
            repeating=self.panel.inject_view.repeater.active,
        )
        self.status.update(
            self.panel.feed, chosen=self.view, state=state, note=self._note_now, title=self._title_text
        )

    def _draw_replay(self) -> None:
        """A short screen has no room for the key line below the hyperframe: the replay's line tells the keys."""
        bar = self.replay_bar
        if bar.control is None:
            return
        over_hyperframe = self.open_view is self.panel.link_view and self.panel.link_view.matrix.display
        bar.compact = over_hyperframe and "-short" in self.screen_stack[0].classes
        self.keys.display = not bar.compact
        bar.update()

    def on_line_pane_resized(self, message: LinePane.Resized) -> None:
        """Panes get their sizes one after another; once they have them, draw what they show."""
        if not self._redraw_asked:
            self._redraw_asked = True
            self.call_after_refresh(self._redraw)

    def _redraw(self) -> None:
        self._redraw_asked = False
        if len(self.screen_stack) == 1:
            self._draw()

    def _say(self, text: str) -> None:
        self._note = inert_cells(text)
        self._note_left = round(_NOTE_SECONDS * self.fps)
        self._draw_status()

    def on_screen_view_note(self, message: ScreenView.Note) -> None:
        self._say(message.text)

    def on_screen_view_acted(self, message: ScreenView.Acted) -> None:
        if len(self.screen_stack) == 1:
            self._draw()

    # --- keys ---------------------------------------------------------------------------------------------

    def action_view(self, index: int) -> None:
        while len(self.screen_stack) > 1:
            self.pop_screen()
        self.view = index
        self._show_view()
        bar = self.replay_bar
        self.set_focus(bar if bar.has_keys else self.open_view.owner)
        hints = REPLAY_HINTS if bar.has_keys else self.open_view.hints
        if bar.control is not None:
            hints += (("tab", "keys of the view" if bar.has_keys else "replay keys"),)
        self.keys.set_keys((*hints, *EVERYWHERE_HINTS))
        self.call_after_refresh(self._draw, fresh=True)

    def _show_view(self) -> None:
        self.panel.show(self.view)

    def action_switch_keys(self) -> None:
        if self.replay_bar.control is not None and len(self.screen_stack) == 1:
            self.replay_bar.has_keys = not self.replay_bar.has_keys
            self.action_view(self.view)

    def action_iq(self) -> None:
        self.panel.link_view.toggle_iq()
        self.action_view(0)

    def action_mark(self) -> None:
        self.panel.feed.mark()
        self._say(f"mark at hyperframe {self.panel.feed.marked_at}: counting from here")
        self._draw(fresh=True)

    def action_pause(self) -> None:
        if self.replay_bar.control is not None:
            self.replay_bar.action_do("play")
            return
        self.paused = not self.paused
        self._say("" if self.paused else "display resumed")

    def action_help(self) -> None:
        if len(self.screen_stack) > 1:
            self.pop_screen()
            return
        replay = self.replay_bar.control is not None
        groups = help_groups(self.BINDINGS, self.views, replay=replay)
        self.push_screen(Page(self.look, "help", help_lines(self.look, groups)))

    def action_actions(self) -> None:
        while len(self.screen_stack) > 1:
            self.pop_screen()
        self.push_screen(CommandPage(self.look, list(self.actions())))

    def actions(self) -> Iterator[Action]:
        """What the keys do that are of use now."""
        return actions_of(self.open_view, self.replay_bar, self.BINDINGS, self)

    def action_leave(self) -> None:
        self.exit(0)

    def action_interrupt(self) -> None:
        self.exit(130)

    def on_replay_bar_told(self, message: ReplayBar.Told) -> None:
        if message.text:
            self._say(message.text)
        self._draw_replay()

    def action_seek(self) -> None:
        self.push_screen(SeekPage(self.look, lambda text: self._say(self.replay_bar.go(text))))

    def on_event_list_opened(self, message: EventList.Opened) -> None:
        self.push_screen(EventPage(self.look, message.entry))

    def action_save_event(self) -> None:
        if self._event is not None:
            self._tell(saved_in_words(self._event, Path.cwd()))

    def action_copy_event(self) -> None:
        if self._event is not None:
            self.copy_to_clipboard(event_text(self._event))
            self._tell("copied, if the terminal allows it (OSC 52)")

    @property
    def _event(self) -> LogEntry | None:
        """The event that is open, or else the chosen one."""
        return self.screen.entry if isinstance(self.screen, EventPage) else self.panel.events_view.list.chosen

    def _tell(self, text: str) -> None:
        self._say(text)
        if isinstance(self.screen, EventPage):
            self.screen.say(text)
