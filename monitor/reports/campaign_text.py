"""A campaign as plain text for a terminal or a log: no colour, no markup, at most 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

from .campaign_records import outcome, stopped

__all__ = ["campaign_lines", "case_lines", "summary_line"]

WIDTH = 80
_INDENT = " " * 6
_OUTCOMES = {
    "pass": "is a pass",
    "fail": "is a fail",
    "incomplete": "is incomplete",
    "proves nothing": "proves nothing",
}


def campaign_lines(record: dict[str, Any]) -> list[str]:
    """The table of a campaign: a line a case, and below each what moved and what is wrong with it."""
    link = record["link"]
    lines = [
        f"{link['source']}, option {link['option']}, {link.get('data') or link['form']}, p = {link['pointer_p']},"
        f" HDLC rate code {link['hdlc_rate_code']}"
        + ("" if link["seed"] is None else f", seed {link['seed']}"),
        *_ends_lines(link),
        f"receiver: {record['receiver']['name']}; {record['size']} size, {len(record['cases'])} cases",
        "det, rec: detected and recovered after so many hf; counters against the baseline",
        "",
    ]
    lines += _answer_lines(record)
    lines.append(f"{'':6}{'case':41} {'det':>5} {'rec':>5}  verdict")
    for case in record["cases"]:
        lines += case_lines(case)
    lines += ["", *_rule_lines(record)]
    if record["not_proven"]:
        lines.append("not proven:")
        lines += [row for text in record["not_proven"] for row in _wrapped(text)]
        lines.append("")
    lines += textwrap.wrap(record["means"], WIDTH, break_on_hyphens=False)
    lines += ["", summary_line(record)]
    return lines


def _ends_lines(link: dict[str, Any]) -> Iterator[str]:
    """Who injected and who observed, where those are two boards."""
    if "inject_at" in link:
        yield f"injected at {link['inject_at']}, observed at {link['observe_at']}" + (
            f"; returned alarms at {link['returned_alarms_at']}" if link["returned_alarms_at"] else ""
        )


def _answer_lines(record: dict[str, Any]) -> Iterator[str]:
    """Known answers in one line, and those that failed."""
    known = record["known_answers"]
    if not any(known[key] for key in ("passed", "failed", "not_proven")):
        return
    word = "fail" if known["failed"] else "pass"
    yield (
        f"{word:5} known answers: {known['passed']} right, {known['failed']} wrong,"
        f" {known['not_proven']} not proven"
    )
    for row in known["failures"]:
        yield from _wrapped(f"{row['stream']}, {row['plane']}: {row['rule']} ({row['clause']})")
        yield from _wrapped(f"expected {row['expected']}; observed {row['observed']}")
    yield ""


def _rule_lines(record: dict[str, Any]) -> Iterator[str]:
    """Coverage by rule: how many there are, and each that is not a pass."""
    rules = [rule for rule in record["rules"] if rule["result"] != "not run"]
    if not rules:
        return
    good = sum(rule["result"] == "pass" for rule in rules)
    yield f"rules: {len(rules)} of {len(record['rules'])} tested, {good} pass"
    for rule in rules:
        if rule["result"] != "pass":
            yield from _wrapped(f"{rule['result']} {rule['plane']}: {rule['rule']} ({rule['clause']})")
    yield ""


def case_lines(case: dict[str, Any]) -> Iterator[str]:
    """One case in two lines or more."""
    word = case["result"]
    name = case["case"]
    if len(name) > 41:
        yield f"{word:5} {name}"
        word, name = "", ""
    seen, well = (
        "-" if case[key] is None else str(case[key])
        for key in ("detected_after_hyperframes", "recovered_after_hyperframes")
    )
    line = f"{word:5} {name:41} {seen:>5} {well:>5}  {case['verdict']}"
    if len(line) <= WIDTH:
        yield line
    else:
        yield line.removesuffix(f"  {case['verdict']}")
        yield from _wrapped(case["verdict"])
    if case["passed"] and case["moved"]:
        moved = ", ".join(f"{counter}\xa0{change:+d}" for counter, change in case["moved"].items())
        yield from _wrapped(moved)
    if case["passed"] and (back := case.get("returned")) and back["moved"]:
        moved = ", ".join(f"{counter}\xa0{change:+d}" for counter, change in back["moved"].items())
        yield from _wrapped(f"returned to {back['at']}: {moved}")
    if not case["passed"] or case["left_out"]:
        for finding in case["findings"]:
            yield from _wrapped(finding["text"])
    if not case["passed"]:
        for damage in case["damage"]:
            octets = [f"[{o}]" if i == damage["at"] else o for i, o in enumerate(damage["octets"])]
            yield from _wrapped(f"sent ({damage['what']}, from {damage['first_octet']}): {' '.join(octets)}")
        yield from _wrapped("repeat: " + case["repeat_with"])


def _wrapped(text: str) -> list[str]:
    """Lines of at most WIDTH columns; a no-break space keeps a counter and its change together."""
    lines = textwrap.wrap(
        text, WIDTH, initial_indent=_INDENT, subsequent_indent=_INDENT + "  ", break_on_hyphens=False
    )
    return [line.replace("\xa0", " ") for line in lines]


def summary_line(record: dict[str, Any]) -> str:
    """The verdict in one line."""
    summary = record["summary"]
    text = f"The campaign {_OUTCOMES[outcome(record)]}: {summary['passed']} cases passed"
    text += f", {summary['failed']} failed"
    if summary["left_out"]:
        text += f", {summary['left_out']} skipped"
    if record["known_answers"]["failed"]:
        text += f"; {record['known_answers']['failed']} known answers wrong"
    return "; ".join(filter(None, (text, stopped(record))))
