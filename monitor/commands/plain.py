"""`framefray watch --plain`: the screen's twin in lines of text, for pipes, logs and screen readers."""

from __future__ import annotations

import argparse
import datetime
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import NamedTuple, Protocol, Self

from ..errors import MonitorError
from ..links.named_link import DataState, NamedLink
from ..links.pipeline import Pipeline
from ..links.snapshot import LogEntry
from ..process.interrupts import Interrupts
from ..process.streams import print_lines
from ..tui.plain_lines import PlainLines
from .headless import print_summary
from .outputs import SourceWatch

__all__ = ["PlainSettings", "PlainTeller", "watch_plain"]

POLL_S = 0.25
USUAL_RATE = 10.0
"""Event lines a second of a live source, where nothing else is asked for."""
ENDING_S = 3.0


class PlainSettings(NamedTuple):
    """Seconds between status lines; event lines a second (0: no limit, None: the usual); C&M frames without error."""

    every_s: float = 10.0
    event_rate: float | None = None
    traffic: bool = True

    @classmethod
    def of(cls, arguments: argparse.Namespace) -> Self:
        """What the arguments of a command line say."""
        return cls(arguments.every, arguments.event_rate, not arguments.no_traffic)

    def limit(self, *, live: bool) -> float | None:
        """Event lines a second, None without a limit: a capture waits for whoever reads the lines."""
        rate = (USUAL_RATE if live else 0.0) if self.event_rate is None else self.event_rate
        return rate or None


class ObservedLink(Protocol):
    """A link as lines are made of it."""

    def link(self) -> NamedLink:
        """How it is now."""
        ...

    def entries_since(self, number: int) -> list[LogEntry]: ...


class PlainTeller:
    """Prints the lines of some links; a status line of each whenever it is due."""

    def __init__(
        self,
        sources: Sequence[tuple[ObservedLink, PlainLines]],
        every_s: float,
    ) -> None:
        self._sources = sources
        self._every_s = every_s
        self._due = time.monotonic() + every_s

    def follow(self, interrupts: Interrupts) -> bool:
        """Print what comes until every link has ended, or a signal comes; False for the signal."""
        try:
            more = True
            while more:
                with interrupts.held():
                    more = self.tell()
                if more:
                    time.sleep(POLL_S)
        except KeyboardInterrupt:
            if interrupts.insisted:
                raise
        return not interrupts.seen

    def tell(self, *, status: bool = False) -> bool:
        """Print what is new, and the `status` where it is not due either; whether more may come of any link."""
        now = time.monotonic()
        links = [(source, lines, source.link()) for source, lines in self._sources]
        for source, lines, link in links:
            entries = source.entries_since(lines.next_event)
            count = max(link.snapshot.events, entries[-1].number + 1 if entries else 0)
            print_lines(lines.event_lines(entries, count, now))
            print_lines(lines.state_lines(link, now))
        if status or now >= self._due:
            self._due = now + self._every_s
            stamp = datetime.datetime.now(datetime.UTC).strftime("%Y-%m-%d %H:%M:%SZ")
            print_lines(lines.status_line(link, stamp) for _, lines, link in links)
        sys.stdout.flush()
        return any(link.state not in (DataState.ENDED, DataState.FAILED) for _, _, link in links)


@contextmanager
def _decoding(pipeline: Pipeline) -> Iterator[None]:
    """The pipeline runs in a thread of its own meanwhile."""
    stop = threading.Event()
    thread = threading.Thread(target=pipeline.run, args=(stop,), name="decoder", daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(ENDING_S)


def watch_plain(
    watch: SourceWatch, settings: PlainSettings, interrupts: Interrupts, *, live: bool, name: str = ""
) -> int:
    """Lines of one source until it ends or a signal comes, then the summary; the exit status.

    A capture (not `live`) waits for whoever reads the lines; a live source does not, and what is then left out is
    counted. `name` begins each line where it was given.
    """
    pipeline = watch.pipeline
    lines = PlainLines(name, settings.limit(live=live), traffic=settings.traffic)
    teller = PlainTeller([(watch, lines)], settings.every_s)
    if live:
        with _decoding(pipeline):
            whole = teller.follow(interrupts)
    else:
        whole = _read_capture(pipeline, teller, interrupts)
    with interrupts.held():
        teller.tell(status=True)
        pipeline.take(None)
        return print_summary(pipeline.decoder, pipeline.source, pipeline.failure, whole=whole)


def _read_capture(pipeline: Pipeline, teller: PlainTeller, interrupts: Interrupts) -> bool:
    """Decode and print in turn, so that no event is lost however slowly the lines are read; False for a signal."""
    try:
        more = True
        while more:
            with interrupts.held():
                more = pipeline.step()
                teller.tell()
    except KeyboardInterrupt:
        if interrupts.insisted:
            raise
    except MonitorError as failure:  # what was read before is kept and summed up; then it is raised
        pipeline.failure = failure
    finally:
        pipeline.source.close()
    return not interrupts.seen
