"""Reads .ffcap recordings."""

from __future__ import annotations

import os
import zlib
from array import array
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from io import FileIO
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Protocol, Self

from ..errors import InputError
from .ffcap import (
    HEADER_LENGTH,
    KNOWN_TYPES,
    MARKER,
    MAX_PAYLOAD,
    RECORD_CRC,
    RECORD_HEAD,
    RECORD_OVERHEAD,
    CaptureHeader,
    CaptureRecord,
    CaptureRecordFlag,
    CaptureRecordType,
    header_length,
)

__all__ = ["CaptureIndex", "CaptureReader", "IndexEntry", "Problem"]

_READ = 1 << 20


@dataclass(frozen=True, slots=True)
class Problem:
    """Something of a capture that could not be read: `lost_octets` of the file from `offset` on."""

    offset: int
    lost_octets: int
    what: str

    def __str__(self) -> str:
        return f"{self.what} at offset {self.offset}"


class RecordHead:
    """The checked head of a record, or None of it: see `parse`."""

    __slots__ = ("flags", "length", "sequence", "time_ns", "total", "type")

    def __init__(self, kind: int, flags: int, length: int, sequence: int, time_ns: int) -> None:
        self.type, self.flags, self.length = kind, flags, length
        self.sequence, self.time_ns = sequence, time_ns
        self.total = length + RECORD_OVERHEAD

    @classmethod
    def parse(cls, data: bytes | bytearray) -> RecordHead | None:
        if len(data) < RECORD_HEAD.size or data[: len(MARKER)] != MARKER:
            return None
        _, kind, flags, _, length, sequence, time_ns, crc = RECORD_HEAD.unpack_from(data)
        if length > MAX_PAYLOAD or crc != zlib.crc32(data[: RECORD_HEAD.size - RECORD_CRC.size]):
            return None
        return cls(kind, flags, length, sequence, time_ns)


class ByteStream(Protocol):
    """What the reader reads: `read(n)` returns up to n octets, none at the end."""

    def read(self, size: int, /) -> bytes: ...


class CaptureReader:
    """Reads a capture forwards, over damage, in memory of two records at most.

    Opening raises InputError for what is not an .ffcap or has a damaged header; after that nothing raises but
    InputError for a file that the system refuses to read on. What was lost is in `problems`;
    `missing_records` counts gaps of the sequence numbers, `unknown_records` those of types not known here.
    """

    def __init__(self, source: str | Path | ByteStream) -> None:
        self._file: FileIO | None = None
        self.name = "capture"
        if isinstance(source, str | Path):
            self.name = str(source)
            try:
                self._file = FileIO(source)
            except (OSError, ValueError) as error:
                raise InputError(f"{self.name}: {getattr(error, 'strerror', None) or error}") from None
        self._stream: ByteStream = self._file or source  # type: ignore[assignment]
        self.problems: list[Problem] = []
        self.missing_records = 0
        self.unknown_records = 0
        self._buffer = bytearray()
        self._base = 0  # file offset of the buffer's first octet
        self._at = 0  # position in the buffer
        self._expected: int | None = 0
        self._known_loss = False
        try:
            start = self._peek(HEADER_LENGTH)
            self.header = CaptureHeader.unpack(self._peek(header_length(start)))
        except InputError:
            self.close()
            raise
        self._at += header_length(start)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        if self._file is not None:
            self._file.close()

    @property
    def offset(self) -> int:
        """File offset of what is read next."""
        return self._base + self._at

    def seek(self, offset: int) -> None:
        """Go on at `offset` (of an IndexEntry); only for a capture opened by its path."""
        if self._file is None:
            raise ValueError("a capture read from a stream cannot seek")
        self._file.seek(offset)
        self._buffer.clear()
        self._base, self._at, self._expected = offset, 0, None

    def records(self) -> Iterator[CaptureRecord]:
        """Every whole record of a known type from here to the end."""
        while True:
            data = self._peek(RECORD_HEAD.size)
            if not data:
                return
            head = RecordHead.parse(data)
            if head is None:
                torn = len(data) < RECORD_HEAD.size and data[: len(MARKER)] == MARKER[: len(data)]
                if not self._search("capture ends inside a record" if torn else "no record here"):
                    return
                continue
            whole = self._peek(head.total)
            if len(whole) < head.total:
                if not self._search(f"capture ends inside record {head.sequence}"):
                    return
                continue
            end = head.total - RECORD_CRC.size
            if zlib.crc32(memoryview(whole)[:end]) != RECORD_CRC.unpack_from(whole, end)[0]:
                what = f"record {head.sequence} is damaged"
                following = self._peek(head.total + RECORD_HEAD.size)[head.total :]
                if following and RecordHead.parse(following) is None:
                    if not self._search(what):
                        return
                else:
                    self._report(self.offset, head.total, what)
                    self._at += head.total
                continue
            self._count(head)
            offset = self.offset
            self._at += head.total
            if head.type not in KNOWN_TYPES:
                self.unknown_records += 1
                continue
            yield CaptureRecord(
                CaptureRecordType(head.type),
                whole[RECORD_HEAD.size : end],
                head.time_ns,
                head.sequence,
                CaptureRecordFlag(head.flags & 1),
                offset,
            )

    def _peek(self, size: int) -> bytes:
        """Up to `size` octets from here on, fewer only at the end of the file."""
        while len(self._buffer) - self._at < size and self._fill():
            pass
        with memoryview(self._buffer) as view:
            return bytes(view[self._at : self._at + size])

    def _fill(self) -> bool:
        if self._at >= _READ:
            del self._buffer[: self._at]
            self._base += self._at
            self._at = 0
        try:
            data = self._stream.read(_READ)
        except OSError as error:
            raise InputError(
                f"{self.name}: {error.strerror or error}", self._base + len(self._buffer)
            ) from None
        self._buffer += data
        return bool(data)

    def _search(self, what: str) -> bool:
        """Go to the next record head after this place and report what lay between; False at the end."""
        start = self.offset
        self._at += 1
        while True:
            found = self._buffer.find(MARKER, self._at)
            if found >= 0:
                self._at = found
                if RecordHead.parse(self._peek(RECORD_HEAD.size)) is not None:
                    self._report(start, self.offset - start, what)
                    return True
                self._at += 1
                continue
            self._at = max(self._at, len(self._buffer) - len(MARKER) + 1)
            if not self._fill():
                self._at = len(self._buffer)
                self._report(start, self.offset - start, what)
                return False

    def _report(self, offset: int, lost: int, what: str) -> None:
        self._known_loss = True
        self.problems.append(Problem(offset, lost, f"{what}: {lost} octets lost"))

    def _count(self, head: RecordHead) -> None:
        gap = 0 if self._expected is None else (head.sequence - self._expected) & 0xFFFF_FFFF
        if gap >= 1 << 31:
            self.problems.append(Problem(self.offset, 0, f"sequence runs back to record {head.sequence}"))
        elif gap:
            self.missing_records += gap
            if not self._known_loss:
                self.problems.append(Problem(self.offset, 0, f"records missing: {gap}"))
        self._known_loss = False
        self._expected = (head.sequence + 1) & 0xFFFF_FFFF


