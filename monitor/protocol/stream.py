"""Records on a serial line: COBS frames between 0x00 octets, CRC-32, sequence numbers, and text in between.

`RecordReader` takes octets in any cut and gives records, lines of console text and damage, in order. What is
wrong on the line is counted and said, never raised; memory stays within one record. CRC-32 is that of IEEE
802.3 (zlib.crc32), sent low octet first; COBS is Cheshire and Baker's (IEEE/ACM Trans. Networking 7(2), 1999).
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from enum import StrEnum

from cobs import cobs

from ..text import inert
from .records import (
    HEADER_OCTETS,
    MAX_PAYLOAD,
    VERSION,
    Message,
    Record,
    RecordFlag,
    RecordType,
    pack_message,
)

__all__ = ["Damage", "DamageKind", "Received", "RecordReader", "RecordWriter", "StreamCounters", "TextLine"]

_HEADER = struct.Struct("<BBHIQ")
_CRC = struct.Struct("<I")
_SHORTEST = HEADER_OCTETS + 4
_CRC_GOOD = 0x2144DF1C
"""CRC-32 over anything with its own CRC-32 behind it (ITU-T V.42 residue DEBB20E3, bits turned over)."""
_SEQUENCES = 1 << 32
_TYPES = frozenset(int(kind) for kind in RecordType)
_TEXT_OCTETS = bytes(range(0x20, 0x7F)) + b"\a\b\t\n\v\f\r\x1b" + bytes(range(0x80, 0x100))
_LINE_LIMIT = 1024


class DamageKind(StrEnum):
    """What is wrong with a piece between two delimiters, the first that holds."""

    TOO_LONG = "too long"
    COBS = "not COBS"
    TOO_SHORT = "too short"
    CRC = "wrong CRC"
    VERSION = "unknown version"
    TYPE = "unknown type"
    LOST = "records lost"
    STEP_BACK = "sequence number went back"


@dataclass(frozen=True, slots=True)
class Damage:
    """Damage on the line. `at` counts octets since the reader began; `count` is octets, for LOST records."""

    kind: DamageKind
    at: int
    count: int


@dataclass(frozen=True, slots=True)
class TextLine:
    """A line of console text between records, printable characters only, at most 1024 of them."""

    text: str


Received = Record | TextLine | Damage


@dataclass(slots=True)
class StreamCounters:
    """What a reader has seen; `bad_records` are pieces that held no record that could be used."""

    octets: int = 0
    records: int = 0
    records_lost: int = 0
    too_long: int = 0
    bad_cobs: int = 0
    too_short: int = 0
    bad_crc: int = 0
    unknown_version: int = 0
    unknown_type: int = 0
    steps_back: int = 0
    text_lines: int = 0
    last_unknown_version: int = 0

    @property
    def bad_records(self) -> int:
        return self.too_long + self.bad_cobs + self.too_short + self.bad_crc + self.unknown_version


_COUNTER = {
    DamageKind.TOO_LONG: "too_long",
    DamageKind.COBS: "bad_cobs",
    DamageKind.TOO_SHORT: "too_short",
    DamageKind.CRC: "bad_crc",
    DamageKind.VERSION: "unknown_version",
    DamageKind.TYPE: "unknown_type",
    DamageKind.STEP_BACK: "steps_back",
}


class RecordWriter:
    """Gives records their sequence numbers and frames them; one for each direction of a line."""

    def __init__(self, first_sequence: int = 0) -> None:
        self.sequence = first_sequence % _SEQUENCES

    def encode(self, kind: int, payload: bytes, *, flags: int = 0, time_ns: int = 0) -> bytes:
        """The octets of the next record, delimiters on both sides."""
        head = _HEADER.pack(VERSION, kind, flags, self.sequence, time_ns)
        self.sequence = (self.sequence + 1) % _SEQUENCES
        body = head + payload
        framed: bytes = cobs.encode(body + _CRC.pack(zlib.crc32(body)))
        return b"\0" + framed + b"\0"

    def message(self, message: Message, *, flags: int = 0, time_ns: int = 0) -> bytes:
        """The same for a message; PayloadError where it does not fit a record."""
        kind, payload = pack_message(message)
        return self.encode(kind, payload, flags=flags, time_ns=time_ns)


class RecordReader:
    """Takes what comes from the line. Holds back at most one record of `max_payload`."""

    def __init__(self, max_payload: int = MAX_PAYLOAD) -> None:
        self.counters = StreamCounters()
        longest = max_payload + _SHORTEST
        self._max_record = longest
        self._limit = longest + longest // 254 + 1
        self._parts: list[bytes] = []
        self._held = 0
        self._skipping = False
        self._no_text = False
        self._next: int | None = None

    @property
    def held_octets(self) -> int:
        """Octets held back until their delimiter comes."""
        return self._held

    def feed(self, data: bytes) -> list[Received]:
        """What these octets complete, in the order of the line."""
        out: list[Received] = []
        pieces = data.split(b"\0")
        at = self.counters.octets
        self.counters.octets += len(data)
        last = pieces.pop()
        for piece in pieces:
            end = at + len(piece)
            if self._skipping:
                self._skipping = self._no_text = False
            elif self._parts:
                self._parts.append(piece)
                start = end - self._held - len(piece)
                self._piece(b"".join(self._parts), start, out)
                self._parts, self._held, self._no_text = [], 0, False
            elif piece:
                self._piece(piece, at, out)
            at = end + 1
        if last and not self._skipping:
            self._hold(last, at, out)
        return out

    def restart(self) -> None:
        """The line was broken: forget the piece begun; sequence numbers are still compared."""
        self._parts, self._held, self._skipping, self._no_text = [], 0, False, False

    def _hold(self, tail: bytes, at: int, out: list[Received]) -> None:
        self._parts.append(tail)
        self._held += len(tail)
        if len(self._parts) > 256:
            self._parts = [b"".join(self._parts)]
        # Text is handed on line by line as it comes, for no delimiter may ever follow it.
        if not self._no_text and (b"\n" in tail or self._held - len(tail) < 2):
            held = b"".join(self._parts)
            cut = self._lines(held, out)
            self._parts = [held[cut:]] if cut < len(held) else []
            self._held -= cut
            self._no_text = self._held >= 2 and (not _starts_text(held[cut:]) or b"\n" in held[cut:])
        if self._held > self._limit:
            self._damage(DamageKind.TOO_LONG, at + len(tail) - self._held, self._limit, out)
            self._parts, self._held, self._skipping = [], 0, True

    def _lines(self, piece: bytes, out: list[Received]) -> int:
        """Hand on the whole lines of text that a piece begins with; how many octets they take."""
        cut = 0
        while len(piece) - cut >= 2 and _starts_text(piece[cut : cut + 2]):
            end = piece.find(b"\n", cut, cut + self._limit) + 1
            if not end or not _is_text(piece[cut:end]):
                break
            self._text(piece[cut:end], out)
            cut = end
        return cut

    def _piece(self, piece: bytes, at: int, out: list[Received]) -> None:
        """One piece between delimiters: lines of text, and then a record, text or damage."""
        cut = self._lines(piece, out)
        rest = piece[cut:] if cut else piece
        verdict = self._record(rest, at + cut, out) if rest else None
        if verdict is None:
            return
        if verdict is not DamageKind.TOO_LONG and _is_text(rest):
            self._text(rest, out)
        else:
            self._damage(verdict, at + cut, min(len(rest), self._limit), out)

    def _record(self, piece: bytes, at: int, out: list[Received]) -> DamageKind | None:
        """Take a record; None when it was one (or is said already), else what is wrong with it."""
        if len(piece) > self._limit:
            return DamageKind.TOO_LONG
        try:
            body: bytes = cobs.decode(piece)
        except cobs.DecodeError:
            return DamageKind.COBS
        if len(body) < _SHORTEST:
            return DamageKind.TOO_SHORT
        if len(body) > self._max_record:
            return DamageKind.TOO_LONG
        if zlib.crc32(body) != _CRC_GOOD:
            return DamageKind.CRC
        version, kind, flags, sequence, time_ns = _HEADER.unpack_from(body)
        if version != VERSION:
            self.counters.last_unknown_version = version
            return DamageKind.VERSION
        self._follow(sequence, flags, at, out)
        if kind not in _TYPES:
            self._damage(DamageKind.TYPE, at, len(piece), out)
            return None
        self.counters.records += 1
        out.append(Record(kind, flags, sequence, time_ns, body[HEADER_OCTETS:-4]))
        return None

    def _follow(self, sequence: int, flags: int, at: int, out: list[Received]) -> None:
        if self._next is not None and sequence != self._next and not flags & RecordFlag.FIRST:
            gap = (sequence - self._next) % _SEQUENCES
            if gap < _SEQUENCES // 2:
                self.counters.records_lost += gap
                out.append(Damage(DamageKind.LOST, at, gap))
            else:
                self._damage(DamageKind.STEP_BACK, at, _SEQUENCES - gap, out)
        self._next = (sequence + 1) % _SEQUENCES

    def _damage(self, kind: DamageKind, at: int, count: int, out: list[Received]) -> None:
        name = _COUNTER[kind]
        setattr(self.counters, name, getattr(self.counters, name) + 1)
        out.append(Damage(kind, at, count))

    def _text(self, octets: bytes, out: list[Received]) -> None:
        for line in octets.decode("utf-8", "replace").splitlines():
            if line:
                self.counters.text_lines += 1
                out.append(TextLine(inert(line[:_LINE_LIMIT])))


def _is_text(octets: bytes) -> bool:
    """Only what consoles print: printable characters of UTF-8, white space, escape sequences."""
    if octets.translate(None, _TEXT_OCTETS):
        return False
    try:
        octets.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _starts_text(octets: bytes) -> bool:
    """Told by the first two octets, for the second of a record is its version."""
    return not octets[:2].translate(None, _TEXT_OCTETS)
