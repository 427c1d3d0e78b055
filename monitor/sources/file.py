"""A capture file, a pipe or standard input as a source: raw forms, hex text and .ffcap.

Memory stays flat whatever the length: two buffers are read into in turn. The head of the stream (up to 2 MiB,
less from a pipe) is looked at to find or check form and option, then handed out like the rest. Nothing here
decodes, and nothing writes.
"""

from __future__ import annotations

import os
import select
import stat
from collections import deque
from collections.abc import Iterator
from io import FileIO

import numpy as np

from ..errors import InputError
from ..formats.detection import Decision, decide, decide_line_data
from ..formats.ffcap import CaptureRecord, CaptureRecordType, parse_gap
from ..formats.ffcap_reader import CaptureReader
from ..formats.forms import (
    COUNTED_FORMS,
    Form,
    check_form,
    checked_option,
    form_of_name,
    item_octets,
    stream_octets,
    stream_time_ns,
)
from ..formats.hex_text import HexReader
from ..text import counted
from .log import Log
from .source import Chunk, Source

__all__ = ["CaptureSource", "HexSource", "RawSource", "open_file_source"]

CHUNK_OCTETS = 4 << 20
HEAD_OCTETS = 2 << 20
FIRST_LOOK = 64 << 10
CHECKED_HYPERFRAMES = 4


class _Stream:
    """A file or pipe with a head that can be looked at before it is read; errors name it."""

    def __init__(self, path: str) -> None:
        self.name = "standard input" if path == "-" else path
        try:
            self._file = FileIO(0, closefd=False) if path == "-" else FileIO(path)
        except (OSError, ValueError) as error:
            raise self.error(getattr(error, "strerror", None) or str(error)) from None
        if path == "-" and self._file.isatty():
            raise self.error("is a terminal", hint="pipe a capture into it")
        self.is_regular = stat.S_ISREG(os.fstat(self._file.fileno()).st_mode)
        self._head = bytearray()
        self._head_at = 0
        self.offset = 0
        self.ended = False

    def error(self, message: str, where: int | None = None, hint: str | None = None) -> InputError:
        return InputError(f"{self.name}: {message}", where, hint)

    def peek(self, size: int) -> bytearray:
        """The first `size` octets, fewer only where the stream ends; only before anything is read."""
        while len(self._head) < size and not self.ended:
            block = bytearray(min(size - len(self._head), 1 << 20))
            count = self._read_into(memoryview(block))
            self._head += memoryview(block)[:count]
        return self._head

    def read_into(self, view: memoryview) -> int:
        """Read at least one octet, as many as are there; 0 at the end."""
        rest = len(self._head) - self._head_at
        if rest:
            count = min(rest, len(view))
            view[:count] = memoryview(self._head)[self._head_at : self._head_at + count]
            self._head_at += count
            if count == rest:
                self._head, self._head_at = bytearray(), 0
        else:
            count = 0 if self.ended else self._read_into(view)
        self.offset += count
        return count

    def read(self, size: int) -> bytes:
        block = bytearray(size)
        count = self.read_into(memoryview(block))
        return bytes(memoryview(block)[:count])

    def close(self) -> None:
        self._file.close()
        self.ended = True

    def _read_into(self, view: memoryview) -> int:
        while True:
            try:
                count = self._file.readinto(view)
            except OSError as error:
                raise self.error(error.strerror or str(error), self.offset + len(self._head)) from None
            if count is not None:
                self.ended = count == 0
                return count
            select.select([self._file], [], [])  # a pipe set not to block


class RawSource:
    """octets, flagged, symbols or bits as they are."""

    def __init__(self, stream: _Stream, decision: Decision, option: str, chunk_octets: int) -> None:
        self.description = stream.name
        self.form = str(decision.form)
        self.option = option
        self.warnings = decision.warnings
        self._stream = stream
        self._form = decision.form
        self._skip = decision.skip
        self._size = max(chunk_octets - chunk_octets % item_octets(decision.form), 72)

    def chunks(self) -> Iterator[Chunk]:
        """The stream from here to its end; InputError where it cannot be read on."""
        item = item_octets(self._form)
        if self._skip:
            self._stream.read(self._skip)
        buffers = deque((bytearray(self._size), bytearray(self._size)))
        done, held = 0, b""
        while True:
            offset = self._stream.offset - len(held)
            view = memoryview(buffers[0])
            view[: len(held)] = held
            count = self._stream.read_into(view[len(held) :])
            if not count:
                break
            count += len(held)
            whole = count - count % item
            held = bytes(view[whole:count])
            if whole:
                yield Chunk(view[:whole], stream_time_ns(self._form, self.option, done), offset)
                done += whole
                buffers.rotate()
        if held:
            self.warnings.append(f"{counted(len(held), 'byte')} left over at offset {offset}")

    def close(self) -> None:
        self._stream.close()


