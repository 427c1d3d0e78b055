"""A campaign as plain text for a terminal or a log: no colour, no markup, at most 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

from .campaign_records import outcome, stopped

__all__ = ["campaign_lines", "case_lines", "summary_line"]

WIDTH = 80
_INDENT = " " * 6


def campaign_lines(record: dict[str, Any]) -> list[str]:
    """The table of a campaign: a line a case, and below each what moved and what is wrong with it."""
    link = record["link"]
    lines = [
        f"{link['source']}, option {link['option']}, {link.get('data') or link['form']}, p = {link['pointer_p']},"
        f" HDLC rate code {link['hdlc_rate_code']}"
        + ("" if link["seed"] is None else f", seed {link['seed']}"),
        "times in hyperframes from the fault's own; counters against the baseline",
        "",
        f"{'':6}{'case':41} {'seen':>5} {'well':>5}  verdict",
    ]
    for case in record["cases"]:
        lines += case_lines(case)
    lines += ["", summary_line(record)]
    return lines


def case_lines(case: dict[str, Any]) -> Iterator[str]:
    """One case in two lines or more."""
    word = "--" if case["left_out"] else "ok" if case["passed"] else "FAIL"
    name = case["case"]
    if len(name) > 41:
        yield f"{word:5} {name}"
        word, name = "", ""
    seen, well = (
        "-" if case[key] is None else str(case[key])
        for key in ("detected_after_hyperframes", "recovered_after_hyperframes")
    )
    yield f"{word:5} {name:41} {seen:>5} {well:>5}  {case['verdict']}"
    if case["passed"] and case["moved"]:
        moved = ", ".join(f"{counter}\xa0{change:+d}" for counter, change in case["moved"].items())
        yield from _wrapped(moved)
    if not case["passed"] or case["left_out"]:
        for finding in case["findings"]:
            yield from _wrapped(finding["text"])
    if not case["passed"]:
        yield from _wrapped("again: " + case["repeat_with"])


def _wrapped(text: str) -> list[str]:
    """Lines of at most WIDTH columns; a no-break space keeps a counter and its change together."""
    lines = textwrap.wrap(
        text, WIDTH, initial_indent=_INDENT, subsequent_indent=_INDENT + "  ", break_on_hyphens=False
    )
    return [line.replace("\xa0", " ") for line in lines]


def summary_line(record: dict[str, Any]) -> str:
    """The verdict in one line."""
    summary = record["summary"]
    text = f"{outcome(record).upper()}: {summary['passed']} passed, {summary['failed']} failed"
    if summary["left_out"]:
        text += f", {summary['left_out']} left out"
    return "; ".join(filter(None, (text, stopped(record))))
