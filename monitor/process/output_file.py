"""Output files, under one rule for every command.

A file that is there already is refused unless the user said to replace it (`force`). A file is whole or not there:
written beside its place under a hidden name, and put there at the end. A symbolic link is never written through:
without `force` it is refused, with it the link itself is replaced and what it points to stays. An empty file holds
nothing to lose and counts as not there. Devices, pipes and the standard streams are written in place.
Nothing here knows what is written.
"""

from __future__ import annotations

import os
import secrets
import shutil
import stat
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

from ..errors import OutputError

__all__ = ["OutputFile", "check_output", "check_report", "clear_report", "new_file", "write_report"]

_FORCE = "--force replaces it"
_STREAMS = ("/dev/std", "/dev/fd/", "/proc/")


def check_output(path: Path, source: str = "", *, force: bool) -> None:
    """OutputError where `path` must not be written: it is there already, a folder, or the source itself."""
    text = os.fspath(path)
    try:
        there = path.lstat()
    except FileNotFoundError:
        return
    except OSError as error:
        raise OutputError(f"{path}: {error.strerror}") from None
    if text.startswith(_STREAMS):
        return
    if path.is_dir():
        raise OutputError(f"{path}: Is a directory")
    with suppress(OSError):
        if source and path.samefile(source):
            raise OutputError(f"{path}: is the source itself")
    if force:
        return
    if stat.S_ISLNK(there.st_mode):
        if not path.exists() or path.is_file():
            raise OutputError(f"{path}: is a symbolic link", hint=f"{_FORCE}, not the file it points to")
    elif stat.S_ISREG(there.st_mode) and there.st_size:
        raise OutputError(f"{path}: exists already", hint=_FORCE)


class OutputFile:
    """`stream` takes the octets; leaving without an exception puts the file at `path`, with one removes it.

    Until then they are in `part`, beside its place, under a hidden name that nothing had. A device, a pipe, and a
    file in a folder that takes no new one are written in place (`in_place`). OutputError where `path` is refused
    (`check_output`) or the system refuses; a KeyboardInterrupt says what is there now.
    """

    def __init__(self, path: Path, *, force: bool = False) -> None:
        check_output(path, force=force)
        self.path = path
        self.in_place = _in_place(path)
        self._force = force
        self.part = path if self.in_place else _beside(path)
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
                _put(self.part, self.path, force=self._force)
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


def _beside(path: Path) -> Path:
    """A hidden name in the folder of `path` that nothing has."""
    return path.with_name(f".framefray-{secrets.token_hex(8)}.part")


def _put(part: Path, path: Path, *, force: bool) -> None:
    """Move `part` to `path`; OSError, or OutputError where something has been put there meanwhile."""
    if not force:
        try:
            os.link(part, path)  # unlike a rename it never replaces
        except (OSError, AttributeError, NotImplementedError):
            check_output(path, force=False)
        else:
            return
    if path.is_file() and not path.is_symlink():
        with suppress(OSError):
            shutil.copymode(path, part)
    part.replace(path)


def _in_place(path: Path) -> bool:
    """Whether `path` cannot be replaced, only written into."""
    if not path.exists():
        return False
    if not path.is_file() or os.fspath(path).startswith(_STREAMS):
        return True
    return not path.is_symlink() and not os.access(path.absolute().parent, os.W_OK)


def new_file(path: Path, *, force: bool) -> int:
    """A file descriptor to an empty regular file at `path`, there at once: for a file that grows as its data come.

    An older file goes in the same moment. OutputError as for OutputFile, and where `path` is no regular file.
    """
    check_output(path, force=force)
    flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    try:
        with suppress(FileExistsError):  # O_EXCL goes through no symbolic link
            return os.open(path, flags, 0o666)
        if path.exists() and (not path.is_file() or os.fspath(path).startswith(_STREAMS)):
            raise OutputError(f"{path}: is no regular file")
        if os.name == "nt":  # where an open file cannot be renamed
            path.unlink()
            return os.open(path, flags, 0o666)
        part = _beside(path)
        fd = os.open(part, flags, 0o666)
        try:
            part.replace(path)
        except OSError:
            os.close(fd)
            part.unlink()
            raise
        return fd
    except OSError as error:
        raise OutputError(f"{path}: {error.strerror}") from None


def check_report(name: str, *, force: bool = False) -> None:
    """OutputError where a report that is to be written later cannot be; nothing is changed."""
    path = Path(name)
    check_output(path, force=force)
    if _in_place(path):
        if path.is_file() and not os.access(path, os.W_OK):
            raise OutputError(f"{name}: Permission denied")
        return
    part = _beside(path)
    try:
        part.open("xb").close()
        part.unlink()
    except OSError as error:
        raise OutputError(f"{name}: {error.strerror}") from None


def clear_report(name: str, *, force: bool = False) -> None:
    """The same, and a report of an older run that is to be replaced goes now: none of it stays if this run fails."""
    check_report(name, force=force)
    path = Path(name)
    if force and (path.is_symlink() or path.is_file()) and not _in_place(path):
        try:
            path.unlink()
        except OSError as error:
            raise OutputError(f"{name}: {error.strerror}") from None


def write_report(name: str, octets: bytes, *, force: bool = False) -> None:
    """A whole report to its place; OutputError where it cannot be."""
    with OutputFile(Path(name), force=force) as file:
        file.write(octets)
