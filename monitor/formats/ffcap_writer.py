"""Writes .ffcap recordings, crash-safe."""

from __future__ import annotations

import os
import time
import zlib
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Self

from ..errors import InputError, OutputError
from .ffcap import (
    MARKER,
    MAX_PAYLOAD,
    RECORD_CRC,
    RECORD_HEAD,
    CaptureHeader,
    CaptureRecordFlag,
    CaptureRecordType,
)
from .ffcap_reader import CaptureIndex, CaptureReader, RecordHead

__all__ = ["CaptureWriter"]


class CaptureWriter:
    """Writes a capture; each record goes to the system whole and at once, to disk every `fsync_s` seconds.

    With `append` an existing capture is continued: a record torn by a kill is cut off, the sequence goes on.
    InputError where what is there is no capture or has another form or option; OutputError where the system
    refuses (a record that did not fit is taken back).
    """

    def __init__(
        self,
        path: str | Path,
        header: CaptureHeader,
        *,
        append: bool = False,
        fsync_s: float = 1.0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.path = Path(path)
        self.header = header
        self.sequence = 0
        self._fsync_s, self._clock = fsync_s, clock
        self._last_sync = clock()
        packed = header.pack()
        end = 0
        if append and self.path.exists() and self.path.stat().st_size:
            end = self._continue()
        try:
            flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0)
            self._fd = os.open(self.path, flags, 0o666)
            os.ftruncate(self._fd, end)
            os.lseek(self._fd, end, os.SEEK_SET)
        except OSError as error:
            raise OutputError(f"{self.path}: {error.strerror}") from None
        self._end = end
        if not end:
            self._write(packed)

    def _continue(self) -> int:
        """Set `header` and `sequence` from the file; return where its next record belongs."""
        with CaptureReader(self.path) as reader:
            there = reader.header
        if (there.form, there.option) != (self.header.form, self.header.option):
            raise InputError(
                f"{self.path} holds {there.form} of option {there.option or 'unknown'}, "
                f"not {self.header.form} of option {self.header.option or 'unknown'}"
            )
        self.header = there
        index = CaptureIndex(self.path)
        if len(index):
            self.sequence = (index[len(index) - 1].sequence + 1) & 0xFFFF_FFFF
        with self.path.open("rb") as file:
            size = file.seek(0, os.SEEK_END)
            file.seek(index.end)
            rest = file.read(RECORD_HEAD.size)
        # Torn is the beginning of a record, or zeros for which the system had no data yet. Damage is kept.
        begun = RecordHead.parse(rest) or (
            len(rest) < RECORD_HEAD.size and rest[: len(MARKER)] == MARKER[: len(rest)]
        )
        return index.end if begun or not any(rest) else size

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def append(
        self,
        kind: CaptureRecordType,
        payload: bytes | bytearray | memoryview,
        time_ns: int,
        flags: CaptureRecordFlag = CaptureRecordFlag.NONE,
    ) -> None:
        """Write one record (line data longer than MAX_PAYLOAD as several).

        ValueError for words cut in half, a payload too long, or a time below 0.
        """
        view = memoryview(payload).cast("B")
        if kind in (CaptureRecordType.FLAGGED, CaptureRecordType.SYMBOLS) and len(view) & 1:
            raise ValueError(
                f"{kind.name.lower()} are 16-bit words, and {len(view)} octets are not whole ones"
            )
        if len(view) > MAX_PAYLOAD and not kind.is_line_data:
            raise ValueError(f"payload of {len(view)} octets is longer than {MAX_PAYLOAD}")
        if not 0 <= time_ns < 1 << 64:
            raise ValueError(f"time {time_ns} ns does not fit")
        for start in range(0, max(len(view), 1), MAX_PAYLOAD):
            part = view[start : start + MAX_PAYLOAD]
            head = RECORD_HEAD.pack(MARKER, kind, flags, 0, len(part), self.sequence, time_ns, 0)[
                : -RECORD_CRC.size
            ]
            head += RECORD_CRC.pack(zlib.crc32(head))
            self._write(head, part, RECORD_CRC.pack(zlib.crc32(part, zlib.crc32(head))))
            self.sequence = (self.sequence + 1) & 0xFFFF_FFFF
            flags = CaptureRecordFlag.NONE
        if self._clock() - self._last_sync >= self._fsync_s:
            self.sync()

    def sync(self) -> None:
        """Have the system put everything on the disk."""
        try:
            os.fsync(self._fd)
        except OSError as error:
            raise OutputError(f"{self.path}: {error.strerror}") from None
        self._last_sync = self._clock()

    def close(self) -> None:
        if self._fd >= 0:
            try:
                self.sync()
            finally:
                os.close(self._fd)
                self._fd = -1

    def _write(self, *parts: bytes | memoryview) -> None:
        data = memoryview(parts[0] if len(parts) == 1 else b"".join(parts))
        done = 0
        try:
            while done < len(data):
                done += os.write(self._fd, data[done:])
        except OSError as error:
            with suppress(OSError):
                os.ftruncate(self._fd, self._end)
                os.lseek(self._fd, self._end, os.SEEK_SET)
            raise OutputError(f"{self.path}: {error.strerror}") from None
        self._end += len(data)
