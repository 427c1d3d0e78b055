"""What an emulated board sends to its host: line data, events and answers as records, with its own losses marked."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from decoders.arrays import U8, U16
from decoders.events import Alarm, AlarmCleared, AlarmRaised, Event, Origin, SyncStateChanged
from decoders.linerates import HYPERFRAMES_PER_SECOND, LineRateOption
from decoders.link.hyperframe_sync import SyncState

from ..protocol import records as r
from ..protocol.stream import RecordWriter
from .cutter import Piece

__all__ = ["BoardRecords", "event_codes"]

RECORD_OCTETS = 16384
"""Line data in one record, as long as a hyperframe is not longer."""


class BoardRecords:
    """Gives records their numbers and flags; the first one of all says that the board has just started."""

    def __init__(self, option: LineRateOption, data_type: int) -> None:
        self.writer = RecordWriter()
        self.data_type = data_type
        self.data_lost = 0
        self._option = option
        self._flag = r.RecordFlag.FIRST

    def line_data(self, piece: Piece, room: bool) -> bytes:
        """Records of whole hyperframes, of pieces of one where it is longer than a record, or of an uncut stream.

        Without `room` they are lost, counted, and the next record says so.
        """
        size, words, uncut = self._option.hyperframe_octets, piece.words, piece.uncut
        rows = len(words) // size
        control = self.data_type == r.RecordType.CONTROL
        if not self.data_type or (control and not rows):
            return b""
        if not room:
            self.data_lost += max(1, rows)
            self._flag |= r.RecordFlag.LOST
            return b""
        if control:
            # Control words must be cut: what there is, as if sync stood.
            words, uncut = words[: rows * size].reshape(rows, 256, 16, -1)[:, :, 0, :].reshape(-1), False
        octets = self._stored(words, piece.blocks)
        unit = r.UNIT_OCTETS[r.RecordType(self.data_type)]
        each = RECORD_OCTETS // unit * unit if uncut else octets.nbytes // rows
        step, most = each * max(1, RECORD_OCTETS // each), r.MAX_DATA // unit * unit
        data, out = octets.tobytes(), []
        for start in range(0, len(data), step):
            number = piece.first + (0 if uncut else start // each)
            time_ns = number * 1_000_000_000 // HYPERFRAMES_PER_SECOND
            for at in range(start, min(start + step, len(data)), most):
                part = data[at : min(at + most, start + step)]
                payload = r.data_payload(number, 0 if uncut else at - start, self._option.name, part)
                flags = self._flag | (r.RecordFlag.UNCUT if uncut else r.RecordFlag.NONE)
                out.append(self.writer.encode(self.data_type, payload, flags=flags, time_ns=time_ns))
                self._flag = r.RecordFlag.NONE
        return b"".join(out)

    def _stored(self, words: U16, blocks: U8 | None) -> U8 | U16:
        """Words or their blocks as the type of line data has them."""
        if self.data_type == r.RecordType.BLOCKS:
            assert blocks is not None
            return blocks
        return words.astype(np.uint8) if self.data_type == r.RecordType.OCTETS else words

    def message(self, message: r.Message, time_ns: int) -> bytes:
        """A record of anything else; that line data were lost is kept for the next line data."""
        flag, self._flag = self._flag, r.RecordFlag.NONE
        if flag & r.RecordFlag.LOST:
            self._flag, flag = r.RecordFlag.LOST, flag & ~r.RecordFlag.LOST
        return self.writer.message(message, flags=flag, time_ns=time_ns)


def event_codes(events: Sequence[Event]) -> Iterator[r.EventCode]:
    """What a board says of the events of its receiver: sync and LOS, each way."""
    for event in events:
        if isinstance(event, SyncStateChanged):
            if event.new == "HFNSYNC":
                yield r.EventCode.SYNC_ACQUIRED
            elif SyncState(event.new).lof and not SyncState(event.old).lof:
                yield r.EventCode.SYNC_LOST
        elif isinstance(event, AlarmRaised | AlarmCleared) and (
            (event.alarm, event.origin) == (Alarm.LOS, Origin.LOCAL)
        ):
            raised = isinstance(event, AlarmRaised)
            yield r.EventCode.LOS_RAISED if raised else r.EventCode.LOS_CLEARED
