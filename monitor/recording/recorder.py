"""Recording: a tap that lets a source's chunks through and writes each one down before it is seen.

Whoever reads a tap gets what the source gave, and by then it is in the file: a kill at any moment loses nothing
that was decoded. Marks, notes and faults go in beside the line data where the file can hold them (.ffcap); raw
files and hex text hold line data alone. Nothing here decodes, and nothing changes the data.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import replace
from io import FileIO
from pathlib import Path
from typing import BinaryIO, Protocol, cast

import msgspec.json
import numpy as np

from decoders.line_coding.characters import LineForm
from decoders.link.decoder import HyperframeBlock
from decoders.link.hyperframe_finder import HyperframeFinder
from decoders.link.settings import LinkSettings

from ..errors import InputError, OutputError
from ..faults.catalogue import parse_fault
from ..faults.segments import fault_and_segment
from ..formats.ffcap import CaptureHeader, CaptureRecordFlag, CaptureRecordType, Clock, gap_payload
from ..formats.ffcap_writer import CaptureWriter
from ..formats.forms import WORD_FORMS, Form, form_of_name, stream_octets, stream_time_ns
from ..formats.hex_text import HexWriter
from ..process.output_file import check_output, new_file
from ..sources.file import CaptureSource, HexSource, RawSource
from ..sources.news import News
from ..sources.source import Chunk, Injection, Source, received
from .limits import Limit, LimitUnit

__all__ = ["FaultyTap", "RecordingTap", "open_recording"]


class _Sink(Protocol):
    """Where a tap writes: OutputError where the system refuses; what was written before stays."""

    keeps_notes: bool

    def line_data(self, chunk: Chunk) -> None: ...
    def beside(self, kind: CaptureRecordType, payload: bytes, time_ns: int) -> None: ...
    def close(self) -> None: ...


class _CaptureSink:
    keeps_notes = True

    def __init__(self, path: Path, header: CaptureHeader, *, force: bool) -> None:
        os.close(new_file(path, force=force))
        self._writer = CaptureWriter(path, header)
        self._kind = header.record_type

    def line_data(self, chunk: Chunk) -> None:
        flags = CaptureRecordFlag.NONE
        if chunk.gap:
            self._writer.append(CaptureRecordType.GAP, gap_payload(chunk.gap), chunk.time_ns)
            flags = CaptureRecordFlag.GAP_BEFORE
        self._writer.append(self._kind, _view(chunk), chunk.time_ns, flags)

    def beside(self, kind: CaptureRecordType, payload: bytes, time_ns: int) -> None:
        self._writer.append(kind, payload, time_ns)

    def close(self) -> None:
        self._writer.close()


def _view(chunk: Chunk) -> memoryview:
    return chunk.data.data if isinstance(chunk.data, np.ndarray) else memoryview(chunk.data)


def _raw_file(path: Path, *, force: bool) -> FileIO:
    """The file, pipe or device at `path`, unbuffered; a regular file is a new one."""
    check_output(path, force=force)
    if path.exists() and not path.is_file():
        try:
            return FileIO(path, "wb")
        except OSError as error:
            raise OutputError(f"{path}: {error.strerror}") from None
    return FileIO(new_file(path, force=force), "wb")


class _RawSink:
    keeps_notes = False

    def __init__(self, path: Path, form: Form, *, force: bool) -> None:
        self._path = path
        self._file = _raw_file(path, force=force)
        self._hex = HexWriter(cast(BinaryIO, self)) if form is Form.HEX else None

    def line_data(self, chunk: Chunk) -> None:
        data = _view(chunk)
        if self._hex is not None:
            self._hex.write(data)
        else:
            self.write(data)

    def write(self, data: bytes | memoryview) -> None:
        """All of `data`; on a full disk as much as there is room for."""
        view = memoryview(data).cast("B")
        try:
            while len(view):
                view = view[self._file.write(view) or 0 :]
        except OSError as error:
            raise OutputError(f"{self._path}: {error.strerror}") from None

    def beside(self, kind: CaptureRecordType, payload: bytes, time_ns: int) -> None:
        """A raw form has no place for it."""

    def close(self) -> None:
        try:
            if self._hex is not None:
                self._hex.close()
            with suppress(OSError):  # pipes and devices cannot
                os.fsync(self._file.fileno())
        finally:
            self._file.close()


class RecordingTap:
    """A source whose chunks are written as they pass; form, option and warnings are the source's.

    `mark`, `note` and `fault` may be called from any thread. `stop` ends the stream after the chunk in hand.
    `octets` counts the line data written.
    """

    def __init__(self, source: Source, sink: _Sink, limit: Limit | None = None) -> None:
        self.source = source
        self.octets = 0
        self.chunk_count = 0
        self.limit_reached = False
        self.writing = False
        self._sink = sink
        self._limit = limit
        self._stopped = False
        self._news = News(source)
        self._opening = self._news.warnings()
        self._time_ns = 0
        self._first_ns: int | None = None
        self._finder: HyperframeFinder | None = None
        self._lead: int | None = None
        self._closed = False
        self._lock = threading.Lock()

    @property
    def description(self) -> str:
        return self.source.description

    @property
    def form(self) -> str:
        return self.source.form

    @property
    def option(self) -> str:
        return self.source.option

    @property
    def warnings(self) -> list[str]:
        return self.source.warnings

    @property
    def keeps_notes(self) -> bool:
        """Whether marks, notes and faults are written, too."""
        return self._sink.keeps_notes

    @property
    def hyperframes(self) -> float:
        """What was written, in hyperframes' worth of line data."""
        return self.octets / stream_octets(Form(self.form), self.option, 1)

    def chunks(self) -> Iterator[Chunk]:
        """The source's chunks, each one written first; the last one is cut where the limit is."""
        for chunk in self.source.chunks():
            kept = self._within_limit(chunk)
            if kept is not None:
                if kept.gap and not self.keeps_notes:
                    self._say_gap()
                if len(kept.data) or kept.gap:  # a line that is quiet gives empty ones
                    self._write(kept)
                    self.octets += len(kept.data)
                    self.chunk_count += 1
                self._note_log()
                yield kept
            if self.limit_reached or self._stopped:
                return
        self._note_log()

    def _write(self, chunk: Chunk) -> None:
        self.writing = True
        try:
            with self._lock:
                self._time_ns = chunk.time_ns
                self._sink.line_data(chunk)
        finally:
            self.writing = False

    def _note_log(self) -> None:
        """What a board says beside its line data is kept as notes, what the source warns of then as marks."""
        for text in self._opening:
            self.note(text)
        self._opening = []
        for text in self._news.warnings():
            self.mark(text)
        for line in self._news.lines():
            if isinstance(self.source, CaptureSource):  # its marks stay marks
                kind, colon, text = line.text.partition(": ")
                if colon and kind.upper() in CaptureRecordType.__members__:
                    self._beside(CaptureRecordType[kind.upper()], text.encode())
                else:
                    self.note(line.text)
            else:
                self.note(f"board: {line.text}")

    def _say_gap(self) -> None:
        text = "hyperframes are missing, which a raw file does not show: their HFN will seem to jump"
        if text not in self.warnings:
            self.warnings.append(text)

    def _within_limit(self, chunk: Chunk) -> Chunk | None:
        if self._limit is None or not len(chunk.data):
            return chunk
        if self._first_ns is None:
            self._first_ns = chunk.time_ns
        form, count = Form(self.form), self._limit.count
        if self._limit.unit is LimitUnit.HYPERFRAMES:
            rest = self._first_hyperframe(chunk) + stream_octets(form, self.option, count) - self.octets
        elif self._limit.unit is LimitUnit.OCTETS:
            rest = count - self.octets
        else:
            left_ns = self._first_ns + count - chunk.time_ns
            second = stream_time_ns(form, self.option, 10**9)
            rest = max(0, left_ns) * 10**9 // second
        if form in WORD_FORMS:
            rest &= ~1
        self.limit_reached = rest <= len(chunk.data)
        if rest <= 0:
            return None
        return chunk if rest >= len(chunk.data) else replace(chunk, data=chunk.data[:rest])

    def _first_hyperframe(self, chunk: Chunk) -> int:
        """Octets before the first hyperframe in sync, as far as it is found; a part octet counts whole."""
        if self._finder is None:
            self._finder = HyperframeFinder(
                LinkSettings(option=self.option, form=LineForm(self.form)), self._found
            )
        if self._lead is None:
            received(self._finder, chunk)
        return self._lead or 0

    def _found(self, block: HyperframeBlock) -> None:
        if self._lead is None and self._finder is not None:
            self._lead = -(-self._finder.start_bit // 8)

    def stop(self) -> None:
        """End the stream after the chunk in hand."""
        self._stopped = True

    def mark(self, text: str) -> None:
        """Write a mark at the time of the last chunk."""
        self._beside(CaptureRecordType.MARK, text.encode())

    def note(self, text: str) -> None:
        """Write a note at the time of the last chunk."""
        self._beside(CaptureRecordType.NOTE, text.encode())

    def fault(self, full_text: str, hyperframe: int, expected: Mapping[str, int]) -> None:
        """Write that a fault was put into the stream, as a truth file names it."""
        bare, segment = fault_and_segment(full_text)
        fault = parse_fault(bare)
        record = {
            "fault": fault.kind.name,
            "hyperframe": hyperframe,
            "parameters": dict(fault.values),
            "expected": dict(expected),
        } | ({} if segment is None else {"segment": segment})
        self._beside(CaptureRecordType.FAULT, msgspec.json.encode(record))

    def _beside(self, kind: CaptureRecordType, payload: bytes) -> None:
        with self._lock:
            if not self._closed:
                self._sink.beside(kind, payload, self._time_ns)

    def close(self) -> None:
        """Close the source and the file; OutputError where the last of it did not reach the disk."""
        self.source.close()
        with self._lock:
            if not self._closed:
                self._closed = True
                self._sink.close()


class _FaultySource(Source, Protocol):
    """A source that takes faults."""

    def inject(self, text: str) -> Injection: ...


class FaultyTap(RecordingTap):
    """A tap on a source that takes faults: each one is written beside the data."""

    def __init__(self, source: _FaultySource, sink: _Sink, limit: Limit | None = None) -> None:
        super().__init__(source, sink, limit)
        self._faulty = source

    def inject(self, text: str) -> Injection:
        """As the source does it; and written down."""
        injection = self._faulty.inject(text)
        self.fault(injection.text, injection.hyperframe, injection.expected)
        return injection


def open_recording(
    source: Source, out: str | os.PathLike[str], *, limit: Limit | None = None, overwrite: bool = False
) -> RecordingTap:
    """A tap on `source` that writes to `out`; a suffix of a raw form makes a raw file, any other an .ffcap.

    InputError where `out` cannot hold this source's form; OutputError where it cannot be written, or is there
    already and `overwrite` is not set (the rule is that of process/output_file).
    """
    path = Path(out)
    if os.fspath(out) == "-":
        raise InputError("a recording needs a file, not standard output")
    form = form_of_name(path.name) or Form.FFCAP
    held = Form.OCTETS if form is Form.HEX else form
    if held not in (Form.FFCAP, Form(source.form)):
        raise InputError(
            f"{path}: {source.description} gives {source.form}, which .{form} does not hold",
            hint=f"record to .{source.form} or .ffcap",
        )
    check_output(path, source.description, force=overwrite)
    sink: _Sink
    if form is Form.FFCAP:
        sink = _CaptureSink(path, _header_of(source), force=overwrite)
    else:
        sink = _RawSink(path, form, force=overwrite)
    if hasattr(source, "inject"):
        return FaultyTap(cast(_FaultySource, source), sink, limit)
    return RecordingTap(source, sink, limit)


def _header_of(source: Source) -> CaptureHeader:
    """The settings of a source, and its clock: a capture keeps its own, a live one begins now."""
    if isinstance(source, CaptureSource):
        there = source.header
        return CaptureHeader(
            source.option,
            source.form,
            there.hdlc_lsb_first,
            there.ethernet_lsb_first,
            there.clock,
            there.start_time_ns,
        )
    start = 0 if isinstance(source, RawSource | HexSource) else time.time_ns()
    return CaptureHeader(source.option, source.form, clock=Clock.LINE, start_time_ns=start)
