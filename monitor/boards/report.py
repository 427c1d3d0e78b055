"""What a board tells of itself, and how its serial line does, as a frozen report for screens and collectors."""

from __future__ import annotations

from dataclasses import dataclass

from decoders.linerates import OPTIONS
from decoders.link_delay.delay import clock_bits, unit_interval_ns

from ..protocol.records import Status
from ..protocol.stream import StreamCounters
from ..sources.source import BoardReport

__all__ = ["ParallelCount", "board_report", "compensated_clocks", "parallel_count"]


@dataclass(frozen=True, slots=True)
class ParallelCount:
    """A board's delay count in parallel clocks (one character or block), whatever clock it was counted with.

    `period_ns` is that of the parallel clock, `resolution_ui` what one count is worth.
    """

    clocks: float
    period_ns: float
    resolution_ui: float


def parallel_count(status: Status, option: str) -> ParallelCount | None:
    """The delay count of a status; None where none is counted.

    A board may count with a faster clock than the parallel one, as its period says. The alignment offset is in UI
    all the same. A period within 1 % of the parallel clock's is taken for that clock.
    """
    if not status.delay_clocks or not status.clock_period_ps:
        return None
    line = OPTIONS[option]
    counted_ns, interval_ns, bits = status.clock_period_ps / 1000, unit_interval_ns(line), clock_bits(line)
    if abs(counted_ns / interval_ns - bits) <= 0.01 * bits:
        return ParallelCount(status.delay_clocks, counted_ns, bits)
    parallel_ns = bits * interval_ns
    return ParallelCount(
        status.delay_clocks * counted_ns / parallel_ns, parallel_ns, counted_ns / interval_ns
    )


def compensated_clocks(status: Status, option: str) -> float | None:
    """The delay in parallel clocks, the alignment offset added that was not counted; None where none is counted.

    The board's alignment offset tells how many bits early its clocks were counted.
    """
    count = parallel_count(status, option)
    if status.alignment_bits is None or count is None:
        return None
    return count.clocks + status.alignment_bits / clock_bits(OPTIONS[option])


def board_report(status: Status | None, line: StreamCounters, option: str, dropped: int) -> BoardReport:
    """The last status, if one came, and the count of records on the line; `dropped` octets were not taken in time."""
    report = BoardReport(records_lost=line.records_lost, records_bad=line.bad_records, octets_dropped=dropped)
    if status is None:
        return report
    clocks, count = compensated_clocks(status, option), parallel_count(status, option)
    return BoardReport(
        name=status.name,
        resets=status.resets,
        data_lost=status.data_lost,
        commands_bad=status.bad_records,
        delay_ns=None if clocks is None or count is None else clocks * count.period_ns,
        records_lost=report.records_lost,
        records_bad=report.records_bad,
        octets_dropped=dropped,
    )
