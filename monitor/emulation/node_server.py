"""Serves a board of a chain: its links to the boards on both sides, and a host on a port of its own for each link.

A board goes on whatever the others do. One that has ended leaves its link without a signal; so does one that is
stopped, after a second. What is sent to a board that takes nothing is held back for as long, then lost.
"""

from __future__ import annotations

import select
import socket
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from decoders.arrays import U16

from ..errors import InputError
from .board import BoardSetup
from .board_server import MOST_HYPERFRAMES, POLL_S, check_name
from .host_port import HostPort, address_of
from .host_session import ROOM_OCTETS, HostSession
from .node_board import NodeBoard, PortBoard
from .pair_link import PairLink

__all__ = ["NodeServing", "serve_node"]

SILENT_S = 1.0
FREE_PACE = 750.0
"""Hyperframes a second of a radio head without a signal, where no pace is given."""
_LARGEST_PIECE = 1 << 20


@dataclass(frozen=True, slots=True)
class NodeServing:
    """Where a board is served, and its links: each a path or HOST:PORT, None for none.

    `tcp` has HOST:PORT for the host of each link, the one towards the REC first; a link without one gets a
    pseudo-terminal. `pace` is hyperframes a second, 0 as fast as it goes; the board ends after `hyperframes`.
    """

    uplink: str | None = None
    downlink: str | None = None
    tcp: Sequence[str] = ()
    listen_any: bool = False
    pace: float = 0.0
    hyperframes: int | None = None


def serve_node(
    setup: BoardSetup,
    serving: NodeServing,
    *,
    ready: Callable[[Sequence[str]], None],
    tell: Callable[[str], None],
) -> None:
    """Serve until the hyperframes are sent, or for ever. `ready` gets the SOURCE of each link, in the order of `tcp`.

    InputError for settings that do not go together, and where a port or a path cannot be had.
    """
    texts = [text for text in (serving.uplink, serving.downlink) if text is not None]
    if len(serving.tcp) > len(texts):
        raise InputError(f"--tcp {serving.tcp[-1]}: the board has {len(texts)} link, and a port for each")
    if len(set(texts)) < len(texts):
        raise InputError(f"{texts[0]}: --uplink and --downlink are two links, and need two paths or ports")
    check_name(setup.name)
    try:
        board = NodeBoard(setup, uplink=serving.uplink is not None, downlink=serving.downlink is not None)
    except ValueError as error:
        raise InputError(str(error)) from None
    links = [PairLink(text, serving.listen_any, tell) for text in texts]
    addresses = [address_of(text, serving.listen_any) for text in serving.tcp]
    hosts = [HostPort(addresses[i] if i < len(addresses) else None) for i in range(len(texts))]
    sides = [_Side(*parts, tell) for parts in zip(board.ports, links, hosts, strict=True)]
    try:
        for side in sides:
            board.receive_nothing(
                side.port, 1
            )  # builds the code tables, so that the first host is answered at once
            side.join()
        ready([host.name for host in hosts])
        _NodeLoop(board, sides, serving.pace, serving.hyperframes).run()
    finally:
        for link in links:
            link.close()


class _Side:
    """One link of the board and its host."""

    def __init__(self, port: PortBoard, link: PairLink, host: HostPort, tell: Callable[[str], None]) -> None:
        self.port = port
        self._tell = tell
        self._told: set[str] = set()
        self.link = link
        self.session = HostSession(port, host)
        self._heard = self._not_before = 0.0
        self._full_since: float | None = None

    def join(self) -> None:
        if time.monotonic() >= self._not_before and self.link.join():
            self.port.link_changed(True)
            self._heard = time.monotonic()
            self._full_since = None

    @property
    def silent(self) -> bool:
        """Whether there is no signal: nothing comes from the other board, or nobody is there."""
        return self.link.pipe is None or time.monotonic() - self._heard > SILENT_S

    @property
    def full(self) -> bool:
        """Whether the other board has not taken what was sent lately; after a while that no longer counts."""
        if self.link.pipe is None or len(self.link.pipe.waiting) <= ROOM_OCTETS:
            self._full_since = None
            return False
        now = time.monotonic()
        self._full_since = self._full_since or now
        return now - self._full_since < SILENT_S

    def send(self) -> None:
        """Hand over what the board has sent; it is lost where the other one has long taken nothing."""
        out = self.port.to_link()
        pipe = self.link.pipe
        if pipe is not None and (self.full or len(pipe.waiting) <= ROOM_OCTETS):
            pipe.waiting += out

    def read(self) -> bytes:
        """What the other board has sent; the link is down where it has ended."""
        pipe = self.link.pipe
        if pipe is None:
            return b""
        data = pipe.read()
        if data is None or not pipe.flush():
            self.link.down()
            self.port.link_changed(False)
            return b""
        if data:
            self._heard, self.link.heard = time.monotonic(), True
        return data

    def arrived(self, data: bytes) -> U16:
        """Symbols in octets of the link; a board that does not belong there is let go, and this one goes on."""
        try:
            return self.port.arrived(data)
        except InputError as error:
            if str(error) not in self._told:
                self._told.add(str(error))
                self._tell(f"{self.link.text}: {error}")
            self.link.down()
            self.port.link_changed(False)
            self._not_before = time.monotonic() + SILENT_S
            return np.zeros(0, np.uint16)