class HexSource:
    """Hex text as octets."""

    form = str(Form.OCTETS)

    def __init__(self, stream: _Stream, decision: Decision, option: str, chunk_octets: int) -> None:
        self.description = stream.name
        self.option = option
        self.warnings = decision.warnings
        self._stream = stream
        self._reader = HexReader()
        self._size = max(chunk_octets, 64)

    def chunks(self) -> Iterator[Chunk]:
        """The octets line by line; InputError, after all that came before it, for what is not hex."""
        done = warned = 0
        buffer = memoryview(bytearray(self._size))
        while True:
            offset = self._reader.offset
            count = self._stream.read_into(buffer)
            octets = self._reader.feed(buffer[:count], final=count == 0)
            self.warnings += self._reader.warnings[warned:]
            warned = len(self._reader.warnings)
            if octets:
                yield Chunk(octets, stream_time_ns(Form.OCTETS, self.option, done), offset)
                done += len(octets)
            if self._reader.error is not None:
                error = self._reader.error
                raise self._stream.error(error.message, error.where)
            if not count:
                return

    def close(self) -> None:
        self._stream.close()


WORDS_BESIDE = (CaptureRecordType.MARK, CaptureRecordType.NOTE, CaptureRecordType.FAULT)
"""Records that stand beside the line data for whoever reads along."""


def words_beside(record: CaptureRecord) -> str:
    """A mark, a note or a fault in one line."""
    return f"{record.type.name.lower()}: {record.payload.decode('utf-8', 'replace')}"


class CaptureSource:
    """The line data of an .ffcap capture, at the times of its records."""

    def __init__(self, stream: _Stream, option: str | None) -> None:
        self.description = stream.name
        self.warnings: list[str] = []
        self._stream = stream
        try:
            self._reader = CaptureReader(stream)
        except InputError as error:
            raise stream.error(error.message, error.where) from None
        self.header = self._reader.header
        self._form = Form(self.header.form)
        self.form = self.header.form
        self.log = Log()
        self._left_out = 0
        self._problems = 0
        self._records = self._line_data()
        self._head: list[CaptureRecord] = []
        self._gap = 0
        self._gaps: dict[int, int] = {}
        self.option = self._find_option(option)

    def _find_option(self, said: str | None) -> str:
        named: str | None = self.header.option or None
        option = said or named
        if option:
            try:
                option = checked_option(option)
            except InputError as error:
                raise self._stream.error(error.message) from None
        wanted = HEAD_OCTETS
        if option and not self._stream.is_regular:
            wanted = stream_octets(self._form, option, CHECKED_HYPERFRAMES)
        size = 0
        for record in self._records:
            self._head.append(record)
            size += len(record.payload)
            if size >= wanted:
                break
        if not size:
            self._note_problems()
            raise self._stream.error("holds no line data" + "".join(f" ({w})" for w in self.warnings[:1]))
        data = np.frombuffer(b"".join(record.payload for record in self._head), np.uint8)
        try:
            decision = decide_line_data(data, self._form, option)
        except InputError as error:
            source = "" if said else "wrong option in the header: "
            raise self._stream.error(source + error.message, hint=error.hint) from None
        self.warnings += decision.warnings
        if said and named and said != named:
            self.warnings.append(f"the header has option {named}; decoded as option {said}")
        if decision.option is None:
            raise self._stream.error("option is not in the header", hint="give --option")
        try:
            check_form(self._form, decision.option)
        except InputError as error:
            raise self._stream.error(error.message, hint=error.hint) from None
        return decision.option

    def _line_data(self) -> Iterator[CaptureRecord]:
        for record in self._reader.records():
            if record.type == self.header.record_type:
                if self._gap:
                    self._gaps[record.offset], self._gap = self._gap, 0
                yield record
            elif record.type is CaptureRecordType.GAP:
                self._gap = parse_gap(record.payload)
            elif record.type.is_line_data:
                self._left_out += 1
            elif record.type in WORDS_BESIDE:
                self.log.add(record.time_ns, words_beside(record), event=True)

    def chunks(self) -> Iterator[Chunk]:
        """One chunk a record; damage is left out and stands in `warnings`."""
        for record in self._all_records():
            self._note_problems()
            payload = record.payload
            if rest := len(payload) % item_octets(self._form):
                self.warnings.append(f"{counted(rest, 'byte')} left over at offset {record.offset}")
                payload = payload[:-rest]
            gap = self._gaps.pop(record.offset, 0)
            if payload:
                yield Chunk(payload, record.time_ns, record.offset, gap if self._form in COUNTED_FORMS else 0)
        self._note_problems()
        if self._left_out:
            self.warnings.append(f"records of another form than {self.form} left out: {self._left_out}")
            self._left_out = 0

    def _all_records(self) -> Iterator[CaptureRecord]:
        while self._head:
            yield self._head.pop(0)
        yield from self._records

    def _note_problems(self) -> None:
        problems = self._reader.problems
        self.warnings += [str(problem) for problem in problems[self._problems :]]
        self._problems = len(problems)

    def close(self) -> None:
        self._stream.close()


