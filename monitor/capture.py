"""The .ffcap container: records of line data, board status, marks, faults and notes, readable after a kill.

All numbers are little-endian; every CRC-32 is that of IEEE 802.3 (zlib.crc32). File header, 40 octets:

    offset size
     0      8   magic: 46 46 43 41 50 0D 0A 1A ("FFCAP", CR, LF, end-of-text)
     8      2   version of this layout, 1
    10      2   header length, 40 (a later header may be longer; its CRC is always its last 4 octets)
    12      4   line rate option in ASCII, padded with zeros ("2", "7A"); all zero: not known
    16      1   form of the line data: 1 octets, 2 flagged, 3 symbols, 4 bits
    17      1   bit 0: HDLC least significant bit first; bit 1: Ethernet least significant bit first
    18      1   clock of the record times: 0 recording host, 1 counted from the line data, 2 board
    19      5   reserved, 0
    24      8   start: UTC nanoseconds since 1970 at record time 0 (0: not known)
    32      4   reserved, 0
    36      4   CRC-32 of octets 0 to 35

Then records without gaps, each of 32 octets and its payload:

     0      4   marker: A5 66 66 52
     4      1   type: 1 octets, 2 flagged, 3 symbols, 4 bits, 16 board status, 17 mark, 18 fault, 19 note,
                20 gap
     5      1   flags: bit 0: line data were lost before this record
     6      2   reserved, 0
     8      4   payload length n, at most 16 777 216
    12      4   sequence number, from 0, one more each record, modulo 2^32
    16      8   time, nanoseconds on the clock of the header
    24      4   CRC-32 of octets 0 to 23
    28      n   payload
    28+n    4   CRC-32 of octets 0 to 27+n

Payloads of types 1 to 4 are the raw form of that name, and follow one another as one stream. Faults are a
JSON object, marks and notes UTF-8 text, status what the board sent. A gap is a signed number of 8 octets: so many
hyperframes are missing before the line data to come, by the board's own count; -1 where it does not know. Unknown
types are skipped. The file only ever grows. Nothing here decodes what it carries.
"""

from __future__ import annotations

import os
import struct
import time
import zlib
from array import array
from bisect import bisect_right
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from enum import IntEnum, IntFlag
from io import FileIO
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Protocol, Self

import construct as cs

from .errors import InputError, OutputError

__all__ = [
    "HEADER",
    "MAGIC",
    "MAX_PAYLOAD",
    "CaptureHeader",
    "CaptureIndex",
    "CaptureReader",
    "CaptureWriter",
    "Clock",
    "IndexEntry",
    "Problem",
    "Record",
    "RecordFlag",
    "RecordType",
]

MAGIC = b"FFCAP\r\n\x1a"
VERSION = 1
MARKER = b"\xa5ffR"
MAX_PAYLOAD = 16 << 20
"""Longest payload, octets; a longer length is damage."""

HEADER = cs.Struct(
    "magic" / cs.Const(MAGIC),
    "version" / cs.Int16ul,
    "length" / cs.Int16ul,
    "option" / cs.PaddedString(4, "ascii"),
    "form" / cs.Int8ul,
    "lsb_first" / cs.Int8ul,
    "clock" / cs.Int8ul,
    "reserved" / cs.Const(bytes(5)),
    "start_time_ns" / cs.Int64ul,
    "reserved_2" / cs.Const(bytes(4)),
    "crc" / cs.Int32ul,
)
"""The file header as laid out above."""
HEADER_LENGTH = 40
MAX_HEADER_LENGTH = 4096

# Heads are read by the hundred thousand, so by struct: construct takes 20 us each.
_HEAD = struct.Struct("<4sBBHIIQI")
_CRC = struct.Struct("<I")
_OVERHEAD = _HEAD.size + _CRC.size
_READ = 1 << 20
_FORMS = {"octets": 1, "flagged": 2, "symbols": 3, "bits": 4}
_FORM_NAMES = {code: name for name, code in _FORMS.items()}


class RecordType(IntEnum):
    """What a payload is. Types 1 to 4 are line data and carry the form code of the header."""

    OCTETS = 1
    FLAGGED = 2
    SYMBOLS = 3
    BITS = 4
    STATUS = 16
    MARK = 17
    FAULT = 18
    NOTE = 19
    GAP = 20

    @property
    def is_line_data(self) -> bool:
        return self <= RecordType.BITS


GAP_RECORD = _HEAD.size + 8 + _CRC.size
"""Octets of a whole gap record."""
_MOST_GAP = 1 << 40  # nine years of hyperframes


def gap_payload(hyperframes: int) -> bytes:
    return hyperframes.to_bytes(8, "little", signed=True)


