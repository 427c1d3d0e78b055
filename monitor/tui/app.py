"""The screen: views over one pipeline that runs in a worker thread; the screen only looks.

One timer reads the pipeline's snapshot and new events, then draws the view that is open. Nothing else paints
by itself. Each view answers one question. Keys are plain letters, digits and arrows.
"""

from __future__ import annotations

import math
import os
import threading
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import ClassVar

from rich.segment import Segment
from textual.app import App, ComposeResult, SystemCommand
from textual.binding import Binding, BindingType
from textual.containers import Container
from textual.screen import Screen
from textual.widgets import ContentSwitcher

from decoders.errors import DecodersError

from ..errors import MonitorError
from ..links.pipeline import Pipeline
from ..links.snapshot import LogEntry
from ..sources.source import GuardedSource
from .cells import inert, lasting, wrapped
from .delay_view import DelayPane
from .event_file import event_text, save_event
from .fault_view import FAULTS, FaultChoice, FaultList, Tally, Verdicts
from .feed import Feed
from .inspector import Inspector, Levels, PlaneTable
from .iq_view import IqChoice, IqPage
from .line_pane import LinePane
from .matrix import Matrix
from .pages import AskPage, EventPage, Page, help_lines, told_keys
from .palette import Look
from .repeater import Repeater
from .replay_bar import REPLAY_BINDINGS, REPLAY_KEYS, ReplayBar, Replayed, SeekPage
from .reset_run import Resets, live_board_of, settings_of
from .status import KeyLine, StatusLines
from .transcript import Transcript

__all__ = ["FrayApp", "paints_per_second", "run_screen"]

_FPS, _FPS_REMOTE = 10.0, 4.0
_MOST_PAINTS = (5.0, 3.0, math.inf, math.inf)
"""Paints a second of each view below the status lines: where much changes, more is not read, and costs bytes."""
_NOTE_PAINTS_SECONDS = 4.0
_LEAST = (80, 24)
_DAMAGES = "this makes it transmit damaged data"
VIEWS = (
    ("Link", "what is on the link?"),
    ("Said", "what was said?"),
    ("Break", "what broke, and is it found?"),
    ("Delay", "is the delay steady?"),
)
_KEYS_ALL = (("m", "mark"), ("p", "pause"), ("?", "help"), (":", "commands"), ("q", "quit"))
_KEYS: tuple[tuple[tuple[str, str], ...], ...] = (
    (("arrows", "move"), ("shlrcve", "plane"), ("i", "IQ")),
    (
        ("f", "follow"),
        ("space", "hold"),
        ("enter", "open"),
        ("w/y", "write/copy"),
        ("n/N", "errors"),
        ("b", "errors only"),
        ("kslhevcr", "lanes"),
        ("a", "all"),
    ),
    (
        ("up/down", "choose"),
        ("kslhevcri", "plane"),
        ("enter", "break it"),
        ("x", "repeat"),
        ("+/-", "how often"),
        ("pgup/pgdn", "counters"),
    ),
    (
        ("enter", "go"),
        ("space", "stop"),
        ("left/right", "resets"),
        ("c", "compensation"),
        ("up/down", "table"),
    ),
)

_KEYS_IQ = (("left/right", "AxC"), ("i", "hyperframe"))


def paints_per_second(fps: float | None, environment: dict[str, str] | None = None) -> float:
    """`fps` where it is given, else 10, or 4 over a remote shell."""
    known = os.environ if environment is None else environment
    if fps is not None:
        return min(max(fps, 0.2), 60.0)
    return _FPS_REMOTE if known.get("SSH_CONNECTION") else _FPS


