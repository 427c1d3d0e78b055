"""`tell` on boards that are not what it would like."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import partial

import pytest

from monitor.boards.command_channel import CommandChannel
from monitor.boards.line import LineSink
from monitor.commands import tell
from monitor.protocol import records as r
from monitor.protocol.stream import RecordReader, RecordWriter
from tests.support.commands import outcome

STATUS = r.Status(
    "2",
    2,
    r.SyncState.HFNSYNC,
    r.Loopback.INTERNAL,
    r.StatusFlag.NONE,
    3,
    9,
    8138,
    77,
    1,
    2,
    3,
    4,
    5,
    6,
    7,
    "X",
)


class FakeBoard:
    """In the place of the serial line: a board with this status; `deaf` ones only send it by themselves."""

    def __init__(
        self, status: r.Status, *, deaf: bool = False, line_code: r.LineCodeStatus | None = None
    ) -> None:
        self.description = "fake:board"
        self.status, self.deaf, self.line_code = status, deaf, line_code
        self.writer, self.reader = RecordWriter(), RecordReader()

    def start(self, sink: LineSink) -> None:
        self.sink = sink
        sink.receive(self.writer.message(self.status), 0)

    def write(self, data: bytes) -> None:
        if self.deaf:
            return
        for item in self.reader.feed(data):
            if isinstance(item, r.Record):
                answer = self.writer.message(r.Acknowledge(item.sequence, item.type, 0, ""))
                self.sink.receive(answer + self.writer.message(self.status), 0)
                if self.line_code is not None:
                    self.sink.receive(self.writer.message(self.line_code), 0)

    def close(self) -> None: ...


@pytest.fixture
def told(capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> object:
    def run(board: FakeBoard, *words: str) -> tuple[int, str, str]:
        monkeypatch.setattr(tell, "SerialLine", lambda *_, **__: board)
        monkeypatch.setattr(tell, "CommandChannel", partial(CommandChannel, answer_s=0.02))
        return outcome(capfd, "tell", "loop://", *words)

    return run


def test_a_type_of_line_data_that_no_version_knows_is_a_number(told: object) -> None:
    status, out, err = told(FakeBoard(replace(STATUS, data_type=9)), "status", "--json")  # type: ignore[operator]
    assert (status, err) == (0, "")
    assert json.loads(out)["data"] == "type 9"


@pytest.mark.parametrize("option", [None, "7A", "10"])
def test_the_status_asks_for_no_option_and_no_line_code(told: object, option: str | None) -> None:
    board = FakeBoard(replace(STATUS, option=option, alignment_bits=65 if option else None))
    status, out, err = told(board, "status", "--json")  # type: ignore[operator]
    assert (status, err) == (0, "")
    record = json.loads(out)
    assert (record["option"], record["alignment_bits"]) == (option, 65 if option else None)
    status, out, _ = told(board, "status")  # type: ignore[operator]
    assert status == 0 and f"option            {option or '-'}\n" in out


def test_line_code_behind_the_status_is_told(told: object) -> None:
    code = r.LineCodeStatus(2, r.LineCodeFlag.SEED_KNOWN, 0, 305419896, *[0] * 6, 3)
    board = FakeBoard(replace(STATUS, option="7"), line_code=code)
    _, out, _ = told(board, "status", "--json")  # type: ignore[operator]
    record = json.loads(out)
    assert (record["protocol_version"], record["seed"], record["scrambling_seed_changes"]) == (
        2,
        305419896,
        3,
    )
    assert record["codeword_phase_bits"] is None and record["fec_lock"] is False


def test_a_board_that_only_sends_its_status_is_heard(told: object) -> None:
    status, out, err = told(FakeBoard(STATUS, deaf=True), "status", "--json")  # type: ignore[operator]
    assert status == 0 and json.loads(out)["hyperframes"] == 77
    assert err == (
        "framefray: fake:board: the board answers no command; this is a status that it sends by itself\n"
    )
    status, out, err = told(FakeBoard(STATUS, deaf=True), "data", "none")  # type: ignore[operator]
    assert (status, out) == (2, "") and "asked 4 times for other line data, no answer" in err


def test_a_hostile_name_is_kept_in_json_and_escaped_everywhere(told: object) -> None:
    name = "19 °C ü \x1b]0;x\x07 \x9b31m \u202egnp"
    _, out, _ = told(FakeBoard(replace(STATUS, name=name)), "status", "--json")  # type: ignore[operator]
    assert json.loads(out)["name"] == name and out.rstrip("\n").isprintable() and "°C ü" in out
    _, out, _ = told(FakeBoard(replace(STATUS, name=name)), "status")  # type: ignore[operator]
    assert "name              19 °C ü \\x1b]0;x\\x07 \\x9b31m \\u202egnp\n" in out
