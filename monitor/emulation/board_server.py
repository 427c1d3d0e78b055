"""Serves an emulated board on a pseudo-terminal or a TCP port: its time, its host, and its link to another board."""

from __future__ import annotations

import select
import time
from collections.abc import Callable
from dataclasses import dataclass

from ..errors import InputError
from ..protocol.records import Loopback
from .board import BoardSetup, RecordBoard
from .host_port import HostPort, address_of
from .host_session import MOST_WAITING, ROOM_OCTETS, HostSession
from .pair_link import PairLink

__all__ = ["MOST_HYPERFRAMES", "POLL_S", "BoardServing", "check_name", "serve"]

MOST_HYPERFRAMES = 50
MOST_NAME_OCTETS = 64
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
    check_name(setup.name)
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


def check_name(name: str) -> None:
    """InputError for a name that a board cannot have."""
    if not (name.isprintable() and 0 < len(name.encode()) <= MOST_NAME_OCTETS):
        raise InputError(f"--name: 1 to {MOST_NAME_OCTETS} octets of printable text")


class _Loop:
    """Time, the host and the link; ends after `limit` hyperframes."""

    def __init__(
        self, board: RecordBoard, host: HostPort, link: PairLink | None, pace: float, limit: int | None
    ) -> None:
        self.board = board
        self.session = HostSession(board, host)
        self.link = link
        self.pace = pace
        self.limit = limit
        self._due_from = time.monotonic()
        self._done = 0
        self._sent = 0

    def run(self) -> None:
        while not self._finished():
            n = self._due()
            if n:
                self.session.put(self.board.advance(n, room=self.session.room))
                self._sent += n
                self._done += n
                if self.link is not None:
                    out = self.board.to_link()
                    if self.link.pipe is not None:
                        self.link.pipe.waiting += out
            self.session.tell_status()
            self._wait(0.0 if n else POLL_S)

    def _finished(self) -> bool:
        if self.limit is None or self._sent < self.limit:
            return False
        return self.session.written

    def _due(self) -> int:
        """Hyperframes to make now.

        A slow host holds the board up, and so does none; with a partner its data are lost instead.
        """
        now = time.monotonic()
        partner = self.link.pipe if self.link is not None else None
        held = len(partner.waiting) > ROOM_OCTETS if partner is not None else not self.session.room
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

    def _wait(self, timeout: float) -> None:
        """Until something can be read or written, or the time for more has come."""
        link, session = self.link, self.session
        if link is not None and link.join():
            self.board.link_changed(True)
        if self.pace and not timeout:
            timeout = 0.0
        elif self.pace:
            timeout = min(timeout, 1 / self.pace)
        readers, writers = session.readers(), session.writers()
        if link is not None and link.pipe is not None:
            readers += [link.pipe.fd] if len(link.pipe.waiting) < MOST_WAITING else []
            writers += [link.pipe.fd] if link.pipe.waiting else []
        readable, _, _ = select.select(readers, writers, [], timeout)
        session.serve(readable)
        if link is not None and link.pipe is not None:
            data = link.pipe.read()
            if data is None or not link.pipe.flush():
                link.down()
                self.board.link_changed(False)
            elif data:
                link.heard = True
                session.put(self.board.from_link(data, room=session.room))
