"""One end of a line that octets go through both ways without waiting, and what waits to be written to it."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Callable

__all__ = ["DEAD_S", "READ_OCTETS", "Pipe", "socket_pipe", "terminal_pipe"]

READ_OCTETS = 64 << 10
DEAD_S = 10


class Pipe:
    """`fd` is for select; `receive` and `send` are those of a socket or a terminal that does not block."""

    def __init__(self, fd: int, receive: Callable[[int], bytes], send: Callable[[bytes], int]) -> None:
        self.fd = fd
        self.waiting = bytearray()
        self._receive, self._send = receive, send
        self._taken = time.monotonic()

    def read(self) -> bytes | None:
        """What is there; None at the end."""
        try:
            return self._receive(READ_OCTETS) or None
        except BlockingIOError:
            return b""
        except OSError:
            return None

    def flush(self) -> bool:
        """Write what the other end takes; False where it is closed."""
        if not self.waiting:
            self._taken = time.monotonic()
        while self.waiting:
            try:
                done = self._send(bytes(self.waiting[:READ_OCTETS]))
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


def socket_pipe(connection: socket.socket) -> Pipe:
    connection.setblocking(False)
    return Pipe(connection.fileno(), connection.recv, connection.send)


def terminal_pipe(fd: int) -> Pipe:
    os.set_blocking(fd, False)
    return Pipe(fd, lambda most: os.read(fd, most), lambda octets: os.write(fd, octets))
