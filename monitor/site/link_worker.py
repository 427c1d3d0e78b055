"""The decoder of one link of a site, in a process of its own: opens the source, decodes, answers what it is asked.

It says nothing by itself. Whoever watches asks for a report as often as he wants one, so nothing can pile up between
the two, however much a board sends and however slowly a screen is drawn. The end of the connection is its end.
What travels are pickles between two processes of this program; nothing of a board is ever unpickled.
"""

from __future__ import annotations

import contextlib
import os
import signal
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from queue import SimpleQueue
from typing import Any, Protocol, TypeAlias

from ..boards.board import BoardSource
from ..boards.delay import BoardDelay
from ..delay.samples import DelaySample
from ..emulation.emulated_link import EmulatedSource
from ..emulation.transceiver import BoardSettings
from ..errors import InputError, MonitorError
from ..links.pipeline import Pipeline
from ..links.snapshot import LogEntry, Snapshot
from ..opening import SourceRequest, link_settings, open_source
from ..sources.names import SourceKind, source_kind
from ..sources.source import GuardedSource, Source

__all__ = [
    "Answering",
    "Ask",
    "Call",
    "Connection",
    "LinkReport",
    "LinkSpec",
    "Opening",
    "Reply",
    "SideBySide",
    "answer_asks",
    "become_worker",
    "serve_link",
]

RETRY_S = (1.0, 15.0)
"""A line that cannot be opened, or whose data cannot be used, is tried again after so long, at last the second."""
MOST_ENTRIES = 1000
"""Events in one report; where there are more, the others follow in the next ones."""
_NICE = 5
"""Decoders give way to the screen."""


class Connection(Protocol):
    """One end of a pipe; see multiprocessing.connection."""

    def send(self, obj: Any) -> None: ...
    def recv(self) -> Any: ...
    def poll(self, timeout: float | None = 0.0) -> bool: ...
    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class LinkSpec:
    """A source to decode; `kept` is the last that was known of it, where another decoder has been at it before."""

    name: str
    request: SourceRequest
    kept: Snapshot | None = None


@dataclass(frozen=True, slots=True)
class Ask:
    """Asks for a report with the events from `since` on; `whole` with what changes in the control words, and IQ."""

    since: int
    whole: bool = False


@dataclass(frozen=True, slots=True)
class Call:
    """Asks for something to be done: `inject` with a fault, `reset`, or `measure`. `allow` as in GuardedSource."""

    number: int
    what: str
    argument: str = ""
    allow: bool = False


@dataclass(frozen=True, slots=True)
class Reply:
    """What a call came to: its value, or why it failed; with the state after it."""

    number: int
    value: Any = None
    refused: str = ""
    report: LinkReport | None = None


@dataclass(frozen=True, slots=True)
class LinkReport:
    """What a decoder has to say; `snapshot` is None before the source is open.

    `why` says why nothing is read now; `waiting`, that it is being tried again. `emulated` are the settings of the
    board that can be reset beside an emulated link. `findings` are of all links that are decoded together.
    """

    snapshot: Snapshot | None = None
    entries: tuple[LogEntry, ...] = ()
    why: str = ""
    waiting: bool = False
    can_inject: bool = False
    guarded: bool = False
    resettable: bool = False
    emulated: BoardSettings | None = None
    cpu_s: float = 0.0
    findings: tuple[str, ...] = ()


Opening: TypeAlias = Callable[[SourceRequest], Source]
"""Opens the source of a request; MonitorError where that cannot be."""


class SideBySide(Protocol):
    """Lays links that are decoded in one process side by side."""

    @property
    def findings(self) -> tuple[str, ...]: ...

    def attach(self, name: str, pipeline: Pipeline) -> None: ...


