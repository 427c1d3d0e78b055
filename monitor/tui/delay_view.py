"""Is the delay constant: reset the board again and again, and see each delay, where it lies, and what it means.

Beside each reset stand the alignment offset, the count as it was read, and the delay after compensation.
The chart has the deviation from the first one against one parallel clock and against Tc/32 (CPRI V7.0, R-19).
Shows what `monitor.delay` judged; judges nothing itself.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import ClassVar

from rich.segment import Segment
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.message import Message

from decoders.link_delay.delay import ONE_WAY_LIMIT_NS

from ..delay.samples import DelaySample, DelayStatus
from ..text import counted
from .cells import count, fit, inert_cells, wrapped
from .feed import Feed
from .line_pane import Line, LinePane, cells
from .palette import Look
from .permission import ask_first
from .reset_run import Resets, live_board_of, settings_of
from .view import View
from .view_keys import DELAY_HINTS, Hints

__all__ = ["DelayPane", "DelayView", "chart_lines", "offset_lines"]

_RESETS = "this resets its transceiver, again and again"
_SIDE_BY_SIDE = 110
_TABLE_WIDTH = 64
_LABEL = 16
_NO_BOARD = (
    "A delay is constant if it stays the same through transceiver resets. "
    "Resets need a board; this source is read as it is. "
    "Open emulated or emulated:pair, or a board on a serial line."
)

_OFFSET = (
    " After each reset the receiver's word boundary lands on another bit position: the alignment offset, 0 to 9 bits"
    " (64B/66B: 0 to 65). A board that does not compensate for it has a delay that varies."
)
_EMULATED = (
    "enter resets the transceiver of an emulated board, again and again; the link shown above is not touched."
    f"{_OFFSET} c lets REC-A compensate wrongly."
)
_LIVE = (
    "enter resets the transceiver of this board, again and again: the link is lost each time and recovers."
    f" Hyperframes not received meanwhile are counted above.{_OFFSET}"
)


class DelayPane(LinePane, can_focus=True):
    """Resets, chart, offsets and verdict."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "start", "reset the board, again and again", id="delay.start"),
        Binding("space", "stop", "stop; enter continues", id="delay.stop"),
        Binding("left", "fewer", "fewer resets", id="delay.fewer"),
        Binding("right", "more", "more resets", id="delay.more"),
        Binding(
            "c", "compensation", "change how REC-A compensates the alignment offset", id="delay.compensation"
        ),
        Binding("up", "scroll_table(-1)", "previous resets", id="delay.up"),
        Binding("down", "scroll_table(1)", "next resets", id="delay.down"),
        Binding("pageup", "scroll_table(-10)", "ten resets back", id="delay.pageup"),
        Binding("pagedown", "scroll_table(10)", "ten resets on", id="delay.pagedown"),
    ]

    class Wanted(Message):
        """A run is to start."""

    class Started(Message):
        """A run has started, and wants a thread."""

    def __init__(self, look: Look, resets: Resets) -> None:
        super().__init__(look, id="delays")
        self.resets = resets
        self._back = 0

    # --- keys ---------------------------------------------------------------------------------------------

    def action_start(self) -> None:
        self.post_message(self.Wanted())

    def start(self) -> None:
        """Start a run, or continue it."""
        self._back = 0
        if self.resets.start():
            self.post_message(self.Started())
        self.update()

    def action_stop(self) -> None:
        self.resets.stop()
        self.update()

    def action_fewer(self) -> None:
        self.resets.fewer()
        self.update()

    def action_more(self) -> None:
        self.resets.more()
        self.update()

    def action_compensation(self) -> None:
        if self.resets.can_reset:
            self.resets.next_compensation()
        self.update()

    def action_scroll_table(self, lines: int) -> None:
        self._back -= lines
        self.update()

    # --- drawing ------------------------------------------------------------------------------------------

    def update(self) -> None:
        """Draw."""
        look, width, height = self.look, self.size.width, self.size.height
        if not width or not height:
            return
        if not self.resets.can_reset:
            lines: list[Line] = [()]
            lines += [(Segment(" " + part, look.text),) for part in wrapped(_NO_BOARD, width - 2)]
            self.show(lines)
            return
        status = self.resets.look()
        head = self._head(status, width)
        if status is None or not status.samples:
            self.show([*head, *self._before(width)])
            return
        told = [
            *offset_lines(status, width, look),
            *_verdict_lines(status, width, look, going=self.resets.going),
        ]
        told = told[: max(height - len(head) - 6, 3)]
        room = max(height - len(head) - len(told), 2)
        if width >= _SIDE_BY_SIDE:
            table = self._table(status, _TABLE_WIDTH, room)
            chart = chart_lines(status, width - _TABLE_WIDTH, room, look)
            body = [_beside(a, b, _TABLE_WIDTH) for a, b in zip(table, chart, strict=True)]
        else:
            rows = min(max(room // 3, 2), status.resets + 1)
            body = self._table(status, width, rows) + chart_lines(status, width, room - rows, look)
        self.show([*head, *body, *told])

    def _head(self, status: DelayStatus | None, width: int) -> list[Line]:
        look, resets = self.look, self.resets
        done = 0 if status is None else status.resets
        state, style = "not started", look.text
        if resets.failure is not None:
            state, style = "FAILED", look.alarm
        elif resets.going:
            state, style = "resetting", look.bar_chosen
        elif status is not None:
            state = "done" if done >= status.resets_wanted else "stopped"
        wanted = resets.wanted if status is None else status.resets_wanted
        text = f" {done} of {wanted} resets"
        if wanted != resets.wanted:
            text += f" (next {resets.wanted})"
        if resets.live is None:
            text += f"  REC-A compensates: {_WAYS[resets.compensation.value]}"
        else:
            text += "  the board's own count, alignment offset compensated"
        line: list[Segment] = [Segment(f" {state} ", style)]
        line.append(Segment(fit(text, max(width - len(state) - 2, 0)), look.strong))
        lines: list[Line] = [tuple(line)]
        if resets.failure is not None:
            problem = inert_cells(str(resets.failure) or type(resets.failure).__name__)
            lines += [(Segment(f" ! {part}", look.bad),) for part in wrapped(problem, width - 3)[:3]]
        return lines

    def _before(self, width: int) -> list[Line]:
        text = _LIVE if self.resets.live is not None else _EMULATED
        return [(), *((Segment(" " + part, self.look.text),) for part in wrapped(text, width - 2))]

    def _table(self, status: DelayStatus, width: int, rows: int) -> list[Line]:
        """Head and the newest resets; always `rows` lines."""
        look, samples = self.look, status.samples
        room = rows - 1
        self._back = min(max(self._back, 0), max(len(samples) - room, 0))
        last = len(samples) - self._back
        remote = "" if samples[0].far_alignment_offset is None else " remote"
        head = f" {'reset':>5} {'offset':>6}{remote} {'raw clocks':>11} {'compensated ns':>15} {'deviation ns':>13}"
        lines: list[Line] = [(Segment(fit(head, width), look.quiet),)]
        for number in range(max(last - room, 0), last):
            lines.append(self._row(number, samples[number], status, width))
        return lines + [()] * (rows - len(lines))

    def _row(self, number: int, sample: DelaySample, status: DelayStatus, width: int) -> Line:
        look = self.look
        deviation = sample.compensated_ns - status.samples[0].compensated_ns
        outside = abs(deviation) > min(status.clock_period_ns, ONE_WAY_LIMIT_NS) + 1e-6
        remote = "" if sample.far_alignment_offset is None else f" {sample.far_alignment_offset:6d}"
        text = (
            f" {number + 1:5d} {sample.alignment_offset:6d}{remote} {sample.raw_clocks:11.2f}"
            f" {sample.compensated_ns:15.3f} {deviation:+13.3f}"
        )
        mark = " ! outside" if outside else ""
        return (
            Segment(fit(text, max(width - len(mark), 0)), look.text),
            Segment(mark, look.bad),
        )


_WAYS = {
    "correct": "correct",
    "missing": "none",
    "wrong-sign": "wrong sign",
    "off-by-one": "one too many",
    "off-by-one-low": "one too few",
}


def _beside(left: Line, right: Line, width: int) -> Line:
    return (*left, Segment(" " * max(width - cells(left), 0)), *right)


def _band(values: Sequence[float], column: int, columns: int) -> tuple[float, float]:
    """Least and greatest of the values that fall into a column; there is at least one."""
    start = column * len(values) // columns
    part = values[start : max((column + 1) * len(values) // columns, start + 1)]
    return min(part), max(part)


def chart_lines(status: DelayStatus, width: int, rows: int, look: Look) -> list[Line]:
    """Deviation from the first delay, oldest at the left, two heights to a line; always `rows` lines.

    Lines across stand at 0, at one clock and at Tc/32, each way, with their names before them.
    """
    if rows < 3:
        return [()] * rows
    plot = rows - 1 if rows % 2 == 0 else rows - 2
    clock, first = status.clock_period_ns, status.samples[0].compensated_ns
    values = [s.compensated_ns - first for s in status.samples]
    edge = max(clock * 1.2, ONE_WAY_LIMIT_NS * 1.2, max(abs(v) for v in values) * 1.02)
    marks = _marks(clock, edge, plot)
    columns = max(min(width - _LABEL - 2, len(values)), 1)
    half = 2 * plot / (2 * edge)
    grid = [[0] * columns for _ in range(plot)]
    for column in range(columns):
        low, high = (round((v + edge) * half - 0.5) for v in _band(values, column, columns))
        for at in range(min(max(low, 0), 2 * plot - 1), min(max(high, 0), 2 * plot - 1) + 1):
            grid[plot - 1 - at // 2][column] |= 1 << (at % 2)
    lines: list[Line] = []
    for row in range(plot):
        name, glyph = marks.get(row, ("", " "))
        outside = abs(edge - (row + 0.5) * 2 * edge / plot) > min(clock, ONE_WAY_LIMIT_NS) + edge / plot
        dot = look.bad if outside else look.good
        line = [Segment(f"{name:>{_LABEL}} ", look.quiet)]
        for column in range(columns):
            bits = grid[row][column]
            line.append(Segment(" ▄▀█"[bits], dot) if bits else Segment(glyph, look.quiet))
        line.append(Segment(glyph * max(width - _LABEL - 2 - columns, 0), look.quiet))
        lines.append(tuple(line))
    per = -(-len(values) // columns)
    text = f" deviation from the first delay in ns, {counted(per, 'reset')} per column"
    return [(Segment(fit(text, width), look.quiet),), *lines, *[()] * (rows - 1 - plot)]


def _marks(clock: float, edge: float, rows: int) -> dict[int, tuple[str, str]]:
    """Names and glyphs of the lines across, by row; where two fall on one row both are named."""
    marks: dict[int, tuple[str, str]] = {}
    for value, name, glyph in ((clock, "clock", "-"), (ONE_WAY_LIMIT_NS, "Tc/32", "·"), (0.0, "", "─")):
        for sign in (1.0, -1.0) if value else (1.0,):
            row = min(int((edge - sign * value) * rows / (2 * edge)), rows - 1)
            if row in marks:
                alike = abs(clock - ONE_WAY_LIMIT_NS) < 0.05
                marks[row] = (f"clock,Tc/32 {sign * value:+.1f}" if alike else "clock, Tc/32", "-")
            elif value:
                marks[row] = (f"{name} {sign * value:+.2f}", glyph)
            else:
                marks[row] = ("0", glyph)
    return marks


def offset_lines(status: DelayStatus, width: int, look: Look) -> list[Line]:
    """How often each word alignment offset was observed, one line a receiver under one line of offsets."""
    size = 5 if width < 100 else 7
    positions = len(status.coverage[0].counts)
    heads = "".join(f"{offset:>{size}}" for offset in range(positions))
    lines: list[Line] = [(Segment(f" {'offset':<7}{heads}", look.quiet),)]
    for name, covered in zip(status.names, status.coverage, strict=True):
        line = [Segment(f" {inert_cells(name)[:6]:<7}", look.strong)]
        for times in covered.counts:
            text = f"{count(times, size - 1) if times else '.':>{size}}"
            line.append(Segment(text, look.text if times else look.quiet))
        never = len(covered.never_seen)
        room = width - cells(tuple(line))
        text = f"  + all {positions} observed" if not never else f"  {never} not yet observed"
        line.append(Segment(fit(text, room), look.good if not never else look.quiet))
        lines.append(tuple(line))
    return lines


def _verdict_lines(status: DelayStatus, width: int, look: Look, *, going: bool) -> list[Line]:
    word, style = {
        "pass": ("+ CONSTANT", look.good),
        "none": ("- NO VERDICT", look.strong),
        "incomplete": ("- constant so far", look.strong) if going else ("! INCOMPLETE", look.bad),
    }.get(status.verdict, ("! VARIES", look.alarm))
    figures = f"  spread {status.spread_ns:.3f} ns, of the raw count {status.raw_spread_ns:.3f} ns"
    if status.mean is not None:
        expanded = status.mean.expanded()
        figures += f"; {expanded.value_ns:.3f} ± {expanded.half_width_ns:.3f} ns"
    lines: list[Line] = [
        (
            Segment(" ", look.text),
            Segment(word, style),
            Segment(fit(figures, max(width - len(word) - 1, 0)), look.text),
        )
    ]
    for words in status.words:
        for i, part in enumerate(wrapped(words, width - 4)):
            lines.append((Segment((" - " if i == 0 else "   ") + part, look.text),))
    return lines


class DelayView(View):
    """Resets of the board behind the source, or of an emulated one of its kind."""

    NAME = "Delay"
    QUESTION = "is the delay constant?"

    def __init__(
        self, look: Look, feed: Feed, source: object, start_thread: Callable[[Resets], None]
    ) -> None:
        super().__init__(look, feed)
        self._source = source
        self._start_thread = start_thread
        self.resets = Resets(settings_of(source), live=live_board_of(source))
        self.pane = DelayPane(look, self.resets)

    def compose(self) -> ComposeResult:
        yield self.pane

    @property
    def owner(self) -> DelayPane:
        return self.pane

    @property
    def hints(self) -> Hints:
        return DELAY_HINTS

    def draw(self, *, fresh: bool) -> None:
        self.pane.update()

    def on_delay_pane_wanted(self, message: DelayPane.Wanted) -> None:
        needless = self.resets.going or not self.resets.can_reset
        if needless or not ask_first(self.app, self.look, self._source, _RESETS, self.pane.start):
            self.pane.start()

    def on_delay_pane_started(self, message: DelayPane.Started) -> None:
        self._start_thread(self.resets)
