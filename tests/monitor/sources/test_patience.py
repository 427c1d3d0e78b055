"""Commands without a screen wait for a line, and not for ever."""

from __future__ import annotations

import json

import pytest

from monitor.boards.board import BoardSource
from monitor.emulation.board import BoardSetup, RecordBoard
from monitor.errors import InputError
from monitor.protocol import records as r
from monitor.sources import patience
from monitor.sources.patience import LinePatience
from monitor.sources.source import Standstill
from tests.support.boards import BoardLine
from tests.support.commands import outcome
from tests.support.screen_fakes import FakeSource


class LiveFake(FakeSource):
    standstill: Standstill | None = None


def test_files_and_emulated_links_have_no_limit() -> None:
    assert LinePatience(FakeSource()).check(lambda: False) is None


def test_silence_has_a_limit_and_no_sync_too(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [100.0]
    monkeypatch.setattr("monitor.sources.patience.time.monotonic", lambda: now[0])
    source = LiveFake()
    limit, first = LinePatience(source), LinePatience(source, first_only=True)
    for each in (limit, first):
        source.standstill = Standstill(29.0, False)
        each.check()
        source.standstill = Standstill(31.0, False)
        with pytest.raises(InputError, match="fake link: no line data for 30 s"):
            each.check()
        source.standstill = Standstill(31.0, True)
        with pytest.raises(InputError, match="fake link: the line is down for 30 s"):
            each.check()
        source.standstill = None
        each.check(lambda: False)
    now[0] += 31
    limit.check(lambda: True)
    with pytest.raises(
        InputError, match="no hyperframe sync in 30 s of line data, read as octets of option 2"
    ):
        limit.check(lambda: False)
    source.standstill = Standstill(3600.0, False)  # part of what is recorded
    first.check(lambda: False)


@pytest.mark.parametrize("command", ["decode", "watch", "record"])
def test_a_silent_board_is_given_up(
    command: str, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: object
) -> None:
    monkeypatch.setattr(patience, "SILENCE_LIMIT_S", 0.2)
    monkeypatch.setattr("monitor.boards.line.SILENCE_S", 0.1)
    line = BoardLine(RecordBoard(BoardSetup(option="1")))
    monkeypatch.setattr("monitor.boards.serial_port.SerialLine", lambda *_, **__: line)
    words = {"decode": ["--json"], "watch": ["--headless"], "record": [f"{tmp_path}/x.ffcap"]}[command]
    status, out, err = outcome(capfd, command, "loop://", *words)
    assert status == 2
    assert "test board (REC-A): no line data for 0.2 s" in err
    assert out  # the result, such as it is
    if command == "decode":
        assert json.loads(out)["hyperframes"] == 0


def test_what_was_decoded_before_a_silence_is_given(
    capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(patience, "SILENCE_LIMIT_S", 0.2)
    monkeypatch.setattr("monitor.boards.line.SILENCE_S", 0.1)
    line = BoardLine(RecordBoard(BoardSetup(option="1")))
    begin = BoardSource._begin

    def pumped(source: BoardSource, *words: object, **more: object) -> None:
        begin(source, *words, **more)  # type: ignore[arg-type]
        line.pump(50)

    monkeypatch.setattr(BoardSource, "_begin", pumped)
    monkeypatch.setattr("monitor.boards.serial_port.SerialLine", lambda *_, **__: line)
    status, out, err = outcome(capfd, "decode", "loop://", "--json")
    assert status == 2 and "no line data for 0.2 s" in err
    assert json.loads(out)["hyperframes"] == 50


def test_data_without_sync_are_given_up(
    capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(patience, "SYNC_LIMIT_S", 0.2)
    board = RecordBoard()
    line = BoardLine(board)

    class Endless(BoardSource):
        @property
        def standstill(self) -> None:
            payload = r.data_payload(0, 0, None, bytes(16384))  # no sync in it, and no option
            line.give(board.writer.encode(r.RecordType.FLAGGED, payload))

    monkeypatch.setattr("monitor.boards.board.BoardSource", Endless)
    monkeypatch.setattr("monitor.boards.serial_port.SerialLine", lambda *_, **__: line)
    status, out, err = outcome(capfd, "decode", "loop://", "--json")
    assert status == 2 and "no hyperframe sync in 0.2 s of line data, read as flagged of option 2" in err
    assert json.loads(out)["sync"]["acquired_at_hyperframe"] is None
