"""Serves an emulated board on a pseudo-terminal or a TCP port: its time, its host, and its link to another board."""

from __future__ import annotations

import select
import socket
import time
from collections.abc import Callable
from dataclasses import dataclass

from ..errors import InputError
from ..protocol.records import Loopback
from .board import BoardSetup, RecordBoard
from .host_port import HostPort, address_of
from .pair_link import PairLink
from .pipes import Pipe

__all__ = ["BoardServing", "serve"]

MOST_HYPERFRAMES = 50
MOST_NAME_OCTETS = 64
ROOM_OCTETS = 256 << 10
MOST_WAITING = 8 * ROOM_OCTETS
STATUS_S = 1.0
POLL_S = 0.05


@dataclass(frozen=True, slots=True)
class BoardServing:
    """Where and how fast a board is served: `tcp` HOST:PORT, None for a pseudo-terminal; `link` a path or HOST:PORT.

    `pace` is hyperframes a second, 0 as fast as it goes; the board ends after `hyperframes`, where that is given.
    """

    tcp: str | None = None
    link: str | None = None
    listen_any: bool = False
    pace: float = 0.0
    hyperframes: int | None = None


def serve(
    setup: BoardSetup,
    serving: BoardServing,
    *,
    ready: Callable[[str], None],
    tell: Callable[[str], None],
    make: Callable[[BoardSetup], RecordBoard] = RecordBoard,
) -> None:
    """Serve until the hyperframes are sent, or for ever. `ready` is called with the SOURCE to reach the board by.

    `make` builds the board, where it is to be another one.

    InputError for settings that do not go together, and where a port or a path cannot be had.
    """
    if (setup.loopback is Loopback.PAIR) != bool(serving.link):
        raise InputError("--loopback pair and --link PATH or HOST:PORT belong together")
    if setup.bit_error_ratio and setup.loopback is Loopback.INTERNAL:
        raise InputError(
            "--ber damages what a cable carries, and the board loops inside", hint="add --loopback cable"
        )
    if not (setup.name.isprintable() and 0 < len(setup.name.encode()) <= MOST_NAME_OCTETS):
        raise InputError(f"--name: 1 to {MOST_NAME_OCTETS} octets of printable text")
    try:
        board = make(setup)
    except ValueError as error:
        raise InputError(str(error)) from None
    host = HostPort(None if serving.tcp is None else address_of(serving.tcp, serving.listen_any))
    link = PairLink(serving.link, serving.listen_any, tell) if serving.link else None
    try:
        if link is not None and link.join():
            board.link_changed(True)
        ready(host.name)
        _Loop(board, host, link, serving.pace, serving.hyperframes).run()
    finally:
        if link is not None:
            link.close()


class _Loop:
    """Time, the host and the link; ends after `limit` hyperframes."""

    def __init__(
        self, board: RecordBoard, host: HostPort, link: PairLink | None, pace: float, limit: int | None
    ) -> None:
        self.board = board
        self.host = host
        self.link = link
        self.pace = pace
        self.limit = limit
        self._due_from = time.monotonic()
        self._done = 0
        self._sent = 0
        self._next_status = 0.0
        if host.pipe is not None:
            host.pipe.waiting += board.start()

    def run(self) -> None:
        while not self._finished():
            n = self._due()
            if n:
                self._to_host(self.board.advance(n, room=self._room()))
                self._sent += n
                self._done += n
                if self.link is not None:
                    out = self.board.to_link()
                    if self.link.pipe is not None:
                        self.link.pipe.waiting += out
            now = time.monotonic()
            if now >= self._next_status and self.host.pipe is not None and now >= self.host.quiet_until:
                self._next_status = now + STATUS_S
                if self._room():
                    self._to_host(self.board.status())
            self._wait(0.0 if n else POLL_S)

    def _finished(self) -> bool:
        if self.limit is None or self._sent < self.limit:
            return False
        return self.host.pipe is None or not self.host.pipe.waiting

    def _room(self) -> bool:
        pipe = self.host.pipe
        return (
            pipe is not None and len(pipe.waiting) < ROOM_OCTETS and time.monotonic() >= self.host.quiet_until
        )

    def _due(self) -> int:
        """Hyperframes to make now.

        A slow host holds the board up, and so does none; with a partner its data are lost instead.
        """
        now = time.monotonic()
        partner = self.link.pipe if self.link is not None else None
        held = len(partner.waiting) > ROOM_OCTETS if partner is not None else not self._room()
        if held or (self.limit is not None and self._sent >= self.limit):
            self._due_from, self._done = now, 0
            return 0
        left = MOST_HYPERFRAMES if self.limit is None else min(MOST_HYPERFRAMES, self.limit - self._sent)
        # No more at a time than a few records' worth of the widest option.
        left = min(left, max(1, (1 << 20) // self.board.option.hyperframe_octets))
        if not self.pace:
            return left
        due = int((now - self._due_from) * self.pace) - self._done
        if due > 2 * MOST_HYPERFRAMES:
            self._due_from, self._done = now, 0
        return min(due, left)

    def _to_host(self, octets: bytes) -> None:
        if self.host.pipe is not None:
            self.host.pipe.waiting += octets

    def _wait(self, timeout: float) -> None:
        """Until something can be read or written, or the time for more has come."""
        host, link = self.host, self.link
        if link is not None and link.join():
            self.board.link_changed(True)
        if self.pace and not timeout:
            timeout = 0.0
        elif self.pace:
            timeout = min(timeout, 1 / self.pace)
        readers: list[int | socket.socket] = [
            p.fd for p in (host.pipe, link and link.pipe) if p and len(p.waiting) < MOST_WAITING
        ]
        writers = [p.fd for p in (host.pipe, link and link.pipe) if p and p.waiting]
        if host.listener is not None:
            readers.append(host.listener)
        readable, _, _ = select.select(readers, writers, [], timeout)
        if host.pipe is not None:  # before anybody new: it may have left just now
            self._serve(host.pipe)
        host.let_go()
        if host.listener in readable and host.accept():
            self._to_host(self.board.start())
        if link is not None and link.pipe is not None:
            data = link.pipe.read()
            if data is None or not link.pipe.flush():
                link.down()
                self.board.link_changed(False)
            elif data:
                link.heard = True
                self._to_host(self.board.from_link(data, room=self._room()))

    def _serve(self, pipe: Pipe) -> None:
        # A host that commands and never reads is not heard until it has taken its answers.
        data = pipe.read() if len(pipe.waiting) < MOST_WAITING else b""
        if data:
            self.host.quiet_until = 0.0
            pipe.waiting += self.board.receive(data)
        quiet = time.monotonic() < self.host.quiet_until
        if data is None or not (quiet or pipe.flush()):
            self.host.gone()
