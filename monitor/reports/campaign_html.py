"""A campaign as one self-contained HTML file: no script, nothing fetched, readable without colour and on paper.

jinja2 escapes whatever comes from the campaign; the template stands beside this module.
"""

from __future__ import annotations

from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

from decoders.counters import COUNTERS

from ..text import inert_values
from .campaign_records import outcome, stopped, unproven_answers

__all__ = ["html_document"]

MARKS = {
    "D": ("detected", "expected to change and did, as declared"),
    "t": ("tolerated", "allowed side effect"),
    "S": ("side", "changed though no fault declares it"),
    "M": ("missed", "expected to change and did not"),
    "C": ("miscounted", "changed by another amount than expected"),
    "P": ("misplaced", "changed, but at another place"),
    "U": ("untrue", "the total is not what was sent"),
    "?": ("dirty", "changed without any fault"),
}
"""Letter of a cell: its class and its meaning."""
_LETTERS = {
    "side effect": "S",
    "missed": "M",
    "miscounted": "C",
    "misplaced": "P",
    "not as sent": "U",
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
    rows = [case | {"cells": _cells(case), "id": f"case-{i}"} for i, case in enumerate(record["cases"])]
    rows.sort(key=lambda row: (row["passed"], row["left_out"]))  # failures first, skipped cases last
    columns = [name for name in COUNTERS if any(name in row["cells"] for row in rows)]
    several = len({case["seed"] for case in rows}) > 1
    return environment.get_template("campaign.html").render(
        record=record,
        outcome=outcome(record),
        unproven=[*record["not_proven"], *map(unproven_answers, record["known_answers"]["unproven"])],
        stopped=stopped(record),
        rows=rows,
        ids={row["case"]: row["id"] for row in rows},
        columns=columns,
        marks=MARKS,
        several_seeds=several,
    )
