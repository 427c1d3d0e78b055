"""What a board says of its hyperframes, and what cannot be."""

from __future__ import annotations

import pytest

from monitor.boards import line_data
from monitor.boards.board import MOST_AHEAD, BoardSource
from monitor.emulation.board import BoardSetup, RecordBoard
from monitor.errors import InputError
from monitor.protocol import records as r
from monitor.recording.recorder import open_recording
from monitor.sources.file import open_file_source
from monitor.sources.source import UNKNOWN_GAP
from tests.support.boards import BoardLine
from tests.support.said_boards import records


@pytest.mark.parametrize("jump", [1 << 40, (1 << 63) - 1, 1 << 63, (1 << 64) - 40])
def test_a_number_that_cannot_be_is_a_gap_of_unknown_length(jump: int, tmp_path: object) -> None:
    out = f"{tmp_path}/jump.ffcap"
    line = BoardLine(RecordBoard(BoardSetup(option="1")))
    source = BoardSource(line, answer_s=0.05)
    tap = open_recording(source, out)
    line.pump(10)
    writer = line.board.writer
    payload = r.data_payload(10 + jump, 0, "1", bytes(8192))
    line.give(writer.encode(r.RecordType.FLAGGED, payload, time_ns=(1 << 64) - 1))
    source.channel.ended("")
    chunks = list(tap.chunks())
    tap.close()
    assert [chunk.gap for chunk in chunks] == [0, UNKNOWN_GAP]
    assert source.hyperframes_missing == 0
    again = open_file_source(out)
    assert [chunk.gap for chunk in again.chunks()] == [0, UNKNOWN_GAP]
    again.close()


def test_a_fault_that_nobody_would_live_to_see_is_refused_at_once() -> None:
    line = BoardLine(RecordBoard())
    source = BoardSource(line, allow=True, answer_s=0.05)
    line.pump(10)
    assert source.inject("hdlc.fcs@1000").hyperframe == 1000

    def late(data: bytes) -> bytes:
        number = int.from_bytes(source.channel._writer.sequence.to_bytes(4, "little"), "little") - 1
        return records(r.Acknowledge(number, 0x44, 10**9, ""))

    line.change = late
    with pytest.raises(InputError, match=f"hyperframe 1000000000, 999999990 ahead; at most {MOST_AHEAD} are"):
        source.inject("hdlc.fcs")


def test_a_board_that_lies_about_its_option_ends_the_stream(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(line_data, "LEFT_OUT_S", 0.3)
    line = BoardLine(RecordBoard())
    source = BoardSource(line, answer_s=0.05)
    line.give(line.board.writer.encode(r.RecordType.FLAGGED, r.data_payload(0, 0, "3", bytes(40960))))
    with pytest.raises(InputError) as told:
        for _ in source.chunks():
            pass
    assert str(told.value) == (
        "test board: no line data that can be used for 0.3 s: line data of option 3 left out, not option 2;"
        " check what the board sends"
    )
