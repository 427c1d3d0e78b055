"""Replay of a capture: a reader that goes anywhere in it, a pacer that keeps its time, a control for whoever plays.

For a screen:

    control.playing               True while it runs by itself
    control.position              Position(hyperframe, total): the one played last (None: none yet), and how many
    control.play() .pause() .toggle()
    control.step(n=1)             pause, and play n hyperframes more
    control.seek(hyperframe)      go there: that hyperframe is the next one played, and one is played at once
    control.seek_text("120")      also "17.42" (BFN.HFN) or "12.5ms", "3s" (time from the start); InputError
    control.next_error() .previous_error()   go there; its hyperframe, or None where there is none known
    control.speed                 factor of the capture's own time, 0.0001 to 1000 (clamped); inf: as it goes
    control.errors, .scanned, .notes         what the scan has found, its share done (0 to 1), what to tell

Every method may be called from any thread and returns at once. Hyperframes are counted as a decode of the whole
capture counts them. A seek gives the pipeline a fresh decoder that is run in over up to 64 hyperframes before the
target, and counters and log start there anew: they are those of what was played since the last seek.
A C&M frame that began before the run-in is not seen, and the start-up state is judged anew. In the first four
hyperframes of a stretch there is nothing to run in on: there the seek begins at its start, and its first three
hyperframes come together, as a receiver finds sync.

The scan is one pass of a decoder over the capture in a thread of its own; until it has passed a place, seeking
there counts on from the last stretch in sync that it knows. Nothing here draws.
"""

from __future__ import annotations

import math
import re
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from decoders.line_coding.characters import LineForm
from decoders.linerates import HYPERFRAMES_PER_FRAME, HYPERFRAMES_PER_SECOND
from decoders.link.hyperframe_finder import HyperframeFinder, hyperframe_bits
from decoders.link.settings import LinkSettings

from ..errors import InputError
from ..sources.log import Log
from ..sources.source import Chunk, received
from .random_access import MOST_OCTETS, ReplayReader
from .timeline import Scan, Timeline

__all__ = ["Pacer", "Position", "ReplayControl", "ReplaySource"]

RUN_IN_HYPERFRAMES = 64
CONFIRMING = 4
CONFIRMING_OCTETS = 32
"""More than the sync control word takes in any form."""
PIECES_PER_SECOND = 20
SLOWEST, FASTEST = 0.0001, 1000.0


