"""Exceptions of the monitor: what a user can put right.

    MonitorError(Exception)
    ├── InputError       a source that cannot be read as asked (exit status 2)
    │   └── RefusedError a board that does not carry out a command
    └── OutputError      a file that cannot be written (exit status 2)

Each prints as one line, without a traceback. What is wrong *on the link* is never an exception.
"""

from __future__ import annotations

__all__ = ["InputError", "MonitorError", "OutputError", "RefusedError"]


class MonitorError(Exception):
    """Root of every exception that monitor/ raises on purpose; `str()` is one line.

    `where` is a byte offset in the input, or None; `hint` says what to do about it, or is None.
    """

    def __init__(self, message: str, where: int | None = None, hint: str | None = None) -> None:
        super().__init__(message, where, hint)
        self.message = message
        self.where = where
        self.hint = hint

    def __str__(self) -> str:
        text = self.message
        if self.where is not None:
            text += f" at offset {self.where}"
        if self.hint:
            text += f"; {self.hint}"
        return " ".join(text.split())


class InputError(MonitorError):
    """A file, stream or setting that cannot be used as a source."""


class RefusedError(InputError):
    """A command that a board does not carry out; the line and the board go on."""


class OutputError(MonitorError):
    """A file that cannot be written."""
