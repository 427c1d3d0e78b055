"""Plots for reports as plain numbers: places of points, ticks and limit lines. A template draws them as SVG."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

__all__ = ["bar_plot", "point_plot", "ticks"]

WIDTH, HEIGHT = 660, 220
LEFT, RIGHT, TOP, BOTTOM = 78, 14, 14, 42
_MOST_POINTS = 600


def ticks(low: float, high: float, count: int = 5) -> list[float]:
    """Round numbers over a range, about `count` of them; steps of 1, 2 or 5 times a power of ten."""
    span = high - low
    if span <= 0 or not math.isfinite(span):
        return [low]
    raw = span / count
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * factor for factor in (1, 2, 5, 10) if power * factor >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [round(number * step, 12) for number in range(first, math.floor(high / step + 1e-9) + 1)]


def _label(value: float) -> str:
    return f"{value:.7g}"


class _Axes:
    """Numbers to places on the paper."""

    def __init__(self, x: tuple[float, float], y: tuple[float, float], width: int, height: int) -> None:
        self.x, self.y = _widened(*x), _widened(*y)
        self.width, self.height = width, height

    def at_x(self, value: float) -> float:
        low, high = self.x
        return round(LEFT + (value - low) / (high - low) * (self.width - LEFT - RIGHT), 1)

    def at_y(self, value: float) -> float:
        low, high = self.y
        return round(self.height - BOTTOM - (value - low) / (high - low) * (self.height - TOP - BOTTOM), 1)


def _widened(low: float, high: float) -> tuple[float, float]:
    if high > low:
        return low, high
    by = abs(low) * 0.01 or 1.0
    return low - by, high + by


def point_plot(
    title: str,
    x_label: str,
    y_label: str,
    points: Sequence[tuple[float, float]],
    *,
    limits: Sequence[tuple[float, str]] = (),
    square: bool = False,
) -> dict[str, Any]:
    """Points, each a small ring; `limits` are dashed lines across with a text. Not too many points are drawn."""
    step = max(1, -(-len(points) // _MOST_POINTS))
    shown = [(x, y) for x, y in points[::step] if math.isfinite(x) and math.isfinite(y)]
    xs, ys = [x for x, _ in shown] or [0.0], [y for _, y in shown] or [0.0]
    ys += [value for value, _ in limits]
    width, height = (320, 320) if square else (WIDTH, HEIGHT)
    margin = 0.06 * (max(ys) - min(ys))
    axes = _Axes((min(xs), max(xs)), (min(ys) - margin, max(ys) + margin), width, height)
    return {
        "title": title,
        "kind": "points",
        "width": width,
        "height": height,
        "x_label": x_label,
        "y_label": y_label,
        "points": [(axes.at_x(x), axes.at_y(y)) for x, y in shown],
        "bars": [],
        "limits": [(axes.at_y(value), text) for value, text in limits],
        "x_ticks": [(axes.at_x(x), _label(x)) for x in ticks(*axes.x, 4 if square else 8)],
        "y_ticks": [(axes.at_y(y), _label(y)) for y in ticks(*axes.y, 5)],
        "left": LEFT,
        "right": width - RIGHT,
        "top": TOP,
        "bottom": height - BOTTOM,
    }


def bar_plot(
    title: str, x_label: str, y_label: str, bars: Sequence[tuple[float, float, float]]
) -> dict[str, Any]:
    """Bars (from, to, height) from zero up."""
    tops = [height for _, _, height in bars] or [0.0]
    low, high = min((b[0] for b in bars), default=0.0), max((b[1] for b in bars), default=1.0)
    axes = _Axes((low, high), (0.0, max(*tops, 1.0) * 1.05), WIDTH, HEIGHT)
    base = axes.at_y(0.0)
    drawn = []
    for begin, end, height in bars[:_MOST_POINTS]:
        if height:
            left = axes.at_x(begin)
            drawn.append(
                (
                    left,
                    axes.at_y(height),
                    max(1.0, round(axes.at_x(end) - left, 1)),
                    round(base - axes.at_y(height), 1),
                )
            )
    return {
        "title": title,
        "kind": "bars",
        "width": WIDTH,
        "height": HEIGHT,
        "x_label": x_label,
        "y_label": y_label,
        "points": [],
        "bars": drawn,
        "limits": [],
        "x_ticks": [(axes.at_x(x), _label(x)) for x in ticks(*axes.x, 8)],
        "y_ticks": [(axes.at_y(y), _label(y)) for y in ticks(*axes.y, 4)],
        "left": LEFT,
        "right": WIDTH - RIGHT,
        "top": TOP,
        "bottom": base,
    }
