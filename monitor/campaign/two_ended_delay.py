"""The round trip through another board: T14 counted at one end, Toffset at the other, both offsets put right.

CPRI V7.0 clause 4.2.9: T14 = T12 + Toffset + T34. Each board counts by the clock that its receiver has recovered, and
so as many unit intervals early as its alignment offset says: T14 at the first board by its own, and the line back by
that of the other one. Each transceiver is reset by itself, and each reset must be seen at the other end.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from contextlib import suppress

from decoders.linerates import OPTIONS
from decoders.link_delay.delay import clock_bits

from ..boards.board import BoardSource
from ..boards.report import parallel_count
from ..delay.samples import DelaySample, LoneReset, was_counted
from ..errors import InputError
from ..protocol.records import SelectData, Status
from .live_link import LiveLink
from .two_ended_proof import NoMarkerError, prove_connection, prove_way_back
from .two_ended_source import End, TwoEnds

__all__ = ["NamedBoard", "TwoEndedDelay"]

NamedBoard = tuple[str, BoardSource]
SETTLE_S = 5.0
SHOWN_S = 1.0
"""How long a reset may take to show at the other end, and to be counted at this one."""
POLL_S = 0.02


class TwoEndedDelay:
    """A ResettableBoard over two boards that are joined; T14 is that of `near`.

    Toffset is `toffset_ns`, or what `far` counts. `reset_at` names the ends that are reset before each measurement.
    Line data are switched off meanwhile. InputError where the boards are not joined, or do not count.
    """

    def __init__(
        self,
        near: NamedBoard,
        far: NamedBoard,
        *,
        toffset_ns: float | None = None,
        reset_at: Sequence[str] = (),
        settle_s: float = SETTLE_S,
    ) -> None:
        self.names = (near[0], far[0])
        self._ends = (near, far)
        self._toffset_ns = toffset_ns
        self._reset_at = [end for end in self._ends if not reset_at or end[0] in reset_at]
        self._settle_s = settle_s
        self._resets: dict[str, tuple[int, int]] = {}
        self._losses: dict[str, bool] = {}
        self._alone: list[LoneReset] = []
        self._last: dict[str, Status] = {}
        self.option = near[1].option
        self.description = " through ".join(f"{name} at {board.description}" for name, board in self._ends)
        self._data_types = [board.ask_status().data_type for _, board in self._ends]
        self._proven = all(self._data_types) and self._prove()
        for _, board in self._ends:
            board.command(SelectData(0))

    def _prove(self) -> bool:
        """Whether markers have shown that the boards are joined; False where one sends none."""
        near, far = (End(name, board) for name, board in self._ends)
        ends = TwoEnds(near, far)
        link = LiveLink(ends)
        try:
            prove_connection(ends, link)
            return prove_way_back(ends, link) is None
        except NoMarkerError:
            return False

    # ------------------------------------------------------------------------------------------ a ResettableBoard

    def reset(self) -> None:
        """Reset transmitter and receiver of each end in turn; each must show at the other end."""
        self._resets.clear()
        self._alone.clear()
        for end in self._reset_at:
            name, board = end
            other_name, other = self._ends[self._ends[0] is end]
            lost, before = _losses(_status(other_name, other)), _status(name, board).resets
            board.reset_transceiver()
            self._check_shown(name, other_name, other, lost)
            statuses = self._settled(end, before)
            self._resets[name] = (before, statuses[name].resets)
            self._compare(name, statuses)

    def _check_shown(self, name: str, other_name: str, other: BoardSource, lost: int) -> None:
        """InputError where a reset of `name` does not make the other board lose LOS or LOF, which it counts."""
        if self._losses.get(other_name) is False:
            return  # it has no such counts, and markers have proven the connection
        end = time.monotonic() + SHOWN_S
        while True:
            now = _losses(_status(other_name, other))
            if now != lost:
                self._losses[other_name] = True
                return
            if time.monotonic() >= end:
                break
            time.sleep(POLL_S)
        if self._proven and not now:
            self._losses[other_name] = False
            return
        raise InputError(
            f"{name} was reset, and {other_name} has counted no LOS and no LOF",
            hint=f"check that the cable joins {name} and {other_name}",
        )

    def measure(self) -> DelaySample:
        """What both boards count once they are in sync again."""
        near, far = self._settled(self._ends[0], None).values()
        assert near.alignment_bits is not None and far.alignment_bits is not None
        count = parallel_count(near, self.option)
        if count is None:
            raise InputError(f"{self.names[0]}: the board counts no delay through {self.names[1]}")
        clock, period_ns = clock_bits(OPTIONS[self.option]), count.period_ns
        toffset, resolution = self._toffset(far, period_ns)
        before, after = self._resets.get(self.names[0], (None, None))
        return DelaySample(
            alignment_offset=near.alignment_bits,
            far_alignment_offset=far.alignment_bits,
            raw_clocks=count.clocks,
            compensated_clocks=count.clocks
            + near.alignment_bits / clock
            - (toffset - far.alignment_bits / clock),
            clock_period_ns=period_ns,
            clock_ui=clock,
            resolution_ui=count.resolution_ui,
            resets_before=before,
            resets_after=after,
            far_resets=self._resets.get(self.names[1]),
            toffset_clocks=toffset,
            toffset_resolution_ui=resolution,
            alone=tuple(self._alone),
        )

    def _toffset(self, far: Status, period_ns: float) -> tuple[float, float]:
        """Toffset in clocks of the first board, and the UI to which it was counted."""
        if self._toffset_ns is not None:
            return self._toffset_ns / period_ns, 0.0
        count = parallel_count(far, self.option)
        if count is None:
            raise InputError(
                f"{self.names[1]}: the board counts no Toffset", hint="give it with --toffset NANOSECONDS"
            )
        return count.clocks * count.period_ns / period_ns, count.resolution_ui

    def _compare(self, name: str, now: dict[str, Status]) -> None:
        """What the reset of this end has changed, with the other one left alone since the last time."""
        last, self._last = self._last, now
        near = self.names[0]
        before, after = last.get(name), now[name]
        if before is None or before.alignment_bits is None or after.alignment_bits is None:
            return
        change = now[near].delay_clocks - last[near].delay_clocks
        self._alone.append(
            LoneReset(self.names.index(name), change, before.alignment_bits, after.alignment_bits)
        )

    def _settled(self, end: NamedBoard, resets_before: int | None) -> dict[str, Status]:
        """Both statuses, once both are in sync, and the reset of `end` counted; without that, after SHOWN_S more."""
        until = time.monotonic() + self._settle_s
        count_until: float | None = None
        while time.monotonic() < until:
            statuses = {name: _status(name, board) for name, board in self._ends}
            if all(not s.sync_state.lof and s.alignment_bits is not None for s in statuses.values()):
                now = time.monotonic()
                count_until = now + SHOWN_S if count_until is None else count_until
                counted = resets_before is None or was_counted(resets_before, statuses[end[0]].resets)
                if counted or now >= count_until:
                    return statuses
            time.sleep(POLL_S)
        out = [name for name, s in statuses.items() if s.sync_state.lof or s.alignment_bits is None]
        raise InputError(
            f"{' and '.join(out) or end[0]}: no sync for {self._settle_s:g} s after a reset of"
            f" {' and '.join(self._resets) or end[0]}"
        )

    def close(self) -> None:
        """Switch the line data on again as they were, where the boards still answer, and close both lines."""
        for (_, board), data_type in zip(self._ends, self._data_types, strict=True):
            try:
                if data_type:
                    with suppress(InputError):
                        board.command(SelectData(data_type))
            finally:
                with suppress(InputError):
                    board.close()


def _status(name: str, board: BoardSource) -> Status:
    """A fresh status; InputError names the end."""
    try:
        return board.ask_status()
    except InputError as error:
        raise InputError(f"{name}: {error}") from None


def _losses(status: Status) -> int:
    """Times that a board has lost the signal or the frame."""
    return status.los_events + status.lof_events
