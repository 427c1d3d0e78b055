"""Boards for tests: one in this process that runs as its line data are asked for, and the command as a process."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from monitor.boards.board import BoardSource
from monitor.boards.line import LineSink
from monitor.emulation.board import BoardSetup, RecordBoard
from monitor.sources.source import Chunk

ROOT = Path(__file__).parents[2]


class BoardLine:
    """A line with a board right behind it; `pump` makes hyperframes pass."""

    description = "test board"

    def __init__(self, board: RecordBoard, change: Callable[[bytes], bytes] = lambda data: data) -> None:
        self.board = board
        self.change = change
        self.lose_commands = 0
        self.written = 0
        self.sink: LineSink | None = None

    def start(self, sink: LineSink) -> None:
        self.sink = sink
        self.give(self.board.start())

    def write(self, data: bytes) -> None:
        self.written += 1
        if self.lose_commands:
            self.lose_commands -= 1
            data = data[:10] + b"\x55" + data[11:]
        self.give(self.board.receive(data))

    def close(self) -> None: ...

    def give(self, data: bytes) -> None:
        assert self.sink is not None
        self.sink.receive(self.change(data), 0)

    def pump(self, n: int) -> None:
        self.give(self.board.advance(n))


class PumpedBoard(BoardSource):
    """A board that makes `step` hyperframes each time a chunk is asked for; `change` damages what it sends."""

    def __init__(
        self,
        setup: BoardSetup | None = None,
        *,
        step: int = 10,
        change: Callable[[bytes], bytes] = lambda data: data,
    ) -> None:
        self.board = RecordBoard(setup)
        self.step = step
        self._pumped = BoardLine(self.board, change)
        super().__init__(self._pumped, allow=True, answer_s=0.02)

    def chunks(self) -> Iterator[Chunk]:
        offset = 0
        while True:
            self._pumped.pump(self.step)
            taken = self.line_data.queue.take(0)
            data = b"".join(taken[0]) if taken else b""
            yield Chunk(data, 0, offset)
            offset += len(data)


@contextmanager
def running_board(*words: str) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """`framefray board` with these words; the source to reach it by, and the process."""
    process = subprocess.Popen(
        [sys.executable, "-m", "monitor", "board", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        cwd=ROOT,
    )
    assert process.stdout is not None
    try:
        yield process.stdout.readline().strip(), process
    finally:
        process.kill()
        process.wait()
        process.stdout.close()
