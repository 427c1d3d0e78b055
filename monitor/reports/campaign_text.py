"""A campaign as plain text for a terminal or a log: no colour, no markup, at most 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

from .campaign_records import outcome, stopped, unproven_answers

__all__ = ["campaign_lines", "case_lines", "summary_line"]

WIDTH = 80
_INDENT = " " * 6
_OUTCOMES = {
    "pass": "is a {scope}",
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
    unproven = [*record["not_proven"], *map(unproven_answers, record["known_answers"]["unproven"])]
    if unproven:
        lines.append("not proven:")
        lines += [row for text in unproven for row in _wrapped(text)]
        lines.append("")
    lines += textwrap.wrap(record["means"], WIDTH, break_on_hyphens=False)
    return [*lines, "", *textwrap.wrap(summary_line(record), WIDTH, break_on_hyphens=False)]


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
    word = "fail" if known["failed"] else "pass" if known["passed"] else "skip"
    yield (
        f"{word:5} known answers: {known['passed']} right, {known['failed']} wrong,"
        f" {known['not_proven']} not proven"
    )
    for row in known["failures"]:
        yield from _wrapped(f"{row['stream']}, {row['plane']}: {row['rule']} ({row['clause']})")
        yield from _wrapped(f"expected {row['expected']}; observed {row['observed']}")
    yield ""


def _rule_lines(record: dict[str, Any]) -> Iterator[str]:
    """Coverage by rule: how many there are of each result, and each that was run and is not a pass."""
    rules, count = record["rules"], record["scope"]["rules"]
    if not rules:
        return
    words = ("pass", "fail", "in part", "not proven", "skip", "not run")
    yield f"rules: {len(rules)}; " + ", ".join(f"{count[word]} {word}" for word in words if count.get(word))
    for rule in rules:
        if rule["result"] not in ("pass", "not run"):
            run = len(rule["cases"]) - rule["cases_skipped"]
            part = f", {run} of {rule['cases_planned']} cases" if rule["result"] == "in part" else ""
            text = f"{rule['result']}{part}: {rule['plane']}: {rule['rule']} ({rule['clause']})"
            yield from _wrapped(text)
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
    verdict = case["verdict"] + (f" at try {case['tries']}" if case["tries"] > 1 else "")
    line = f"{word:5} {name:41} {seen:>5} {well:>5}  {verdict}"
    if len(line) <= WIDTH:
        yield line
    else:
        yield line.removesuffix(f"  {verdict}")
        yield from _wrapped(verdict)
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
    scope = record["scope"]["text"] if record["scope"]["limited"] else "pass"
    word = _OUTCOMES[outcome(record)].format(scope=scope)
    text = f"The campaign {word}: {summary['passed']} cases passed"
    text += f", {summary['failed']} failed"
    if summary["left_out"]:
        text += f", {summary['left_out']} skipped"
    known = record["known_answers"]
    if known["failed"]:
        text += f"; {known['failed']} known answers wrong"
    if known["not_proven"]:
        text += f"; {known['not_proven']} known answers not proven"
    return "; ".join(filter(None, (text, stopped(record))))
