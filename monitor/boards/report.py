"""What a board tells of itself, and how its serial line does, as a frozen report for screens and collectors."""

from __future__ import annotations

from decoders.linerates import OPTIONS
from decoders.link_delay.delay import clock_bits

from ..protocol.records import Status
from ..protocol.stream import StreamCounters
from ..sources.source import BoardReport

__all__ = ["board_report", "compensated_clocks"]


def compensated_clocks(status: Status, option: str) -> float | None:
    """The delay in parallel clocks, the alignment offset added that was not counted; None where none is counted.

    The board counts whole clocks, and its alignment offset tells how many bits early they were counted.
    """
    if status.alignment_bits is None or not status.delay_clocks or not status.clock_period_ps:
        return None
    return status.delay_clocks + status.alignment_bits / clock_bits(OPTIONS[option])


def board_report(status: Status | None, line: StreamCounters, option: str, dropped: int) -> BoardReport:
    """The last status, if one came, and the count of records on the line; `dropped` octets were not taken in time."""
    report = BoardReport(records_lost=line.records_lost, records_bad=line.bad_records, octets_dropped=dropped)
    if status is None:
        return report
    clocks = compensated_clocks(status, option)
    return BoardReport(
        name=status.name,
        resets=status.resets,
        data_lost=status.data_lost,
        commands_bad=status.bad_records,
        delay_ns=None if clocks is None else clocks * status.clock_period_ps / 1000,
        records_lost=report.records_lost,
        records_bad=report.records_bad,
        octets_dropped=dropped,
    )
