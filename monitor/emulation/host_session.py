"""A board's talk with its host: records out as there is room, commands in, a status once a second."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterable
from typing import Protocol

from .host_port import HostPort

__all__ = ["MOST_WAITING", "ROOM_OCTETS", "HostSession", "TalkingBoard"]

ROOM_OCTETS = 256 << 10
MOST_WAITING = 8 * ROOM_OCTETS
STATUS_S = 1.0


class TalkingBoard(Protocol):
    """What a board says to its host: at first, of itself, and in answer to octets from it."""

    def start(self) -> bytes: ...

    def status(self) -> bytes: ...

    def receive(self, data: bytes) -> bytes: ...


class HostSession:
    """One board on one port; hosts come and go."""

    def __init__(self, board: TalkingBoard, host: HostPort) -> None:
        self.host = host
        self._board = board
        self._next_status = 0.0
        if host.pipe is not None:
            host.pipe.waiting += board.start()

    @property
    def room(self) -> bool:
        """Whether line data have room; else they are lost."""
        pipe = self.host.pipe
        if pipe is None or len(pipe.waiting) >= ROOM_OCTETS:
            return False
        return time.monotonic() >= self.host.quiet_until

    @property
    def written(self) -> bool:
        """Whether the host has everything."""
        return self.host.pipe is None or not self.host.pipe.waiting

    def put(self, octets: bytes) -> None:
        if self.host.pipe is not None:
            self.host.pipe.waiting += octets

    def tell_status(self) -> None:
        """Send a STATUS where it is time for one."""
        now = time.monotonic()
        if now >= self._next_status and self.host.pipe is not None and now >= self.host.quiet_until:
            self._next_status = now + STATUS_S
            if self.room:
                self.put(self._board.status())

    def readers(self) -> list[int | socket.socket]:
        """What to wait for: a host that commands and never reads is not heard until it has taken its answers."""
        pipe, listener = self.host.pipe, self.host.listener
        out: list[int | socket.socket] = []
        if pipe is not None and len(pipe.waiting) < MOST_WAITING:
            out.append(pipe.fd)
        if listener is not None:
            out.append(listener)
        return out

    def writers(self) -> list[int]:
        pipe = self.host.pipe
        return [pipe.fd] if pipe is not None and pipe.waiting else []

    def serve(self, readable: Iterable[int | socket.socket]) -> None:
        """Read commands, write what waits, and take a new host."""
        pipe = self.host.pipe
        if pipe is not None:  # before anybody new: it may have left just now
            data = pipe.read() if len(pipe.waiting) < MOST_WAITING else b""
            if data:
                self.host.quiet_until = 0.0
                pipe.waiting += self._board.receive(data)
            quiet = time.monotonic() < self.host.quiet_until
            if data is None or not (quiet or pipe.flush()):
                self.host.gone()
        self.host.let_go()
        if self.host.listener is not None and self.host.listener in readable and self.host.accept():
            self.put(self._board.start())
