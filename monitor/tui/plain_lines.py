"""What the screen shows of one link, said in lines of text: for pipes, logs and screen readers.

A line an event, a line where the link goes silent or comes back, and a status line when it is asked for. So that a
flood of events does not flood a pipe, `EventBudget` lets so many a second through, damage and states before traffic;
the status line says how many were left out, and which. Every line is inert. No clock: times are given.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from decoders.counters import COUNTERS, is_damage, plane_of
from decoders.events import Alarm, Event, FrameReceived, OctetsChanged
from decoders.linerates import EIGHT_TEN, HYPERFRAMES_PER_SECOND, option_named

from ..links.named_link import DataState, NamedLink
from ..links.snapshot import BoardSaid, LogEntry, Snapshot, SourceWarning
from ..text import counted, gaps_text
from .cells import inert_cells, lasting, window_text
from .event_words import event_in_words, is_bad, startup_meaning, status_word
from .palette import SHORT_NAMES

__all__ = ["EventBudget", "PlainLines", "is_traffic"]

_REMOTE = (Alarm.LOS, Alarm.LOF, Alarm.RAI, Alarm.SDI, Alarm.RESET)
_RESERVE = 0.5
"""Share of a second's lines that traffic leaves to damage and states."""
_NOW = {
    DataState.UP: "line data come",
    DataState.SILENT: "no line data",
    DataState.DOWN: "line down",
    DataState.WAITING: "not read now",
    DataState.ENDED: "the source has ended",
    DataState.FAILED: "reading stopped",
}


def is_traffic(event: Event) -> bool:
    """C&M frames without error and octets that changed: what a clean link has all the time."""
    return isinstance(event, FrameReceived | OctetsChanged) and not is_damage(event)


class EventBudget:
    """Lets at most `rate` events a second through, as many at once after a quiet second; None: all of them."""

    def __init__(self, rate: float | None) -> None:
        self._rate = rate
        self._tokens = 0.0 if rate is None else rate
        self._at: float | None = None

    def admitted(self, entries: Sequence[LogEntry], now_s: float) -> list[LogEntry]:
        """Those of the entries that may be said, in their order; traffic only while there is plenty of room."""
        if self._rate is None:
            return list(entries)
        since = 0.0 if self._at is None else now_s - self._at
        self._at = now_s
        self._tokens = min(self._rate, self._tokens + since * self._rate)
        chosen: list[LogEntry] = []
        for traffic in (False, True):
            least = self._rate * _RESERVE if traffic else 0.0
            for entry in entries:
                if self._tokens - least < 1.0:
                    break
                if is_traffic(entry.event) == traffic:
                    chosen.append(entry)
                    self._tokens -= 1.0
        return sorted(chosen, key=lambda entry: entry.number)