class Pacer:
    """Keeps the time of a capture at a speed: says how long to wait. Reads the clock it is given.

    Who comes late does not catch up, and a gap in the capture's time waits a second at most.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._anchor: tuple[int, float, float] | None = None

    def restart(self) -> None:
        """The next piece is due at once."""
        self._anchor = None

    def wait_s(self, time_ns: int, speed: float) -> float:
        """Seconds until a piece of that time is due."""
        now = self._clock()
        if math.isinf(speed):
            self._anchor = None
            return 0.0
        if self._anchor is not None and self._anchor[2] == speed:
            due = self._anchor[1] + (time_ns - self._anchor[0]) / 1e9 / speed
            if now - 0.25 <= due <= now + max(1.0, 2 / (HYPERFRAMES_PER_SECOND * speed)):
                return max(0.0, due - now)
        self._anchor = (time_ns, now, speed)
        return 0.0


@dataclass(frozen=True, slots=True)
class Position:
    """The hyperframe played last (None: none yet), and how many the capture has (an estimate until scanned)."""

    hyperframe: int | None
    total: int


@dataclass(frozen=True, slots=True)
class _Order:
    """What to do next: go to `seek` where it is not None, then play `hyperframes` (None: by the speed)."""

    seek: int | None
    hyperframes: int | None


class ReplayControl:
    """What a screen holds: see the module's text. Thread-safe; nothing here waits for the player."""

    def __init__(self, reader: ReplayReader, *, playing: bool = True, speed: float = 1.0) -> None:
        form = LineForm(reader.form)
        self.timeline = Timeline(reader.size, hyperframe_bits(reader.option, form))
        self._reader = reader
        self._changed = threading.Condition()
        self._playing = playing
        self._speed = _checked_speed(speed)
        self._steps = 0
        self._target: int | None = None
        self._played: int | None = None
        self._at_end = False
        self._closed = False

    @property
    def playing(self) -> bool:
        return self._playing

    @property
    def at_end(self) -> bool:
        """Whether the end of the capture was reached."""
        return self._at_end

    @property
    def position(self) -> Position:
        return Position(self._played, self.timeline.total)

    @property
    def speed(self) -> float:
        return self._speed

    @speed.setter
    def speed(self, factor: float) -> None:
        with self._changed:
            self._speed = _checked_speed(factor)
            self._changed.notify_all()

    @property
    def errors(self) -> int:
        return self.timeline.errors

    @property
    def scanned(self) -> float:
        return self.timeline.scanned

    @property
    def notes(self) -> list[str]:
        return [*self.timeline.notes]

    def play(self) -> None:
        """Go on by itself; at the end, from the start."""
        with self._changed:
            self._playing = True
            if self._at_end:
                self._target = 0
            self._changed.notify_all()

    def pause(self) -> None:
        with self._changed:
            self._playing = False
            self._steps = 0
            self._changed.notify_all()

    def toggle(self) -> None:
        if self._playing:
            self.pause()
        else:
            self.play()

    def step(self, n: int = 1) -> None:
        """Pause, and play n hyperframes more (a negative n goes back)."""
        with self._changed:
            self._playing = False
            if n < 0:
                here = self._played if self._target is None else self._target
                self._target = max(0, (here or 0) + n)
            else:
                self._steps += n
            self._changed.notify_all()

    def seek(self, hyperframe: int) -> None:
        """Go to a hyperframe; beyond the end, to the last one."""
        with self._changed:
            self._target = max(0, hyperframe)
            self._steps = 0
            self._changed.notify_all()

    def seek_text(self, text: str) -> int:
        """Go to a hyperframe number, a BFN.HFN, or a time from the start; the hyperframe. InputError."""
        number = self._parse(text.strip().lower())
        self.seek(number)
        return number

    def _parse(self, text: str) -> int:
        if re.search(r"\d{31}", text):
            raise InputError(f"{text!r} has more digits than a place can have")
        if text.isdecimal():
            return int(text)
        if found := re.fullmatch(r"(\d+(?:\.\d+)?) ?(us|ms|s|min)", text):
            unit = {"us": 10**3, "ms": 10**6, "s": 10**9, "min": 60 * 10**9}[found[2]]
            start = self._reader.time_ns(0)
            at = self._reader.at_time(start + round(float(found[1]) * unit))
            return self.timeline.number_at(8 * at)
        if found := re.fullmatch(r"(\d+)\.(\d+)", text):
            number = self.timeline.number_of_link(int(found[1]) * HYPERFRAMES_PER_FRAME + int(found[2]))
            if number is not None and int(found[2]) < HYPERFRAMES_PER_FRAME:
                return number
            rest = "" if self.timeline.complete else " as far as it is scanned"
            raise InputError(f"BFN.HFN {text} is not in the capture{rest}")
        raise InputError(
            f"{text!r} is no place", hint="give a hyperframe, BFN.HFN, or a time as 12.5ms or 3s"
        )

    def next_error(self) -> int | None:
        """Go to the next hyperframe with an error."""
        return self._go(self.timeline.error_after(-1 if self._here() is None else self._here() or 0))

    def previous_error(self) -> int | None:
        """Go to the one before."""
        return self._go(self.timeline.error_before(self._here() or 0))

    def _here(self) -> int | None:
        return self._played if self._target is None else self._target

    def _go(self, number: int | None) -> int | None:
        if number is not None:
            self.seek(number)
        return number

    # --- for the source

    def next_order(self, *, stay: bool) -> _Order | None:
        """Wait for something to do; None when it is over."""
        with self._changed:
            while not self._closed:
                if self._target is not None:
                    target, self._target, self._at_end = self._target, None, False
                    return _Order(target, 1)
                if self._at_end:
                    self._steps = 0
                    self._playing = False
                    if not stay:
                        return None
                elif self._steps:
                    # One after the other, so that each is drawn.
                    self._steps -= 1
                    return _Order(None, 1)
                elif self._playing:
                    return _Order(None, None)
                self._changed.wait()
        return None

    def wait(self, seconds: float) -> None:
        """Wait, but for a change."""
        with self._changed:
            if seconds > 0 and self._target is None and self._playing and not self._closed:
                self._changed.wait(seconds)

    def played(self, number: int, *, at_end: bool) -> None:
        with self._changed:
            self._played, self._at_end = number, at_end

    def close(self) -> None:
        with self._changed:
            self._closed = True
            self._changed.notify_all()


def _checked_speed(factor: float) -> float:
    if math.isnan(factor) or factor <= 0:
        raise InputError(f"speed {factor:g} is not valid", hint="give a factor above 0, or max")
    return factor if math.isinf(factor) else min(max(factor, SLOWEST), FASTEST)


