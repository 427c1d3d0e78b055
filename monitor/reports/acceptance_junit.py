"""An acceptance run as JUnit XML: one test case a stage; a run that is not complete has an error more."""

from __future__ import annotations

from typing import Any

from junitparser import Error, Failure, JUnitXml, Skipped, TestCase, TestSuite

from ..text import inert_values

__all__ = ["acceptance_junit"]


def acceptance_junit(record: dict[str, Any]) -> bytes:
    """The XML document of a run's JSON object; every text inert, as XML 1.0 clause 2.2 asks."""
    record = inert_values(record)
    suite = TestSuite(f"framefray accept {record['name']}")
    for name, value in {**record["link"], **record["versions"]}.items():
        suite.add_property(name, str(value))
    suite.add_property("verdict", record["verdict"])
    for stage in record["stages"]:
        suite.add_testcase(_case(stage))
    if record["verdict"] == "incomplete":
        row: Any = TestCase("run", classname="framefray.accept", time=0.0)
        error: Any = Error(record["reason"], "incomplete")
        row.result = [error]
        suite.add_testcase(row)
    document: Any = JUnitXml("framefray accept")
    document.add_testsuite(suite)
    document.update_statistics()
    octets: bytes = document.tostring()
    return octets


def _case(stage: dict[str, Any]) -> Any:
    row: Any = TestCase(stage["title"], classname=f"framefray.accept.{stage['kind']}", time=stage["seconds"])
    wrong = [check for check in stage["checks"] if check["outcome"] == "fail"]
    if stage["outcome"] == "not tested":
        kind: Any = Error(stage["reason"], "not tested") if stage["required"] else Skipped(stage["reason"])
        row.result = [kind]
    elif wrong:
        failure: Any = Failure(f"{wrong[0]['name']}: {wrong[0]['text']}", "fail")
        lines = [f"{check['name']}: {check['text']}" for check in wrong]
        failure.text = "\n".join([*lines, f"repeat: {stage['repeat_with']}"])
        row.result = [failure]
    return row