class PlainLines:
    """The lines of one link; `name` begins each of them where it is not empty."""

    def __init__(self, name: str = "", rate: float | None = None, *, traffic: bool = True) -> None:
        self._name = f"{inert_cells(name)} " if name else ""
        self._budget = EventBudget(rate)
        self._traffic = traffic
        self._next = 0
        self._left_out: Counter[str] = Counter()
        self._state = DataState.UP
        self._since_s = 0.0
        self._before: Snapshot | None = None
        self._restarts = 0

    @property
    def next_event(self) -> int:
        """Number of the first event that was not given yet."""
        return self._next

    def event_lines(self, entries: Sequence[LogEntry], count: int, now_s: float) -> Iterator[str]:
        """Lines of the events from `next_event` on; `count` is how many there have been, held or not."""
        lost = count - self._next - len(entries)
        if lost > 0:
            self._left_out["not kept"] += lost
        self._next = max(count, self._next)
        wanted = [entry for entry in entries if self._traffic or not is_traffic(entry.event)]
        chosen = self._budget.admitted(wanted, now_s)
        numbers = {entry.number for entry in chosen}
        self._left_out.update(_kind(entry.event) for entry in wanted if entry.number not in numbers)
        for entry in chosen:
            yield f"{self._name}{_event_line(entry.event)}"

    def state_lines(self, link: NamedLink, now_s: float) -> Iterator[str]:
        """A line where the link has gone down, silent, or come back since the last time."""
        state, before = link.state, self._state
        still = link.snapshot.standstill
        if state is before:
            return
        lasted = now_s - self._since_s
        self._state, self._since_s = state, now_s - (0.0 if still is None else still.seconds)
        text = _NOW[state]
        if state is DataState.FAILED:
            text += f": {inert_cells(link.failure)}"
        elif state is DataState.UP:
            text += f" after {lasting(lasted)}"
        elif still is not None:
            text += f" for {lasting(still.seconds)}"
        elif link.waiting:
            text += f": {inert_cells(link.waiting)}"
        yield f"{self._name}line: {text}"

    def status_line(self, link: NamedLink, stamp: str) -> str:
        """State of the link, what its counters gained since the last status, and what was left out meanwhile."""
        snapshot, before = link.snapshot, self._before
        if link.waiting and snapshot.control is None:  # nothing of it is known yet
            return f"{self._name}status {stamp}: {_NOW[link.state]}: {inert_cells(link.waiting)}"
        if before is not None and link.restarts != self._restarts:
            before = None
        parts = [_state_text(link), _alarm_text(link), *_amounts(snapshot, before)]
        parts += [_counter_text(snapshot, before), *_link_parts(snapshot)]
        parts += [*_board_parts(snapshot), *self._left_out_parts()]
        self._before, self._restarts = snapshot, link.restarts
        return f"{self._name}status {stamp}: {'; '.join(parts)}"

    def _left_out_parts(self) -> Iterator[str]:
        """How many events were left out since the last time, and of which kinds."""
        if total := self._left_out.total():
            kinds = ", ".join(f"{n} {kind}" for kind, n in self._left_out.most_common())
            yield f"{counted(total, 'event line')} left out ({kinds})"
            self._left_out.clear()


def _kind(event: Event) -> str:
    """Plane and word of an event, without the cost of its text where there may be many."""
    word = status_word(event.status) if isinstance(event, FrameReceived) else event_in_words(event).word
    return f"{_where(event)} {word}".strip()


def _where(event: Event) -> str:
    """The plane of an event; nothing for what is no plane's."""
    return "" if isinstance(event, BoardSaid | SourceWarning) else SHORT_NAMES[plane_of(event)]


def _event_line(event: Event) -> str:
    words = event_in_words(event)
    place = "-" if event.hyperframe is None else str(event.hyperframe)
    told = f"{words.word}: {' '.join(words.text.split())}" if words.text else words.word
    where = _where(event)
    parts = (f"hf {place}", "" if where == words.word else where, "error," if is_bad(event) else "", told)
    return " ".join(part for part in parts if part)


def _state_text(link: NamedLink) -> str:
    snapshot, state = link.snapshot, link.state
    sync = (
        f"{snapshot.sync_state}, start-up {snapshot.startup_state} {startup_meaning(snapshot.startup_state)}"
    )
    if state is DataState.UP:
        return sync
    still = snapshot.standstill
    lasted = "" if still is None else f" for {lasting(still.seconds)}"
    why = inert_cells(link.failure or link.waiting)
    return f"{_NOW[state]}{lasted}{': ' if why else ''}{why}, was {sync}"


