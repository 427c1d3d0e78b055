"""A board in C, written from PROTOCOL.md and the header file alone, on a pseudo-terminal, with every command."""

from __future__ import annotations

import json
import os
import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.boards.serial_port import SerialLine
from monitor.protocol import records as r
from monitor.protocol.stream import RecordReader, RecordWriter
from tests.monitor.protocol.test_protocol_c import HERE, compile_c
from tests.support.commands import outcome
from tests.support.lines import KeepingSink, pty_pair

A_SECOND = "800"


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return compile_c("small_board.c", tmp_path_factory.mktemp("c") / "small_board")


@pytest.fixture
def board(program: Path) -> Iterator[str]:
    """The terminal to reach the board by."""
    master, slave, name = pty_pair()
    os.set_blocking(master, False)
    process = subprocess.Popen([program, A_SECOND], stdin=master)
    try:
        yield name
    finally:
        process.kill()
        process.wait()
        os.close(master)
        os.close(slave)


def test_the_board_is_small_and_uses_the_header_alone() -> None:
    text = (HERE / "small_board.c").read_text()
    assert len(text.splitlines()) < 200
    own = re.findall(r'#include "(.*)"', text)
    assert own == ["fray_record.h"]


def test_watch_and_tell(board: str, capfd: pytest.CaptureFixture[str]) -> None:
    status, out, err = outcome(capfd, "tell", board, "status", "--json")
    assert status == 0, err
    said = json.loads(out)
    assert (said["name"], said["option"], said["data"], said["loopback"]) == (
        "RE-2 in C",
        "1",
        "flagged",
        "internal",
    )
    status, out, err = outcome(capfd, "watch", board, "--hyperframes", "150")
    assert status == 0, err
    assert "HFNSYNC" in out and "150" in out
    assert "Traceback" not in err


def test_record_and_decode_give_a_clean_capture(
    board: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    capture = tmp_path / "board.ffcap"
    status, _, err = outcome(capfd, "record", board, capture, "--limit", "160hf")
    assert status == 0, err
    status, out, err = outcome(capfd, "decode", capture, "--json")
    assert status == 0, err
    record = json.loads(out)
    assert record["hyperframes"] == 160
    assert {name: n for name, n in record["counters"].items() if n} == {}


def test_campaign_finds_what_the_board_injects(board: str, capfd: pytest.CaptureFixture[str]) -> None:
    """On a link on which nothing changes by itself, which is a good link."""
    assert outcome(capfd, "tell", board, "data", "control")[0] == 0  # 1/16 of the data, as on a slow line
    only = [word for name in ("sync.hfn", "vendor.value", "l1.pointer") for word in ("--only", name)]
    status, out, err = outcome(capfd, "campaign", board, "--yes", "--json", *only)
    assert status == 0, (out, err)
    cases = {case["case"]: case for case in json.loads(out)["cases"]}
    assert cases["sync.hfn"]["moved"] == {"hfn_invalid": 1}
    assert cases["vendor.value"]["moved"] == {"vendor_changes": 1}
    assert "refuses" in str(cases["l1.pointer"])


def test_delay_is_constant_through_resets(board: str, capfd: pytest.CaptureFixture[str]) -> None:
    status, out, err = outcome(capfd, "delay", board, "--yes", "--resets", "10", "--json")
    assert status == 0, (out, err)
    assert json.loads(out)["verdict"] == "pass"
    status, out, _ = outcome(capfd, "tell", board, "status", "--json")
    assert status == 0 and json.loads(out)["resets"] == 10


def test_the_board_refuses_faults_as_the_page_says(board: str) -> None:
    """Without BoardSource: records of our own on the line."""
    line, sink = SerialLine(board), KeepingSink()
    line.start(sink)
    writer = RecordWriter(1000)
    asked = {
        "hdlc.fcs@40": r.Reason.NOT_SUPPORTED,
        "nonsense": r.Reason.MALFORMED,
        "sync.hfn@x": r.Reason.MALFORMED,
        "sync.hfn:value": r.Reason.MALFORMED,
        "sync.hfn:value=7x": r.Reason.MALFORMED,
        "sync.hfn:value=256": r.Reason.OUT_OF_RANGE,
        "sync.hfn:level=1": r.Reason.OUT_OF_RANGE,
        "sync.hfn@0:value=7": r.Reason.OUT_OF_RANGE,
        "sync.hfn": None,
    }
    try:
        numbers = {}
        for text in asked:
            numbers[writer.sequence] = text
            line.write(writer.message(r.InjectFault(text)))
        last = max(numbers)

        def answers(sink: KeepingSink) -> dict[int, r.Reason | None]:
            records = [i for i in RecordReader().feed(bytes(sink.data)) if isinstance(i, r.Record)]
            said = [
                r.parse_message(i)
                for i in records
                if i.type in (r.RecordType.ACKNOWLEDGE, r.RecordType.REFUSE)
            ]
            return {
                a.command: getattr(a, "reason", None) for a in said if isinstance(a, r.Acknowledge | r.Refuse)
            }

        sink.wait(lambda sink: last in answers(sink))
        assert {numbers[number]: reason for number, reason in answers(sink).items()} == asked
    finally:
        line.close()
