"""Octets as hex text, read and written."""

from __future__ import annotations

import re
from contextlib import suppress
from typing import BinaryIO

import numpy as np

from decoders.arrays import U8

from ..errors import InputError

__all__ = ["HexReader", "HexWriter", "hex_octets"]

_COLUMN = re.compile(rb"[ \t]*(?:0[xX])?[0-9A-Fa-f]*[ \t]*:")
_TOKEN = re.compile(rb"\S+")
_HALF = re.compile(rb"[0-9A-Fa-f](?:[0-9A-Fa-f]{2})*")
_PAIRS = re.compile(rb"(?:[0-9A-Fa-f]{2})+")
_COLUMNS = re.compile(rb"(?:[ \t]*(?:0[xX])?[0-9A-Fa-f]*[ \t]*:)*")
LONG_LINE = 1 << 20


def _bad_token(line: bytes) -> re.Match[bytes] | None:
    """The first token of a line without comment that is not hex octets, after its offset column."""
    column = _COLUMN.match(line)
    for token in _TOKEN.finditer(line, column.end() if column else 0):
        if not _PAIRS.fullmatch(token[0]):
            return token
    return None


def hex_share(text: bytes) -> float:
    """The share of lines with something on them, whole ones, that are hex."""
    lines = text.split(b"\n")
    lines = [line.partition(b"#")[0] for line in (lines[:-1] if len(lines) > 2 else lines)]
    lines = [line for line in lines if line.strip()]
    return sum(_bad_token(line) is None for line in lines) / len(lines) if lines else 0.0


class HexReader:
    """Hex text to octets, piece by piece.

    A first line that does not parse is dropped with a warning (the file was cut at its front). What is wrong
    later ends the stream: `feed` returns what came before and keeps the InputError in `error`.
    """

    def __init__(self) -> None:
        self.error: InputError | None = None
        self.warnings: list[str] = []
        self._carry = b""
        self._line = 1
        self._offset = 0  # of the first octet of the carry
        self._column = 0  # where in its line the carry begins
        self._comment = False
        self._octets = 0
        self._dropped: InputError | None = None

    @property
    def offset(self) -> int:
        """Byte offset in the text of what the next octets come from."""
        return self._offset

    def feed(self, text: bytes | memoryview, *, final: bool = False) -> bytes:
        """The octets of all lines that `text` completes (with `final`, of the rest too)."""
        if self.error is not None:
            return b""
        data = self._carry + bytes(text)
        if self._offset == 0 and data.startswith(b"\xef\xbb\xbf"):  # byte order mark
            data, self._offset = data[3:], 3
        cut = len(data) if final else data.rfind(b"\n") + 1
        if not cut and len(data) > LONG_LINE:
            blank = max(data.rfind(b" "), data.rfind(b"\t"), data.rfind(b"\r"))
            cut = blank + 1 if blank >= 0 else len(data) & ~1
        piece, self._carry = data[:cut], data[cut:]
        octets = self._parse(piece)
        self._octets += len(octets)
        if final and not self._octets and self.error is None:
            self.error = self._dropped or InputError("holds no hex octets")
        return octets

    def _parse(self, piece: bytes) -> bytes:
        octets = b""
        if piece and (
            self._line == 1 or self._column
        ):  # the first line, or the rest of one cut for its length
            end = piece.find(b"\n") + 1 or len(piece)
            octets, piece = self._parse_slowly(piece[:end]), piece[end:]
        if piece and self.error is None:
            octets += self._parse_lines(piece)
        return octets

    def _parse_lines(self, piece: bytes) -> bytes:
        """From the start of a line on, all at once where nothing is wrong."""
        octets = hex_octets(piece)
        if octets is None:
            return self._parse_slowly(piece)
        self._line += piece.count(b"\n")
        self._offset += len(piece)
        self._column = len(piece) - piece.rfind(b"\n") - 1
        self._comment = self._column > 0 and b"#" in piece[-self._column :]
        return octets

    def _parse_slowly(self, piece: bytes) -> bytes:
        """Line by line, to find what is wrong."""
        octets = bytearray()
        for line in piece.splitlines(keepends=True) if self._line > 1 else [piece]:
            code = b"" if self._comment else line.partition(b"#")[0]
            column = None if self._column else _COLUMN.match(code)
            body_at = column.end() if column else 0
            try:
                octets += bytes.fromhex(code[body_at:].decode("ascii"))
            except ValueError:
                if self._line > 1 or self._column:
                    self.error = self._bad_token(code, body_at)
                    break
                octets += self._cut_line(code, body_at)
            self._offset += len(line)
            if line.endswith(b"\n"):
                self._line += 1
                self._column, self._comment = 0, False
            else:
                self._column += len(line)
                self._comment = self._comment or b"#" in line
        return bytes(octets)

    def _cut_line(self, code: bytes, start: int) -> bytes:
        """The first line, which does not parse: without its first token if that helps, else nothing of it."""
        self._dropped = self._bad_token(code, start)
        part, octets = "line 1", b""
        first = _TOKEN.search(code, start)
        if first is not None and _HALF.fullmatch(first[0]):
            with suppress(ValueError):
                octets = bytes.fromhex(code[first.end() :].decode("ascii"))
                part = f"'{first[0].decode('ascii')}' at the start of line 1"
        self._comment = not octets  # whatever else this line has
        self.warnings.append(f"hex: {part} left out, it is not whole (was the file cut at its front?)")
        return octets

    def _bad_token(self, code: bytes, start: int) -> InputError:
        tokens = _TOKEN.finditer(code, start)
        bad = next(token for token in tokens if not _PAIRS.fullmatch(token[0]))
        shown = bad[0][:20].decode("ascii", "backslashreplace")
        column = self._column + bad.start() + 1
        return InputError(
            f"hex: '{shown}' is not an octet (line {self._line}, column {column})", self._offset + bad.start()
        )


