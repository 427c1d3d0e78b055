"""A campaign as the JSON object of `campaign --json`, from which the other campaign reports are made too.

All but its member `run` hangs only on the conditions: the same ones give the same octets. `run` tells of the machine
and the time, and is left out on request.
"""

from __future__ import annotations

import platform
from collections import Counter
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from decoders.counters import COUNTERS
from decoders.events import Plane

from .. import __version__
from ..campaign.cases import BASELINE
from ..campaign.conditions import Conditions, LinkConditions
from ..campaign.known_answers import AnswerResult, Outcome
from ..campaign.results import Campaign, CaseResult
from ..campaign.rule import Rule

__all__ = [
    "SCHEMA",
    "campaign_record",
    "case_record",
    "outcome",
    "run_record",
    "stopped",
    "unproven_answers",
]

SCHEMA = "framefray.campaign/1"


def case_record(result: CaseResult, conditions: Conditions, size: str = "default") -> dict[str, Any]:
    """One case, with nothing of the machine or the time."""
    declared = result.declared
    expectation = None if declared is None else declared.expectation
    only = () if result.case.is_baseline else result.case.choice
    if size == "quick" and result.case.listed:
        only = ("--quick", *only)
    if size == "default" and not isinstance(conditions, LinkConditions):
        only = ("--every-rule", *only)
    if not result.case.listed and isinstance(conditions, LinkConditions):
        conditions = result.case.conditions(conditions)
    return {
        "case": result.case.name,
        "plane": result.case.plane,
        "faults": [place.text for place in result.placed] or list(result.case.faults),
        "seed": result.seed,
        "verdict": result.verdict.value,
        "result": result.verdict.word,
        "passed": result.passed,
        "left_out": result.skipped,
        "tries": result.tries,
        "expected": {} if declared is None else declared.required,
        "tolerated": [] if expectation is None else [c for c in COUNTERS if c in expectation.tolerated],
        "within_hyperframes": None if expectation is None or not declared else expectation.within_hyperframes,
        "moved": dict(result.moved),
        "detected_after_hyperframes": result.detected_after,
        "recovered_after_hyperframes": result.recovered_after,
        "findings": [
            {
                "verdict": f.verdict.value,
                "counter": f.counter,
                "text": f.text,
                "plane": None if f.plane is None else f.plane.value,
                "hyperframe": f.hyperframe,
                "expected": f.expected,
                "observed": f.observed,
            }
            for f in result.findings
        ],
        "facts_compared": result.held,
        **_returned(result),
        "damage": [
            {"fault": e.fault, "what": e.what, "first_octet": e.first, "at": e.at, "octets": list(e.octets)}
            for e in result.excerpts
        ],
        "repeat_with": conditions.command("campaign", result.seed, *only),
    }


def _returned(result: CaseResult) -> dict[str, Any]:
    """What came back to the board that transmits the faults, where that is another one."""
    back = result.returned
    if back is None:
        return {}
    return {"returned": {"at": back.at, "expected": back.required, "moved": dict(back.moved)}}


def campaign_record(
    campaign: Campaign, run: dict[str, Any] | None = None, choice: Sequence[str] = ()
) -> dict[str, Any]:
    """The whole object; without `run` it is the same for the same conditions.

    `choice` are the words of the command line that say which cases are run, and how often.
    """
    conditions = campaign.conditions
    rules = _coverage(campaign)
    record: dict[str, Any] = {
        "schema": SCHEMA,
        "framefray": __version__,
        "link": conditions.words
        | {
            "line_rate_bps": conditions.line.line_rate_bps,
            "line_code": {"8b10b": "8B/10B", "64b66b": "64B/66B"}[conditions.line.line_code],
        },
        "verdict": "pass" if campaign.passed and campaign.proves and not campaign.interrupted else "fail",
        "complete": not campaign.interrupted and len(campaign.results) == campaign.planned,
        "summary": {
            "planned": campaign.planned,
            "passed": campaign.count(passed=True),
            "failed": campaign.count(passed=False),
            "left_out": campaign.left_out,
        },
        "repeat_with": conditions.command("campaign", None, *choice),
        "size": campaign.size,
        "receiver": {"name": campaign.receiver, "own": campaign.own_receiver},
        "means": meaning(campaign),
        "not_proven": campaign.not_proven,
        "known_answers": _answers(campaign.answers),
        "rules": rules,
        "scope": _scope(campaign, rules),
        "cases": [case_record(result, conditions, campaign.size) for result in campaign.results],
    }
    if run is not None:
        record["run"] = run
        for case, result in zip(record["cases"], campaign.results, strict=True):
            case["seconds"] = round(result.seconds, 4)
    return record


def meaning(campaign: Campaign) -> str:
    """What a pass of this campaign means and what it does not, in one sentence."""
    if not isinstance(campaign.conditions, LinkConditions):
        proven = (
            "what the board sent let the decoder here move the counters that every fault below has to move, and no"
            " other"
        )
    elif campaign.served.delivers >= campaign.served.judged:
        proven = (
            "this receiver reported every fault below under its own heading and no other, and delivered all else as"
            " sent"
        )
    else:
        proven = "this receiver moved the counters that every fault below has to move, and no other"
        if campaign.served.delivers:
            names = ", ".join(plane.value for plane in Plane if plane in campaign.served.delivers)
            proven += f", and delivered as sent what belongs to {names}"
    limits = (
        "it says nothing of options, settings and faults that are not listed, of timing and clocks, or of what stands"
        " under 'not proven'"
    )
    own = "; the receiver is the project's own decoder, so it proves the link and its sender, not a receiver of yours"
    return f"A pass means that {proven}; {limits}{own if campaign.own_receiver else ''}."