@dataclass(frozen=True, slots=True)
class IndexEntry:
    sequence: int
    offset: int
    time_ns: int


class CaptureIndex:
    """Where each record begins, found from the heads alone: for seeking, never needed for reading.

    `end` is the offset after the last record that is there in full length.
    """

    def __init__(self, path: str | Path) -> None:
        self._sequences, self._offsets, self._times = array("I"), array("Q"), array("Q")
        with CaptureReader(path) as reader, Path(path).open("rb") as file:
            at = self.end = reader.offset
            size = file.seek(0, os.SEEK_END)
            while at < size:
                head = _head_at(file, at)
                if head is None or at + head.total > size or not _ends_well(file, at, head.total, size):
                    at = _next_marker(file, at + 1)
                    continue
                self._sequences.append(head.sequence)
                self._offsets.append(at)
                self._times.append(head.time_ns)
                at = self.end = at + head.total

    def __len__(self) -> int:
        return len(self._offsets)

    def __getitem__(self, number: int) -> IndexEntry:
        return IndexEntry(self._sequences[number], self._offsets[number], self._times[number])

    def at_time(self, time_ns: int) -> int:
        """The number of the last record not later than `time_ns` (the first where all are later)."""
        return max(bisect_right(self._times, time_ns) - 1, 0)


def _head_at(file: BinaryIO, at: int) -> RecordHead | None:
    file.seek(at)
    return RecordHead.parse(file.read(RECORD_HEAD.size))


def _ends_well(file: BinaryIO, at: int, total: int, size: int) -> bool:
    """Whether a record is followed by another or by the end; else whether its CRC-32 holds."""
    if at + total == size or _head_at(file, at + total) is not None:
        return True
    file.seek(at)
    data = file.read(total)
    return data[-RECORD_CRC.size :] == RECORD_CRC.pack(zlib.crc32(data[: -RECORD_CRC.size]))


def _next_marker(file: BinaryIO, start: int) -> int:
    """Offset of the next record marker from `start` on, or of the end of the file."""
    file.seek(start)
    base, data = start, b""
    while block := file.read(_READ):
        data += block
        found = data.find(MARKER)
        if found >= 0:
            return base + found
        keep = min(len(data), len(MARKER) - 1)
        base += len(data) - keep
        data = data[len(data) - keep :]
    return base + len(data)
