"""A board that can be bent to misbehave, and a TCP port behind which it stands.

A behaviour is what a board sends by itself (octets, or a float: seconds to wait) and what it answers. It sends an
amount that is bounded, and leaves then; `many` makes the floods longer for a test that has time.
"""

from __future__ import annotations

import random
import select
import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from functools import cache

from decoders.link.encoder import LinkEncoder
from decoders.link.settings import SenderSettings
from monitor.protocol import records as r
from monitor.protocol.stream import RecordReader, RecordWriter

__all__ = [
    "HYPERFRAME_WORDS",
    "Answer",
    "Behaviour",
    "Board",
    "HostilePort",
    "Piece",
    "Script",
    "flagged_hyperframes",
    "polite",
]

HYPERFRAME_WORDS = 4096
"""Of option 1."""
_LINGER_S = 0.06


@cache
def flagged_hyperframes(count: int, hfn: int = 0) -> bytes:
    """Good hyperframes of option 1 in flagged words."""
    octets = (
        LinkEncoder(SenderSettings(option="1", hdlc_rate_code=2, hfn=hfn)).encode(count).reshape(count, -1)
    )
    words = octets.astype("<u2")
    words[:, 0] |= 0x100
    return words.tobytes()


class Board:
    """A board that behaves; the behaviours bend what it does. Everything is option 1, flagged."""

    def __init__(self, many: int) -> None:
        self.many = many
        self.writer = RecordWriter()
        self.random = random.Random(5)
        self.hyperframe = 0
        self.data_type = 2
        self.asked = False  # whether the host has to ask for line data

    def record(self, kind: int, payload: bytes, *, flags: int = 0, time_ns: int = 0) -> bytes:
        return self.writer.encode(kind, payload, flags=flags, time_ns=time_ns)

    def status(self, name: str | bytes = "RE-1", **changes: int) -> bytes:
        """A STATUS whose fields may be what no board can be."""
        values = {
            "option": 1,
            "data_type": self.data_type,
            "sync": 4,
            "loopback": 1,
            "flags": 12,
            "alignment": 3,
            "delay": 100,
            "period": 16276,
            "hyperframes": self.hyperframe,
            "violations": 0,
            "disparity": 0,
            "los": 0,
            "lof": 0,
            "resets": 0,
            "lost": 0,
            "bad": 0,
        } | changes
        head = struct.pack("<BBBBHBxIIQ7I", *values.values())
        return self.record(r.RecordType.STATUS, head + (name if isinstance(name, bytes) else name.encode()))

    def log(self, text: str | bytes) -> bytes:
        return self.record(r.RecordType.LOG, text if isinstance(text, bytes) else text.encode())

    def data(
        self,
        count: int = 1,
        *,
        kind: int = 2,
        words: bytes | None = None,
        number: int | None = None,
        offset: int = 0,
        option: int = 1,
        flags: int = 0,
        time_ns: int = 0,
    ) -> bytes:
        """Line data of the next `count` hyperframes."""
        if words is None:
            first = self.hyperframe % 150
            size = 2 * HYPERFRAME_WORDS
            words = flagged_hyperframes(300)[first * size : (first + count) * size]
        number = self.hyperframe if number is None else number
        self.hyperframe += count
        head = struct.pack("<QIB3x", number & (2**64 - 1), offset & 0xFFFFFFFF, option)
        return self.record(kind, head + words, flags=flags, time_ns=time_ns)

    def good(self, count: int = 40) -> Iterator[bytes]:
        for _ in range(0, count, 4):
            yield self.data(4)

    def start(self, data_type: int = 0) -> bytes:
        """The first records. With data type 0 the host switches the line data on, and is ready for them then."""
        self.data_type = data_type
        self.asked = data_type == 0
        return self.record(r.RecordType.LOG, b"started", flags=r.RecordFlag.FIRST) + self.status()

    def acknowledge(self, command: r.Record, text: str = "", hyperframe: int | None = None) -> bytes:
        at = self.hyperframe if hyperframe is None else hyperframe
        return self.record(
            r.RecordType.ACKNOWLEDGE,
            struct.pack("<IB3xQ", command.sequence, command.type, at & (2**64 - 1)) + text.encode(),
        )

    def refuse(self, command: r.Record, reason: int, text: str | bytes) -> bytes:
        octets = text if isinstance(text, bytes) else text.encode()
        return self.record(
            r.RecordType.REFUSE, struct.pack("<IBBxx", command.sequence, command.type, reason) + octets
        )

    def answer(self, command: r.Record) -> bytes:
        out = self.acknowledge(command)
        if command.type == r.RecordType.SELECT_DATA:
            self.data_type = command.payload[0]
        return out + self.status() if command.type == r.RecordType.ASK_STATUS else out