def _answers(rows: Sequence[AnswerResult]) -> dict[str, Any]:
    """Known answers: how many rows there are of each kind, and those that failed."""
    of = {word: sum(row.outcome is word for row in rows) for word in Outcome}
    failed = [
        {
            "stream": row.stream,
            "plane": row.plane.value,
            "rule": row.rule,
            "clause": row.clause,
            "expected": row.expected,
            "observed": row.observed,
        }
        for row in rows
        if row.outcome is Outcome.FAIL
    ]
    return {
        "passed": of[Outcome.PASS],
        "failed": of[Outcome.FAIL],
        "not_proven": of[Outcome.NOT_PROVEN],
        "failures": failed,
        "unproven": _unproven(rows),
    }


def _unproven(rows: Sequence[AnswerResult]) -> list[dict[str, Any]]:
    """Known answers that were not proven, by plane and reason."""
    reasons = Counter((row.plane, row.observed) for row in rows if row.outcome is Outcome.NOT_PROVEN)
    return [{"plane": plane.value, "reason": why, "rows": n} for (plane, why), n in reasons.items()]


def _coverage(campaign: Campaign) -> list[dict[str, Any]]:
    """Each rule and its cases: `pass` only where all of them were run, and showed something.

    `in part`: some of its cases passed, others were not run or showed nothing. `not proven`: this receiver, or line
    data of this form, do not show it.
    """
    results: dict[str, list[CaseResult]] = {}
    for result in campaign.results:
        results.setdefault(result.case.name, []).append(result)
    rows = []
    for rule in campaign.rules:
        done = [result for case in rule.cases for result in results.get(case.name, ())]
        names = [case.name for case in rule.cases if case.name in results]
        row = {
            "plane": rule.plane,
            "rule": rule.text,
            "clause": rule.clause,
            "cases": names,
            "result": _word(rule, done, len(names), campaign),
            "cases_planned": len(rule.cases),
            "cases_skipped": sum(r.skipped for r in done),
        }
        rows.append(row | {"failed": [r.case.name for r in done if not r.passed]})
    return rows


def _word(rule: Rule, done: Sequence[CaseResult], run: int, campaign: Campaign) -> str:
    if not all(result.passed for result in done):
        return "fail"
    if not done:
        return "not run"
    served = campaign.served.judged
    if rule.hidden_in(campaign.conditions.form) or (
        rule.plane in set(Plane) and Plane(rule.plane) not in served
    ):
        return "not proven"
    if all(result.skipped for result in done):
        return "skip" if all(result.no_place for result in done) else "not proven"
    whole = run == len(rule.cases) and all(r.no_place or not r.skipped for r in done)
    several = rule.plane not in set(Plane) and served < set(
        Plane
    )  # planes together, of which some are not served
    return "pass" if whole and not several else "in part"


_OTHER_RULES = {"in part": "in part", "not proven": "not proven", "skip": "skipped", "not run": "not run"}


def _scope(campaign: Campaign, rules: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """How far a pass goes: rules by result, and the same in words; `limited` where it is not all of them."""
    count = Counter(row["result"] for row in rules)
    cases = sum(not r.skipped and not r.case.is_baseline for r in campaign.results)
    text = f"pass for the {_number(cases, 'case')} run"
    if rules:
        text = f"pass for the {_number(count['pass'], 'rule')} run"
        others = [
            f"{_number(count[word], 'rule')} {said}" for word, said in _OTHER_RULES.items() if count[word]
        ]
        text = "; ".join(filter(None, (text, ", ".join(others))))
    limited = any(row["result"] not in ("pass", "skip") for row in rules)
    return {"text": text, "rules": dict(count), "limited": limited}


def _number(count: int, what: str) -> str:
    return f"{count} {what}" + "s" * (count != 1)


def outcome(record: dict[str, Any]) -> str:
    """The verdict for people: only a campaign that was done, and put a fault in, is a pass."""
    if record["summary"]["failed"] or record["known_answers"]["failed"]:
        return "fail"
    if not record["complete"]:
        return "incomplete"
    if all(case["left_out"] or case["case"] == BASELINE for case in record["cases"]):
        return "proves nothing"
    return str(record["verdict"])


def stopped(record: dict[str, Any]) -> str:
    """How far a campaign came that was not done; empty for one that was."""
    done, planned = len(record["cases"]), record["summary"]["planned"]
    return "" if record["complete"] else f"stopped after {done} of {planned}"


def unproven_answers(row: dict[str, Any]) -> str:
    """Known answers that were not proven for one reason, in words."""
    return f"{row['plane']}: {_number(row['rows'], 'known answer')}: {row['reason']}"


def run_record(started: str, seconds: float) -> dict[str, Any]:
    """Where and when: `started` as ISO 8601, and the versions of what ran."""
    try:
        numpy = version("numpy")
    except PackageNotFoundError:
        numpy = "unknown"
    return {
        "started": started,
        "seconds": round(seconds, 3),
        "python": platform.python_version(),
        "numpy": numpy,
        "machine": f"{platform.system()} {platform.machine()}",
    }