def open_file_source(
    path: str | os.PathLike[str],
    form: str | None = None,
    option: str | None = None,
    *,
    chunk_octets: int = CHUNK_OCTETS,
) -> Source:
    """A file, or standard input for "-", as a source; form and option are found from the data where None.

    InputError for what cannot be opened or is empty, for a form or option that does not exist, that cannot be
    found, or that the data clearly contradict.
    """
    name = os.fspath(path)
    said_form = _checked_form(form)
    said_option = None if option is None else checked_option(option)
    stream = _Stream(name)
    try:
        return _source_of(stream, name, said_form, said_option, chunk_octets)
    except BaseException:
        stream.close()
        raise


def _checked_form(form: str | None) -> Form | None:
    if form is None:
        return None
    try:
        return Form(form.lower())
    except ValueError:
        raise InputError(f"form {form!r} does not exist; choose one of {', '.join(Form)}") from None


def _source_of(
    stream: _Stream, name: str, form: Form | None, option: str | None, chunk_octets: int
) -> Source:
    if not stream.peek(1):
        raise stream.error("is empty")
    try:
        decision = _decide(stream, form, option, form_of_name(name))
    except InputError as error:
        raise stream.error(error.message, error.where, error.hint) from None
    if decision.form is Form.FFCAP:
        return CaptureSource(stream, option)
    if decision.option is None:
        raise stream.error("no option is known", hint="give --option")
    try:
        check_form(decision.form, decision.option)
    except InputError as error:
        raise stream.error(error.message, hint=error.hint) from None
    kind = HexSource if decision.form is Form.HEX else RawSource
    return kind(stream, decision, decision.option, chunk_octets)


def _decide(stream: _Stream, form: Form | None, option: str | None, hint: Form | None) -> Decision:
    """Look at as little of a pipe as will do, at the whole head of a file."""
    if stream.is_regular:
        head = stream.peek(HEAD_OCTETS)
        return decide(bytes(head), form, option, hint=hint, complete=stream.ended)
    if form is Form.FFCAP:
        return decide(bytes(stream.peek(8)), form, option, hint=hint)
    if form and option:
        head = stream.peek(stream_octets(form, option, CHECKED_HYPERFRAMES))
        return decide(bytes(head), form, option, hint=hint, complete=stream.ended)
    size = FIRST_LOOK
    while True:
        head = stream.peek(size)
        last = stream.ended or size >= HEAD_OCTETS
        try:
            decision = decide(bytes(head), form, option, hint=hint, complete=stream.ended)
        except InputError:
            if last:
                raise
        else:
            if decision.certain or last:
                return decision
        size *= 2
