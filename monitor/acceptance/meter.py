"""Watches the points of a rig for a while and counts, interval by interval, what went wrong at each."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from decoders.counters import ERROR_COUNTERS
from decoders.events import AlarmRaised, Event, Origin, PossibleInversion
from decoders.frame_structure.frames import ALARM_BITS
from decoders.linerates import option_named
from decoders.link.decoder import HyperframeBlock

from ..formats.forms import Form, stream_octets
from ..sources.source import received
from .captures import CaptureKeeper
from .results import NotObservable
from .rig import StreamPoint, Streams, point_decoder

__all__ = ["SETTLE_HYPERFRAMES", "Interval", "Metered", "error_total", "watch_points"]

SETTLE_HYPERFRAMES = 64
"""Hyperframes before counting begins: sync, and the alarms of a start that are over then."""
_MOST_SETTLING = 3000
_ALARMS = ("rai", "sdi", "los", "lof")


@dataclass(slots=True)
class Interval:
    """Hyperframes of one point and what moved in them.

    `missing` more were not received here, `missed` passed without sync; `errored` intervals of those that it was made
    of had an error.
    """

    point: int
    hyperframes: int = 0
    missing: int = 0
    missed: int = 0
    errored: int = 0
    moved: dict[str, int] = field(default_factory=dict)

    def add(self, other: Interval) -> None:
        """Take in the interval that follows."""
        self.hyperframes += other.hyperframes
        self.missing += other.missing
        self.missed += other.missed
        self.errored += other.errored
        for name, by in other.moved.items():
            self.moved[name] = self.moved.get(name, 0) + by

    @property
    def clean(self) -> bool:
        return not (self.moved or self.missed or self.missing)

    @property
    def record(self) -> dict[str, Any]:
        return {
            "point": self.point,
            "hyperframes": self.hyperframes,
            "missing": self.missing,
            "missed": self.missed,
            "errored": self.errored,
            "moved": dict(self.moved),
        }


@dataclass(frozen=True, slots=True)
class Metered:
    """What a watch came to; `in_sync` of each point at its end, `settled`: sync was there before counting."""

    points: tuple[str, ...]
    octets_per_hyperframe: int
    intervals: tuple[Interval, ...]
    settled: tuple[bool, ...]
    in_sync: tuple[bool, ...]
    forms: tuple[str, ...]
    unseen: tuple[tuple[str, ...], ...] = ()

    @property
    def record(self) -> dict[str, Any]:
        return {
            "points": list(self.points),
            "octets_per_hyperframe": self.octets_per_hyperframe,
            "intervals": [interval.record for interval in self.intervals],
            "settled": list(self.settled),
            "in_sync": list(self.in_sync),
            "forms": list(self.forms),
            "unseen": [list(texts) for texts in self.unseen],
        }


def error_total(moved: Mapping[str, int]) -> int:
    """Sum of what moved in an interval."""
    return sum(moved.values())


class _PointMeter:
    """One point: a decoder, and what moved since the last look."""

    def __init__(
        self, number: int, streams: Streams, on_block: Callable[[HyperframeBlock], None] | None
    ) -> None:
        point = streams.points[number]
        self.decoder = point_decoder(point, on_block)
        self.number = number
        self.hyperframe_octets = hyperframe_size(point)
        self.fed = 0.0
        self.counting = self.settled = False
        self.interval = Interval(number)
        self._fed_before = 0.0
        self._counted = 0
        self._counters: dict[str, int] = {}
        self._seen = (0, 0, 0)

    def try_to_settle(self) -> None:
        """Begin to count where sync is there and no alarm stands, or where that has taken too long."""
        ready = self.decoder.hyperframes >= SETTLE_HYPERFRAMES and not self.standing_alarms
        if not ready and self.fed < _MOST_SETTLING:
            return
        self.counting, self.settled = True, ready and self.decoder.state.value == "HFNSYNC"
        self._fed_before = self.fed
        self._counters = dict(self.decoder.counters)
        self._seen = self._now()

    def share(self, hyperframes: int) -> float:
        """How much of a watch is done: by the hyperframes received, or by twice as many that came to nothing."""
        if not self.counting:
            return 0.0
        return max(self._counted / hyperframes, (self.fed - self._fed_before) / (2 * hyperframes))

    def _now(self) -> tuple[int, int, int]:
        decoder = self.decoder
        not_received = decoder.hyperframes_not_received
        return decoder.hyperframes, not_received, decoder.hyperframes_missed - not_received

    def look(self, events: Sequence[Event]) -> dict[str, int]:
        """What of damage these events brought, put into the interval."""
        moved: dict[str, int] = {}
        for name in ERROR_COUNTERS:
            by = self.decoder.counters[name] - self._counters.get(name, 0)
            if by:
                moved[name] = by
        for event in events:
            if isinstance(event, AlarmRaised) and event.origin is Origin.REMOTE:
                name = f"remote_{event.alarm.value}"
                moved[name] = moved.get(name, 0) + 1
            elif isinstance(event, PossibleInversion):
                moved["possible_inversion"] = moved.get("possible_inversion", 0) + 1
        breaks = self.decoder.breaks_of_unknown_length - self._counters.get("#breaks", 0)
        if breaks:
            moved["gaps_of_unknown_length"] = breaks
        self._counters = dict(self.decoder.counters) | {"#breaks": self.decoder.breaks_of_unknown_length}
        now, then = self._now(), self._seen
        self._seen = now
        interval = self.interval
        self._counted += now[0] - then[0]
        interval.hyperframes += now[0] - then[0]
        interval.missing += now[1] - then[1]
        interval.missed += now[2] - then[2]
        for name, by in moved.items():
            interval.moved[name] = interval.moved.get(name, 0) + by
        return moved

    def cut(self) -> Interval:
        """The interval so far; another one begins."""
        interval, self.interval = self.interval, Interval(self.number)
        interval.errored = int(not interval.clean and bool(interval.moved or interval.missed))
        return interval

    @property
    def standing_alarms(self) -> list[str]:
        octet = self.decoder.planes.remote.octet
        return [name for name in _ALARMS if octet & ALARM_BITS[name]]


def watch_points(
    streams: Streams,
    hyperframes: int,
    *,
    interval: int,
    keeper: CaptureKeeper,
    progress: Callable[[float], object] = lambda done: None,
    on_block: Callable[[HyperframeBlock], None] | None = None,
    stop: Callable[[], bool] = lambda: False,
) -> Metered:
    """Watch until `hyperframes` have been *received* at every point, or as many have gone by without being decoded.

    `on_block` gets the hyperframes of the first point. A point without sync is watched, too: its hyperframes count
    as missed. `stop` ends it early. NotObservable where the streams end before.
    """
    meters = [_PointMeter(i, streams, on_block if i == 0 else None) for i in range(len(streams.points))]
    log = _Log()
    ended = False
    for i, chunk in streams.read():
        meter = meters[i]
        keeper.saw(i, chunk)
        events = received(meter.decoder, chunk)
        meter.fed += len(chunk.data) / meter.hyperframe_octets
        if not meter.counting:
            meter.try_to_settle()
            continue
        moved = meter.look(events)
        if moved:
            keeper.failed(i, ", ".join(f"{name} {by:+d}" for name, by in moved.items()))
        if meter.interval.hyperframes + meter.interval.missed >= interval:
            log.add(meter.cut())
        progress(min(each.share(hyperframes) for each in meters))
        if stop() or all(each.share(hyperframes) >= 1 for each in meters):
            ended = True
            break
    if not ended:
        raise NotObservable("the line data ended before the watch was over")
    for meter in meters:
        if meter.interval.hyperframes or meter.interval.missed:
            log.add(meter.cut())
    points = streams.points
    return Metered(
        tuple(point.name for point in points),
        option_named(points[0].option).hyperframe_octets,
        tuple(log.intervals),
        tuple(meter.settled for meter in meters),
        tuple(meter.decoder.state.value == "HFNSYNC" for meter in meters),
        tuple(point.form.value for point in points),
        tuple(point.unseen for point in points),
    )


class _Log:
    """Intervals of a watch, not too many: clean ones that follow on each other are one."""

    MOST = 2000

    def __init__(self) -> None:
        self.intervals: list[Interval] = []
        self._last: dict[int, Interval] = {}

    def add(self, interval: Interval) -> None:
        last = self._last.get(interval.point)
        if last is not None and ((last.clean and interval.clean) or len(self.intervals) >= self.MOST):
            last.add(interval)
            return
        self.intervals.append(interval)
        self._last[interval.point] = interval


def hyperframe_size(point: StreamPoint) -> int:
    """Octets of line data that a hyperframe takes at a point."""
    return stream_octets(Form(point.form.value), point.option, 1)
