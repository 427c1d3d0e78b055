"""Source to decoder to counters: one step at a time for tests, in a thread for screens.

The pipeline owns the lock between the decoding thread and whoever looks at it. It knows no screen.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from typing import Protocol

from decoders.events import Event
from decoders.line_coding.characters import LineForm
from decoders.link.decoder import HyperframeBlock, LinkDecoder
from decoders.link.settings import LinkSettings

from ..faults.segments import SegmentInjection
from ..sources.news import News
from ..sources.source import (
    Chunk,
    FaultySource,
    LineSource,
    ReportingSource,
    RestartingSource,
    Source,
    received,
)
from .judgement import OwnTraffic
from .link_watch import LinkWatch
from .snapshot import BoardSaid, InjectedFault, LogEntry, Snapshot, SourceWarning

__all__ = ["DecodingTap", "Pipeline"]

MOST_LINES = 20
"""Lines of a board's log that are taken with one chunk."""


class DecodingTap(Protocol):
    """Gets what a pipeline decodes beside its watch, in the thread that decodes.

    Between `begin` and `receive` come the blocks of one chunk, and in `receive` its events; `end` comes last.
    """

    def begin(self) -> None: ...
    def on_block(self, block: HyperframeBlock) -> None: ...
    def receive(self, events: Sequence[Event]) -> None: ...
    def end(self) -> None: ...


class Pipeline:
    """One source, one decoder, one watch; `restarts` counts how often decoding began anew."""

    def __init__(self, source: Source, settings: LinkSettings | None = None, *, history: int = 5000) -> None:
        if settings is None:
            settings = LinkSettings(option=source.option, form=LineForm(source.form))
        self.source = source
        self.settings = settings
        self.decoder = LinkDecoder(settings, on_block=self._on_block)
        self.watch = LinkWatch(self.decoder, history)
        self.restarts = 0
        self.ended = False
        self.failure: Exception | None = None
        self.tap: DecodingTap | None = None
        self.chunks: Iterator[Chunk] = source.chunks()
        self._lock = threading.Lock()
        self._injected: list[InjectedFault] = []
        self._own = OwnTraffic()
        self._news = News(source)
        if isinstance(source, RestartingSource):
            source.on_restart = self.restart

    def resume(self, kept: Snapshot) -> None:
        """Before the first step: go on where another pipeline of this link has stopped."""
        self.watch.resume(kept)

    def _on_block(self, block: HyperframeBlock) -> None:
        self.watch.on_block(block)
        if self.tap is not None:
            self.tap.on_block(block)

    def step(self) -> bool:
        """Read and decode one chunk; False when the stream has ended."""
        chunk = next(self.chunks, None)
        self.take(chunk)
        return chunk is not None

    def take(self, chunk: Chunk | None) -> None:
        """Decode one of `chunks`; None says that there is no more."""
        with self._lock:
            self._remark()
            if chunk is not None:
                if self.tap is not None:
                    self.tap.begin()
                self._take_events(received(self.decoder, chunk))
                passed = self.decoder.hyperframes + self.decoder.hyperframes_missed
                self._own.receive(passed, self.decoder.counters)
            elif not self.ended:
                if self.tap is not None:
                    self.tap.begin()
                self._take_events(self.decoder.finish())
                self.ended = True
                if self.tap is not None:
                    self.tap.end()

    def _take_events(self, events: list[Event]) -> None:
        self.watch.take(events)
        if self.tap is not None:
            self.tap.receive(events)

    def _remark(self) -> None:
        """What the source warns of, and what a board says, stand in the log, too."""
        known = self.decoder.acquired_at_hyperframe is not None
        at = self.decoder.hyperframes if known else None
        said: list[Event] = []
        lines = self._news.lines()
        if (
            len(lines) > MOST_LINES
        ):  # a board that talks much must not push the decoder's events out of the log
            said.append(BoardSaid(at, f"({len(lines) - MOST_LINES} more lines before)"))
        said += [BoardSaid(at, line.text) for line in lines[-MOST_LINES:]]
        said += [SourceWarning(at, text) for text in self._news.warnings()]
        if said:
            self.watch.take(said)

    def restart(self, hyperframe: int = 0, run_in: Sequence[Chunk] = ()) -> None:
        """Decode what comes from here on with a fresh decoder; counters and log start anew.

        `hyperframe` numbers the first hyperframe of the data to come. `run_in` is data from there on that only
        brings the decoder into sync: what it says of them is left out, and nothing of them is counted. Entries of
        the log are numbered on.
        """
        with self._lock:
            last: list[HyperframeBlock] = []

            def on_block(block: HyperframeBlock) -> None:
                if self.decoder is decoder:
                    self._on_block(block)
                else:
                    last[:] = [_last_of(block)]

            decoder = LinkDecoder(self.settings, on_block=on_block)
            decoder.progress.hyperframes = hyperframe
            for chunk in run_in:
                received(decoder, chunk)
            decoder.counters.update(dict.fromkeys(decoder.counters, 0))
            decoder.progress.forget_losses()
            decoder.planes.last.first = None  # so that the first one told is the first one counted
            events = self.watch.events
            self.decoder = decoder
            self.watch = LinkWatch(decoder, self.watch.history)
            self.watch.events = events
            self._own = OwnTraffic()
            for block in last:
                self.watch.on_block(block)
            self.ended = False
            self.restarts += 1

    def run(self, stop: threading.Event) -> None:
        """Step until the stream ends or `stop` is set; what goes wrong is kept in `failure`."""
        try:
            while not stop.is_set() and self.step():
                pass
        except Exception as failure:  # shown by whoever started the thread
            self.failure = failure
        finally:
            self.source.close()

    def inject(self, text: str) -> InjectedFault:
        """Ask the source for a fault; SettingsError or InputError where it cannot be."""
        if not isinstance(self.source, FaultySource):
            raise TypeError("this source cannot inject faults")
        with self._lock:
            injection = self.source.inject(text)
            elsewhere = getattr(self.source, "faults_elsewhere", False)
            fault = InjectedFault(
                len(self._injected),
                injection.text,
                injection.hyperframe,
                {} if elsewhere else injection.expected,
                dict(self.decoder.counters),
                elsewhere,
                self.decoder.breaks_of_unknown_length,
                self._own.moved,
                injection.here if isinstance(injection, SegmentInjection) else None,
            )
            self._injected.append(fault)
        return fault

    @property
    def can_inject(self) -> bool:
        return isinstance(self.source, FaultySource)

    def snapshot(self) -> Snapshot:
        with self._lock:
            if getattr(self.source, "control_only", False):
                self.watch.no_iq = True
            return self.watch.snapshot(
                self.source.description,
                injected=tuple(self._injected[-20:]),
                ended=self.ended,
                warnings=tuple(self.source.warnings),
                standstill=self.source.standstill if isinstance(self.source, LineSource) else None,
                board=self.source.board_report if isinstance(self.source, ReportingSource) else None,
            )

    def entries_since(self, number: int) -> list[LogEntry]:
        with self._lock:
            return self.watch.entries_since(number)


def _last_of(block: HyperframeBlock) -> HyperframeBlock:
    """The last hyperframe of a block, to keep."""
    return HyperframeBlock(block.first + len(block.octets) - 1, block.octets[-1:].copy())
