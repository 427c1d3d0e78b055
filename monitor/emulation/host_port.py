"""The way from an emulated board to its host: a pseudo-terminal that stays, or a TCP port on the loopback."""

from __future__ import annotations

import ipaddress
import socket
import time
from contextlib import suppress

from ..errors import InputError
from ..process.posix import pseudo_terminal
from ..protocol.records import LogText
from ..protocol.stream import RecordWriter
from .pipes import Pipe, socket_pipe, terminal_pipe

__all__ = ["BUSY_S", "HostPort", "address_of", "host_of", "is_loopback", "listener_at"]

BUSY_S = 1.0
FIRST_WORD_S = 0.3
_BUSY = "this board serves one host at a time, and another one is connected"


class HostPort:
    """The way to the host: a pseudo-terminal that stays, or a TCP port with one connection at a time."""

    def __init__(self, address: tuple[str, int] | None) -> None:
        self.pipe: Pipe | None = None
        self.listener: socket.socket | None = None
        self._connection: socket.socket | None = None
        self._refused: list[tuple[socket.socket, float]] = []
        self.quiet_until = 0.0
        if address is None:
            self.name = self._open_terminal()
            return
        self.listener = listener_at(address)
        host, port = self.listener.getsockname()[:2]
        self.name = f"socket://{f'[{host}]' if ':' in host else host}:{port}"

    def _open_terminal(self) -> str:
        master, slave, name = pseudo_terminal()
        # The other end is held open too, so that a host may come and go.
        self._slave = slave
        self.pipe = terminal_pipe(master)
        return name

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
        self.pipe = socket_pipe(connection)
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


def listener_at(address: tuple[str, int], waiting: int = 1) -> socket.socket:
    """A socket that listens, at most `waiting` connections not yet taken; InputError where it cannot."""
    family = socket.AF_INET6 if ":" in address[0] else socket.AF_INET
    try:
        listener = socket.create_server(address, family=family, backlog=waiting)
    except OSError as error:
        reason = (error.strerror or str(error)).partition(" (while")[0]
        raise InputError(f"{address[0]}:{address[1]}: {reason}") from None
    listener.setblocking(False)
    return listener


def address_of(
    text: str, listen_any: bool, *, or_else: str = "", risk: str = "anybody may command the board there"
) -> tuple[str, int]:
    """HOST:PORT or PORT; InputError for another host than the loopback unless that was asked for.

    `or_else` says what else the text could have been, `risk` what listening elsewhere means.
    """
    host, _, port = text.rpartition(":")
    host = host.strip("[]") or "127.0.0.1"
    if not port.isdecimal() or len(port) > 5 or int(port) > 65535:
        raise InputError(f"{text!r} is not HOST:PORT{or_else}")
    if not listen_any and not is_loopback(host):
        raise InputError(
            f"{host} is not this machine's loopback, and {risk}",
            hint="--listen-any allows it",
        )
    return host, int(port)


def host_of(text: str) -> str:
    """The host of HOST or HOST:PORT, as in a Host header; without the brackets of an IPv6 address."""
    if text.startswith("["):
        return text[1:].partition("]")[0]
    return text.partition(":")[0]


def is_loopback(host: str) -> bool:
    """Whether a host name or address is this machine's loopback."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
