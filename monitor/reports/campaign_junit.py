"""A campaign as JUnit XML: one test suite, one test case a row, its plane as the class name.

A campaign that was stopped, or injected no fault, has one more test case, an error: nothing else in it would be red.
"""

from __future__ import annotations

from typing import Any

from junitparser import Error, Failure, JUnitXml, Properties, Property, Skipped, TestCase, TestSuite

from ..faults.verdict import Verdict
from ..text import inert_values
from .campaign_records import outcome, stopped, unproven_answers

__all__ = ["junit_document"]

_ERRORS = frozenset((Verdict.CRASHED, Verdict.NOT_SENT, Verdict.UNSEEN))
"""Nothing was seen of what the receiver makes of the fault."""


def junit_document(record: dict[str, Any]) -> bytes:
    """The XML document of a campaign's JSON object; every text inert, as XML 1.0 clause 2.2 asks."""
    record = inert_values(record)
    link = record["link"]
    suite = TestSuite(f"framefray campaign {link['source']}")
    for name, value in link.items():
        if value is not None:
            suite.add_property(name, str(value))
    for name, value in record.get("run", {}).items():
        suite.add_property(f"run.{name}", str(value))
    suite.add_property("framefray", record["framefray"])
    suite.add_property("complete", str(record["complete"]).lower())
    several = len({case["seed"] for case in record["cases"]}) > 1
    for name in ("size", "means"):
        suite.add_property(name, record[name])
    suite.add_property("scope", record["scope"]["text"])
    suite.add_property("receiver", record["receiver"]["name"])
    for row in record["known_answers"]["failures"]:
        suite.add_testcase(_answer(row))
    for row in record["known_answers"]["unproven"]:
        suite.add_testcase(_skipped(f"known answers of {row['plane']}", unproven_answers(row)))
    for case in record["cases"]:
        suite.add_testcase(_case(case, several))
    if record["scope"]["limited"]:
        suite.add_testcase(_skipped("rules that are not proven whole", record["scope"]["text"]))
    if not record["complete"]:
        suite.add_testcase(_error(record, f"campaign {stopped(record)} cases", "incomplete"))
    elif outcome(record) == "proves nothing":
        suite.add_testcase(_error(record, "no fault could be injected", "proves nothing"))
    if "run" in record:
        suite.timestamp = record["run"]["started"]
    document: Any = JUnitXml("framefray campaign")
    document.add_testsuite(suite)
    document.update_statistics()
    text: bytes = document.tostring()
    return text


def _case(case: dict[str, Any], several_seeds: bool) -> Any:
    name = f"{case['case']} (seed {case['seed']})" if several_seeds else case["case"]
    row: Any = TestCase(name, classname=f"framefray.{case['plane']}", time=case.get("seconds", 0.0))
    text = "\n".join(finding["text"] for finding in case["findings"])
    if case["left_out"]:
        row.result = [Skipped(text)]
    elif not case["passed"]:
        kind = Error if case["verdict"] in _ERRORS else Failure
        outcome = kind(case["findings"][0]["text"], case["verdict"])
        moved = ", ".join(f"{counter} {change:+d}" for counter, change in case["moved"].items()) or "nothing"
        outcome.text = f"{text}\nmoved: {moved}\nrepeat: {case['repeat_with']}"
        row.result = [outcome]
    times = ("detected_after_hyperframes", "recovered_after_hyperframes")
    told = [Property(key, str(case[key])) for key in times if case[key] is not None]
    told += [Property("tries", str(case["tries"]))] * (case["tries"] > 1)
    told += [Property(f"observed.{counter}", f"{change:+d}") for counter, change in case["moved"].items()]
    told += [Property(f"expected.{counter}", wish) for counter, wish in case["expected"].items()]
    back = case.get("returned", {"at": "", "moved": {}})
    told += [Property(f"returned.{back['at']}.{c}", f"{change:+d}") for c, change in back["moved"].items()]
    if told:
        make: Any = Properties
        properties = make()
        for each in told:
            properties.add_property(each)
        row._elem.insert(0, properties._elem)
    return row


def _answer(row: dict[str, Any]) -> Any:
    """A known answer that was wrong."""
    name = f"{row['stream']}: {row['rule']}"
    case: Any = TestCase(name, classname=f"framefray.known_answers.{row['plane']}", time=0.0)
    failure: Any = Failure(f"expected {row['expected']}, observed {row['observed']}", "known answer")
    failure.text = f"{row['clause']}\nexpected {row['expected']}\nobserved {row['observed']}"
    case.result = [failure]
    return case


def _skipped(name: str, text: str) -> Any:
    """What was not shown: a row that is not green."""
    row: Any = TestCase(name, classname="framefray.not_proven", time=0.0)
    row.result = [Skipped(text)]
    return row


def _error(record: dict[str, Any], text: str, kind: str) -> Any:
    row: Any = TestCase("campaign", classname="framefray.campaign", time=0.0)
    error: Any = Error(text, kind)
    error.text = f"{text}\nrepeat: {record['repeat_with']}"
    row.result = [error]
    return row
