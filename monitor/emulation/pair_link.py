"""The way from an emulated board to the other one of a pair: a socket at a path, or a TCP port.

Whoever comes first listens, the other connects. A path is bound as it is, never cleared for it: what is there
already stays, whatever it is, and at the end only the very socket that was made here is removed.
"""

from __future__ import annotations

import errno
import os
import socket
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from ..errors import InputError
from ..process.posix import file_socket
from .host_port import BUSY_S, address_of, listener_at
from .pipes import Pipe, socket_pipe

__all__ = ["PairLink"]

RACE_S = 2.0
"""How long a socket without an answer may be that of a board that is just starting."""


class PairLink:
    """`text` is a path with a / in it, or HOST:PORT. `tell` gets what is to be said, each thing once."""

    def __init__(self, text: str, listen_any: bool, tell: Callable[[str], None]) -> None:
        self.text = text
        self._path = Path(text) if "/" in text or os.sep in text else None
        other = ", and no path of a socket either, which has a / in it, as ./link"
        self._address = None if self._path is not None else address_of(text, listen_any, or_else=other)
        self.pipe: Pipe | None = None
        self.listener: socket.socket | None = None
        self.heard = False
        self._tell = tell
        self._told: set[str] = set()
        self._connection: socket.socket | None = None
        self._made: tuple[int, int] | None = None  # device and inode of the socket that was made here
        self._was_up = False
        self._not_before = 0.0
        self._unanswered_since: float | None = None

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
        connection = file_socket() if self._path is not None else socket.socket(socket.AF_INET)
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
            self._listen_at(self._address)
            return
        assert self._path is not None
        listener = file_socket()
        try:
            listener.bind(str(self._path))
        except OSError as error:
            listener.close()
            self._taken(error)
            return
        there = self._path.lstat()
        self._made = (there.st_dev, there.st_ino)
        listener.listen(1)
        listener.setblocking(False)
        self.listener = listener

    def _listen_at(self, address: tuple[str, int]) -> None:
        """Listen on a port; one that is in use may be that of a board that is just starting there, too."""
        try:
            self.listener = listener_at(address)
        except InputError as error:
            now = time.monotonic()
            self._unanswered_since = self._unanswered_since or now
            starting = os.strerror(errno.EADDRINUSE) in str(error) and now - self._unanswered_since < RACE_S
            if not starting and not self._was_up:
                raise
            self._not_before = now + 0.2

    def _taken(self, error: OSError) -> None:
        """The path cannot be bound: wait for a board that is just starting there; InputError for anything else."""
        assert self._path is not None
        if error.errno != errno.EADDRINUSE:
            raise InputError(f"{self._path}: {error.strerror or error}") from None
        if not self._path.is_socket():
            raise InputError(
                f"{self._path}: exists already and is no socket", hint="name a path that is free"
            ) from None
        now = time.monotonic()
        self._not_before = now + 0.2
        self._unanswered_since = self._unanswered_since or now
        if now - self._unanswered_since < RACE_S:
            return
        left = f"{self._path}: there is already a socket, and no program answers"
        hint = "remove it if no program uses it"
        if not self._was_up:
            raise InputError(left, hint=hint) from None
        self._not_before = now + BUSY_S  # the other board was killed; this one goes on, and waits
        self._once(f"{left}: left over from the other board? {hint}")

    def _once(self, text: str) -> None:
        if text not in self._told:
            self._told.add(text)
            self._tell(text)

    def _up(self, connection: socket.socket) -> bool:
        self.heard = False
        self._was_up, self._unanswered_since = True, None
        self._connection = connection
        self.pipe = socket_pipe(connection)
        return True

    def down(self) -> None:
        """The other board has ended, or refused this one."""
        if not self.heard and self.listener is None:
            self._not_before = time.monotonic() + BUSY_S
            self._once(f"--link {self.text}: let go at once; it may have two boards already")
        self._drop()

    def _drop(self) -> None:
        if self._connection is not None:
            self._connection.close()
        self._connection = self.pipe = None

    def close(self) -> None:
        self._drop()
        if self.listener is None:
            return
        self.listener.close()
        if self._path is not None and self._made is not None:
            with suppress(OSError):
                there = self._path.lstat()
                if (there.st_dev, there.st_ino) == self._made:
                    self._path.unlink()
