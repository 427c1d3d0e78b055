"""Line data of a capture, readable anywhere: raw files by arithmetic, .ffcap by its records, all else from a copy.

A place is an octet of the line data, the same for every form. Memory holds the index of an .ffcap (24 octets a
record) and one record. Nothing here decodes.
"""

from __future__ import annotations

import copy
import os
import tempfile
from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from io import FileIO
from pathlib import Path
from typing import BinaryIO, Protocol

from decoders.line_coding.characters import LineForm
from decoders.linerates import HYPERFRAMES_PER_SECOND
from decoders.link.hyperframe_finder import hyperframe_bits

from ..errors import InputError
from ..formats.ffcap import GAP_RECORD, CaptureRecordType, gap_of_record
from ..formats.ffcap_reader import CaptureIndex, CaptureReader
from ..formats.forms import COUNTED_FORMS, WORD_FORMS, Form
from ..process.posix import read_at
from ..sources.file import WORDS_BESIDE, CaptureSource, RawSource, open_file_source, words_beside
from ..sources.source import Chunk, Source

__all__ = ["CapturePiece", "ReplayReader", "open_replay"]

MOST_OCTETS = 2 << 20


class _Stream(Protocol):
    """Line data as one run of octets, readable anywhere."""

    size: int

    def read(self, at: int, count: int) -> bytes: ...
    def time_ns(self, at: int) -> int: ...
    def gap(self, at: int) -> int: ...
    def notes(self, at: int, end: int) -> list[str]: ...
    def at_time(self, time_ns: int) -> int: ...
    def copy(self) -> _Stream: ...
    def close(self) -> None: ...


