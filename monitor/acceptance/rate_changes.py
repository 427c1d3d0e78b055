"""Rate changes: at each line bit rate the link comes up anew, agrees on its settings, and runs without an error."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from decoders.linerates import option_named
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings

from .link_up import follow_restart, judge_times
from .meter import hyperframe_size, watch_points
from .quiet import judge_watch, passed_or_failed
from .results import AcceptanceOutcome, Check
from .rig import Streams
from .stage import Raw, StageContext
from .stage_settings import RatesSettings, StageSettings

__all__ = ["RateChanges"]

_OLD_HYPERFRAMES = 24
"""Of the new rate, in which a receiver of the old one must not find sync."""


class RateChanges:
    """From one option to the next."""

    claims = "At each rate every point came into operation in time with the agreed settings, and no error followed."

    def options(self, settings: StageSettings, context: StageContext) -> tuple[str, ...]:
        assert isinstance(settings, RatesSettings)
        return settings.options or context.plan.rates

    def hyperframes(self, settings: StageSettings, context: StageContext) -> float:
        """In hyperframes of the plan's own option: wider ones take longer."""
        assert isinstance(settings, RatesSettings)
        own = option_named(context.rig.option).hyperframe_octets
        wider = sum(
            option_named(option).hyperframe_octets / own for option in self.options(settings, context)
        )
        return (settings.hyperframes + 300) * wider

    def measure(self, context: StageContext) -> Raw:
        settings = context.stage.settings
        assert isinstance(settings, RatesSettings)
        options = self.options(settings, context)
        rates: list[dict[str, Any]] = []
        for number, option in enumerate(options):
            with context.rig.restart(1000 + number, option=option) as restart:
                keeper = context.keeper(restart.streams, before=30)
                rows = follow_restart(restart, number + 1, settings.operation_within_ms, keeper)
            row: dict[str, Any] = {"option": option, "rows": rows, "old_in_sync": None}
            if all(each["operation_ms"] is not None for each in rows):
                with context.rig.watch(option=option) as streams:
                    if number and options[number - 1] != option:
                        row["old_in_sync"] = _in_sync_at(options[number - 1], streams)
                    metered = watch_points(
                        streams,
                        settings.hyperframes,
                        interval=settings.hyperframes,
                        keeper=context.keeper(streams),
                    )
                row["watch"] = metered.record
            rates.append(row)
            context.progress((number + 1) / len(options))
        return {"rates": rates, "options": list(options)}

    def judge(self, settings: StageSettings, raw: Raw) -> list[Check]:
        assert isinstance(settings, RatesSettings)
        checks: list[Check] = []
        for rate in raw["rates"]:
            name = f"option {rate['option']}"
            checks.append(
                judge_times(
                    rate["rows"],
                    "operation_ms",
                    f"{name}: operation",
                    settings.operation_within_ms,
                    "in state F",
                )
            )
            checks.append(_agreed(name, rate["rows"]))
            if rate["old_in_sync"] is not None:
                text = "a receiver of the rate before finds " + (
                    "sync still" if rate["old_in_sync"] else "no sync"
                )
                checks.append(Check(f"{name}: rate changed", passed_or_failed(not rate["old_in_sync"]), text))
            if "watch" in rate:
                checks += judge_watch(rate["watch"], settings.hyperframes, name)
        left = [
            option for option in raw["options"] if option not in {rate["option"] for rate in raw["rates"]}
        ]
        for option in left:
            checks.append(Check(f"option {option}", AcceptanceOutcome.NOT_TESTED, "not reached"))
        return checks


def _agreed(name: str, rows: Sequence[Raw]) -> Check:
    """That every point ends with the same version, HDLC rate and pointer."""
    found = {(row["version"], row["hdlc_rate_code"], row["pointer_p"]) for row in rows}
    if len(found) == 1:
        version, code, pointer = next(iter(found))
        text = f"version {version}, HDLC rate code {code}, pointer p = {pointer} at every point"
        return Check(f"{name}: settings agreed", AcceptanceOutcome.PASS, text)
    text = "; ".join(f"version {v}, HDLC rate code {c}, pointer p = {p}" for v, c, p in sorted(found))
    return Check(f"{name}: settings agreed", AcceptanceOutcome.FAIL, f"they differ: {text}")


def _in_sync_at(option: str, streams: Streams) -> bool:
    """Whether a receiver of another rate finds sync in what the first point gets."""
    decoder = LinkDecoder(LinkSettings(option=option, form=streams.points[0].form))
    fed = 0.0
    size = hyperframe_size(streams.points[0])
    for i, chunk in streams.read():
        if i == 0:
            decoder.receive(chunk.data)
            fed += len(chunk.data) / size
        if fed >= _OLD_HYPERFRAMES:
            break
    return decoder.state.value == "HFNSYNC"
