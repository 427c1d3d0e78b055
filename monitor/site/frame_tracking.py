"""C&M frames followed from point to point: which frame is damaged, dropped, altered or missing, and where first.

A node may send C&M frames anew, later and in other octets, so frames are told by what they carry and by their order,
not by their place. What a point cannot have seen, for it was not in sync or its capture does not go so far, is not
judged.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

from decoders.events import FrameReceived, FrameStatus, Plane
from decoders.linerates import LineRateOption

from .coverage import Coverage

__all__ = ["FrameSign", "FrameTracking", "MissingFrame"]

_QUEUED, _MOST_LAG = 600, 4000
"""Hyperframes that frames may wait in a node, beside twice the longest time seen; and at the most."""
_SLACK, _EASILY = 3, 4
_SIMILAR = 0.75


@dataclass(frozen=True, slots=True)
class FrameSign:
    """A frame that is first damaged at stop `point`; `before` is the last stop that had it whole, or could have."""

    time: int
    since: int
    point: int
    before: int | None
    plane: Plane
    kind: str
    text: str
    fates: tuple[tuple[int, str], ...] = ()
    """(stop, what became of the damaged frame there)."""


@dataclass(frozen=True, slots=True)
class MissingFrame:
    """A whole frame of stop `before` that stop `point` should have had about `time`, and had not."""

    time: int
    since: int
    point: int
    before: int
    plane: Plane
    length: int
    address: bytes


@dataclass(slots=True)
class _Frame:
    plane: Plane
    data: bytes
    seen: dict[int, tuple[int, FrameStatus]] = field(default_factory=dict)

    @property
    def last_time(self) -> int:
        return max(time for time, _ in self.seen.values())


@dataclass(slots=True)
class _Loose:
    """A frame that begins or ends between two stops, until it is known what it goes with."""

    frame: _Frame
    point: int
    before: int
    time: int
    explained: bool = False


class FrameTracking:
    """Frames of the stops of one route, which have `coverage`."""

    def __init__(self, options: Sequence[LineRateOption], coverage: Sequence[Coverage]) -> None:
        self._options = options
        self._coverage = coverage
        self._open: dict[tuple[Plane, bytes], list[_Frame]] = {}
        self._order: list[_Frame] = []
        self._losses: list[_Loose] = []
        self._starts: list[_Loose] = []
        self._octets: dict[tuple[int, Plane], int] = {}
        self.lags: dict[tuple[int, Plane], int] = {}
        """Longest time from the stop before to a stop, by stop and plane."""
        self.passed: dict[tuple[int, Plane, bytes], int] = defaultdict(int)
        """Frames that have passed to a stop, by their address."""
        self.inserted: dict[tuple[int, Plane], int] = defaultdict(int)
        self.slack = 0
        """So many hyperframes a stop's times may be too early, for it is not known yet whether it skipped some."""
        self.frames: dict[tuple[int, Plane], int] = defaultdict(int)
        self._passed: dict[tuple[int, int, Plane], int] = defaultdict(lambda: -(1 << 62))
        """Time at one stop of the last frame that has passed from there to another one."""
        self._usual: dict[tuple[int, int, Plane], int] = {}
        self.signs: list[FrameSign] = []
        self.missing: list[MissingFrame] = []

    def set_channel(self, point: int, plane: Plane, octets: int) -> None:
        """The channel has so many octets a hyperframe at a stop."""
        self._octets[point, plane] = octets

    # --- frames in --------------------------------------------------------------------------------------------

    def receive(self, point: int, time: int, event: FrameReceived) -> None:
        """A frame that ended at a stop; those of all stops come in the order of their times, more or less."""
        plane, status = event.plane, event.status
        self.frames[point, plane] += 1
        key = (plane, event.data)
        good = status is FrameStatus.GOOD
        fits = [
            (self._fit(point, time, frame, good=good), i) for i, frame in enumerate(self._open.get(key, ()))
        ]
        known = [(*fit, i) for fit, i in fits if fit is not None]
        if known:
            frame = self._open[key][min(known)[-1]]
            before = max(frame.seen)
            since = frame.seen[before][0]
            lag, way = time - since, (before, point, plane)
            frame.seen[point] = (time, status)
            self.lags[point, plane] = max(lag, self.lags.get((point, plane), 0))
            self._passed[way] = max(self._passed[way], since)
            self._usual[way] = (3 * self._usual.get(way, lag) + lag) // 4
            return
        frame = _Frame(plane, event.data, {point: (time, status)})
        self._open.setdefault(key, []).append(frame)
        self._order.append(frame)

    def _fit(self, point: int, time: int, frame: _Frame, *, good: bool) -> tuple[int, bool, int, int] | None:
        """How ill a frame that has come to a stop fits one seen before: stops between, verdict, time.

        None where it cannot be this one.
        """
        plane = frame.plane
        before = max(frame.seen)
        if before >= point:
            return None
        since, status = frame.seen[before]
        way = (before, point, plane)
        overtaken = since < self._passed[way]
        if (
            not -_SLACK - self.slack
            <= time - since
            <= self._patience(point, plane, frame, overtaken=overtaken)
        ):
            return None
        apart = abs(time - since - self._usual.get(way, time - since)) - _EASILY
        return point - before, good is not (status is FrameStatus.GOOD), max(apart, 0), since

    def _span(self, point: int, frame: _Frame) -> int:
        """Hyperframes that a frame takes at a stop, at the most."""
        octets = max(1, self._octets.get((point, frame.plane), 1))
        per_octet = 10 if frame.plane is Plane.ETHERNET else 9
        return (len(frame.data) + 26) * per_octet // (8 * octets) + 2

    def _patience(self, point: int, plane: Plane, frame: _Frame, *, overtaken: bool = False) -> int:
        """How long after the stop before a frame may come; one that a later frame has overtaken, not much longer."""
        known = self.lags.get((point, plane))
        if overtaken and known is not None:
            return 2 * known + 4 * _EASILY + self._span(point, frame)
        usual = min(2 * (known or 0) + _QUEUED, _MOST_LAG)
        return usual + 2 * self._span(point, frame)

    # --- judgement --------------------------------------------------------------------------------------------

    def pass_by(self, now: int | None) -> None:
        """All stops have passed the time `now`, or (None) have ended."""
        kept: list[_Frame] = []
        last = len(self._coverage) - 1
        for frame in self._order:
            patience = max(self._patience(p, frame.plane, frame) for p in range(last + 1))
            if now is not None and len(frame.seen) <= last and frame.last_time + patience >= now:
                kept.append(frame)
                continue
            if now is not None and frame.last_time >= now:
                kept.append(frame)
                continue
            self._judge(frame)
            here = self._open[frame.plane, frame.data]
            here.remove(frame)
            if not here:
                del self._open[frame.plane, frame.data]
        self._order = kept
        self._settle(now)

    def _judge(self, frame: _Frame) -> None:
        first = min(frame.seen)
        time, status = frame.seen[first]
        before = self._could_have_seen(frame, first)
        bad_at = None if status is FrameStatus.GOOD else first
        fates: list[tuple[int, str]] = []
        if before is not None:
            self._starts.append(_Loose(frame, first, before, time))
        last = first
        for point in range(first + 1, len(self._coverage)):
            if point in frame.seen:
                here = frame.seen[point][1]
                good, was_good = here is FrameStatus.GOOD, frame.seen[last][1] is FrameStatus.GOOD
                if was_good and good:
                    self.passed[point, frame.plane, _address(frame)] += 1
                elif was_good:
                    bad_at = point
                    self._add(frame, point, last, ())
                elif good:
                    fates.append((point, "sent on with a right check sequence: not visible there any more"))
                    break
                last = point
            elif self._must_have_seen(frame, point, last):
                if frame.seen[last][1] is FrameStatus.GOOD:
                    self._losses.append(_Loose(frame, point, last, self._due(frame, point, last)))
                else:
                    fates.append((point, "not passed on"))
                break
            elif self._coverage[point].covers(frame.seen[last][0], self._coverage[point].end):
                break  # it may still come
        if bad_at == first and before is None:
            self._add(frame, first, None, tuple(fates))
        elif bad_at == first:
            self._add(frame, first, before, tuple(fates))

    def _due(self, frame: _Frame, point: int, before: int) -> int:
        usual = self._usual.get((before, point, frame.plane))
        if usual is None:  # none has passed there unseen by those between
            usual = sum(self._usual.get((p - 1, p, frame.plane), 0) for p in range(before + 1, point + 1))
        return frame.seen[before][0] + usual

    def _could_have_seen(self, frame: _Frame, point: int) -> int | None:
        time = frame.seen[point][0]
        for before in range(point - 1, -1, -1):
            span = self._span(before, frame) + self.lags.get((point, frame.plane), 0) + _SLACK
            if self._coverage[before].covers(time - span, time + 1):
                return before
        return None

    def _must_have_seen(self, frame: _Frame, point: int, before: int) -> bool:
        time = frame.seen[before][0]
        late = self._patience(point, frame.plane, frame)
        if self._passed[before, point, frame.plane] > time:  # later ones have passed
            late = self.lags.get((point, frame.plane), 0) + self._span(point, frame)
        if (point, frame.plane) not in self.lags:
            return False
        begin = time - self._span(point, frame) - self.slack
        return self._coverage[point].covers(begin, time + late)

    def _add(self, frame: _Frame, point: int, before: int | None, fates: tuple[tuple[int, str], ...]) -> None:
        time, status = frame.seen[point]
        text = f"{len(frame.data)} octets of data"
        since = time - self._span(point, frame)
        self.signs.append(FrameSign(time, since, point, before, frame.plane, status.value, text, fates))

    def _settle(self, now: int | None) -> None:
        """Tell what goes with what of the frames that end or begin between two stops."""
        kept_losses, kept_starts = [], []
        for start in self._starts:
            reach = self._patience(start.point, start.frame.plane, start.frame)
            if now is not None and start.time + 2 * reach >= now:
                kept_starts.append(start)
                continue
            self._match(start, reach)
        for loss in self._losses:
            reach = self._patience(loss.point, loss.frame.plane, loss.frame)
            if now is not None and loss.time + 4 * reach >= now:
                kept_losses.append(loss)
            elif not loss.explained:
                frame = loss.frame
                since = frame.seen[loss.before][0] - self._span(loss.before, frame)
                self.missing.append(
                    MissingFrame(
                        loss.time,
                        since,
                        loss.point,
                        loss.before,
                        frame.plane,
                        len(frame.data),
                        _address(frame),
                    )
                )
        self._losses, self._starts = kept_losses, kept_starts

    def _match(self, start: _Loose, reach: int) -> None:
        frame = start.frame
        good = frame.seen[start.point][1] is FrameStatus.GOOD
        near = [
            loss
            for loss in self._losses
            if loss.point == start.point
            and loss.frame.plane is frame.plane
            and not loss.explained
            and abs(loss.time - start.time) <= reach
            and (not good or _alike(loss.frame.data, frame.data))
        ]
        if near:
            best = min(near, key=lambda loss: abs(loss.time - start.time))
            best.explained = True
            if good and best.frame.data != frame.data:
                text = (
                    f"{len(frame.data)} octets of data differ from those before, under a right check sequence"
                )
                since = start.time - self._span(start.point, frame)
                self.signs.append(
                    FrameSign(start.time, since, start.point, best.before, frame.plane, "altered", text)
                )
        elif good:
            self.inserted[start.point, frame.plane] += 1


def _address(frame: _Frame) -> bytes:
    return frame.data[:6] if frame.plane is Plane.ETHERNET else frame.data[:1]


def _alike(one: bytes, other: bytes) -> bool:
    """Whether two frames of the same length have three quarters of their octets in common."""
    if len(one) != len(other):
        return False
    same = sum(a == b for a, b in zip(one, other, strict=True))
    return same >= _SIMILAR * len(one)
