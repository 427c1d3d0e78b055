"""The lines that every view has: views and source above, link state, alarms and errors below them, keys at
the bottom. What does not fit is shortened, never cut in the middle of a figure.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from rich.segment import Segment
from textual import events

from decoders.events import Alarm
from decoders.line_coding.block_forms import fec_shows
from decoders.line_coding.characters import LineForm
from decoders.linerates import EIGHT_TEN, option_named

from ..links.snapshot import Snapshot
from ..text import counted
from .cells import fit_middle, inert_cells, lasting, window_text, wrapped
from .event_words import startup_meaning
from .feed import Feed
from .line_pane import Line, LinePane, cells
from .palette import Look

__all__ = ["FailureLines", "KeyLine", "StatusLines", "key_lines", "short_title", "state_word"]

_REMOTE = (Alarm.LOS, Alarm.LOF, Alarm.RAI, Alarm.SDI, Alarm.RESET)
_SHORT = {Alarm.RESET: "rst"}
_WIDE = 110
_MOST_FAILURE_LINES = 3


def state_word(snapshot: Snapshot, *, paused: bool, failed: bool, repeating: bool) -> str:
    """A word or two on what is out of the ordinary, the gravest first; or nothing."""
    if paused:
        return "PAUSED"
    if failed:
        return "FAILED"
    if snapshot.ended:
        return "ENDED"
    still = snapshot.standstill
    if still is not None:
        return f"{'LINE DOWN' if still.broken else 'NO DATA'} {lasting(still.seconds)}"
    return "REPEAT" if repeating else ""


def key_lines(keys: Sequence[tuple[str, str]], width: int, look: Look) -> list[Line]:
    """Keys with their meaning in as many lines as they take."""
    lines: list[list[Segment]] = [[]]
    used = 0
    for key, meaning in keys:
        need = len(key) + len(meaning) + 3
        if used and used + need > width:
            lines.append([])
            used = 0
        lines[-1] += [
            Segment(" " + key, look.bar_key),
            Segment(f" {meaning} ", look.bar),
        ]
        used += need
    return [tuple(line) for line in lines]


def short_title(title: str, width: int) -> str:
    """A source's name in at most `width` cells: without its kind, its last part, its first words; else cut within."""
    if len(title) <= width:
        return title
    text = title.partition(": ")[2] or title
    while len(text) > width and ", " in text:
        text = text.rpartition(", ")[0]
    words = text.split(" ")
    ends = [" ".join(words[i:]) for i in range(len(words) - 1)]
    return next((end for end in ends if len(end) <= width), fit_middle(text, width))


class KeyLine(LinePane):
    """The keys of the view that is open."""

    def __init__(self, look: Look, *, id: str) -> None:
        super().__init__(look, id=id, style=look.bar)
        self._keys: Sequence[tuple[str, str]] = ()

    def set_keys(self, keys: Sequence[tuple[str, str]]) -> None:
        self._keys = keys
        self._lay_out()

    def on_resize(self, event: events.Resize) -> None:
        self._lay_out()

    def _lay_out(self) -> None:
        lines = key_lines(self._keys, self.app.size.width, self.look)
        self.styles.height = len(lines)
        self.show(lines)


class FailureLines(LinePane):
    """Why nothing is read, for as long as that is so."""

    def __init__(self, look: Look) -> None:
        super().__init__(look, id="failure", style=look.alarm)

    def update(self, failure: Exception | None) -> None:
        if failure is None:
            self.display = False
            return
        width = self.app.size.width
        text = f"Reading stopped: {str(failure) or type(failure).__name__}"
        lines = wrapped(inert_cells(text), max(width - 2, 20))[:_MOST_FAILURE_LINES]
        self.styles.height = len(lines)
        self.display = True
        self.show([(Segment(f" {line}".ljust(width), self.look.alarm),) for line in lines])


