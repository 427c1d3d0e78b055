"""Two boards joined by a cable: in this process, where time passes as line data are asked for, or as two."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path

from monitor.boards.board import BoardSource
from monitor.emulation.board import BoardSetup, RecordBoard
from monitor.protocol.records import Loopback
from monitor.sources.source import Chunk
from tests.support.boards import BoardLine, running_board

__all__ = ["PairedBoard", "PumpedPair", "pair_setups", "running_pair"]


class PairedBoard(BoardSource):
    """One end of a PumpedPair; time passes in both as its line data are asked for."""

    def __init__(self, pair: PumpedPair, board: RecordBoard) -> None:
        self.board = board
        self._ends = pair
        self.line = BoardLine(board)
        super().__init__(self.line, allow=True, answer_s=0.02)

    def chunks(self) -> Iterator[Chunk]:
        offset = 0
        while True:
            if not self.waiting:
                self._ends.pump()
            taken = self.line_data.queue.take(0)
            data = b"".join(taken[0]) if taken else b""
            yield Chunk(data, 0, offset)
            offset += len(data)


def pair_setups(option: str = "2") -> tuple[BoardSetup, BoardSetup]:
    """REC-A and RE-1, each sending to the other."""
    return (
        BoardSetup(name="REC-A", option=option, seed=1, loopback=Loopback.PAIR),
        BoardSetup(name="RE-1", option=option, seed=2, loopback=Loopback.PAIR),
    )


class PumpedPair:
    """REC-A (`near`) and RE-1 (`far`); `joined` False pulls the cable. REC-A has run for `ahead` hyperframes before.

    `crossed`: what REC-A sends goes to a third board, which sends to RE-1.
    """

    def __init__(
        self,
        near: RecordBoard | None = None,
        far: RecordBoard | None = None,
        *,
        step: int = 10,
        ahead: int = 37,
        crossed: bool = False,
    ) -> None:
        setups = pair_setups()
        self.step = step
        self.joined = True
        self.a = near or RecordBoard(setups[0])
        self.b = far or RecordBoard(setups[1])
        self.third: RecordBoard | None = None
        for board in (self.a, self.b):
            board.link_changed(True)
        if crossed:
            self.cross()
        self.a.advance(ahead)
        self.a.to_link()
        self.a.link_changed(True)
        self.near = PairedBoard(self, self.a)
        self.far = PairedBoard(self, self.b)
        self.pump()
        self.pump()

    def pump(self) -> None:
        """`step` hyperframes pass at both ends."""
        a, b = self.a, self.b
        self.near.line.give(a.advance(self.step))
        self.far.line.give(b.advance(self.step))
        down, up = a.to_link(), b.to_link()
        if not self.joined:
            return
        if self.third is not None:
            self.third.advance(self.step)
            self.third.from_link(down)
            down = self.third.to_link()
        self.far.line.give(b.from_link(down))
        self.near.line.give(a.from_link(up))

    def cross(self) -> None:
        """The cable from REC-A goes to a third board, and that of the third to RE-1."""
        self.third = RecordBoard(replace(self.a.setup, name="RE-9", seed=9))
        for board in (self.a, self.b, self.third):
            board.link_changed(True)

    def pull(self) -> None:
        """The cable is pulled."""
        self.joined = False
        self.a.link_changed(False)
        self.b.link_changed(False)


@contextmanager
def running_pair(
    folder: Path, *words: str, tcp: bool = True
) -> Iterator[tuple[str, str, subprocess.Popen[str], subprocess.Popen[str]]]:
    """REC-A and RE-1 as two processes on a link: the source of each, and the process of each."""
    way = ("--tcp", "127.0.0.1:0") if tcp else ("--pty",)
    link = str(folder / "link")
    with ExitStack() as stack:
        near, first = stack.enter_context(
            running_board("--name", "REC-A", *way, "--link", link, "--seed", "1", *words)
        )
        far, second = stack.enter_context(
            running_board("--name", "RE-1", *way, "--link", link, "--seed", "2", *words)
        )
        yield near, far, first, second