class FrayApp(App[int], inherit_bindings=False):
    """The screen over one pipeline.

    With `live` False there is neither thread nor timer: tests step the pipeline and call `tick`.
    """

    CSS_PATH = Path(__file__).with_name("framefray.tcss")
    TITLE = "framefray"
    COMMAND_PALETTE_BINDING = "colon"
    HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (101, "-wide"), (197, "-ultra")]  # noqa: RUF012
    VERTICAL_BREAKPOINTS = [(0, "-short"), (33, "-tall")]  # noqa: RUF012
    BINDINGS: ClassVar[list[BindingType]] = [
        *(
            Binding(str(i + 1), f"view({i})", f"{name}: {question}", id=f"view.{name.lower()}")
            for i, (name, question) in enumerate(VIEWS)
        ),
        Binding("m", "mark", "count from here", id="all.mark"),
        Binding("p", "pause", "pause or resume the display", id="all.pause"),
        Binding("question_mark", "help", "help", id="all.help"),
        Binding("q", "leave", "quit", id="all.quit"),
        Binding("ctrl+c", "interrupt", "interrupt", show=False, priority=True),
    ]

    def __init__(
        self,
        pipeline: Pipeline,
        *,
        fps: float | None = None,
        title: str = "",
        iq_map: str | None = None,
        faults: Sequence[FaultChoice] = FAULTS,
        colour: bool | None = None,
        live: bool = True,
        replay: Replayed | None = None,
    ) -> None:
        if colour is None:
            colour = not os.environ.get("NO_COLOR")
        super().__init__(ansi_color=None if colour else True)
        if not colour:
            self.theme = "ansi-dark"
        self.look = Look(colour)
        self.pipeline = pipeline
        self.feed = Feed(pipeline)
        self.repeater = Repeater(pipeline.inject)
        self.fps = paints_per_second(fps)
        self.paused = False
        self.paints = 0
        self.sparing = live
        self._ticks = 0
        self.view = 0
        self._live = live
        self._title_text = title
        self._stop = threading.Event()
        self._note, self._note_left = "", 0
        self._problem = ""
        self._failure_shown = ""
        self._redraw_asked = False
        look = self.look
        self.switcher = ContentSwitcher(id="views", initial="link")
        self.link_view = Container(id="link")
        self.beside = Container(id="beside")
        self.status = StatusLines(look, VIEWS, self.action_view)
        self.failure_pane = LinePane(look, id="failure", style=look.alarm)
        self.keys = KeyLine(look, id="keys")
        self.replay_bar = ReplayBar(look, replay)
        self.shared_bindings = [*self.BINDINGS]
        for binding in REPLAY_BINDINGS if replay is not None else ():
            self.shared_bindings.append(binding)
            self.bind(binding.key, binding.action, description=binding.description)
        self.matrix = Matrix(look)
        self.inspector = Inspector(look, id="inspector")
        self.plane_table = PlaneTable(look, id="planes")
        iq_choice = IqChoice(iq_map)
        self.levels = Levels(look, iq_choice, id="levels")
        self.iq_page = IqPage(look, iq_choice)
        self.transcript = Transcript(look)
        self.tally = Tally(look)
        self.fault_list = FaultList(look, faults)
        self.verdicts = Verdicts(look, id="verdicts")
        self.resets = Resets(settings_of(pipeline.source), live=live_board_of(pipeline.source))
        self.delay_pane = DelayPane(look, self.resets)

    def compose(self) -> ComposeResult:
        yield self.status
        with self.switcher:
            with self.link_view:
                yield self.iq_page
                yield self.matrix
                with self.beside:
                    yield self.inspector
                    yield self.plane_table
                    yield self.levels
            with Container(id="said"):
                yield self.transcript
            with Container(id="break"):
                with Container(id="upper"):
                    yield self.tally
                    yield self.fault_list
                yield self.verdicts
            with Container(id="delay"):
                yield self.delay_pane
        yield self.failure_pane
        yield self.replay_bar
        yield self.keys

    def on_mount(self) -> None:
        self.failure_pane.display = False
        self.iq_page.display = False
        self.replay_bar.display = self.replay_bar.control is not None
        self.action_view(0)
        if self._live:
            self.run_worker(lambda: self.pipeline.run(self._stop), thread=True, exit_on_error=False)
            self.set_interval(1 / self.fps, self.tick)

    def on_unmount(self) -> None:
        self._stop.set()
        control = self.replay_bar.control
        if control is not None:
            control.close()  # it may be waiting for a key

    def tick(self) -> None:
        """Read the pipeline and draw once."""
        if self.paused:
            return
        if self.feed.take():
            self.transcript.forget()
            self.matrix.forget()
        self.transcript.take(self.pipeline, self.feed.snapshot.events)
        self._repeat()
        self._note_left = max(self._note_left - 1, 0)
        if len(self.screen_stack) > 1:
            return
        self._ticks += 1
        if self.sparing and self._ticks % math.ceil(self.fps / min(_MOST_PAINTS[self.view], self.fps)):
            self._draw_frame()
        else:
            self._draw(fresh=True)

    # --- drawing ------------------------------------------------------------------------------------------

    def _draw(self, *, fresh: bool = False) -> None:
        self._draw_frame()
        if self.view == 0 and self.iq_page.display:
            self.iq_page.update(self.feed.snapshot)
        elif self.view == 0:
            self.matrix.lay_out(self.feed.snapshot, self.link_view.size, above=self._above)
            if fresh:
                self.matrix.update(self.feed.snapshot)
            self.inspector.update(self.feed.snapshot, self.matrix.ns, self.matrix.xs)
            if self.plane_table.display:
                self.plane_table.update(self.feed)
            self.levels.update(self.feed.snapshot)
        elif self.view == 1:
            self.transcript.update()
        elif self.view == 3:
            self.delay_pane.update()
        else:
            self.tally.update(self.feed)
            self.fault_list.update(self.pipeline.can_inject)
            self.verdicts.update(self.feed, self.fault_list.fault, self._problem, self.repeater)

    def _draw_frame(self) -> None:
        """The lines that every view has."""
        self.paints += 1
        self._draw_status()
        self._draw_failure()
        self._draw_replay()

    def _draw_status(self) -> None:
        snapshot = self.feed.snapshot
        state = "REPEAT" if self.repeater.active else ""
        state = "FAILED" if self.pipeline.failure else "ENDED" if snapshot.ended else state
        still = snapshot.standstill
        if still is not None and not state.startswith(("FAILED", "ENDED")):
            state = f"{'BROKEN' if still.broken else 'SILENT'} {lasting(still.seconds)}"
        state = "PAUSED" if self.paused else state
        note = self._note if self._note_left or self.paused else ""
        title = self._title_text
        if snapshot.ended and not self.pipeline.failure:
            title = f"source has ended: {title or snapshot.source}"
        if not note and (self.size.width < _LEAST[0] or self.size.height < _LEAST[1]):
            note = f"too small: {_LEAST[0]}x{_LEAST[1]} shows all"
        self.status.update(self.feed, chosen=self.view, state=state, note=note, title=title)

    def _draw_failure(self) -> None:
        failure = self.pipeline.failure
        text = "" if failure is None else f"Reading stopped: {failure or type(failure).__name__}"
        if not text or text == self._failure_shown:
            return
        self._failure_shown = text
        lines = wrapped(inert(text), max(self.size.width - 2, 20))[:3]
        self.failure_pane.styles.height = len(lines)
        self.failure_pane.display = True
        self.failure_pane.show(
            [(Segment(f" {line}".ljust(self.size.width), self.look.alarm),) for line in lines]
        )

    def _draw_replay(self) -> None:
        """A short screen has no room for the key line below the hyperframe: the replay's line tells the keys."""
        bar = self.replay_bar
        if bar.control is None:
            return
        bar.compact = self.view == 0 and self.matrix.display and "-short" in self._main_classes
        self.keys.display = not bar.compact
        bar.update(self.feed.snapshot)

    def on_resize(self) -> None:
        self._failure_shown = ""

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
        self._note = inert(text)
        self._note_left = round(_NOTE_PAINTS_SECONDS * self.fps)
        self._draw_status()

    @property
    def _owners(self) -> tuple[LinePane, ...]:
        """Who has the keys of each view."""
        link = self.iq_page if self.iq_page.display else self.matrix
        return link, self.transcript, self.fault_list, self.delay_pane

    @property
    def _above(self) -> bool:
        """Whether the hyperframe lies above its details, as framefray.tcss has it for wide and tall screens."""
        return bool({"-wide", "-ultra"} & self._main_classes) and "-tall" in self._main_classes

    @property
    def _main_classes(self) -> frozenset[str]:
        return frozenset(self.screen_stack[0].classes)

    # --- keys ---------------------------------------------------------------------------------------------

    def action_view(self, index: int) -> None:
        while len(self.screen_stack) > 1:
            self.pop_screen()
        self.view = index
        self.switcher.current = VIEWS[index][0].lower()
        self.set_focus(self._owners[index])
        replay = REPLAY_KEYS if self.replay_bar.control is not None else ()
        keys = _KEYS_IQ if index == 0 and self.iq_page.display else _KEYS[index]
        self.keys.set_keys((*keys, *replay, *_KEYS_ALL))
        self.call_after_refresh(self._draw, fresh=True)

    def action_iq(self) -> None:
        """The IQ data in the place of the hyperframe, or the hyperframe again."""
        self.iq_page.display = not self.iq_page.display
        self.matrix.display = self.beside.display = not self.iq_page.display
        self.action_view(0)

    def action_mark(self) -> None:
        self.feed.mark()
        self._say(f"marked at {self.feed.marked_at}, counting anew")
        self._draw()

    def action_pause(self) -> None:
        self.paused = not self.paused
        self._say("decoding goes on" if self.paused else "display goes on")

    def action_help(self) -> None:
        if len(self.screen_stack) > 1:
            self.pop_screen()
            return
        groups = [("Everywhere", told_keys(self.shared_bindings))]
        groups += [
            (f"{i} {name}", told_keys(type(owner).BINDINGS))
            for i, ((name, _), owner) in enumerate(zip(VIEWS, self._owners, strict=True), 1)
        ]
        if not self.iq_page.display:
            groups.insert(2, ("1 Link, IQ", told_keys(IqPage.BINDINGS)))
        self.push_screen(Page(self.look, "help", help_lines(self.look, groups)))

    def action_leave(self) -> None:
        self.exit(0)

    def action_interrupt(self) -> None:
        self.exit(130)

    def action_replay(self, what: str) -> None:
        told = self.replay_bar.act(what)
        if told:
            self._say(told)
        self._draw_replay()

    def action_seek(self) -> None:
        self.push_screen(SeekPage(self.look, lambda text: self._say(self.replay_bar.go(text))))

    def action_save_event(self) -> None:
        entry = self._event
        if entry is not None:
            try:
                told = f"written: {save_event(entry, Path.cwd())}"
            except OSError as problem:
                told = f"not written: {problem.strerror or problem}"
            self._tell(told)

    def action_copy_event(self) -> None:
        entry = self._event
        if entry is not None:
            self.copy_to_clipboard(event_text(entry))
            self._tell("copied, where the terminal lets it (OSC 52)")

    @property
    def _event(self) -> LogEntry | None:
        """The event that is open, or else the chosen one."""
        return self.screen.entry if isinstance(self.screen, EventPage) else self.transcript.chosen

    def _tell(self, text: str) -> None:
        self._say(text)
        if isinstance(self.screen, EventPage):
            self.screen.say(text)

    def get_system_commands(self, screen: Screen[object]) -> Iterable[SystemCommand]:
        """Every key of the open view and of the whole screen, by its name."""
        owner = self._owners[self.view]
        name = f"{VIEWS[self.view][0]}: "
        for target, where, bindings in (
            (self, "", self.shared_bindings),
            (owner, name, type(owner).BINDINGS),
        ):
            for binding in bindings:
                if isinstance(binding, Binding):
                    yield SystemCommand(
                        f"{where}{binding.description}",
                        f"key {binding.key}",
                        lambda action=binding.action, target=target: self.run_action(action, target),
                    )

    # --- what the views say ---------------------------------------------------------------------------------

    def _ask_first(self, what: str, then: Callable[[], None]) -> bool:
        """Whether a board must be allowed something first: the question is put, and `then` follows a yes."""
        source = self.pipeline.source
        if not isinstance(source, GuardedSource) or source.allow:
            return False

        def allow() -> None:
            source.allow = True
            then()

        text = (
            f"{source.description}: {what}.",
            "Where its output reaches other equipment, an antenna or an open fibre, make sure first that it may. "
            "The rules of the place and the equipment's own instructions go before this program.",
            "y allows faults and resets of this board until the program ends; esc leaves it as it is.",
        )
        self.push_screen(AskPage(self.look, text, allow))
        return True

    def on_delay_pane_wanted(self, message: DelayPane.Wanted) -> None:
        going = self.resets.going or not self.resets.can_reset
        if going or not self._ask_first(
            "this resets its transceiver, again and again", self.delay_pane.start
        ):
            self.delay_pane.start()

    def on_delay_pane_started(self, message: DelayPane.Started) -> None:
        if self._live:
            self.run_worker(lambda: self.resets.run(self._stop), thread=True, exit_on_error=False)

    def on_matrix_moved(self, message: Matrix.Moved) -> None:
        self.inspector.update(self.feed.snapshot, self.matrix.ns, self.matrix.xs)

    def on_transcript_opened(self, message: Transcript.Opened) -> None:
        self.push_screen(EventPage(self.look, message.entry))

    def on_fault_list_moved(self, message: FaultList.Moved) -> None:
        self.verdicts.update(self.feed, self.fault_list.fault, self._problem, self.repeater)

    def on_fault_list_scroll_counters(self, message: FaultList.ScrollCounters) -> None:
        self.tally.scroll_by(message.lines)

    def on_fault_list_chosen(self, message: FaultList.Chosen) -> None:
        self._problem = self._hindrance
        if self.repeater.active:
            self._problem = "a fault is being repeated; x stops that"
        if not self._problem:
            if self._ask_first(_DAMAGES, lambda: self.on_fault_list_chosen(message)):
                return
            try:
                self.pipeline.inject(message.text)
                self.feed.take()
            except (DecodersError, MonitorError, TypeError, ValueError) as problem:
                self._problem = str(problem)
        self._draw()

    def on_fault_list_repeat(self, message: FaultList.Repeat) -> None:
        if self.repeater.active:
            self.repeater.stop()
        else:
            self._problem = self._hindrance
            if not self._problem:
                if self._ask_first(_DAMAGES, lambda: self.on_fault_list_repeat(message)):
                    return
                self.repeater.start(self.fault_list.fault.text, self.feed)
                self._repeat()
        self._draw()

    def on_fault_list_interval(self, message: FaultList.Interval) -> None:
        self.repeater.change(message.by)
        self._say(f"repeats every {self.repeater.every} hyperframes")
        self._draw()

    @property
    def _hindrance(self) -> str:
        """Why nothing can be broken now; empty where it can."""
        if not self.pipeline.can_inject:
            return "this source cannot inject faults"
        if self.feed.snapshot.ended:
            return "the source has ended: nothing more can be broken"
        if self.feed.waiting:
            return "the last fault has not had its time yet; try again in a moment"
        return ""

    def _repeat(self) -> None:
        try:
            self.repeater.tick(self.feed)
        except (DecodersError, MonitorError, TypeError, ValueError) as problem:
            self.repeater.stop()
            self._problem = str(problem)


def run_screen(
    pipeline: Pipeline,
    *,
    fps: float | None = None,
    title: str = "",
    iq_map: str | None = None,
    faults: Sequence[FaultChoice] = FAULTS,
    colour: bool | None = None,
    mouse: bool = True,
    replay: Replayed | None = None,
) -> int:
    """Show `pipeline` until the user leaves; the exit status: 0, or 130 after an interrupt.

    `fps` paints a second (10; 4 over a remote shell). `iq_map` as for decoders.iq.IqMap.parse; without it
    M = 15 at 3.84 MHz is assumed. `colour` None looks at NO_COLOR. `replay` is the control of a replay.
    """
    app = FrayApp(pipeline, fps=fps, title=title, iq_map=iq_map, faults=faults, colour=colour, replay=replay)
    status = app.run(mouse=mouse)
    return app.return_code or 1 if status is None else status