class LinkDecoding:
    """The source and its pipeline, opened and read in a thread of its own; a line is opened again and again."""

    def __init__(
        self, spec: LinkSpec, opening: Opening = open_source, located: SideBySide | None = None
    ) -> None:
        self.spec = spec
        self.name = spec.name
        self._opening = opening
        self._located = located
        self.pipeline: Pipeline | None = None
        self.why, self.waiting = "", False
        self._stop = threading.Event()
        self._kept = spec.kept
        self._delay: BoardDelay | None = None
        self._thread = threading.Thread(target=self._run, name=f"decode {spec.name}", daemon=True)
        self._thread.start()

    @property
    def source(self) -> Source | None:
        return None if self.pipeline is None else self.pipeline.source

    def close(self) -> None:
        """Stop reading; the line is closed by the thread that reads it."""
        self._stop.set()
        self._thread.join(1.0)

    def _run(self) -> None:
        again = source_kind(self.spec.request.source) is SourceKind.LINE
        wait = RETRY_S[0]
        while not self._stop.is_set():
            begun = time.monotonic()
            failure = self._read()
            if failure is None:
                return
            self.why, self.waiting = failure, again
            if not again:
                return
            if time.monotonic() - begun > 4 * RETRY_S[1]:
                wait = RETRY_S[0]
            self._stop.wait(wait)
            wait = min(2 * wait, RETRY_S[1])

    def _read(self) -> str | None:
        """Open the source and read it to its end; why it could not be read on, or None at the end."""
        try:
            source = self._opening(self.spec.request)
        except (MonitorError, OSError) as error:
            return str(error)
        try:
            pipeline = Pipeline(source, link_settings(self.spec.request, source))
        except (MonitorError, ValueError) as error:
            source.close()
            return str(error)
        if self._kept is not None:
            pipeline.resume(self._kept)
        if self._located is not None:
            self._located.attach(self.spec.name, pipeline)
        self.pipeline, self._delay = pipeline, None
        self.why, self.waiting = "", False
        pipeline.run(self._stop)
        if pipeline.failure is None:
            return None
        self._kept = pipeline.snapshot()
        return str(pipeline.failure) or type(pipeline.failure).__name__

    def report(self, ask: Ask) -> LinkReport:
        pipeline = self.pipeline
        if pipeline is None:
            return LinkReport(why=self.why, waiting=self.waiting, cpu_s=time.process_time())
        snapshot, source = pipeline.snapshot(), pipeline.source
        if not ask.whole:
            snapshot = replace(snapshot, change_counts=None, changed_at=None, iq_octets=None)
        emulated = None
        if isinstance(source, EmulatedSource):
            emulated = BoardSettings(option=source.option, pair=source.pair, seed=self.spec.request.seed)
        return LinkReport(
            snapshot,
            tuple(pipeline.entries_since(ask.since)[:MOST_ENTRIES]),
            self.why,
            self.waiting,
            pipeline.can_inject,
            isinstance(source, GuardedSource),
            isinstance(source, BoardSource),
            emulated,
            time.process_time(),
            () if self._located is None else self._located.findings,
        )

    def call(self, call: Call) -> Any:
        """Do what is asked for; MonitorError, ValueError or TypeError where that cannot be."""
        pipeline = self.pipeline
        if pipeline is None or self.why:
            raise InputError(f"{self.spec.name}: {self.why or 'the source is not open yet'}")
        source = pipeline.source
        if isinstance(source, GuardedSource) and call.allow:
            source.allow = True
        if call.what == "inject":
            return pipeline.inject(call.argument)
        if not isinstance(source, BoardSource):
            raise InputError(f"{self.spec.name}: this source has no board that could be reset")
        self._delay = self._delay or BoardDelay(source, keep=True)
        if call.what == "reset":
            self._delay.reset()
            return None
        sample: DelaySample = self._delay.measure()
        return sample


class Answering(Protocol):
    """Who can answer for a link."""

    @property
    def name(self) -> str: ...

    def report(self, ask: Ask) -> LinkReport: ...

    def call(self, call: Call) -> Any:
        """Do what is asked for; an exception says why that cannot be."""
        ...

    def close(self) -> None: ...


def serve_link(
    connection: Connection, spec: LinkSpec, opening: Opening = open_source, located: SideBySide | None = None
) -> None:
    """Decode a source, and answer until the connection ends or None comes."""
    answer_asks(connection, LinkDecoding(spec, opening, located))


def answer_asks(connection: Connection, decoding: Answering) -> None:
    """Answer for a link until the connection ends or None comes; then close both."""
    sending = threading.Lock()
    calls: SimpleQueue[Call | None] = SimpleQueue()

    def send(message: LinkReport | Reply) -> None:
        with sending, contextlib.suppress(OSError, ValueError):
            connection.send(message)

    doing = threading.Thread(
        target=_do_calls, args=(calls, decoding, send), name=f"calls {decoding.name}", daemon=True
    )
    doing.start()
    try:
        while (message := connection.recv()) is not None:
            if isinstance(message, Call):
                calls.put(message)
            else:
                send(decoding.report(message))
    except (EOFError, OSError):
        pass
    finally:
        calls.put(None)
        decoding.close()
        with contextlib.suppress(OSError):
            connection.close()


def _do_calls(
    calls: SimpleQueue[Call | None], decoding: Answering, send: Callable[[LinkReport | Reply], None]
) -> None:
    """One call after the other, beside the reports: a board may take its time to answer."""
    while (call := calls.get()) is not None:
        value, refused = None, ""
        try:
            value = decoding.call(call)
        except Exception as error:  # told to whoever called
            refused = str(error) or type(error).__name__
        report = decoding.report(Ask(1 << 62))
        send(Reply(call.number, value, refused, report))


def become_worker() -> None:
    """Make this process one of a site: no signal of the terminal, no output, behind the screen in line."""
    for name in ("SIGINT", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None:
            signal.signal(number, signal.SIG_IGN)
    with contextlib.suppress(ValueError, OSError):
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
    nowhere = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(nowhere, stream)
    if hasattr(os, "nice"):
        os.nice(_NICE)