def hex_octets(piece: bytes) -> bytes | None:
    """The octets of whole lines of hex text; None where any of them is something else."""
    stripped = _without_columns(piece) if b"#" in piece or b":" in piece else piece
    try:
        return bytes.fromhex(stripped.decode("ascii"))
    except ValueError:
        return None


def _without_columns(piece: bytes) -> bytes:
    """Whole lines without comments and offset columns; columns stay where one is wrong."""
    data = np.frombuffer(piece, np.uint8)
    stride, colon = piece.find(b"\n") + 1, piece.find(b":")
    lines = len(piece) // stride if stride else 0
    if 0 <= colon < stride and len(piece) == lines * stride and b"#" not in piece:
        table = data.reshape(lines, stride)
        alike = (table[:, -1] == ord("\n")).all() and (table[:, colon] == ord(":")).all()
        if alike and piece.count(b"\n") == piece.count(b":") == lines:  # as most programs write it
            columns = table[:, : colon + 1]
            return table[:, colon + 1 :].tobytes() if _COLUMNS.fullmatch(columns.tobytes()) else piece
    if b"#" in piece:
        data, _ = _drop_in_lines(data, ord("#"), to_end=True)
    if b":" in piece:
        rest, columns = _drop_in_lines(data, ord(":"), to_end=False)
        data = rest if _COLUMNS.fullmatch(columns.tobytes()) else data
    return data.tobytes()


def _drop_in_lines(data: U8, mark: int, *, to_end: bool) -> tuple[U8, U8]:
    """Leave out each line from its first `mark` to its end, or from its start to the mark: rest, left out."""
    ends = np.flatnonzero(data == 10)
    marks = np.flatnonzero(data == mark)
    lines, first = np.unique(np.searchsorted(ends, marks), return_index=True)
    marks = marks[first]
    if to_end:
        begin, stop = marks, np.append(ends, len(data))[lines]
    else:
        begin, stop = np.concatenate(([0], ends + 1))[lines], marks + 1
    step = np.zeros(len(data) + 1, np.int8)
    step[begin] += 1
    step[stop] -= 1
    out = np.cumsum(step[:-1], dtype=np.int8).view(np.bool_)
    return data[~out], data[out]


class HexWriter:
    """Octets to hex text: `offset:` of 8 digits (16 beyond 4 GiB) and 16 octets a line."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self._rest = b""
        self._offset = 0

    def write(self, octets: bytes | memoryview | U8) -> None:
        data = self._rest + bytes(octets)
        whole = len(data) & ~15
        self._rest = data[whole:]
        if whole:
            self._stream.write(self._lines(np.frombuffer(data, np.uint8, whole).reshape(-1, 16)))

    def close(self) -> None:
        """Write the last, shorter line; the stream stays open."""
        if self._rest:
            self._stream.write(self._lines(np.frombuffer(self._rest, np.uint8).reshape(1, -1)))
            self._rest = b""

    def _lines(self, rows: U8) -> bytes:
        count, width = rows.shape
        offsets = self._offset + 16 * np.arange(count, dtype=np.int64)
        self._offset += rows.size
        digits = 8 if self._offset < 1 << 32 else 16
        text = np.empty((count, digits + 2 + 3 * width), np.uint8)
        text[:, :digits] = _hex_digits(offsets.astype(f">u{digits // 2}").tobytes(), digits)
        text[:, digits : digits + 2] = (ord(":"), ord(" "))
        text[:, digits + 2 :] = _hex_digits(rows.tobytes(), 3 * width, " ")
        text[:, -1] = ord("\n")
        return text.tobytes()


def _hex_digits(data: bytes, width: int, separator: str = "") -> U8:
    """Hex digits as rows of `width` characters, each octet followed by the separator."""
    text = data.hex(separator) + separator if separator else data.hex()
    return np.frombuffer(text.upper().encode("ascii"), np.uint8).reshape(-1, width)