class _RawStream:
    """A raw file: its octets are the stream, its time is that of the line."""

    def __init__(self, file: BinaryIO | FileIO, start: int, form: Form, option: str) -> None:
        self._file, self._start = file, start
        self._form, self._option = form, option
        self.size = max(0, os.fstat(file.fileno()).st_size - start)
        if form in WORD_FORMS:
            self.size &= ~1
        self._per_second = hyperframe_bits(option, LineForm(form.value)) * HYPERFRAMES_PER_SECOND // 8

    def read(self, at: int, count: int) -> bytes:
        count = min(count, self.size - at, MOST_OCTETS)
        return read_at(self._file.fileno(), count, self._start + at) if count > 0 else b""

    def time_ns(self, at: int) -> int:
        return at * 1_000_000_000 // self._per_second

    def gap(self, at: int) -> int:
        return 0

    def notes(self, at: int, end: int) -> list[str]:
        return []

    def at_time(self, time_ns: int) -> int:
        return min(time_ns * self._per_second // 1_000_000_000, self.size)

    def copy(self) -> _RawStream:
        file = FileIO(os.dup(self._file.fileno()))
        return _RawStream(file, self._start, self._form, self._option)

    def close(self) -> None:
        self._file.close()


class _CaptureStream:
    """The line data records of an .ffcap end to end; a damaged one reads as nothing."""

    def __init__(self, path: str, form: Form, option: str, warnings: list[str]) -> None:
        self._path, self._form, self._option, self._warnings = path, form, option, warnings
        self._reader = CaptureReader(path)
        self._per_second = hyperframe_bits(option, LineForm(form.value)) * HYPERFRAMES_PER_SECOND // 8
        self._starts, self._offsets, self._times = array("Q"), array("Q"), array("Q")
        self._gaps: dict[int, int] = {}
        self._note_places, self._note_offsets = array("Q"), array("Q")
        self.size = 0
        self._told: set[int] = set()
        wanted = int(self._reader.header.record_type)
        index = CaptureIndex(path)
        with Path(path).open("rb") as file:
            for entry in (index[i] for i in range(len(index))):
                head = read_at(file.fileno(), GAP_RECORD, entry.offset)
                length = int.from_bytes(head[8:12], "little")
                if form in COUNTED_FORMS and (gap := gap_of_record(head)) is not None:
                    self._gaps[self.size] = gap
                if head[4] in WORDS_BESIDE:
                    self._note_places.append(self.size)
                    self._note_offsets.append(entry.offset)
                if head[4] != wanted or not length:
                    continue
                self._starts.append(self.size)
                self._offsets.append(entry.offset)
                self._times.append(entry.time_ns)
                self.size += length & ~1 if form in WORD_FORMS else length
        self._cached: tuple[int, bytes] = (-1, b"")

    def _payload(self, number: int) -> bytes:
        if self._cached[0] == number:
            return self._cached[1]
        offset = self._offsets[number]
        self._reader.seek(offset)
        record = next(self._reader.records(), None)
        payload = b""
        if record is not None and record.offset == offset and record.type is self._kind():
            payload = record.payload
        elif offset not in self._told:
            self._told.add(offset)
            self._warnings.append(f"a damaged record at offset {offset} is left out")
        self._cached = (number, payload)
        return payload

    def _kind(self) -> CaptureRecordType:
        return self._reader.header.record_type

    def read(self, at: int, count: int) -> bytes:
        """Up to the end of the record that `at` lies in."""
        if not 0 <= at < self.size or count <= 0:
            return b""
        number = bisect_right(self._starts, at) - 1
        into = at - self._starts[number]
        return self._payload(number)[into : into + min(count, self.record_end(at) - at)]

    def record_end(self, at: int) -> int:
        number = bisect_right(self._starts, at)
        return self._starts[number] if number < len(self._starts) else self.size

    def gap(self, at: int) -> int:
        return self._gaps.get(at, 0)

    def notes(self, at: int, end: int) -> list[str]:
        """Marks, notes and faults that stand before the octets from `at` to `end`; at the end those behind, too."""
        first = bisect_left(self._note_places, at)
        last = bisect_left(self._note_places, end + (end >= self.size))
        told = []
        for offset in self._note_offsets[first:last]:
            self._reader.seek(offset)
            record = next(self._reader.records(), None)
            if record is not None and record.offset == offset and record.type in WORDS_BESIDE:
                told.append(words_beside(record))
        return told

    def time_ns(self, at: int) -> int:
        if not self._starts:
            return 0
        number = max(bisect_right(self._starts, at) - 1, 0)
        return self._times[number] + (at - self._starts[number]) * 1_000_000_000 // self._per_second

    def at_time(self, time_ns: int) -> int:
        if not self._starts:
            return 0
        number = max(bisect_right(self._times, time_ns) - 1, 0)
        into = max(0, time_ns - self._times[number]) * self._per_second // 1_000_000_000
        return min(self._starts[number] + into, self.record_end(self._starts[number]))

    def copy(self) -> _CaptureStream:
        other = copy.copy(self)
        other._reader = CaptureReader(self._path)
        other._cached = (-1, b"")
        return other

    def close(self) -> None:
        self._reader.close()


@dataclass(frozen=True, slots=True)
class CapturePiece:
    """Octets of the stream: those read, where they begin, where reading goes on, their time, and as Chunk the gap."""

    data: bytes
    at: int
    end: int
    time_ns: int
    gap: int

    @property
    def chunk(self) -> Chunk:
        return Chunk(self.data, self.time_ns, self.at, self.gap)


class ReplayReader:
    """Reads a capture anywhere. Opened by `open_replay`; each thread takes a `copy` of its own."""

    def __init__(
        self, stream: _Stream, form: str, option: str, description: str, warnings: list[str]
    ) -> None:
        self._stream = stream
        self.form, self.option, self.description, self.warnings = form, option, description, warnings

    @property
    def size(self) -> int:
        """Octets of line data."""
        return self._stream.size

    def pieces(self, at: int, end: int) -> Iterator[CapturePiece]:
        """The octets at..end in order, in as many pieces as the capture has them; damage reads as nothing."""
        end = min(end, self.size)
        while at < end:
            data = self._stream.read(at, end - at)
            following = at + len(data)
            if not data:
                following = end
                if isinstance(self._stream, _CaptureStream):
                    following = min(self._stream.record_end(at), end)
            yield CapturePiece(data, at, following, self._stream.time_ns(at), self._stream.gap(at))
            at = following

    def notes(self, at: int, end: int) -> list[str]:
        """Marks, notes and faults beside the octets from `at` to `end`."""
        return self._stream.notes(at, end)

    def time_ns(self, at: int) -> int:
        return self._stream.time_ns(at)

    def at_time(self, time_ns: int) -> int:
        """Where the stream is at `time_ns`."""
        return self._stream.at_time(time_ns)

    def copy(self) -> ReplayReader:
        """Another reader of the same capture."""
        return ReplayReader(self._stream.copy(), self.form, self.option, self.description, self.warnings)

    def close(self) -> None:
        self._stream.close()


def open_replay(path: str, form: str | None = None, option: str | None = None) -> ReplayReader:
    """A reader of any capture; hex text and pipes are first copied to a temporary file as raw data. InputError."""
    source: Source = open_file_source(path, form, option)
    try:
        warnings = list(source.warnings)
        native = Form(source.form)
        stream: _Stream
        if isinstance(source, CaptureSource) and path != "-":
            stream = _CaptureStream(path, native, source.option, warnings)
        elif isinstance(source, RawSource) and Path(path).is_file():
            first = next(source.chunks(), None)
            stream = _RawStream(FileIO(path), first.offset if first else 0, native, source.option)
        else:
            spooled = tempfile.TemporaryFile()  # noqa: SIM115 (the stream keeps it)
            for chunk in source.chunks():
                spooled.write(bytes(chunk.data))
            spooled.flush()
            warnings = list(source.warnings)
            stream = _RawStream(spooled, 0, native, source.option)
        return ReplayReader(stream, source.form, source.option, source.description, warnings)
    except OSError as error:
        raise InputError(f"{path}: {error.strerror or error}") from None
    finally:
        source.close()
