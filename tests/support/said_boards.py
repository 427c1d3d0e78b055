"""Boards for tests that say what they are told to say, whatever they are asked."""

from __future__ import annotations

import zlib

from cobs import cobs

from monitor.boards.command_channel import CommandChannel
from monitor.boards.line import LineSink
from monitor.protocol import records as r
from monitor.protocol.stream import RecordWriter

__all__ = ["STATUS", "SaidLine", "channel", "raw", "records"]

STATUS = r.Status(
    "2",
    2,
    r.SyncState.HFNSYNC,
    r.Loopback.INTERNAL,
    r.StatusFlag.NONE,
    3,
    0,
    0,
    0,
    0,
    0,
    0,
    0,
    0,
    0,
    0,
    "X-1",
)


class SaidLine:
    """A line with a board that says `first` when it is opened and `answer` to each command."""

    description = "test line"

    def __init__(self, answer: bytes = b"", first: bytes = b"") -> None:
        self.answer, self.first = answer, first
        self.sink: LineSink | None = None

    def start(self, sink: LineSink) -> None:
        self.sink = sink
        sink.receive(self.first, 0)

    def write(self, data: bytes) -> None:
        assert self.sink is not None
        self.sink.receive(self.answer, 0)

    def close(self) -> None: ...


def channel(answer: bytes = b"", first: bytes = b"") -> CommandChannel:
    made = CommandChannel(SaidLine(answer, first), answer_s=0.01)
    made.start()
    return made


def records(*messages: r.Message) -> bytes:
    writer = RecordWriter()
    return b"".join(writer.message(message) for message in messages)


def raw(kind: int, payload: bytes, *, version: int = 1, spoil: int = 0) -> bytes:
    """One record, of another version or with a wrong octet if wanted."""
    body = bytes([version, kind]) + bytes(14) + payload
    whole = bytearray(body + zlib.crc32(body).to_bytes(4, "little"))
    whole[-1] ^= spoil
    return b"\0" + bytes(cobs.encode(bytes(whole))) + b"\0"
