"""Plots: round ticks, and points that lie where they belong."""

from __future__ import annotations

import pytest

from monitor.reports.plots import bar_plot, point_plot, ticks


@pytest.mark.parametrize(
    ("low", "high", "wanted"),
    [
        (0, 10, [0, 2, 4, 6, 8, 10]),
        (-8, 8, [-5, 0, 5]),
        (0.2, 0.31, [0.2, 0.25, 0.3]),
        (3, 3, [3]),
    ],
)
def test_ticks_are_round(low: float, high: float, wanted: list[float]) -> None:
    assert ticks(low, high) == pytest.approx(wanted)


def test_points_rise_with_their_values_and_stay_inside() -> None:
    plot = point_plot("t", "x", "y", [(1, 5.0), (2, 7.0), (3, 6.0)], limits=[(9.0, "limit")])
    (x1, y1), (_, y2), (x3, y3) = plot["points"]
    assert x1 == plot["left"] and x3 == plot["right"] and y1 > y3 > y2
    assert plot["top"] <= plot["limits"][0][0] < y2 <= plot["bottom"]


def test_many_points_and_values_that_are_none() -> None:
    plot = point_plot("t", "x", "y", [(float(n), float("nan") if n == 0 else 1.0) for n in range(5000)])
    assert 0 < len(plot["points"]) <= 600
    assert point_plot("t", "x", "y", [])["points"] == []


def test_bars_without_height_are_not_drawn() -> None:
    plot = bar_plot("t", "x", "y", [(0, 10, 0.0), (10, 20, 4.0)])
    ((left, top, width, height),) = plot["bars"]
    assert left > plot["left"] and width > 0 and top + height == pytest.approx(plot["bottom"], abs=0.2)
    assert bar_plot("t", "x", "y", [])["bars"] == []
