"""An output file that is whole or not there: written beside its place, put there at the end.

Nothing here knows what is written.
"""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

from ..errors import OutputError

__all__ = ["OutputFile", "check_output"]


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

    OutputError where the system refuses to open or place the file.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._part = path.with_name(path.name + ".part")
        try:
            self.stream: BinaryIO = self._part.open("w+b")
        except OSError as error:
            raise OutputError(f"{path}: {error.strerror}") from None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self.stream.close()
            if kind is None:
                self._part.replace(self.path)
        except OSError as error:
            if kind is None:
                raise OutputError(f"{self.path}: {error.strerror}") from None
        finally:
            self._part.unlink(missing_ok=True)
        if isinstance(value, OSError) and value.filename is None:
            raise OutputError(f"{self.path}: {value.strerror}") from None
