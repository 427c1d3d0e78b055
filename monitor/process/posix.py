"""What only POSIX systems have: pseudo-terminals, sockets in the file system, reading at a place, terminal errors.

The one module that names `pty`, `tty` and `termios`, and only where it is called; elsewhere each function says
plainly what the system lacks, or does without.
"""

from __future__ import annotations

import os
import select
import socket
import threading
from contextlib import suppress
from typing import Any

from ..errors import InputError

__all__ = ["can_wait_for_files", "file_socket", "file_waits", "pseudo_terminal", "read_at", "terminal_errors"]

_seeking = threading.Lock()


def pseudo_terminal() -> tuple[int, int, str]:
    """(master, slave, name of the slave), raw; InputError where the system has none."""
    try:
        import pty
        import tty

        master, slave = pty.openpty()
    except (ImportError, AttributeError):
        raise InputError(
            "--pty: this system has no pseudo-terminals", hint="use --tcp 127.0.0.1:PORT"
        ) from None
    tty.setraw(slave)
    return master, slave, os.ttyname(slave)


def file_socket() -> socket.socket:
    """A stream socket that is bound to a path; InputError where the system has none."""
    family = getattr(socket, "AF_UNIX", None)
    if family is None:
        raise InputError("this system has no sockets at a path", hint="give HOST:PORT")
    return socket.socket(family)


def terminal_errors() -> tuple[type[BaseException], ...]:
    """What a terminal raises beside OSError: a pty whose other end is closed answers settings with termios.error."""
    with suppress(ImportError):
        import termios

        return (termios.error,)
    return ()


def read_at(fd: int, count: int, place: int) -> bytes:
    """Octets of a file from `place` on; from any thread."""
    read: Any = getattr(os, "pread", None)
    if read is not None:
        octets: bytes = read(fd, count, place)
        return octets
    with _seeking:
        os.lseek(fd, place, os.SEEK_SET)
        return os.read(fd, count)


def can_wait_for_files() -> bool:
    """Whether `file_waits` can be asked for more than sockets."""
    return os.name == "posix"


def file_waits(fd: int, seconds: float | None) -> bool:
    """Wait until there is something to read on `fd`; False where nothing has come in time."""
    return bool(select.select([fd], [], [], seconds)[0])
