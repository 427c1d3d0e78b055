"""Records of an emulated board: their pieces, and how lost line data are told."""

from __future__ import annotations

import numpy as np

from decoders.events import Alarm, AlarmCleared, AlarmRaised, Origin, SyncStateChanged
from decoders.linerates import option_named
from monitor.emulation.board_records import BoardRecords, event_codes
from monitor.emulation.cutter import Piece
from monitor.protocol import records as r
from monitor.protocol.stream import RecordReader

OPTION = option_named("1")


def read(octets: bytes) -> list[r.Record]:
    return [item for item in RecordReader().feed(octets) if isinstance(item, r.Record)]


def piece(first: int, hyperframes: int) -> Piece:
    return Piece(np.zeros(hyperframes * OPTION.hyperframe_octets, "<u2"), first, False)


def test_lost_line_data_are_counted_and_told_with_the_next() -> None:
    records = BoardRecords(OPTION, r.RecordType.FLAGGED)
    assert records.line_data(piece(0, 3), room=False) == b""
    assert records.data_lost == 3
    said = read(records.message(r.LogText("hot"), 0) + records.line_data(piece(3, 5), room=True))
    assert [record.type for record in said] == [r.RecordType.LOG, *[r.RecordType.FLAGGED] * 3]
    assert [record.flags for record in said] == [r.RecordFlag.FIRST, r.RecordFlag.LOST, 0, 0]
    assert [r.parse_data(record).hyperframe for record in said[1:]] == [3, 5, 7]


def test_what_is_switched_off_is_not_sent() -> None:
    records = BoardRecords(OPTION, 0)
    assert records.line_data(piece(0, 3), room=True) == b"" and records.data_lost == 0


def test_sync_and_loss_of_signal_are_told_each_way() -> None:
    events = [
        SyncStateChanged(0, "XACQ1", "HFNSYNC"),
        AlarmRaised(1, Alarm.LOS, Origin.REMOTE),
        AlarmRaised(1, Alarm.LOS, Origin.LOCAL),
        SyncStateChanged(1, "HFNSYNC", "XACQ1"),
        SyncStateChanged(1, "XACQ1", "XACQ2"),
        AlarmCleared(2, Alarm.LOS, Origin.LOCAL),
    ]
    code = r.EventCode
    assert list(event_codes(events)) == [
        code.SYNC_ACQUIRED, code.LOS_RAISED, code.SYNC_LOST, code.LOS_CLEARED,
    ]  # fmt: skip
