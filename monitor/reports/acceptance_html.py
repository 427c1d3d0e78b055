"""An acceptance run as one self-contained HTML file for A4 paper: no script, nothing fetched, no need of colour.

jinja2 escapes whatever comes from plans, boards and wires; the template stands beside this module.
"""

from __future__ import annotations

from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

from ..text import inert_values
from .acceptance_plots import stage_plots

__all__ = ["acceptance_page"]

CAUTIONS = (
    "Optical modules emit invisible laser radiation: never look into a fibre or a module (IEC 60825-1, IEC 60825-2).",
    "Connect the antenna ports of an RE to a suitable load before it transmits; RF power burns skin.",
    "RE may contain dangerous voltages and stored charge. Protect boards from electrostatic discharge.",
    "Local rules, the equipment's own instructions and licensed practice have priority over this report.",
)


def acceptance_page(record: dict[str, Any]) -> str:
    """The whole page of a run's JSON object; every text in it inert."""
    record = inert_values(record)
    environment = Environment(
        loader=PackageLoader("monitor.reports"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["figure"] = figure
    stages = record["stages"]
    return environment.get_template("acceptance.html").render(
        record=record,
        cautions=CAUTIONS,
        plots={stage["number"]: stage_plots(stage) for stage in stages},
        tested=[stage for stage in stages if stage["outcome"] != "not tested"],
        untested=[stage for stage in stages if stage["outcome"] == "not tested"],
        partly=[
            (stage, check)
            for stage in stages
            if stage["outcome"] != "not tested"
            for check in stage["checks"]
            if check["outcome"] == "not tested"
        ],
        failed=[stage for stage in stages if stage["outcome"] == "fail"],
    )


def figure(value: float | None, unit: str = "") -> str:
    """A number for a table; `-` where there is none."""
    if value is None:
        return "-"
    text = f"{value:.6g}" if isinstance(value, float) else str(value)
    return f"{text} {unit}".rstrip()
