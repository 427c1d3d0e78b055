"""`framefray board`: an emulated board on a pseudo-terminal or a TCP port, speaking the record protocol.

The first line on standard output is the SOURCE to watch it by. It listens on the loopback only, unless told.
"""

from __future__ import annotations

import argparse
import ipaddress
import os
import select
import socket
import sys
import time
from contextlib import suppress
from pathlib import Path

from ..errors import InputError
from ..protocol.records import LogText, Loopback, RecordType
from ..protocol.stream import RecordWriter
from ..text import inert
from .board import BoardSetup, RecordBoard

MOST_HYPERFRAMES = 50
MOST_NAME_OCTETS = 64
ROOM_OCTETS = 256 << 10
READ_OCTETS = 64 << 10
STATUS_S = 1.0
POLL_S = 0.05
BUSY_S = 1.0
DEAD_S = 10
FIRST_WORD_S = 0.3
_BUSY = "this board serves one host at a time, and another one is connected"
LOOPBACKS = {"internal": Loopback.INTERNAL, "cable": Loopback.CABLE, "pair": Loopback.PAIR}
DATA = {"octets": RecordType.OCTETS, "flagged": RecordType.FLAGGED, "control": RecordType.CONTROL}


class _Pipe:
    """One open file descriptor or socket, and what waits to be written to it."""

    def __init__(self, fd: int) -> None:
        self.fd = fd
        self.waiting = bytearray()
        self._taken = time.monotonic()
        os.set_blocking(fd, False)

    def read(self) -> bytes | None:
        """What is there; None at the end."""
        try:
            return os.read(self.fd, READ_OCTETS) or None
        except BlockingIOError:
            return b""
        except OSError:
            return None

    def flush(self) -> bool:
        """Write what goes; False where nobody is there any more."""
        if not self.waiting:
            self._taken = time.monotonic()
        while self.waiting:
            try:
                done = os.write(self.fd, self.waiting[:READ_OCTETS])
            except BlockingIOError:
                return True
            except OSError:
                return False
            del self.waiting[:done]
            self._taken = time.monotonic()
        return True

    @property
    def stuck(self) -> bool:
        """The other end has taken nothing for long: it may be cut off, which nothing else tells."""
        return time.monotonic() - self._taken > DEAD_S


class _Host:
    """The way to the host: a pseudo-terminal that stays, or a TCP port with one connection at a time."""

    def __init__(self, address: tuple[str, int] | None) -> None:
        self.pipe: _Pipe | None = None
        self.listener: socket.socket | None = None
        self._connection: socket.socket | None = None
        self._refused: list[tuple[socket.socket, float]] = []
        self.quiet_until = 0.0
        if address is None:
            self.name = self._open_pty()
            return
        self.listener = _listen(address)
        host, port = self.listener.getsockname()[:2]
        self.name = f"socket://{f'[{host}]' if ':' in host else host}:{port}"

    def _open_pty(self) -> str:
        try:
            import pty
            import tty
        except ImportError:
            raise InputError("this system has no pseudo-terminals", hint="use --tcp 127.0.0.1:PORT") from None
        master, slave = pty.openpty()
        tty.setraw(slave)
        # The other end is held open too, so that a host may come and go.
        self._slave = slave
        self.pipe = _Pipe(master)
        return os.ttyname(slave)

    def accept(self) -> bool:
        """Take a connection; True where it is a new host.

        While another one is served it is told why not, and let go; but one that takes nothing any more gives way.
        """
        assert self.listener is not None
        try:
            connection, _ = self.listener.accept()
        except OSError:
            return False  # it has left again
        if self.pipe is not None and self.pipe.stuck:
            self.gone()
        if self.pipe is not None:
            connection.setblocking(False)
            with suppress(OSError):
                connection.send(RecordWriter().message(LogText(_BUSY)))
            # Closed at once, a command that is on its way would make the words be lost.
            self._refused.append((connection, time.monotonic() + BUSY_S))
            return False
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._connection = connection
        self.pipe = _Pipe(connection.fileno())
        # Some clients throw away what comes while they open: let them speak first.
        self.quiet_until = time.monotonic() + FIRST_WORD_S
        return True

    def let_go(self) -> None:
        """Close those that were refused a while ago."""
        now = time.monotonic()
        for connection, until in self._refused[:]:
            if now >= until:
                connection.close()
                self._refused.remove((connection, until))

    def gone(self) -> None:
        """The host has left."""
        if self._connection is not None:
            self._connection.close()
            self._connection = self.pipe = None


def _listen(address: tuple[str, int]) -> socket.socket:
    family = socket.AF_INET6 if ":" in address[0] else socket.AF_INET
    try:
        listener = socket.create_server(address, family=family, backlog=1)
    except OSError as error:
        reason = (error.strerror or str(error)).partition(" (while")[0]
        raise InputError(f"{address[0]}:{address[1]}: {reason}") from None
    listener.setblocking(False)
    return listener