class _NodeLoop:
    """Time, hosts and links; ends after `limit` hyperframes."""

    def __init__(self, board: NodeBoard, sides: Sequence[_Side], pace: float, limit: int | None) -> None:
        self.board = board
        self.sides = sides
        self.limit = limit
        self._pace = pace if pace or board.is_rec else FREE_PACE
        self._due_from = time.monotonic()
        self._done = 0

    def run(self) -> None:
        while not self._finished():
            for side in self.sides:
                side.join()
            heard = self._read()
            n = self._due()
            if n:
                self._pass_time(n)
            for side in self.sides:
                side.send()
                side.session.tell_status()
            self._wait(0.0 if heard or (n and not self._pace) else POLL_S)

    def _finished(self) -> bool:
        if self.limit is None or self.board.sent < self.limit:
            return False
        links = [side.link.pipe for side in self.sides]
        written = all(
            pipe is None or not pipe.waiting or side.silent
            for pipe, side in zip(links, self.sides, strict=True)
        )
        return written and all(side.session.written for side in self.sides)

    def _held(self, side: _Side) -> bool:
        """Whether what comes from a side must wait for the others to take what follows from it."""
        return any(other.full for other in self.sides if other is not side)

    def _read(self) -> bool:
        """Take what the other boards have sent; whether there was anything."""
        heard = False
        for side in self.sides:
            if self._held(side):
                continue
            data = side.read()
            if not data:
                continue
            heard = True
            symbols = side.arrived(data)
            if len(symbols):
                self._mark_alive()
                side.session.put(self.board.receive(side.port, symbols, room=side.session.room))
        return heard

    def _mark_alive(self) -> None:
        away = [side for side in self.sides if side.port is self.board.away]
        self.board.alive = bool(away) and not away[0].silent

    def _pass_time(self, n: int) -> None:
        """n hyperframes pass by this board's clock."""
        self._mark_alive()
        self.board.advance(n)
        for side in self.sides:
            if side.silent:
                records = self.board.receive_nothing(side.port, n, room=side.session.room)
                side.session.put(records)

    def _due(self) -> int:
        """Hyperframes that pass now by this board's clock; the REC is held up by a slow partner."""
        now = time.monotonic()
        done = self.limit is not None and self.board.sent >= self.limit
        if done or (self.board.is_rec and any(side.full for side in self.sides)):
            self._due_from, self._done = now, 0
            return 0
        most = min(MOST_HYPERFRAMES, max(1, _LARGEST_PIECE // self.board.option.hyperframe_octets))
        if self.limit is not None:
            most = min(most, self.limit - self.board.sent)
        if not self._pace:
            return most
        due = int((now - self._due_from) * self._pace) - self._done
        if due > 2 * MOST_HYPERFRAMES:
            self._due_from, self._done = now, 0
        n = min(due, most)
        self._done += n
        return n

    def _wait(self, timeout: float) -> None:
        """Until something can be read or written, or the time for more has come."""
        if self._pace:
            timeout = min(timeout, 1 / self._pace)
        readers: list[int | socket.socket] = []
        writers: list[int] = []
        for side in self.sides:
            readers += side.session.readers()
            writers += side.session.writers()
            pipe = side.link.pipe
            if pipe is not None:
                readers += [] if self._held(side) else [pipe.fd]
                writers += [pipe.fd] if pipe.waiting else []
        readable, _, _ = select.select(readers, writers, [], timeout)
        for side in self.sides:
            side.session.serve(readable)
            pipe = side.link.pipe
            if pipe is not None and not pipe.flush():
                side.link.down()
                side.port.link_changed(False)