def _link_parts(snapshot: Snapshot) -> Iterator[str]:
    """The link: option, where it is, alignment offset, L1 settings; `-` before they are known."""
    known = snapshot.control is not None
    option = option_named(snapshot.option)
    yield f"option {snapshot.option} {option.line_rate_bps / 1e6:.10g} Mbit/s read as {snapshot.form}"
    yield f"BFN.HFN {snapshot.bfn}.{snapshot.hfn:03d}" if known else "BFN.HFN -"
    offset = snapshot.alignment_slip_bits
    if offset is not None:
        yield f"alignment offset {counted(offset, 'bit')}"
    values = (snapshot.version, snapshot.hdlc_rate_code, snapshot.pointer_p)
    version, rate, pointer = (str(value) if known else "-" for value in values)
    yield f"version {version}, HDLC rate code {rate}, pointer p {pointer}"
    if option.line_code != EIGHT_TEN:
        yield f"FEC {('on' if snapshot.fec else 'off') if known else '-'}"
    if snapshot.scrambling_seed is not None:
        yield f"scrambled with seed 0x{snapshot.scrambling_seed:08X}"


def _alarm_text(link: NamedLink) -> str:
    """Alarms that are raised, those found here and those that the remote end sends."""
    snapshot = link.snapshot
    local = [name for name, on in (("LOS", snapshot.los), ("LOF", snapshot.lof)) if on]
    remote = [alarm.value.upper() for alarm in _REMOTE if snapshot.remote(alarm.value)]
    told = ", ".join(remote) or "none"
    was = "" if link.state is DataState.UP else "were "
    return f"alarms {was}local {', '.join(local) or 'none'}, remote {told if snapshot.control is not None else '-'}"


def _elapsed(snapshot: Snapshot | None) -> int:
    return 0 if snapshot is None else snapshot.hyperframes + snapshot.hyperframes_missed


def _amounts(snapshot: Snapshot, before: Snapshot | None) -> Iterator[str]:
    """Hyperframes decoded, lost and not received, and errors, with what came since the last status."""
    more = snapshot.hyperframes - (before.hyperframes if before else 0)
    yield f"decoded {counted(snapshot.hyperframes, 'hyperframe')} (+{more})"
    lost = snapshot.hyperframes_missed - snapshot.hyperframes_not_received
    if lost:
        yield f"lost {lost}"
    if snapshot.hyperframes_not_received:
        yield f"not received {snapshot.hyperframes_not_received}"
    if snapshot.breaks_of_unknown_length:
        yield gaps_text(snapshot.breaks_of_unknown_length)
    if snapshot.control is None and not snapshot.errors:
        yield "errors -"
    else:
        yield f"{counted(snapshot.errors, 'error')} (+{snapshot.errors - (before.errors if before else 0)})"


def _counter_text(snapshot: Snapshot, before: Snapshot | None) -> str:
    """Counters that changed since the last status, with their rate per second of line time."""
    seconds = (_elapsed(snapshot) - _elapsed(before)) / HYPERFRAMES_PER_SECOND
    old = {} if before is None else before.counters
    told = []
    for name in COUNTERS:
        by = snapshot.counters[name] - old.get(name, 0)
        if by:
            rate = f", {_rate(by / seconds)}/s" if seconds > 0 else ""
            told.append(f"{name} {snapshot.counters[name]} (+{by}{rate})")
    since = f"in {window_text(seconds)} of line time" if seconds > 0 else "no line time passed"
    return f"{since}: {', '.join(told) or 'no counter changed'}"


def _rate(value: float) -> str:
    """Three figures at least, and never an exponent above."""
    return f"{value:.0f}" if value >= 100 else f"{value:.3g}"


def _board_parts(snapshot: Snapshot) -> Iterator[str]:
    """What the board tells of itself, and what its line lost; nothing where the source is no board."""
    board = snapshot.board
    if board is None:
        return
    delay = "-" if board.delay_ns is None else f"{board.delay_ns:.3f} ns"
    yield f"delay counted by the board {delay}, {counted(board.resets or 0, 'reset')}"
    lost = (
        (board.records_lost, "record lost on the line", "records lost on the line"),
        (board.records_bad, "bad record", "bad records"),
        (board.data_lost or 0, "hyperframe not sent by the board", "hyperframes not sent by the board"),
    )
    told = ", ".join(counted(*each) for each in lost if each[0])
    if told:
        yield told