class StatusLines(LinePane):
    """Three lines: views, state word and source; sync, start-up, rate and time; alarms and errors."""

    def __init__(self, look: Look, views: Sequence[tuple[str, str]], on_view: Callable[[int], None]) -> None:
        super().__init__(look, id="status")
        self._views = views
        self._on_view = on_view
        self._spans: list[tuple[int, int]] = []

    def update(self, feed: Feed, *, chosen: int, state: str, note: str, title: str) -> None:
        """`state` is a word such as PAUSED, ENDED, LINE DOWN, or empty; `note` replaces the source for a while."""
        self.show(
            [
                self._top(_amounts(feed.snapshot), chosen, state, note, title or feed.snapshot.source),
                self._link(feed),
                self._alarms(feed),
            ]
        )

    def update_site(self, lines: Sequence[Line], *, chosen: int, state: str, note: str, title: str) -> None:
        """The same of a site: `lines` stand in the place of the link's."""
        self.show([self._top([""], chosen, state, note, title), *lines])

    def on_click(self, event: events.Click) -> None:
        for index, (start, end) in enumerate(self._spans):
            if event.y == 0 and start <= event.x < end:
                self._on_view(index)

    def _top(self, amounts: Sequence[str], chosen: int, state: str, note: str, title: str) -> Line:
        look, width = self.look, self.size.width
        line: list[Segment] = []
        self._spans = []
        at = 0
        for index, (name, _) in enumerate(self._views):
            here = index == chosen
            text = f"[{index + 1} {name}]" if here else f" {index + 1} {name} "
            line.append(Segment(text, look.bar_chosen if here else look.bar))
            self._spans.append((at, at + len(text)))
            at += len(text)
        question = f" {self._views[chosen][1]} " if width >= _WIDE else ""
        line.append(Segment(question + " ", look.bar))
        at += len(question) + 1
        if state:
            line.append(Segment(f"[{state}]", look.alarm))
            line.append(Segment(" ", look.bar))
            at += len(state) + 3
        room = width - at
        right = next((text for text in amounts if len(text) + 1 <= room), "")
        if note and len(note) > room - len(right) - 1:  # a note passes, and is read whole
            right = ""
        room -= len(right)
        name = fit_middle(inert_cells(note), room) if note else short_title(inert_cells(title), room)
        line.append(Segment(name.ljust(max(room, 0))[: max(room, 0)], look.bar))
        line.append(Segment(right, look.bar))
        return tuple(line)

    def _link(self, feed: Feed) -> Line:
        look, snapshot, width = self.look, feed.snapshot, self.size.width
        synced = snapshot.sync_state == "HFNSYNC"
        still = snapshot.standstill is not None
        glyph, state = "+" if synced else "!", snapshot.sync_state
        if still:
            glyph, state = "?", f"was {state}"
        option = option_named(snapshot.option)
        tail = f"  option {snapshot.option}  {option.line_rate_bps / 1e6:.10g} Mbit/s"
        known = snapshot.control is not None
        time = f"{snapshot.bfn}.{snapshot.hfn:03d}" if known else "-"
        tail += f"  BFN.HFN {time:>8}" if known else "  BFN.HFN -"
        head = Segment(f" {glyph} {state}", look.good if synced and not still else look.alarm)
        startup = Segment(f"start-up {snapshot.startup_state}", look.strong)
        meaning = f" {startup_meaning(snapshot.startup_state)}"
        room = width - len(head.text) - 2 - len(startup.text) - len(tail)
        if len(meaning) > room:
            last = " " + meaning.rpartition(" ")[2]
            meaning = last if len(last) <= room else ""
        line = [
            head,
            Segment("  ", look.text),
            startup,
            Segment(meaning, look.text),
            Segment(tail, look.text),
        ]
        return self._with(line, _line_details(snapshot))

    def _alarms(self, feed: Feed) -> Line:
        look, snapshot = self.look, feed.snapshot
        line = [Segment(" local", look.quiet)]
        line += [self._alarm("los", snapshot.los), self._alarm("lof", snapshot.lof)]
        line.append(Segment("  remote", look.quiet))
        if snapshot.control is None:
            line.append(Segment(" -", look.quiet))
        else:
            for alarm in _REMOTE:
                line.append(self._alarm(_SHORT.get(alarm, alarm.value), snapshot.remote(alarm.value)))
        if not feed.known:
            return self._with([*line, Segment("  errors -", look.quiet)], _l1_details(snapshot))
        errors, still = feed.errors_since_mark, snapshot.standstill is not None
        glyph = "!" if errors else "?" if still else "+"
        style = look.alarm if errors else look.text if still else look.good
        line.append(Segment("  ", look.text))
        line.append(Segment(f"{glyph} {counted(errors, 'error')}", style))
        recent = f", {feed.recent_errors} in {window_text(feed.window_s)}" if errors and feed.window_s else ""
        marked = feed.marked_at
        since = (f" since mark at {marked}{recent}", f" since mark{recent}", " since mark")
        room = self.size.width - cells(tuple(line))
        texts = since if marked else (f" since start{recent}", " since start")
        line.append(Segment(next((text for text in texts if len(text) <= room), ""), look.quiet))
        return self._with(line, _l1_details(snapshot))

    def _with(self, line: list[Segment], details: Sequence[str]) -> Line:
        """The line with those details that still fit."""
        for text in details:
            if cells(tuple(line)) + len(text) + 2 <= self.size.width:
                line.append(Segment(f"  {text}", self.look.quiet))
        return tuple(line)

    def _alarm(self, name: str, on: bool) -> Segment:
        return Segment(f"!{name.upper()}", self.look.alarm) if on else Segment(f" {name}", self.look.quiet)


