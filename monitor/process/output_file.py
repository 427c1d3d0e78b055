"""An output file that is whole or not there: written beside its place, put there at the end.

Nothing here knows what is written.
"""

from __future__ import annotations

import os
import secrets
import shutil
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

from ..errors import OutputError

__all__ = ["OutputFile", "check_output", "check_report", "clear_report"]


def check_output(path: Path, source: str, *, force: bool) -> None:
    """OutputError where `path` must not be written: it is there already, or it is the source itself."""
    if path.is_dir():
        raise OutputError(f"{path}: is a directory")
    try:
        same = path.samefile(source)
    except OSError:
        same = False
    if same:
        raise OutputError(f"{path}: is the source itself")
    if path.exists() and not force:
        raise OutputError(f"{path}: exists already", hint="--force writes over it")


class OutputFile:
    """`stream` takes the octets; leaving without an exception puts the file at `path`, with one removes it.

    Until then they are in `part`, beside its place, under a hidden name that nothing had. A device, a pipe, and a
    file in a folder that takes no new one are written in place (`in_place`). OutputError where the system refuses; a
    KeyboardInterrupt says what is there now.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.in_place = _in_place(path)
        target = path if self.in_place else Path(os.path.realpath(path))
        self._target = target
        self.part = target if self.in_place else target.with_name(f".framefray-{secrets.token_hex(8)}.part")
        try:
            self.stream: BinaryIO = self.part.open("wb" if self.in_place else "x+b")
        except OSError as error:
            raise OutputError(f"{path}: {error.strerror}") from None

    @property
    def left(self) -> str:
        """What is there after a failure."""
        return "what was written is cut short" if self.in_place else "nothing was written"

    def __enter__(self) -> Self:
        return self

    def write(self, octets: bytes | memoryview) -> None:
        """Write through to the system."""
        try:
            self.stream.write(octets)
            self.stream.flush()
        except OSError as error:
            raise self._failed(error) from None

    def _failed(self, error: OSError) -> OutputError:
        return OutputError(f"{self.path}: {error.strerror or error}", hint=self.left)

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self.stream.close()
            if kind is None and not self.in_place:
                with suppress(OSError):
                    shutil.copymode(self._target, self.part)
                self.part.replace(self._target)
        except OSError as error:
            if kind is None:
                raise self._failed(error) from None
        finally:
            if not self.in_place:
                self.part.unlink(missing_ok=True)
        if isinstance(value, BrokenPipeError):
            return
        if isinstance(value, OSError) and value.filename is None:
            raise self._failed(value) from None
        if isinstance(value, KeyboardInterrupt) and not value.args:
            value.args = (f"{self.path}: {self.left}",)


def _in_place(path: Path) -> bool:
    """Whether nothing can be put in the place of `path`, only written into it."""
    if not path.exists():
        return False
    streams = ("/dev/std", "/dev/fd/", "/proc/")
    return (
        not path.is_file() or str(path).startswith(streams) or not os.access(path.resolve().parent, os.W_OK)
    )


def check_report(name: str) -> None:
    """OutputError where a report that is to be written later cannot be; nothing is changed."""
    new = not os.path.lexists(name)
    _open_report(name, "ab")
    if new and Path(name).is_file():
        Path(name).unlink()


def clear_report(name: str) -> None:
    """Empty a report to be written later, so that none of an older run stays; OutputError where it cannot be."""
    _open_report(name, "wb")


def _open_report(name: str, mode: str) -> None:
    """Open and close it; but not a pipe or a device, which whoever reads would take for ended."""
    path = Path(name)
    try:
        if path.is_file() or path.is_dir() or not path.exists():
            path.open(mode).close()
    except OSError as error:
        raise OutputError(f"{name}: {error.strerror}") from None
