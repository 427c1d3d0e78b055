"""C&M integrity: every frame that was sent arrives once, in order, with what was sent in it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from decoders.error_performance.bit_error_ratio import upper_bound
from decoders.events import FrameReceived, FrameStatus, Plane
from decoders.linerates import option_named

from ..sources.source import received
from ..text import counted
from .quiet import passed_or_failed
from .results import AcceptanceOutcome, Check, NotObservable
from .rig import point_decoder
from .stage import Raw, StageContext
from .stage_settings import CmSettings, StageSettings

__all__ = ["CmIntegrity", "SequenceWatch"]

_SHOWN = 20
_MOST_OPEN = 10_000
_OCTETS_A_FRAME = {"hdlc": 20, "ethernet": 100}
"""About what a numbered frame takes of its channel."""
_IDLE_HYPERFRAMES = 3000
"""After so many without a frame of a channel nothing more is waited for."""


class SequenceWatch:
    """Running numbers as they arrive: which are missing, twice there, or out of order.

    A number that is skipped is missing until it comes, which then is `reordered`. `first` None takes the first number
    that comes for the first one sent; `modulus` is where the numbers run over, 0 never.
    """

    def __init__(self, first: int | None = 0, modulus: int = 0) -> None:
        self._next = first
        self._modulus = modulus
        self._missing: set[int] = set()
        self.received = self.duplicated = self.reordered = self.foreign = self.damaged = 0
        self.lost_beyond = 0
        self.first_lost: list[int] = []

    def take(self, number: int) -> bool:
        """The next number that came; whether it is the one that had to come."""
        self.received += 1
        expected = number if self._next is None else self._next
        step = number - expected
        if self._modulus:
            step = (step + self._modulus // 2) % self._modulus - self._modulus // 2
        if step == 0:
            self._next = self._after(expected)
            return True
        if step > 0:
            for gone in range(min(step, _MOST_OPEN)):
                lost = expected + gone
                self._missing.add(lost % self._modulus if self._modulus else lost)
            self.lost_beyond += max(0, step - _MOST_OPEN)
            self.first_lost += range(expected, expected + min(step, _SHOWN))
            del self.first_lost[_SHOWN:]
            self._next = self._after(number)
        elif number in self._missing:
            self._missing.discard(number)
            self.reordered += 1
        else:
            self.duplicated += 1
        return False

    def _after(self, number: int) -> int:
        return (number + 1) % self._modulus if self._modulus else number + 1

    def record(self, sent: int | None) -> dict[str, Any]:
        """As it stands in the results; `sent` tells of those lost after the last that came."""
        lost = len(self._missing) + self.lost_beyond
        if sent is not None and self._next is not None:
            lost += max(0, sent - self._next)
        return {
            "sent": sent,
            "received": self.received,
            "lost": lost,
            "first_lost": self.first_lost,
            "duplicated": self.duplicated,
            "reordered": self.reordered,
            "foreign": self.foreign,
            "damaged": self.damaged,
        }


class CmIntegrity:
    """Numbered frames on each C&M channel."""

    claims = "Every C&M frame that was sent on each channel arrived once, in order and unchanged."

    def hyperframes(self, settings: StageSettings, context: StageContext) -> float:
        assert isinstance(settings, CmSettings)
        line = option_named(context.rig.option)
        code = context.plan.hdlc_rate_code
        rates = {
            "hdlc": max((line.hdlc_octets(c) or 0 for c in range(8)), default=0)
            if code is None
            else line.hdlc_octets(code) or 0,
            "ethernet": line.ethernet_octets(context.plan.pointer_p),
        }
        return max(
            (
                settings.frames * _OCTETS_A_FRAME[plane] / rates[plane]
                for plane in settings.planes
                if rates[plane]
            ),
            default=0.0,
        )

    def measure(self, context: StageContext) -> Raw:
        settings = context.stage.settings
        assert isinstance(settings, CmSettings)
        planes = [Plane(name) for name in settings.planes]
        if not planes:
            raise NotObservable("the plan names no channel to test")
        with context.rig.numbered(settings.planes, settings.frames) as frames:
            point = frames.streams.points[0]
            keeper = context.keeper(frames.streams)
            known = frames.sent(planes[0]) is not None
            watches = {plane: SequenceWatch(0 if known else None, frames.modulus) for plane in planes}
            decoder = point_decoder(point)
            last = 0
            for i, chunk in frames.streams.read():
                if i:
                    continue
                keeper.saw(0, chunk)
                for event in received(decoder, chunk):
                    if isinstance(event, FrameReceived) and event.plane in watches:
                        watch, before = watches[event.plane], watches[event.plane].received
                        if event.status is not FrameStatus.GOOD:
                            watch.damaged += 1
                            keeper.failed(0, f"{event.plane.value} frame: {event.status.value}")
                        elif (number := frames.number(event.plane, event.data)) is None:
                            watch.foreign += 1
                        elif number < 0:
                            continue
                        elif not watch.take(number):
                            keeper.failed(0, f"{event.plane.value} frame {number} out of order", shows=False)
                        last = decoder.hyperframes if watch.received > before else last
                least = min(watch.received for watch in watches.values())
                context.progress(min(1.0, least / settings.frames))
                idle = decoder.hyperframes + decoder.hyperframes_missed - last > _IDLE_HYPERFRAMES
                if frames.done or (not known and least >= settings.frames) or idle:
                    break
        if not any(watch.received for watch in watches.values()) and not known:
            raise NotObservable("no frame carried a running number where the plan says")
        return {
            "point": point.name,
            "in_sync": decoder.state.value == "HFNSYNC",
            "not_received": decoder.hyperframes_not_received,
            "planes": {plane.value: watch.record(frames.sent(plane)) for plane, watch in watches.items()},
        }

    def judge(self, settings: StageSettings, raw: Raw) -> list[Check]:
        assert isinstance(settings, CmSettings)
        checks = []
        for name in settings.planes:
            row = raw["planes"].get(name)
            if row is None:
                checks.append(Check(f"{name} frames", AcceptanceOutcome.NOT_TESTED, "no frame was sent"))
                continue
            wrong = self._wrong(row)
            enough = row["received"] >= settings.frames and (row["sent"] in (None, row["received"]))
            got = counted(row["received"], "frame")
            if wrong:
                text = f"{got} received: {', '.join(wrong)}"
                if row["first_lost"]:
                    text += "; first missing: " + ", ".join(map(str, row["first_lost"][:5]))
            elif not enough:
                text = f"{got} received of {settings.frames}"
            else:
                bound = upper_bound(row["received"], 0)
                text = f"{got}, each once and in order; loss ratio at most {bound:.2g} at 0.95 confidence"
            lost = row["lost"] if wrong else 0
            missing = raw.get("not_received", 0)
            if missing and row["lost"] and len(wrong) == 1:
                text += f"; {counted(missing, 'hyperframe')} not received here may have held them"
                checks.append(Check(f"{name} frames", AcceptanceOutcome.NOT_TESTED, text, lost, 0, "frames"))
                continue
            checks.append(
                Check(f"{name} frames", passed_or_failed(enough and not wrong), text, lost, 0, "frames")
            )
        return checks

    def _wrong(self, row: Mapping[str, Any]) -> list[str]:
        return [f"{row[key]} {key}" for key in ("lost", "duplicated", "reordered", "damaged") if row[key]] + (
            [f"{row['foreign']} that were not sent"] if row["foreign"] and row["sent"] is not None else []
        )