def _amounts(snapshot: Snapshot) -> list[str]:
    """How many hyperframes were decoded, lost and not received, at length and shorter."""
    decoded = f" decoded {snapshot.hyperframes}"
    away, unknown = snapshot.hyperframes_not_received, snapshot.breaks_of_unknown_length
    lost = snapshot.hyperframes_missed - away
    rest = f" not received {away}" if away else ""
    rest += f" gaps {unknown}" if unknown else ""
    texts = [f"{decoded} lost {lost}{rest} "]
    if rest and not lost:
        texts.append(f"{decoded}{rest} ")
    return [*texts, f"{rest} " if rest else f"{decoded} ", f"{decoded} "]


def _line_details(snapshot: Snapshot) -> list[str]:
    """Of the line, where there is room; `-` before it is known."""
    offset = snapshot.alignment_slip_bits
    return [
        f"read as {snapshot.form}",
        *([] if offset is None else [f"alignment offset {counted(offset, 'bit')}"]),
    ]


def _fec_details(snapshot: Snapshot) -> list[str]:
    """Of RS-FEC at 64B/66B, and of the scrambling of version 2; nothing where the option has neither."""
    told = []
    if option_named(snapshot.option).line_code != EIGHT_TEN:
        counters = snapshot.counters
        if not fec_shows(option_named(snapshot.option), LineForm(snapshot.form)):
            fec = f"FEC does not show in {snapshot.form}"
        else:
            fec = "FEC on" if snapshot.fec else "FEC off" if snapshot.control is not None else "FEC -"
        corrected, lost = (
            counters.get("fec_corrected_codewords", 0),
            counters.get("fec_uncorrected_codewords", 0),
        )
        if corrected or lost:
            fec += f": {corrected} corrected, {lost} not"
        told.append(fec)
    if snapshot.scrambling_seed is not None:
        told.append(f"seed 0x{snapshot.scrambling_seed:08X}")
    return told


def _l1_details(snapshot: Snapshot) -> list[str]:
    """Of the L1 inband protocol, where there is room; `-` before it is known."""
    known = snapshot.control is not None
    names = ("version", "HDLC rate code", "pointer p")
    values = (snapshot.version, snapshot.hdlc_rate_code, snapshot.pointer_p)
    told = [f"{name} {value if known else '-'}" for name, value in zip(names, values, strict=True)]
    return [*_fec_details(snapshot), "  ".join(told)]
