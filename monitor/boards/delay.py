"""A board behind a serial line whose transceiver is reset and whose delay is read from its status.

The board counts whole clocks, the parallel ones or faster; its alignment offset tells how many bits early
they were counted (CPRI V7.0 clause 4.2.9 for the points; the count is the board's own).
"""

from __future__ import annotations

import time
from contextlib import suppress

from decoders.linerates import OPTIONS
from decoders.link_delay.delay import clock_bits

from ..delay.samples import DelaySample, was_counted
from ..errors import InputError
from ..protocol.records import Loopback, SelectData, Status
from .board import BoardSource
from .report import compensated_clocks, parallel_count

__all__ = ["BoardDelay"]

SETTLE_S = 5.0
COUNT_S = 1.0
"""How long a board that is in sync again may take to count the reset."""
POLL_S = 0.02


class BoardDelay:
    """A ResettableBoard over `source`, which must be allowed to command.

    Line data are switched off meanwhile, unless they `keep` coming for whoever else takes them.
    """

    names = ("board",)

    def __init__(self, source: BoardSource, settle_s: float = SETTLE_S, *, keep: bool = False) -> None:
        self.description = source.description
        self.option = source.option
        self._source = source
        self._settle_s = settle_s
        self._resets_before = 0
        self._data_type = 0 if keep else source.ask_status().data_type
        if not keep:
            source.command(SelectData(0))

    def reset(self) -> None:
        """Reset transmitter and receiver; InputError where the board refuses, or another one sends to it."""
        status = self._source.ask_status()
        if status.loopback is Loopback.PAIR:
            raise InputError(
                f"{self.description}: the round trip goes through another board, whose Toffset is part of it",
                hint="framefray delay NAME=SOURCE NAME=SOURCE measures through both",
            )
        self._resets_before = status.resets
        self._source.reset_transceiver()

    def measure(self) -> DelaySample:
        """What the board counts once it is in sync again; InputError where it is not, or counts no delay.

        A reset that the status does not count makes a sample that says so: it is no measurement.
        """
        status = self._settled()
        alignment = status.alignment_bits
        assert alignment is not None
        compensated, count = compensated_clocks(status, self.option), parallel_count(status, self.option)
        if compensated is None or count is None:
            raise InputError(f"{self.description}: the board counts no delay")
        clock = clock_bits(OPTIONS[self.option])
        return DelaySample(
            alignment_offset=alignment,
            far_alignment_offset=None,
            raw_clocks=count.clocks,
            compensated_clocks=compensated,
            clock_period_ns=count.period_ns,
            clock_ui=clock,
            resolution_ui=count.resolution_ui,
            resets_before=self._resets_before,
            resets_after=status.resets,
            fec=self._source.fec,
        )

    def _settled(self) -> Status:
        """The status in sync with the reset counted; without that, after COUNT_S more. InputError without sync."""
        end = time.monotonic() + self._settle_s
        count_until: float | None = None
        while time.monotonic() < end:
            status = self._source.ask_status()
            if not status.sync_state.lof and status.alignment_bits is not None:
                now = time.monotonic()
                count_until = now + COUNT_S if count_until is None else count_until
                if was_counted(self._resets_before, status.resets) or now >= count_until:
                    return status
            time.sleep(POLL_S)
        raise InputError(f"{self.description}: no sync for {self._settle_s:g} s after a reset")

    def close(self) -> None:
        """Switch the line data on again as they were, where the board still answers, and close the line."""
        try:
            if self._data_type:
                with suppress(InputError):
                    self._source.command(SelectData(self._data_type))
        finally:
            self._source.close()
