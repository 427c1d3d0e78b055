"""Standard input, output and error, whatever a shell or a supervisor has made of them."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Iterable
from typing import Any

from ..text import inert, json_text

__all__ = [
    "complete_streams",
    "discard_output",
    "erase_progress",
    "print_json",
    "print_lines",
    "show_progress",
    "tell",
    "write_output",
]


def complete_streams() -> None:
    """In place of closed ones an empty input, an output that refuses, and errors that nobody reads.

    No file that is opened later takes their numbers so, and text that a terminal cannot show is no failure.
    """
    for fileno, (name, mode, flags) in enumerate(
        (("stdin", "r", os.O_RDONLY), ("stdout", "w", os.O_RDONLY), ("stderr", "w", os.O_WRONLY))
    ):
        if getattr(sys, name) is None:
            fd = os.open(os.devnull, flags)
            if fd != fileno:
                os.dup2(fd, fileno)
                os.close(fd)
            setattr(sys, name, open(fileno, mode, closefd=False))  # noqa: SIM115
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")


def discard_output() -> None:
    """Throw away what standard output still holds: nobody reads it, and the interpreter must not wait for it."""
    sink = os.open(os.devnull, os.O_WRONLY)
    os.dup2(sink, sys.stdout.fileno())
    os.close(sink)


def write_output(octets: bytes) -> None:
    """All of it to standard output, flushed; unbuffered, Python forgets the rest of a write that a signal cut."""
    sys.stdout.flush()
    stream, rest = sys.stdout.buffer, memoryview(octets)
    while rest:
        rest = rest[stream.write(rest) or 0 :]
    stream.flush()


def print_lines(lines: Iterable[str]) -> None:
    """Lines of a report to standard output, each one inert."""
    for line in lines:
        print(inert(line))


def print_json(record: Any) -> None:
    """A record to standard output as one line of JSON."""
    write_output(f"{json_text(record)}\n".encode())


def show_progress(text: str) -> None:
    """How far it is, on a terminal: `framefray: text` in the place of the progress before."""
    sys.stderr.write(f"\rframefray: {inert(text)} ")
    sys.stderr.flush()


def erase_progress() -> None:
    """Make room for another line in the place of the progress, where standard error is a terminal."""
    if sys.stderr.isatty():
        sys.stderr.write("\r\x1b[K")
        sys.stderr.flush()


def tell(text: str, who: str = "framefray") -> None:
    """One line to whoever sits at the terminal, inert: `framefray: text` on standard error."""
    print(f"{who}: {inert(text)}", file=sys.stderr)
