"""Plots of stages, from their raw results."""

from __future__ import annotations

import pytest

from monitor.reports.acceptance_plots import stage_plots
from tests.support.acceptance import usual_stage


@pytest.mark.parametrize(
    ("kind", "titles"),
    [
        ("link_up", ["Time to state F after each reset"]),
        ("quiet", ["Errors at REC-A"]),
        (
            "delay",
            ["Compensated delay, change from the first reset", "Delay as counted, before compensation"],
        ),
        ("iq_integrity", ["Samples of the first AxC, of full scale"]),
        ("vendor", []),
    ],
)
def test_the_plots_of_a_kind(kind: str, titles: list[str]) -> None:
    result = usual_stage(kind)
    record = {"kind": kind, "raw": dict(result.raw), "settings": {"deviation_ns": 0.0}}
    assert [plot["title"] for plot in stage_plots(record)] == titles


def test_a_stage_that_was_not_tested_has_none() -> None:
    assert stage_plots({"kind": "delay", "raw": None, "settings": {}}) == []
