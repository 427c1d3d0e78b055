"""Delay of a board behind a serial line: a reset that the board does not count is no measurement."""

from __future__ import annotations

import json

import pytest

from monitor.boards import delay as board_delay
from monitor.boards.board import BoardSource
from monitor.boards.delay import BoardDelay
from monitor.boards.line import LineSink
from monitor.commands import delay
from monitor.delay.run import DelayRun
from monitor.delay.samples import was_counted
from monitor.emulation.board import BoardSetup, RecordBoard
from monitor.protocol import records as r
from tests.support.boards import BoardLine
from tests.support.commands import outcome


class GoingLine(BoardLine):
    """A board that goes on by 10 hyperframes whenever it is asked something."""

    def start(self, sink: LineSink) -> None:
        super().start(sink)
        self.pump(20)

    def write(self, data: bytes) -> None:
        super().write(data)
        self.pump(10)


class Miscounting(RecordBoard):
    """Acknowledges every reset; its count says something else."""

    counts = (5,)
    _asked = 0

    @property
    def resets(self) -> int:
        return self.counts[min(self._asked, len(self.counts) - 1)]

    @resets.setter
    def resets(self, value: int) -> None:
        self._asked = value and self._asked + 1


SETUP = BoardSetup(name="RE-\x1b[31m\u202e°", loopback=r.Loopback.CABLE)


def source(board: RecordBoard) -> BoardSource:
    return BoardSource(GoingLine(board), allow=True, answer_s=0.05)


@pytest.fixture(autouse=True)
def _soon(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(board_delay, "COUNT_S", 0.1)


def test_resets_that_are_counted_pass() -> None:
    run = DelayRun(BoardDelay(source(RecordBoard(SETUP))), 4)
    while not run.done:
        run.step()
    assert run.status().verdict == "pass"
    assert [(s.resets_before, s.resets_after) for s in run.samples] == [(0, 1), (1, 2), (2, 3), (3, 4)]


@pytest.mark.parametrize(
    ("counts", "measured", "said"),
    [
        ((5,), 1, "reset 1 was acknowledged, but the board's count of resets does not show it (5 before and after)"),
        ((5, 6, 7, 7), 3, "reset 3 was acknowledged, but"),
        ((5, 0), 1, "(5 before, 0 after): not a measurement"),  # it started anew
    ],
)  # fmt: skip
def test_a_reset_that_is_not_counted_fails_the_run_and_ends_it(
    counts: tuple[int, ...], measured: int, said: str
) -> None:
    board = Miscounting(SETUP)
    board.counts = counts
    run = DelayRun(BoardDelay(source(board)), 10)
    while not run.done:
        run.step()
    status = run.status()
    assert (status.verdict, len(status.samples)) == ("fail", measured)
    assert [f.kind for f in status.findings] == ["reset-not-counted"]
    assert said in status.words[0]


def test_a_count_of_32_bits_goes_round() -> None:
    assert was_counted((1 << 32) - 1, 0) and was_counted(7, 11)
    assert not was_counted(7, 7) and not was_counted(7, 12) and not was_counted(7, 6)


def test_the_command_says_so_and_lets_no_name_at_the_terminal(
    capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: object
) -> None:
    monkeypatch.setattr(
        "monitor.boards.serial_port.SerialLine", lambda *_, **__: GoingLine(Miscounting(SETUP))
    )
    assert delay  # its board is opened by these names
    page = f"{tmp_path}/page.html"
    status, out, err = outcome(capfd, "delay", "loop://", "--yes", "--resets", "9", "--html", page)
    assert (status, err) == (1, "")
    assert all(line.isprintable() for line in out.splitlines())
    assert out.startswith("test board (RE-\\x1b[31m\\u202e°); option 2")
    assert "verdict: fail: 1 of 9 resets; " in out and "does not show it (5 before and after)" in out
    text = open(page, encoding="utf-8").read()  # noqa: SIM115, PTH123
    assert "\x1b" not in text and "\u202e" not in text and "RE-\\x1b[31m\\u202e°" in text
    status, out, _ = outcome(capfd, "delay", "loop://", "--yes", "--resets", "9", "--json")
    record = json.loads(out)
    assert (status, record["verdict"], record["source"]) == (1, "fail", f"test board ({SETUP.name})")
    assert (record["samples"][0]["resets_before"], record["samples"][0]["resets_after"]) == (5, 5)
    assert out.rstrip("\n").isprintable()