Piece = bytes | float
Script = Callable[[Board], Iterator[Piece]]
Answer = Callable[[Board, r.Record], bytes]


def polite(board: Board, command: r.Record) -> bytes:
    """What a good board answers."""
    return board.answer(command)


@dataclass(frozen=True)
class Behaviour:
    """`decode`, `tell`, `record`: exit status that each command must give; `says` a part of standard error.

    `screen`: False where the screen cannot begin, None where it depends on the rates that are decoded.
    """

    name: str
    script: Script
    answer: Answer = polite
    decode: tuple[int, ...] = (0,)
    tell: tuple[int, ...] = (0,)
    record: tuple[int, ...] = (0,)
    screen: bool | None = True
    says: str = ""
    linger_s: float = _LINGER_S


class HostilePort:
    """A TCP port of this machine with one board behind it, which begins anew with every connection."""

    def __init__(self, behaviour: Behaviour) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._stop = threading.Event()
        self.behaviour = behaviour
        self.many = 1
        self.name = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._stop.set()
        self._thread.join(5.0)
        self._listener.close()

    def _serve(self) -> None:
        self._listener.settimeout(0.1)
        while not self._stop.is_set():
            try:
                connection, _ = self._listener.accept()
            except TimeoutError:
                continue
            with connection, suppress(OSError):
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._board(connection)

    def _board(self, connection: socket.socket) -> None:
        behaviour, board = self.behaviour, Board(self.many)
        reader = RecordReader(r.MAX_COMMAND_PAYLOAD)
        connection.settimeout(5.0)
        script = iter(behaviour.script(board))
        first = True
        while (piece := next(script, None)) is not None:
            if isinstance(piece, float):
                self._listen(connection, board, reader, piece)
                continue
            connection.sendall(piece)
            if first:
                self._wait_for_host(connection, board, reader)
            first = False
            self._listen(connection, board, reader, 0.0)
        last = time.monotonic() + behaviour.linger_s
        while time.monotonic() < last and not self._stop.is_set():
            if self._listen(connection, board, reader, 0.02):
                last = time.monotonic() + behaviour.linger_s

    def _wait_for_host(self, connection: socket.socket, board: Board, reader: RecordReader) -> None:
        """Line data are for a host that knows the board: until it has asked for them, or a while."""
        if not self._listen(connection, board, reader, 0.3, one=True):
            return
        until = time.monotonic() + 0.15
        while time.monotonic() < until and not (board.data_type and board.asked):
            self._listen(connection, board, reader, 0.01)

    def _listen(
        self,
        connection: socket.socket,
        board: Board,
        reader: RecordReader,
        seconds: float,
        *,
        one: bool = False,
    ) -> bool:
        """Answer what comes within so many seconds, or the first that comes; whether something came."""
        until, heard = time.monotonic() + seconds, False
        while True:
            left = max(0.0, until - time.monotonic())
            if not select.select([connection], [], [], left)[0]:
                return heard
            data = connection.recv(65536)
            if not data:
                raise OSError("the host has left")
            for item in reader.feed(data):
                if isinstance(item, r.Record) and item.type >= r.RecordType.ASK_STATUS:
                    heard = True
                    connection.sendall(self.behaviour.answer(board, item))
            if one and heard:
                return True
