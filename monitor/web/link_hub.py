"""The links of one running site for the pages on it: each source is opened once, and every page asks here.

A page is a process of this program. It speaks over a local connection with a key of its own: first the name of a
link, then what a site asks its decoders (`link_worker`); or no name, and it gets what a page must know, what all
links together tell as often as it asks, and the end of the connection when the site ends. A page for reading only may
look; what it asks to be done is refused.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import socket
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from multiprocessing.connection import Client, Listener
from typing import Any

from ..errors import InputError
from ..opening import SourceRequest
from ..site.link_worker import MOST_ENTRIES, Ask, Call, LinkReport, answer_asks
from ..site.plan import SitePlan
from ..site.remote_link import RemoteLink

__all__ = ["READING_ONLY", "LinkHub", "PageFacts", "SharedLink", "connection_to_hub"]

READING_ONLY = "this page is for reading only; framefray watch with --web-control allows it"
BUSY = "another page resets this board; try again when it has ended"
_HUB = "FRAMEFRAY_HUB"
_WHOLE_S = 2.0
_RESETS_S = 20.0
"""So long after its last command the board is another page's to reset."""


@dataclass(frozen=True, slots=True)
class PageFacts:
    """What a page must know before it shows anything."""

    plan: SitePlan
    request: SourceRequest
    title: str
    iq_map: str | None = None
    fps: float | None = None


class _Resetting:
    """Which page resets a board: two at once would measure each other's resets."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._owner: object = None
        self._until = 0.0

    def claim(self, page: object) -> None:
        """InputError while it is another page's."""
        now = time.monotonic()
        with self._lock:
            if self._owner is not page and now < self._until:
                raise InputError(BUSY)
            self._owner, self._until = page, now + _RESETS_S


class SharedLink:
    """One link as one page has it."""

    def __init__(self, link: RemoteLink, resetting: _Resetting, *, control: bool) -> None:
        self.name = link.name
        self._link = link
        self._resetting = resetting
        self._control = control
        self._whole_until = 0.0

    def report(self, ask: Ask) -> LinkReport:
        """What is known by now; `ask.whole` is passed on, so that the next report of the decoder is whole."""
        link = self._link
        if ask.whole:
            link.whole_until = time.monotonic() + _WHOLE_S
        entries = tuple(link.entries_since(ask.since)[-MOST_ENTRIES:])
        report = replace(link.report, snapshot=link.snapshot() if link.opened else None, entries=entries)
        if link.trouble:
            report = replace(report, why=link.trouble, waiting=link.restarting)
        if not self._control:  # so that a key reaches `call`, and its refusal the page
            resettable = report.resettable or report.emulated is not None
            report = replace(report, guarded=False, resettable=resettable, emulated=None)
        return report

    def call(self, call: Call) -> Any:
        """Have the decoder do it; InputError where this page may not."""
        if not self._control:
            raise InputError(READING_ONLY)
        if call.what in ("reset", "measure"):
            self._resetting.claim(self)
        if call.allow:
            self._link.source.allow = True
        return self._link.call(call.what, call.argument)

    def close(self) -> None:
        """The link goes on."""


class LinkHub:
    """Serves the links to the pages from `start` to `close`; child processes find it by the environment."""

    def __init__(
        self,
        links: Sequence[RemoteLink],
        facts: PageFacts,
        *,
        control: bool = False,
        findings: Callable[[], Sequence[str]] = tuple,
    ) -> None:
        self._links = {link.name: (link, _Resetting()) for link in links}
        self._facts = facts
        self._control = control
        self._findings = findings
        key = secrets.token_hex(32)
        files = hasattr(socket, "AF_UNIX")
        self._listener = Listener(None if files else ("127.0.0.1", 0), authkey=key.encode())
        self._where = where = self._listener.address
        self._address = f"{key} {where if isinstance(where, str) else ':'.join(map(str, where))}"
        self._ended = threading.Event()
        self._open: set[Any] = set()
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._run, name="hub", daemon=True)

    def start(self) -> None:
        os.environ[_HUB] = self._address
        self._thread.start()

    def close(self) -> None:
        """End every connection, and with it every page."""
        if self._ended.is_set():
            return
        self._ended.set()
        if os.environ.get(_HUB) == self._address:
            del os.environ[_HUB]
        _knock(self._where)
        self._listener.close()
        with self._lock:
            for connection in self._open:
                _shut(connection)

    def _run(self) -> None:
        while not self._ended.is_set():
            try:
                connection = self._listener.accept()
            except Exception:  # nobody of ours: the key was wrong, or it has left again
                continue
            threading.Thread(target=self._serve, args=(connection,), name="page", daemon=True).start()

    def _serve(self, connection: Any) -> None:
        with self._lock:
            self._open.add(connection)
        try:
            name = connection.recv()
            if name in self._links:
                link, resetting = self._links[name]
                answer_asks(connection, SharedLink(link, resetting, control=self._control))
            elif name == "":
                connection.send(self._facts)
                while True:
                    connection.recv()
                    connection.send(self._told())
        except (EOFError, OSError):
            pass
        finally:
            with self._lock:
                self._open.discard(connection)
            with contextlib.suppress(OSError):
                connection.close()

    def _told(self) -> tuple[str, ...]:
        try:
            return tuple(self._findings())
        except Exception as trouble:  # the pages go on
            return (f"the links cannot be compared: {trouble}",)


def _knock(address: str | tuple[str, int]) -> None:
    """So that the thread that listens looks up."""
    with contextlib.suppress(OSError):
        if isinstance(address, str):
            with socket.socket(socket.AF_UNIX) as knocking:
                knocking.connect(address)
        else:
            socket.create_connection(address).close()


def _shut(connection: Any) -> None:
    """So that whoever waits at either end of it gets the end; to close it is no end for one who waits already."""
    with (
        contextlib.suppress(OSError, AttributeError),
        socket.socket(fileno=os.dup(connection.fileno())) as same,
    ):
        same.shutdown(socket.SHUT_RDWR)


def connection_to_hub(name: str) -> Any:
    """A connection for a link of this name; KeyError, OSError or EOFError where no hub is there."""
    key, _, where = os.environ[_HUB].partition(" ")
    host, _, port = where.rpartition(":")
    address = (host, int(port)) if host == "127.0.0.1" else where
    connection = Client(address, authkey=key.encode())
    connection.send(name)
    return connection