class ReplaySource:
    """A capture as a source that follows a control.

    With `stay` it waits at the end for what comes; without, the stream ends there. The scan decodes with
    `settings`. `on_restart` is called with (number of the first hyperframe to come, data to run in on) before the
    first chunk after a seek.
    """

    def __init__(
        self,
        reader: ReplayReader,
        control: ReplayControl,
        *,
        stay: bool = True,
        settings: LinkSettings | None = None,
        pacer: Pacer | None = None,
    ) -> None:
        self.control = control
        self.form, self.option, self.description = reader.form, reader.option, reader.description
        self.warnings = reader.warnings
        self.log = Log()
        self.on_restart: Callable[[int, Sequence[Chunk]], None] | None = None
        self._reader = reader
        self._stay = stay
        self._pacer = pacer or Pacer()
        self.settings = settings or LinkSettings(option=reader.option, form=LineForm(reader.form))
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def start_scan(self) -> None:
        """Begin the scan; `chunks` does it, too."""
        if self._thread is None:
            reader = self._reader.copy()
            scan = Scan(reader, self.settings, self.control.timeline)
            self._thread = threading.Thread(target=scan.run, args=(self._stop,), daemon=True, name="scan")
            self._thread.start()

    def chunks(self) -> Iterator[Chunk]:
        """What is played, in order; InputError where the capture cannot be read on."""
        self.start_scan()
        control, timeline, size = self.control, self.control.timeline, self._reader.size
        timeline.wait_first(1.0)
        at = 0
        while (order := control.next_order(stay=self._stay)) is not None:
            if order.seek is not None:
                at, number = self._go_to(order.seek)
            else:
                number = max(timeline.number_at(8 * at), 0)
            end = min(self._end_of(number + (order.hyperframes or self._run()) - 1), size)
            if end <= at:
                end = min(at + timeline.bits // 8, size)
            if order.hyperframes is None:
                for piece in self._reader.pieces(at, end):
                    self._tell(piece.at, piece.end)
                    control.wait(self._pacer.wait_s(piece.time_ns, control.speed))
                    control.played(timeline.number_at(8 * piece.end) - 1, at_end=piece.end >= size)
                    if piece.data:
                        yield piece.chunk
            else:  # at once, whatever the pieces of the capture
                self._pacer.restart()
                self._tell(at, end)
                pieces = [piece for piece in self._reader.pieces(at, end) if piece.data]
                control.played(timeline.number_at(8 * end) - 1, at_end=end >= size)
                if any(piece.gap for piece in pieces):
                    yield from (piece.chunk for piece in pieces)
                elif pieces:
                    yield Chunk(b"".join(piece.data for piece in pieces), self._reader.time_ns(at), at)
            at = end
            if at >= size:
                control.played(max(timeline.number_at(8 * at) - 1, 0), at_end=True)

    def _tell(self, at: int, end: int) -> None:
        """What stands beside the line data there."""
        for text in self._reader.notes(at, end):
            self.log.add(0, text, event=True)

    def _run(self) -> int:
        """Hyperframes of one piece while it plays by itself."""
        most = max(1, MOST_OCTETS * 8 // self.control.timeline.bits)
        speed = self.control.speed
        if math.isinf(speed):
            return most
        return min(max(1, int(HYPERFRAMES_PER_SECOND * speed / PIECES_PER_SECOND)), most)

    def _end_of(self, number: int) -> int:
        """Octet by which a hyperframe has come whole, and sync in its stretch is confirmed."""
        timeline = self.control.timeline
        first, place = timeline.stretch_of(number)
        end = place + max(number + 1 - first, 0) * timeline.bits
        confirmed = place + (CONFIRMING - 1) * timeline.bits + 8 * CONFIRMING_OCTETS
        return -(-max(end, confirmed) // 8)

    def _go_to(self, target: int) -> tuple[int, int]:
        """Restart at a hyperframe; (octet to go on from, number of the hyperframe)."""
        timeline = self.control.timeline
        number = min(target, max(timeline.number_at(8 * self._reader.size - 1), 0))
        if timeline.complete:
            number = min(number, max(timeline.total - 1, 0))
        first, place = timeline.stretch_of(number)
        start = max(first, number - RUN_IN_HYPERFRAMES)
        at, run_in = place // 8, list[Chunk]()
        if number - first >= CONFIRMING:
            begin, at = timeline.place_of(start) // 8, -(-timeline.place_of(number) // 8)
            run_in = [piece.chunk for piece in self._reader.pieces(begin, at)]
            finder = HyperframeFinder(self.settings)
            for chunk in run_in:
                received(finder, chunk)
            if finder.acquired_at_hyperframe is None:
                start, at, run_in = number, timeline.place_of(number) // 8, []
            else:
                start += finder.acquired_at_hyperframe
        else:
            start = first
        self._pacer.restart()
        if self.on_restart is not None:
            self.on_restart(start, run_in)
        return at, number

    def close(self) -> None:
        self.control.close()
        self._stop.set()
        if self._thread is not None:
            self._thread.join()
        self._reader.close()
