"""The line data of a board: from its records to octets of one form, queued for whoever takes them.

The line's thread puts records in (`LineDataSink`), the source takes octets out, in order, with what is missing
before them. Nothing here knows a command, and nothing decodes.
"""

from __future__ import annotations

import time
from collections.abc import Iterator

from decoders.linerates import OPTIONS

from ..errors import InputError
from ..formats.forms import COUNTED_FORMS, Form, stream_octets
from ..protocol.records import (
    MAX_COMMAND_PAYLOAD,
    Record,
    RecordFlag,
    RecordType,
    parse_data,
)
from ..sources.source import UNKNOWN_GAP, Chunk
from .gaps import Gaps
from .hyperframes import Hyperframes
from .line import OctetQueue, Pulse
from .tally import DamageTally

__all__ = ["BoardLineData"]

LEFT_OUT_S = 10.0
"""How long line data may come that are all left out before the stream is given up."""
_TAKEN = {
    Form.OCTETS: (RecordType.OCTETS, RecordType.FLAGGED),
    Form.FLAGGED: (RecordType.FLAGGED, RecordType.CONTROL),
    Form.BLOCKS: (RecordType.BLOCKS,),
}
"""Types of line data that can become a form; octets without their K flags cannot become flagged."""


class BoardLineData:
    """Takes records from the start, and gives octets from `begin` on; `tally` counts what is wrong."""

    def __init__(self, tally: DamageTally, queue: OctetQueue | None = None) -> None:
        self.pulse = Pulse()
        self.other_form = 0
        self.board_lost = 0
        self.control_only = False
        self.queue = OctetQueue() if queue is None else queue
        self._tally = tally
        self._option = ""
        self._form = Form.FLAGGED
        self._frames: Hyperframes | None = None
        self._delivered = 0
        self._ahead = 0  # the board counts its own hyperframes, the stream those that came
        self._gaps = Gaps()
        self._left_out: tuple[float, str] | None = None  # since when nothing else has come, and why

    def begin(self, option: str, form: Form) -> None:
        """From now on line data are octets of this option and form."""
        self._option, self._form = option, form
        self._frames = Hyperframes(OPTIONS[option], form)

    @property
    def hyperframe_octets(self) -> int:
        return stream_octets(self._form, self._option, 1)

    @property
    def missing(self) -> int:
        """Hyperframes that the board counted and that were not received."""
        return 0 if self._frames is None else self._frames.missing

    @property
    def ahead(self) -> int:
        """How far the board's count of hyperframes is ahead of the stream's."""
        return self._ahead

    @property
    def next_of_board(self) -> int | None:
        """The board's number of the next hyperframe; None before the first."""
        return None if self._frames is None else self._frames.next

    def take(
        self, offset: int, most: int | None, timeout_s: float, gather_s: float
    ) -> Iterator[Chunk] | None:
        """What has come, `most` octets of it, from `offset` of the stream on; None at the end of the line.

        InputError where line data come, and none of them could be used for long.
        """
        taken = self.queue.take(timeout_s, gather_s=gather_s)
        if taken is None:
            return None
        data = b"".join(taken[0])[:most]
        if not data and self._left_out is not None:
            since, why = self._left_out
            if time.monotonic() - since > LEFT_OUT_S:
                raise InputError(f"no line data that can be used for {LEFT_OUT_S:g} s: {why}")
        return self._cut(data, offset, taken[1])

    def _cut(self, data: bytes, offset: int, time_ns: int) -> Iterator[Chunk]:
        for piece, gap in self._gaps.cut(data, offset):
            yield Chunk(piece, time_ns, offset, gap)
            offset += len(piece)

    # ------------------------------------------------------------------------------------------ the line's thread

    def line_data(self, record: Record) -> None:
        self.pulse.came()
        frames = self._frames
        if frames is None:
            return  # nothing is known of the board yet
        data = parse_data(record)
        self.control_only = data.type is RecordType.CONTROL
        if data.option not in (None, self._option):
            self._leave_out(f"line data of option {data.option} left out", f"not option {self._option}")
            return
        if data.type not in _TAKEN[self._form]:
            self._leave_out(f"line data of type {data.type.name.lower()} left out", f"not {self._form}")
            return
        if record.flags & RecordFlag.LOST:
            self.board_lost += 1
            if frames.next is not None:  # else it was before anybody listened
                self._tally.add("hyperframes lost in the board")
        missing, cut, anew = frames.missing, frames.cut, frames.anew
        octets = frames.take(data, uncut=bool(record.flags & RecordFlag.UNCUT))
        if frames.missing > missing:
            self._tally.add("hyperframes not received", frames.missing - missing)
        if frames.cut > cut:
            self._tally.add("hyperframes received in part", frames.cut - cut)
        self._add_gap(UNKNOWN_GAP if frames.anew > anew else frames.missing - missing)
        if octets and not self.queue.closed:
            self._left_out = None
            self._deliver(frames, octets, record.time_ns)

    def _leave_out(self, what: str, why: str) -> None:
        self.other_form += 1
        self._tally.add(what)
        if self._left_out is None:
            self._left_out = (time.monotonic(), f"{what}, {why}")

    def _deliver(self, frames: Hyperframes, octets: bytes, time_ns: int) -> None:
        self._gaps.place(self._delivered)
        self._place(frames, len(octets))  # now, for there may be no room in the queue for a while
        if self.queue.put(octets, time_ns):
            self._delivered += len(octets)
        elif not self.queue.closed:
            self._place(frames, 0)
            self._gaps.take_back(self._delivered)
            self._add_gap(round(len(octets) / self.hyperframe_octets))
            self._tally.add("octets of line data that were not taken in time", len(octets))

    def _add_gap(self, hyperframes: int) -> None:
        """Tell whoever takes the stream of a gap, in forms in which hyperframes can be left out."""
        if self._form in COUNTED_FORMS:
            self._gaps.add(hyperframes)

    def _place(self, frames: Hyperframes, octets: int) -> None:
        """How far the board's count is ahead of the stream's once so many more octets are delivered."""
        if frames.next is not None:
            self._ahead = frames.next - round((self._delivered + octets) / self.hyperframe_octets)

    def coming(self, octets: int) -> None:
        if octets > MAX_COMMAND_PAYLOAD:
            self.pulse.came()  # only line data are so long, and they may take a while

    def broken(self) -> None:
        self.pulse.went_down()
        if self._frames is not None:
            self._frames.restart()

    def back(self) -> None:
        self.pulse.went_up()

    def ended(self) -> None:
        self.queue.close()

    def making_room(self, wanted: bool) -> None:
        self.queue.elastic = wanted
