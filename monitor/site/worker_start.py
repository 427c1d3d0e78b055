"""Starts decoders of links: a process each, or a thread each where processes cannot be made.

Processes, for eight links decoded in threads of one interpreter hold up the screen and each other
(`tests/bench/site_load.py` prints both). They come from a fork server where the system has one: a decoder then starts
in some hundredths of a second, and shares the memory of what all of them have imported.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import signal
import sys
import threading
from collections.abc import Sequence
from enum import StrEnum
from multiprocessing.context import BaseContext
from typing import Any, Protocol

from .link_group import decode_links, serve_links
from .link_worker import Connection, LinkSpec

__all__ = ["Worker", "WorkerGroup", "WorkerKind", "WorkerStart", "prepare_workers", "start_workers"]

_PATIENCE_S = 1.5


class WorkerKind(StrEnum):
    PROCESS = "process"
    THREAD = "thread"


class _Running(Protocol):
    """What multiprocessing.Process and threading.Thread have in common."""

    def start(self) -> None: ...
    def join(self, timeout: float | None = None) -> None: ...
    def is_alive(self) -> bool: ...


class Worker:
    """A decoder that runs, and this end of the connection to it; several may run in one process."""

    def __init__(self, kind: WorkerKind, running: _Running, connection: Connection) -> None:
        self.kind = kind
        self.connection = connection
        self._running = running

    @property
    def pid(self) -> int | None:
        """Of the process; None for a thread."""
        return getattr(self._running, "pid", None)

    def how_it_ended(self) -> str:
        """In words, once the connection has ended."""
        self._running.join(_PATIENCE_S)
        status = getattr(self._running, "exitcode", None)
        if status is None:
            return "ended"
        if status < 0:
            try:
                return f"ended by {signal.Signals(-status).name}"
            except ValueError:
                return f"ended by signal {-status}"
        return f"ended with exit status {status}"

    def ask_to_end(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            self.connection.send(None)

    def close(self) -> None:
        """End it: asked first, then by force."""
        self.ask_to_end()
        self._running.join(_PATIENCE_S)
        kill = getattr(self._running, "kill", None)
        if kill is not None and self._running.is_alive():
            kill()
            self._running.join(_PATIENCE_S)
        with contextlib.suppress(OSError):
            self.connection.close()


def start_workers(kind: WorkerKind, specs: Sequence[LinkSpec]) -> list[Worker]:
    """Decoders of this kind for links that share a process; a thread where the system has no process to give."""
    name = f"framefray {specs[0].name}"
    running: Any
    if kind is WorkerKind.PROCESS:
        context = _context()
        pipes = [context.Pipe() for _ in specs]
        try:
            theirs = [pipe[1] for pipe in pipes]
            running = context.Process(  # type: ignore[attr-defined]
                target=decode_links, args=(theirs, specs), name=name, daemon=True
            )
            running.start()
        except (OSError, ImportError, RuntimeError, ValueError):
            for ours, _ in pipes:
                ours.close()
        else:
            return [Worker(kind, running, ours) for ours, _ in pipes]
        finally:
            for _, other in pipes:
                other.close()
    pipes = [multiprocessing.Pipe() for _ in specs]
    running = threading.Thread(
        target=serve_links, args=([theirs for _, theirs in pipes], specs), name=name, daemon=True
    )
    running.start()
    return [Worker(WorkerKind.THREAD, running, ours) for ours, _ in pipes]


class WorkerStart(Protocol):
    """Gives the decoder of a link, once."""

    def start(self, spec: LinkSpec) -> Worker: ...


class WorkerGroup:
    """Links that share one process, which starts when the first of them does, and once only."""

    def __init__(self, kind: WorkerKind, specs: Sequence[LinkSpec]) -> None:
        self._kind, self._specs = kind, tuple(specs)
        self._starting = threading.Lock()
        self._workers: dict[str, Worker] = {}

    def start(self, spec: LinkSpec) -> Worker:
        """The worker of one link."""
        with self._starting:
            if not self._workers:
                workers = start_workers(self._kind, self._specs)
                self._workers = {each.name: worker for each, worker in zip(self._specs, workers, strict=True)}
            return self._workers[spec.name]


def prepare_workers(kind: WorkerKind) -> None:
    """Have the fork server running, so that decoders can be started later, below a screen, too.

    A screen puts an error stream of its own in place of the real one, which no process can inherit.
    """
    if kind is not WorkerKind.PROCESS or "forkserver" not in multiprocessing.get_all_start_methods():
        return
    from multiprocessing import forkserver

    _context()
    shown, sys.stderr = sys.stderr, sys.__stderr__
    try:
        forkserver.ensure_running()
    except (OSError, ValueError):
        return  # then each decoder is a thread
    finally:
        sys.stderr = shown


def _context() -> BaseContext:
    """The fork server, which has the decoders loaded, or else a new interpreter for each."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(
        ["monitor.site.link_group", "monitor.sources.file", "monitor.boards.serial_port"]
    )
    return context