def gap_of_record(octets: bytes) -> int | None:
    """What a gap record of GAP_RECORD octets says; None where it is none, or its CRC-32 is wrong."""
    head, payload, crc = octets[: _HEAD.size], octets[_HEAD.size : -_CRC.size], octets[-_CRC.size :]
    if head[4:5] != bytes([RecordType.GAP]) or _CRC.pack(zlib.crc32(payload, zlib.crc32(head))) != crc:
        return None
    return parse_gap(payload)


def parse_gap(payload: bytes) -> int:
    """Hyperframes that are missing; -1 where nobody knows, or for a number that cannot be."""
    gap = int.from_bytes(payload[:8], "little", signed=True)
    return gap if 0 <= gap <= _MOST_GAP else -1


_TYPES = frozenset(int(kind) for kind in RecordType)


class RecordFlag(IntFlag):
    NONE = 0
    GAP_BEFORE = 1
    """Line data were lost before this record (the recorder could not keep up)."""


class Clock(IntEnum):
    """Whose clock the record times are."""

    HOST = 0
    LINE = 1
    BOARD = 2


@dataclass(frozen=True, slots=True)
class CaptureHeader:
    """Link settings and clock of a capture. `option` is "" where it is not known."""

    option: str
    form: str
    hdlc_lsb_first: bool = True
    ethernet_lsb_first: bool = True
    clock: Clock = Clock.HOST
    start_time_ns: int = 0

    @property
    def record_type(self) -> RecordType:
        """The record type of line data in this capture."""
        return RecordType(_FORMS[self.form])

    def pack(self) -> bytes:
        """The 40 octets of the file header; ValueError for a setting that does not fit."""
        if self.form not in _FORMS:
            raise ValueError(f"form {self.form!r} is none of {', '.join(_FORMS)}")
        if len(self.option) > 4 or not self.option.isascii():
            raise ValueError(f"option {self.option!r} does not fit four ASCII characters")
        fields = {
            "version": VERSION,
            "length": HEADER_LENGTH,
            "option": self.option,
            "form": _FORMS[self.form],
            "lsb_first": self.hdlc_lsb_first | self.ethernet_lsb_first << 1,
            "clock": int(self.clock),
            "start_time_ns": self.start_time_ns,
            "crc": 0,
        }
        body: bytes = HEADER.build(fields)[: -_CRC.size]
        return body + _CRC.pack(zlib.crc32(body))

    @classmethod
    def unpack(cls, data: bytes) -> Self:
        """The header of a whole header's octets; InputError says where it is damaged."""
        if not data.startswith(MAGIC):
            raise InputError("not an .ffcap capture: no magic", 0)
        if len(data) < HEADER_LENGTH or len(data) < header_length(data):
            raise InputError(f".ffcap header is cut short: {len(data)} octets", len(data))
        data = data[: header_length(data)]
        if zlib.crc32(data[: -_CRC.size]) != _CRC.unpack(data[-_CRC.size :])[0]:
            raise InputError(".ffcap header is damaged: its CRC-32 does not hold", 0)
        version = int.from_bytes(data[8:10], "little")
        if version != VERSION:
            raise InputError(f".ffcap version {version} is not the one this program reads, {VERSION}", 8)
        try:
            fields = HEADER.parse(data)
        except (cs.ConstructError, UnicodeDecodeError):
            raise InputError(".ffcap header holds what version 1 does not know", 0) from None
        if fields.form not in _FORM_NAMES or fields.clock not in tuple(Clock):
            raise InputError(f".ffcap header names form {fields.form}, clock {fields.clock}: not known", 16)
        return cls(
            fields.option,
            _FORM_NAMES[fields.form],
            bool(fields.lsb_first & 1),
            bool(fields.lsb_first & 2),
            Clock(fields.clock),
            fields.start_time_ns,
        )


def header_length(data: bytes) -> int:
    """Where the records begin, by the header's own word (40 to 4096)."""
    return min(max(int.from_bytes(data[10:12], "little"), HEADER_LENGTH), MAX_HEADER_LENGTH)


@dataclass(frozen=True, slots=True)
class Record:
    """One whole record; `offset` is where it begins in the file."""

    type: RecordType
    payload: bytes
    time_ns: int
    sequence: int
    flags: RecordFlag
    offset: int

    @property
    def text(self) -> str:
        """The payload of a note, mark or fault as text; what is not UTF-8 is shown as such."""
        return self.payload.decode("utf-8", "backslashreplace")


@dataclass(frozen=True, slots=True)
class Problem:
    """Something of a capture that could not be read: `lost_octets` of the file from `offset` on."""

    offset: int
    lost_octets: int
    what: str

    def __str__(self) -> str:
        return f"{self.what} at offset {self.offset}"


