"""A campaign as one self-contained HTML file: no script, nothing fetched, readable without colour and on paper.

jinja2 escapes whatever comes from the campaign; the template stands beside this module.
"""

from __future__ import annotations

from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

from decoders.counters import COUNTERS

from ..text import inert_values
from .campaign_records import outcome, stopped

__all__ = ["html_document"]

MARKS = {
    "D": ("detected", "had to move and did, as declared"),
    "t": ("tolerated", "moved, and the declaration lets it"),
    "S": ("side", "moved though no fault declares it"),
    "M": ("missed", "had to move and did not"),
    "C": ("miscounted", "moved by another amount than declared"),
    "P": ("misplaced", "moved, but another place is told than the damaged one"),
    "U": ("untrue", "the total is not what the capture holds"),
    "?": ("dirty", "moved without any fault"),
}
"""Letter of a cell: its class and its meaning."""
_LETTERS = {
    "side effect": "S",
    "missed": "M",
    "miscounted": "C",
    "misplaced": "P",
    "not the truth": "U",
    "baseline not clean": "?",
}


def _cells(case: dict[str, Any]) -> dict[str, str]:
    """Letter of each counter that has one in this row."""
    cells: dict[str, str] = {}
    required = {name for group in case["expected"] for name in group.split(" + ")}
    for name in case["moved"]:
        cells[name] = "D" if name in required else "t"
    for finding in case["findings"]:
        letter = _LETTERS.get(finding["verdict"])
        if letter and finding["counter"]:
            cells |= dict.fromkeys(finding["counter"].split(" + "), letter)
    return cells


def html_document(record: dict[str, Any]) -> str:
    """The whole page of a campaign's JSON object; every text in it inert."""
    record = inert_values(record)
    environment = Environment(
        loader=PackageLoader("monitor.reports"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    rows = [case | {"cells": _cells(case)} for case in record["cases"]]
    columns = [name for name in COUNTERS if any(name in row["cells"] for row in rows)]
    several = len({case["seed"] for case in rows}) > 1
    return environment.get_template("campaign.html").render(
        record=record,
        outcome=outcome(record),
        stopped=stopped(record),
        rows=rows,
        columns=columns,
        marks=MARKS,
        several_seeds=several,
    )
