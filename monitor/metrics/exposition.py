"""What a collector of metrics is told of the links that are watched: names, labels and values. Pure.

Names follow OpenMetrics: `framefray_` before each, a unit at the end where there is one, and `_total` at the end of
counters, which the exposition format adds. Each counter of `decoders.counters` has its own name. Counters only
rise while the program runs, though a board may start anew and a line be opened again (`RisingCounts`). A value
that is not known has no sample, not a 0; states and alarms are those of now, and no state holds while no line data
come.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from decoders.counters import COUNTERS, ERROR_COUNTERS, plane_of_counter
from decoders.events import Alarm
from decoders.link.hyperframe_sync import SyncState
from decoders.link.startup import StartupState

from ..links.named_link import DataState, NamedLink
from ..links.snapshot import Snapshot
from ..text import inert
from .totals import RisingCounts

__all__ = ["LinkTotals", "MetricFamily", "MetricKind", "MetricSample", "metric_families"]

LONGEST_LABEL = 200
_LINE_UP = (DataState.UP, DataState.SILENT)
_LOCAL = (Alarm.LOS, Alarm.LOF)
_REMOTE = (Alarm.LOS, Alarm.LOF, Alarm.RAI, Alarm.SDI, Alarm.RESET)

_HYPERFRAMES = {
    "hyperframes_decoded": "Hyperframes decoded.",
    "hyperframes_lost": "Hyperframes lost on the link: sync was lost.",
    "hyperframes_not_received": "Hyperframes that the board or its serial line left out.",
    "gaps_of_unknown_length": "Gaps of unknown length in the line data.",
    "events": "Events of the link.",
}
_LINE = {
    "records_lost": "Records lost on the serial line, by their sequence numbers.",
    "records_bad": "Pieces on the serial line that held no usable record.",
    "octets_dropped": "Octets of line data dropped because they were not decoded in time.",
}
_BOARD = {
    "board_resets": "Transceiver resets, by the board's own count.",
    "board_data_lost": "Hyperframes received and not sent, by the board's own count.",
    "board_commands_bad": "Records from the host that the board could not read, by its own count.",
}


class MetricKind(StrEnum):
    """The types of OpenMetrics that are used."""

    COUNTER = "counter"
    GAUGE = "gauge"


@dataclass(frozen=True, slots=True)
class MetricSample:
    """One value with its labels."""

    labels: Mapping[str, str]
    value: float


@dataclass(slots=True)
class MetricFamily:
    """Samples of one name; `name` has no `_total`, but its unit."""

    name: str
    help: str
    kind: MetricKind
    unit: str = ""
    samples: list[MetricSample] = field(default_factory=list)


@dataclass(slots=True)
class _Counts:
    """The groups of counts of one link that begin anew at different times."""

    decoder: RisingCounts = field(default_factory=RisingCounts)
    events: RisingCounts = field(default_factory=RisingCounts)
    line: RisingCounts = field(default_factory=RisingCounts)
    board: RisingCounts = field(default_factory=RisingCounts)


class LinkTotals:
    """Rising totals of every link by its name and segment; one for the life of an exposition."""

    def __init__(self) -> None:
        self._links: dict[tuple[str, str], _Counts] = {}

    def receive(self, link: NamedLink) -> dict[str, int]:
        """The totals of a link by the names of their families, without prefix."""
        counts = self._links.setdefault((link.name, link.segment), _Counts())
        snapshot, board = link.snapshot, link.snapshot.board
        told = dict(snapshot.counters)
        told["hyperframes_decoded"] = snapshot.hyperframes
        told["hyperframes_missed"] = snapshot.hyperframes_missed
        told["hyperframes_not_received"] = snapshot.hyperframes_not_received
        told["gaps_of_unknown_length"] = snapshot.breaks_of_unknown_length
        totals = counts.decoder.receive(told, link.restarts)
        missed = totals.pop("hyperframes_missed")
        totals["hyperframes_lost"] = missed - totals["hyperframes_not_received"]
        totals |= counts.events.receive({"events": snapshot.events})
        if board is not None:
            line = {name: getattr(board, name) for name in _LINE}
            totals |= counts.line.receive(line)
            own = {name: getattr(board, name.removeprefix("board_")) for name in _BOARD}
            totals |= counts.board.receive({name: value for name, value in own.items() if value is not None})
        return totals


def metric_families(links: Iterable[NamedLink], totals: LinkTotals) -> list[MetricFamily]:
    """Every family with the samples of all links; those without any sample are left out."""
    families: dict[str, MetricFamily] = {}
    for link in links:
        own = {
            "board": inert(link.name)[:LONGEST_LABEL],
            "segment": inert(link.segment)[:LONGEST_LABEL],
            "option": link.snapshot.option,
        }
        for name, help_text, kind, unit, labels, value in _samples(link, totals.receive(link)):
            full = f"framefray_{name}"
            family = families.setdefault(full, MetricFamily(full, help_text, kind, unit))
            family.samples.append(MetricSample(own | labels, value))
    return list(families.values())


_Sample = tuple[str, str, MetricKind, str, dict[str, str], float]


def _samples(link: NamedLink, totals: Mapping[str, int]) -> Iterator[_Sample]:
    yield from _counters(totals)
    yield from _states(link)
    yield from _gauges(link)


def _counters(totals: Mapping[str, int]) -> Iterator[_Sample]:
    for name in COUNTERS:
        plane = plane_of_counter(name)
        what = "Error counter" if name in ERROR_COUNTERS else "Counter"
        text = f"{what} {name} of the {plane.value} plane."
        yield name, text, MetricKind.COUNTER, "", {"plane": plane.value}, totals[name]
    for name, text in (_HYPERFRAMES | _LINE | _BOARD).items():
        if name in totals:
            yield name, text, MetricKind.COUNTER, "", {}, totals[name]


def _one_of(name: str, text: str, states: Iterable[str], now: str) -> Iterator[_Sample]:
    """A sample for each state: 1 for the one that holds, 0 for every other."""
    for state in states:
        yield name, text, MetricKind.GAUGE, "", {"state": state}, float(state == now)


def _states(link: NamedLink) -> Iterator[_Sample]:
    snapshot, up = link.snapshot, link.state is DataState.UP
    sync, startup = (snapshot.sync_state, snapshot.startup_state) if up else ("", "")
    yield from _one_of("link_state", "How the data of the link come: 1 for the state.", DataState, link.state)
    yield from _one_of(
        "sync_state", "Hyperframe sync: 1 for the state; all 0 while no line data come.", SyncState, sync
    )
    yield from _one_of(
        "startup_state", "Start-up: 1 for the state; all 0 while no line data come.", StartupState, startup
    )
    for end, alarms in (("local", _LOCAL), ("remote", _REMOTE)):
        for alarm in alarms:
            raised = _raised(snapshot, end, alarm)
            if up and raised is not None:
                labels = {"end": end, "alarm": alarm.value}
                yield "alarm", "1 while the alarm is raised.", MetricKind.GAUGE, "", labels, float(raised)


def _raised(snapshot: Snapshot, end: str, alarm: Alarm) -> bool | None:
    """Whether an alarm is raised; None where no hyperframe has told yet."""
    if end == "local":
        return snapshot.los if alarm is Alarm.LOS else snapshot.lof
    return snapshot.remote(alarm.value) if snapshot.control is not None else None


def _gauges(link: NamedLink) -> Iterator[_Sample]:
    snapshot, still = link.snapshot, link.snapshot.standstill

    def gauge(name: str, text: str, value: float, unit: str = "") -> _Sample:
        return name, text, MetricKind.GAUGE, unit, {}, float(value)

    yield gauge("line_up", "1 while the line to the source is up.", link.state in _LINE_UP)
    silence = 0.0 if still is None else still.seconds
    yield gauge("silence_seconds", "Seconds without line data; 0 while they come.", silence, "seconds")
    if link.state is not DataState.UP:
        return
    if snapshot.alignment_slip_bits is not None:
        text = "Alignment offset: bit position of the first symbol or block."
        yield gauge("alignment_offset", text, snapshot.alignment_slip_bits)
    if snapshot.control is not None:
        yield gauge("protocol_version", "Protocol version received.", snapshot.version)
        yield gauge("hdlc_rate_code", "HDLC rate code received.", snapshot.hdlc_rate_code)
        yield gauge("pointer_p", "Pointer p received.", snapshot.pointer_p)
    if snapshot.board is not None and snapshot.board.delay_ns is not None:
        text = "Round trip delay as the board counted it, compensated for its alignment offset."
        yield gauge("delay_seconds", text, snapshot.board.delay_ns / 1e9, "seconds")
