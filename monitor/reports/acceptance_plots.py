"""The plots of each kind of stage in an acceptance report, from its raw results."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from .plots import bar_plot, point_plot

__all__ = ["stage_plots"]

Raw = Mapping[str, Any]


def stage_plots(stage: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The plots of a stage's record; none for kinds that have none, or where nothing was measured."""
    make = _PLOTS.get(stage["kind"])
    return [] if make is None or stage["raw"] is None else make(stage["raw"], stage["settings"])


def _link_up(raw: Raw, settings: Raw) -> list[dict[str, Any]]:
    rows = [row for row in raw["rows"] if row["operation_ms"] is not None]
    points = [(row["reset"], row["operation_ms"]) for row in rows]
    return [point_plot("Time to state F after each reset", "reset", "ms", points)] if points else []


def _watch(raw: Raw, settings: Raw) -> list[dict[str, Any]]:
    plots = []
    for number, name in enumerate(raw["points"]):
        at, bars = 0.0, []
        for interval in raw["intervals"]:
            if interval["point"] == number:
                end = at + interval["hyperframes"] + interval["missed"]
                bars.append((at, end, float(sum(interval["moved"].values()))))
                at = end
        if bars:
            plots.append(bar_plot(f"Errors at {name}", "hyperframe", "errors", bars))
    return plots


def _ber(raw: Raw, settings: Raw) -> list[dict[str, Any]]:
    return _watch(raw["watch"], settings)


def _delay(raw: Raw, settings: Raw) -> list[dict[str, Any]]:
    samples = raw["samples"]
    if not samples:
        return []
    first = samples[0]["compensated_clocks"] * samples[0]["clock_period_ns"]
    clock = samples[0]["clock_period_ns"]
    limit = settings["deviation_ns"] or min(clock, 260.4166667 / 32)
    points = [
        (float(number), s["compensated_clocks"] * s["clock_period_ns"] - first)
        for number, s in enumerate(samples, 1)
    ]
    raw_first = samples[0]["raw_clocks"] * clock
    counted = [
        (float(n), s["raw_clocks"] * s["clock_period_ns"] - raw_first) for n, s in enumerate(samples, 1)
    ]
    lines = [(limit, f"limit +{limit:.2f} ns"), (-limit, f"limit -{limit:.2f} ns")]
    return [
        point_plot("Compensated delay, change from the first reset", "reset", "ns", points, limits=lines),
        point_plot("Delay as counted, before compensation", "reset", "ns", counted),
    ]


def _iq(raw: Raw, settings: Raw) -> list[dict[str, Any]]:
    scale = raw["full_scale"]
    points = [(i / scale, q / scale) for i, q in raw["scatter"]]
    return [point_plot("Samples of the first AxC, of full scale", "I", "Q", points, square=True)]


_PLOTS: Mapping[str, Callable[[Raw, Raw], list[dict[str, Any]]]] = {
    "link_up": _link_up,
    "quiet": _watch,
    "soak": _watch,
    "ber": _ber,
    "delay": _delay,
    "iq_integrity": _iq,
}