def address_of(text: str, listen_any: bool, *, or_else: str = "") -> tuple[str, int]:
    """HOST:PORT or PORT; InputError for another host than the loopback unless that was asked for.

    `or_else` says what else the text could have been.
    """
    host, _, port = text.rpartition(":")
    host = host.strip("[]") or "127.0.0.1"
    if not port.isdecimal() or len(port) > 5 or int(port) > 65535:
        raise InputError(f"{text!r} is not HOST:PORT{or_else}")
    if not listen_any and not _is_loopback(host):
        raise InputError(
            f"{host} is not this machine's loopback, and anybody may command the board there",
            hint="--listen-any allows it",
        )
    return host, int(port)


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


class _Link:
    """The way to another board: whoever comes first listens, the other connects. A path or HOST:PORT."""

    def __init__(self, text: str, listen_any: bool) -> None:
        self.text = text
        self._path = Path(text) if "/" in text else None
        other = ", and no path of a socket either, which has a / in it, as ./link"
        self._address = None if self._path is not None else address_of(text, listen_any, or_else=other)
        self.pipe: _Pipe | None = None
        self._connection: socket.socket | None = None
        self.listener: socket.socket | None = None
        self.heard = False
        self._told = False
        self._not_before = 0.0

    def join(self) -> bool:
        """Connect, or else listen; True where the link came up. A third board is let go."""
        if self.listener is not None:
            with suppress(OSError):
                connection, _ = self.listener.accept()
                if self.pipe is None:
                    return self._up(connection)
                connection.close()
            return False
        if self.pipe is not None or time.monotonic() < self._not_before:
            return False
        connection = socket.socket(socket.AF_UNIX if self._path else socket.AF_INET)
        try:
            connection.settimeout(1.0)
            connection.connect(str(self._path) if self._address is None else self._address)
        except OSError:
            connection.close()
            self._listen()
            return False
        return self._up(connection)

    def _listen(self) -> None:
        if self._address is not None:
            self.listener = _listen(self._address)
            return
        assert self._path is not None
        if self._path.is_socket():
            self._path.unlink()  # left over: nobody answered there
        self.listener = socket.socket(socket.AF_UNIX)
        try:
            self.listener.bind(str(self._path))
        except OSError as error:
            raise InputError(f"{self._path}: {error.strerror or error}") from None
        self.listener.listen(1)
        self.listener.setblocking(False)

    def _up(self, connection: socket.socket) -> bool:
        self.heard = False
        self._connection = connection
        self.pipe = _Pipe(connection.fileno())
        return True

    def down(self) -> None:
        """The other board is gone, or let this one go."""
        if not self.heard and self.listener is None:
            self._not_before = time.monotonic() + BUSY_S
            if not self._told:
                self._told = True
                print(
                    f"framefray: --link {inert(self.text)}: let go at once; it may have two boards already",
                    file=sys.stderr,
                )
        self._drop()

    def _drop(self) -> None:
        if self._connection is not None:
            self._connection.close()
        self._connection = self.pipe = None

    def close(self) -> None:
        self._drop()
        if self.listener is not None:
            self.listener.close()
            if self._path is not None:
                self._path.unlink(missing_ok=True)


def serve(arguments: argparse.Namespace) -> int:
    loopback = LOOPBACKS[arguments.loopback or ("pair" if arguments.link else "internal")]
    if (loopback is Loopback.PAIR) != bool(arguments.link):
        raise InputError("--loopback pair and --link PATH or HOST:PORT belong together")
    if arguments.ber and loopback is Loopback.INTERNAL:
        raise InputError(
            "--ber damages what a cable carries, and the board loops inside", hint="add --loopback cable"
        )
    if not (arguments.name.isprintable() and 0 < len(arguments.name.encode()) <= MOST_NAME_OCTETS):
        raise InputError(f"--name: 1 to {MOST_NAME_OCTETS} octets of printable text")
    try:
        board = RecordBoard(
            BoardSetup(
                name=arguments.name,
                option=arguments.option,
                seed=arguments.seed,
                loopback=loopback,
                data_type=DATA[arguments.data],
                bit_error_ratio=arguments.ber,
            )
        )
    except ValueError as error:
        raise InputError(str(error)) from None
    host = _Host(None if arguments.tcp is None else address_of(arguments.tcp, arguments.listen_any))
    link = _Link(arguments.link, arguments.listen_any) if arguments.link else None
    print(host.name, flush=True)
    print(
        f"framefray: {board.setup.name}, option {board.option.name}; framefray watch {host.name}",
        file=sys.stderr,
    )
    try:
        _Loop(board, host, link, arguments.pace, arguments.hyperframes).run()
    finally:
        if link is not None:
            link.close()
    return 0


class _Loop:
    """Time, the host and the link; ends after `limit` hyperframes."""

    def __init__(
        self, board: RecordBoard, host: _Host, link: _Link | None, pace: float, limit: int | None
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
        readers: list[int | socket.socket] = [p.fd for p in (host.pipe, link and link.pipe) if p]
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

    def _serve(self, pipe: _Pipe) -> None:
        data = pipe.read()
        if data:
            self.host.quiet_until = 0.0
            pipe.waiting += self.board.receive(data)
        quiet = time.monotonic() < self.host.quiet_until
        if data is None or not (quiet or pipe.flush()):
            self.host.gone()
