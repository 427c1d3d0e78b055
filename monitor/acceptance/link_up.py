"""Link-up: the times to HFNSYNC and to start-up state F after each of many resets, and the remote end's answer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from decoders.events import (
    Alarm,
    AlarmCleared,
    AlarmRaised,
    Event,
    HyperframesNotReceived,
    Origin,
    PossibleInversion,
    StartupStateChanged,
)
from decoders.linerates import HYPERFRAMES_PER_SECOND

from ..sources.source import UNKNOWN_GAP, received
from ..text import counted
from .captures import CaptureKeeper
from .meter import hyperframe_size
from .quiet import passed_or_failed
from .results import AcceptanceOutcome, Check
from .rig import Restart, StreamPoint, point_decoder
from .stage import Raw, StageContext
from .stage_settings import LinkUpSettings, StageSettings

__all__ = ["LinkUp", "follow_restart", "judge_times"]

MS = HYPERFRAMES_PER_SECOND / 1000
"""Hyperframes of a millisecond."""
_ROOM = 40
_FAILURES_SHOWN = 2
"""Resets in a row after which a link that does not come up is not reset again."""
_KEPT_CHUNKS = 30


class _Start:
    """One point from its reset on."""

    def __init__(self, number: int, point: StreamPoint, restart: Restart) -> None:
        self.number, self.point = number, point
        self._decoder = point_decoder(point)
        self._size = hyperframe_size(point)
        self._dark = restart.dark_hyperframes.get(number, 0)
        self._lead_ms = restart.lead_ms
        self._octets = 0
        self._skipped = 0
        self._unmeasured = False
        self.sync_ms: float | None = None
        self.operation_ms: float | None = None
        self.resolution_ms = 0.0
        self.inverted = False
        self.rai_raised = self.rai_cleared = False
        self.watches_rai = restart.answers == number
        self.rai_raised_after: int | None = None

    @property
    def hyperframes(self) -> float:
        """Passed since there was a signal."""
        return self._octets / self._size + self._skipped - self._dark

    def take(self, chunk: Any) -> None:
        before = self.hyperframes
        self._octets += len(chunk.data)
        self._skipped += 0 if chunk.gap == UNKNOWN_GAP else chunk.gap
        self._unmeasured |= chunk.gap == UNKNOWN_GAP and not self.done
        self._see(received(self._decoder, chunk))
        at = self._lead_ms + max(0.0, self.hyperframes) / MS
        if self.sync_ms is None and self._decoder.state.value == "HFNSYNC":
            self.sync_ms, self.resolution_ms = at, (self.hyperframes - before) / MS
        if self.operation_ms is None and self._decoder.planes.startup_state.value == "F":
            self.operation_ms = at

    def _see(self, events: Sequence[Event]) -> None:
        for event in events:
            match event:
                case PossibleInversion():
                    self.inverted = True
                case AlarmRaised(alarm=Alarm.RAI, origin=Origin.REMOTE):
                    self.rai_raised = True
                    self.rai_raised_after = event.hyperframe
                case AlarmCleared(alarm=Alarm.RAI, origin=Origin.REMOTE):
                    self.rai_cleared = True
                case StartupStateChanged() | HyperframesNotReceived():
                    pass

    @property
    def done(self) -> bool:
        return self.operation_ms is not None

    def row(self, reset: int, restart: Restart) -> dict[str, Any]:
        return {
            "reset": reset,
            "point": self.point.name,
            "sync_ms": None if self.sync_ms is None else round(self.sync_ms, 4),
            "operation_ms": None if self.operation_ms is None else round(self.operation_ms, 4),
            "resolution_ms": round(self.resolution_ms, 4),
            "state": self._decoder.planes.startup_state.value,
            "inverted": self.inverted,
            "unmeasured": self._unmeasured,
            "rai_raised_after": self.rai_raised_after if self.watches_rai else None,
            "rai_cleared": self.rai_cleared if self.watches_rai else None,
            "watches_rai": self.watches_rai,
            "alignment": self._decoder.alignment_slip_bits,
            "version": self._decoder.planes.last.version,
            "hdlc_rate_code": self._decoder.planes.last.rate,
            "pointer_p": self._decoder.planes.last.pointer,
            "reset_counted": restart.counted,
            "instead": restart.instead,
        }


def follow_restart(
    restart: Restart, reset: int, limit_ms: float, keeper: CaptureKeeper
) -> list[dict[str, Any]]:
    """Rows of every point, from the reset until state F or until the time is over."""
    starts = [_Start(i, point, restart) for i, point in enumerate(restart.streams.points)]
    most = limit_ms * MS + _ROOM
    for i, chunk in restart.streams.read():
        keeper.saw(i, chunk)
        starts[i].take(chunk)
        if all(start.done or start.hyperframes >= most for start in starts):
            break
    rows = [start.row(reset, restart) for start in starts]
    for start in starts:
        if not start.done or start.inverted:
            keeper.failed(start.number, f"reset {reset}: not in operation", shows=True)
            break
    keeper.finish()
    return rows


def _late(rows: Sequence[Raw], key: str, limit: float) -> list[Raw]:
    return [row for row in rows if row[key] is None or row[key] > limit]


def judge_times(rows: Sequence[Raw], key: str, name: str, limit: float, what: str) -> Check:
    """That a time was reached at all, and within its limit, in every row."""
    times = [row[key] for row in rows if row[key] is not None]
    late = _late(rows, key, limit)
    never = [row for row in rows if row[key] is None]
    if never:
        first = never[0]
        text = f"never {what} after reset {first['reset']} at {first['point']}"
    elif late:
        text = f"{what} after {late[0][key]:.2f} ms at {late[0]['point']}, reset {late[0]['reset']}"
    else:
        text = f"{what} after {min(times):.2f} to {max(times):.2f} ms in all {len(rows)} cases"
    resolution = max((row["resolution_ms"] for row in rows), default=0.0)
    worst = max(times) if times else None
    if rows and not late and (unmeasured := [row for row in rows if row.get("unmeasured")]):
        text = f"an unknown number of hyperframes was not received here in {len(unmeasured)} of {len(rows)} cases"
        return Check(
            name, AcceptanceOutcome.NOT_TESTED, f"{text}, so the time is not known", None, limit, "ms"
        )
    return Check(name, passed_or_failed(bool(rows) and not late), text, worst, limit, "ms", resolution, 1.0)


class LinkUp:
    """Repeated resets, each measured until the link is in operation."""

    claims = (
        "After each reset every point reached HFNSYNC and start-up state F in time, the line pair was not swapped,"
        " and the remote end, where there is one, returned RAI while it had no signal."
    )

    def hyperframes(self, settings: StageSettings, context: StageContext) -> float:
        assert isinstance(settings, LinkUpSettings)
        return 240.0 * settings.resets

    def measure(self, context: StageContext) -> Raw:
        settings = context.stage.settings
        assert isinstance(settings, LinkUpSettings)
        rows: list[dict[str, Any]] = []
        limit = max(settings.sync_within_ms, settings.operation_within_ms)
        failures = 0
        for reset in range(1, settings.resets + 1):
            with context.rig.restart(reset) as restart:
                keeper = context.keeper(restart.streams, before=_KEPT_CHUNKS)
                rows += (now := follow_restart(restart, reset, limit, keeper))
            context.progress(reset / settings.resets)
            failures = failures + 1 if any(row["operation_ms"] is None for row in now) else 0
            if failures >= _FAILURES_SHOWN:
                break
        return {"rows": rows, "resets": settings.resets}

    def judge(self, settings: StageSettings, raw: Raw) -> list[Check]:
        assert isinstance(settings, LinkUpSettings)
        rows = raw["rows"]
        done = len({row["reset"] for row in rows})
        checks = [
            Check(
                "resets",
                passed_or_failed(done >= settings.resets),
                f"{counted(done, 'reset')} measured",
                done,
                settings.resets,
            ),
            judge_times(rows, "sync_ms", "hyperframe sync", settings.sync_within_ms, "in HFNSYNC"),
            judge_times(rows, "operation_ms", "operation", settings.operation_within_ms, "in state F"),
        ]
        swapped = sorted({row["point"] for row in rows if row["inverted"]})
        text = "the line pair may be swapped at " + ", ".join(swapped) if swapped else "as sent"
        checks.append(Check("polarity", passed_or_failed(not swapped), text))
        checks += self._counted(rows)
        if instead := next((row["instead"] for row in rows if row.get("instead")), ""):
            text = f"no transceiver was reset: {instead} in place of it"
            checks.append(Check("transceivers", AcceptanceOutcome.NOT_TESTED, text, essential=False))
        checks.append(self._answer(rows, settings.rai_within_hyperframes))
        return checks

    def _counted(self, rows: Sequence[Raw]) -> list[Check]:
        told = [row for row in rows if row["reset_counted"] is not None]
        if not told:
            return []
        missing = [row["reset"] for row in told if not row["reset_counted"]]
        text = (
            f"the board's own count does not show reset {missing[0]}" if missing else "counted by the board"
        )
        return [Check("resets seen", passed_or_failed(not missing), text)]

    def _answer(self, rows: Sequence[Raw], within: int) -> Check:
        watched = [row for row in rows if row["watches_rai"]]
        if not watched:
            text = "no remote end answers on this link, or its answer is not watched"
            return Check("RAI from the remote end", AcceptanceOutcome.NOT_TESTED, text, essential=False)
        never = [row["reset"] for row in watched if row["rai_raised_after"] is None]
        late = [row for row in watched if not never and row["rai_raised_after"] > within]
        stuck = [row["reset"] for row in watched if not row["rai_cleared"]]
        if never:
            text = f"never returned while the remote end had no signal (reset {never[0]})"
        elif late:
            text = f"returned after {late[0]['rai_raised_after']} hf (reset {late[0]['reset']})"
        elif stuck:
            text = f"not cleared after reset {stuck[0]}"
        else:
            worst = max(row["rai_raised_after"] for row in watched)
            text = f"returned within {worst} hf and cleared, after each of {len(watched)} resets"
        return Check("RAI from the remote end", passed_or_failed(not (never or late or stuck)), text)
