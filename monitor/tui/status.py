"""The lines that every view has: views and source above, link state, alarms and errors below them, keys at
the bottom. What does not fit is shortened, never cut in the middle of a figure.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from rich.segment import Segment
from textual import events

from decoders.events import Alarm
from decoders.linerates import option_named

from .cells import fit_middle, inert
from .event_words import startup_meaning
from .feed import Feed
from .line_pane import Line, LinePane, cells
from .palette import Look

__all__ = ["KeyLine", "StatusLines", "key_lines"]

_FAR = (Alarm.LOS, Alarm.LOF, Alarm.RAI, Alarm.SDI, Alarm.RESET)
_SHORT = {Alarm.RESET: "rst"}


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


class StatusLines(LinePane):
    """Three lines: views, state word and source; sync, start-up and rate; alarms, time and errors."""

    def __init__(self, look: Look, views: Sequence[tuple[str, str]], on_view: Callable[[int], None]) -> None:
        super().__init__(look, id="status")
        self._views = views
        self._on_view = on_view
        self._spans: list[tuple[int, int]] = []

    def update(self, feed: Feed, *, chosen: int, state: str, note: str, title: str) -> None:
        """`state` is a word such as PAUSED, ENDED, BROKEN, or empty; `note` stands in for the source for a while."""
        self.show(
            [
                self._top(feed, chosen, state, note, title),
                self._link(feed),
                self._alarms(feed),
            ]
        )

    def on_click(self, event: events.Click) -> None:
        for index, (start, end) in enumerate(self._spans):
            if event.y == 0 and start <= event.x < end:
                self._on_view(index)

    def _top(self, feed: Feed, chosen: int, state: str, note: str, title: str) -> Line:
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
        snapshot = feed.snapshot
        question = f" {self._views[chosen][1]}" if width >= 110 else ""
        line.append(Segment(question + " ", look.bar))
        at += len(question) + 1
        if state:
            line.append(Segment(f"[{state}]", look.alarm))
            at += len(state) + 2
        missed, away = snapshot.hyperframes_missed, snapshot.hyperframes_not_received
        breaks = f"breaks {snapshot.breaks_of_unknown_length} " if snapshot.breaks_of_unknown_length else ""
        right = f" seen {snapshot.hyperframes} missed {missed} {breaks}"
        if away:
            longer = f" seen {snapshot.hyperframes} missed {missed - away} not received {away} {breaks}"
            right = longer if at + len(longer) <= width else right
        room = width - at - len(right)
        if len(note) >= room:  # a note passes, and is read whole
            right, room = "", width - at
        middle = " " + fit_middle(inert(note or title or snapshot.source), max(room - 1, 0))
        line.append(Segment(middle.ljust(max(room, 0)), look.bar))
        line.append(Segment(right, look.bar))
        return tuple(line)

    def _link(self, feed: Feed) -> Line:
        look, snapshot = self.look, feed.snapshot
        synced = snapshot.sync_state == "HFNSYNC"
        still = snapshot.standstill is not None
        glyph, state = "+" if synced else "!", snapshot.sync_state
        if still:
            glyph, state = "?", f"was {state}"
        option = option_named(snapshot.option)
        rate = f"{option.line_rate_bps / 1e6:.10g} Mbit/s"
        startup = f"start-up {snapshot.startup_state}"
        meaning = f" {startup_meaning(snapshot.startup_state)}"
        line = [
            Segment(f" {glyph} {state}", look.good if synced and not still else look.alarm),
            Segment("  ", look.text),
            Segment(startup, look.strong),
            Segment(meaning, look.text),
            Segment(f"  option {snapshot.option}  {rate}", look.text),
        ]
        if self.size.width >= 110:
            slip = snapshot.alignment_slip_bits
            more = f"  {snapshot.form}" + (f", slip {slip} bits" if slip is not None else "")
            line.append(Segment(more, look.quiet))
            line.append(
                Segment(
                    f"  version {snapshot.version}  HDLC rate code {snapshot.hdlc_rate_code}"
                    f"  pointer p {snapshot.pointer_p}",
                    look.quiet,
                )
            )
        return tuple(line)

    def _alarms(self, feed: Feed) -> Line:
        look, snapshot = self.look, feed.snapshot
        line = [Segment(" here", look.quiet)]
        line += [self._alarm("los", snapshot.los), self._alarm("lof", snapshot.lof)]
        line.append(Segment("  far", look.quiet))
        for alarm in _FAR:
            line.append(self._alarm(_SHORT.get(alarm, alarm.value), snapshot.remote(alarm.value)))
        line.append(Segment(f"  BFN.HFN {snapshot.bfn:4d}.{snapshot.hfn:03d}", look.text))
        errors = feed.errors_since_mark
        glyph = "!" if errors else "?" if snapshot.standstill else "+"
        style = look.bad if errors else look.text if snapshot.standstill else look.good
        line.append(Segment(f"  {glyph} errors {errors}", style))
        since = (f" since mark at {feed.marked_at}", " since mark") if feed.marked_at else (" since start",)
        room = self.size.width - cells(tuple(line))
        line.append(Segment(next((text for text in since if len(text) <= room), ""), look.quiet))
        return tuple(line)

    def _alarm(self, name: str, on: bool) -> Segment:
        return Segment(f"!{name.upper()}", self.look.alarm) if on else Segment(f" {name}", self.look.quiet)
