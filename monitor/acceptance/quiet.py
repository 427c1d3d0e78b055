"""The quiet run and the soak: no error for so long, on every point."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from decoders.linerates import HYPERFRAMES_PER_SECOND

from ..text import counted
from .meter import watch_points
from .results import AcceptanceOutcome, Check
from .stage import Raw, StageContext
from .stage_settings import QuietSettings, SoakSettings, StageSettings

__all__ = ["Quiet", "Soak", "judge_watch", "moved_in", "passed_or_failed"]

_MOST_INTERVALS = 200


def passed_or_failed(good: bool) -> AcceptanceOutcome:
    return AcceptanceOutcome.PASS if good else AcceptanceOutcome.FAIL


def moved_in(raw: Raw, point: int | None = None) -> dict[str, int]:
    """Everything that moved in a watch, at one point or at all of them."""
    total: dict[str, int] = {}
    for interval in raw["intervals"]:
        if point in (None, interval["point"]):
            for name, by in interval["moved"].items():
                total[name] = total.get(name, 0) + by
    return total


def received_at(raw: Raw, point: int) -> int:
    return sum(interval["hyperframes"] for interval in raw["intervals"] if interval["point"] == point)


def _words(moved: Mapping[str, int]) -> str:
    return ", ".join(f"{name} {by:+d}" for name, by in sorted(moved.items()))


def judge_watch(raw: Raw, wanted: int, name: str = "") -> list[Check]:
    """Checks of a watch in which no error may come."""
    title = f"{name}: " if name else ""
    checks = []
    for i, point in enumerate(raw["points"]):
        got = received_at(raw, i)
        moved = moved_in(raw, i)
        lost = sum(each["missed"] for each in raw["intervals"] if each["point"] == i)
        missing = sum(each["missing"] for each in raw["intervals"] if each["point"] == i)
        if raw["in_sync"][i] and raw["settled"][i]:
            text = "in sync before and after"
        else:
            text = "not in HFNSYNC " + ("at the end" if raw["settled"][i] else "before counting began")
        checks.append(
            Check(f"{title}sync at {point}", passed_or_failed(raw["in_sync"][i] and raw["settled"][i]), text)
        )
        enough = got >= wanted
        text = f"{counted(got, 'hyperframe')} received"
        if missing:
            text += f"; {missing} more were not received here and are not judged"
        if lost:
            text += f"; {lost} passed without sync"
        checks.append(
            Check(f"{title}extent at {point}", passed_or_failed(enough and not lost), text, got, wanted, "hf")
        )
        text = f"no error in {counted(got, 'hyperframe')}" if not moved else _words(moved)
        if got or moved:
            checks.append(
                Check(f"{title}errors at {point}", passed_or_failed(not moved), text, sum(moved.values()), 0)
            )
        checks += unseen_checks(title, point, raw, i)
    return checks


def unseen_checks(title: str, point: str, raw: Raw, index: int) -> list[Check]:
    """What the line data of a point do not show."""
    texts: Sequence[str] = raw["unseen"][index]
    if raw["forms"][index] == "octets":
        texts = ("errors of the line code do not show in octets", *texts)
    return [
        Check(f"{title}not visible at {point}", AcceptanceOutcome.NOT_TESTED, text, essential=False)
        for text in texts
    ]


class Quiet:
    """No error for so many hyperframes."""

    claims = "No error counter changed and no alarm was raised at any point while so many hyperframes were received."

    @staticmethod
    def extent(settings: StageSettings) -> int:
        assert isinstance(settings, QuietSettings)
        return max(settings.hyperframes, math.ceil(settings.seconds * HYPERFRAMES_PER_SECOND))

    def hyperframes(self, settings: StageSettings, context: StageContext) -> float:
        return self.extent(settings)

    def measure(self, context: StageContext) -> Raw:
        wanted = self.extent(context.stage.settings)
        with context.rig.watch() as streams:
            keeper = context.keeper(streams)
            metered = watch_points(
                streams,
                wanted,
                interval=max(150, wanted // _MOST_INTERVALS),
                keeper=keeper,
                progress=context.progress,
            )
            if not keeper.failures:
                keeper.sample(0, "clean sample")
        return metered.record

    def judge(self, settings: StageSettings, raw: Raw) -> list[Check]:
        return judge_watch(raw, self.extent(settings))


class Soak:
    """A long watch in seconds, some of which may be errored."""

    claims = "Over the whole time no more seconds of line time had an error than the plan allows."

    @staticmethod
    def extent(settings: StageSettings) -> int:
        assert isinstance(settings, SoakSettings)
        seconds = settings.seconds + 3600 * settings.hours
        return max(150, math.ceil(seconds * HYPERFRAMES_PER_SECOND))

    def hyperframes(self, settings: StageSettings, context: StageContext) -> float:
        return self.extent(settings)

    def measure(self, context: StageContext) -> Raw:
        with context.rig.watch() as streams:
            metered = watch_points(
                streams,
                self.extent(context.stage.settings),
                interval=HYPERFRAMES_PER_SECOND,
                keeper=context.keeper(streams),
                progress=context.progress,
            )
        return metered.record

    def judge(self, settings: StageSettings, raw: Raw) -> list[Check]:
        assert isinstance(settings, SoakSettings)
        checks = []
        for check in judge_watch(raw, self.extent(settings)):
            if not check.name.startswith("errors at "):
                checks.append(check)
        for i, point in enumerate(raw["points"]):
            errored = sum(each["errored"] for each in raw["intervals"] if each["point"] == i)
            seconds = received_at(raw, i) / HYPERFRAMES_PER_SECOND
            text = f"{counted(errored, 'errored second')} in {seconds:g} s of line time"
            if errored:
                text += f": {_words(moved_in(raw, i))}"
            good = errored <= settings.errored_seconds
            limit = settings.errored_seconds
            checks.append(
                Check(f"errored seconds at {point}", passed_or_failed(good), text, errored, limit, "s")
            )
        return checks