class _Head:
    """The checked head of a record, or None of it: see `parse`."""

    __slots__ = ("flags", "length", "sequence", "time_ns", "total", "type")

    def __init__(self, kind: int, flags: int, length: int, sequence: int, time_ns: int) -> None:
        self.type, self.flags, self.length = kind, flags, length
        self.sequence, self.time_ns = sequence, time_ns
        self.total = length + _OVERHEAD

    @classmethod
    def parse(cls, data: bytes | bytearray) -> _Head | None:
        if len(data) < _HEAD.size or data[: len(MARKER)] != MARKER:
            return None
        _, kind, flags, _, length, sequence, time_ns, crc = _HEAD.unpack_from(data)
        if length > MAX_PAYLOAD or crc != zlib.crc32(data[: _HEAD.size - _CRC.size]):
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

    def records(self) -> Iterator[Record]:
        """Every whole record of a known type from here to the end."""
        while True:
            data = self._peek(_HEAD.size)
            if not data:
                return
            head = _Head.parse(data)
            if head is None:
                torn = len(data) < _HEAD.size and data[: len(MARKER)] == MARKER[: len(data)]
                if not self._search("capture ends inside a record" if torn else "no record here"):
                    return
                continue
            whole = self._peek(head.total)
            if len(whole) < head.total:
                if not self._search(f"capture ends inside record {head.sequence}"):
                    return
                continue
            end = head.total - _CRC.size
            if zlib.crc32(memoryview(whole)[:end]) != _CRC.unpack_from(whole, end)[0]:
                what = f"record {head.sequence} is damaged"
                following = self._peek(head.total + _HEAD.size)[head.total :]
                if following and _Head.parse(following) is None:
                    if not self._search(what):
                        return
                else:
                    self._report(self.offset, head.total, what)
                    self._at += head.total
                continue
            self._count(head)
            offset = self.offset
            self._at += head.total
            if head.type not in _TYPES:
                self.unknown_records += 1
                continue
            yield Record(
                RecordType(head.type),
                whole[_HEAD.size : end],
                head.time_ns,
                head.sequence,
                RecordFlag(head.flags & 1),
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
                if _Head.parse(self._peek(_HEAD.size)) is not None:
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

    def _count(self, head: _Head) -> None:
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


def _head_at(file: BinaryIO, at: int) -> _Head | None:
    file.seek(at)
    return _Head.parse(file.read(_HEAD.size))


def _ends_well(file: BinaryIO, at: int, total: int, size: int) -> bool:
    """Whether a record is followed by another or by the end; else whether its CRC-32 holds."""
    if at + total == size or _head_at(file, at + total) is not None:
        return True
    file.seek(at)
    data = file.read(total)
    return data[-_CRC.size :] == _CRC.pack(zlib.crc32(data[: -_CRC.size]))


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
            rest = file.read(_HEAD.size)
        # Torn is the beginning of a record, or zeros for which the system had no data yet. Damage is kept.
        begun = _Head.parse(rest) or (len(rest) < _HEAD.size and rest[: len(MARKER)] == MARKER[: len(rest)])
        return index.end if begun or not any(rest) else size

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def append(
        self,
        kind: RecordType,
        payload: bytes | bytearray | memoryview,
        time_ns: int,
        flags: RecordFlag = RecordFlag.NONE,
    ) -> None:
        """Write one record (line data longer than MAX_PAYLOAD as several).

        ValueError for words cut in half, a payload too long, or a time below 0.
        """
        view = memoryview(payload).cast("B")
        if kind in (RecordType.FLAGGED, RecordType.SYMBOLS) and len(view) & 1:
            raise ValueError(
                f"{kind.name.lower()} are 16-bit words, and {len(view)} octets are not whole ones"
            )
        if len(view) > MAX_PAYLOAD and not kind.is_line_data:
            raise ValueError(f"payload of {len(view)} octets is longer than {MAX_PAYLOAD}")
        if not 0 <= time_ns < 1 << 64:
            raise ValueError(f"time {time_ns} ns does not fit")
        for start in range(0, max(len(view), 1), MAX_PAYLOAD):
            part = view[start : start + MAX_PAYLOAD]
            head = _HEAD.pack(MARKER, kind, flags, 0, len(part), self.sequence, time_ns, 0)[: -_CRC.size]
            head += _CRC.pack(zlib.crc32(head))
            self._write(head, part, _CRC.pack(zlib.crc32(part, zlib.crc32(head))))
            self.sequence = (self.sequence + 1) & 0xFFFF_FFFF
            flags = RecordFlag.NONE
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
