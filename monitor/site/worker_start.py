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
from collections.abc import Callable
from enum import StrEnum
from multiprocessing.context import BaseContext
from typing import Any, Protocol

from .link_worker import Connection, LinkSpec, decode_link, serve_link

__all__ = ["Worker", "WorkerKind", "prepare_workers", "start_worker"]

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
    """A decoder that runs, and this end of the connection to it."""

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


def start_worker(
    kind: WorkerKind,
    spec: LinkSpec,
    in_process: Callable[..., None] = decode_link,
    in_thread: Callable[..., None] = serve_link,
) -> Worker:
    """A decoder of this kind; a thread where the system has no process to give."""
    ours: Any
    theirs: Any
    if kind is WorkerKind.PROCESS:
        context = _context()
        ours, theirs = context.Pipe()
        try:
            process: Any = context.Process(  # type: ignore[attr-defined]
                target=in_process, args=(theirs, spec), name=f"framefray {spec.name}", daemon=True
            )
            process.start()
        except (OSError, ImportError, RuntimeError, ValueError):
            ours.close()
        else:
            return Worker(kind, process, ours)
        finally:
            theirs.close()
    ours, theirs = multiprocessing.Pipe()
    thread = threading.Thread(target=in_thread, args=(theirs, spec), name=f"decode {spec.name}", daemon=True)
    thread.start()
    return Worker(WorkerKind.THREAD, thread, ours)


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
        ["monitor.site.link_worker", "monitor.sources.file", "monitor.boards.serial_port"]
    )
    return context
