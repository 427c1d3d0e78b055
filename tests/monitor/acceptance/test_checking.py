"""Checking evidence: one changed octet is named, and a changed verdict does not follow from what is there."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from monitor.acceptance.checking import check_evidence
from monitor.acceptance.evidence import Evidence
from monitor.acceptance.folder import EvidenceFolder, manifest_problems
from monitor.acceptance.opening_rigs import open_rig
from monitor.acceptance.results import AcceptanceOutcome
from monitor.acceptance.run import AcceptanceRun, begin_evidence
from monitor.errors import InputError
from tests.support.acceptance import short_plan


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run with a failed quiet run, a failed C&M stage, and good ones."""
    path = tmp_path_factory.mktemp("evidence") / "run"
    plan = short_plan(
        "vendor",
        "quiet",
        "cm_integrity",
        "iq_integrity",
        emulated='faults = ["line.flip@150"]\ndrop_frame_every = 50',
    )
    AcceptanceRun(plan, open_rig(plan), begin_evidence(path, plan)).run()
    return path


@pytest.fixture
def copy(made: Path, tmp_path: Path) -> Path:
    shutil.copytree(made, tmp_path / "copy")
    return tmp_path / "copy"


def change(path: Path, name: str, edit: Any, *, seal: bool = True) -> None:
    """Edit a JSON file of a folder and give everything a new manifest, as somebody who wants a pass would."""
    record = json.loads((path / name).read_text())
    edit(record)
    (path / name).write_text(json.dumps(record))
    if seal:
        EvidenceFolder(path).seal()


def test_a_folder_as_it_was_written_is_whole(made: Path) -> None:
    checked = check_evidence(made)
    assert checked.passed, checked.problems
    assert checked.verdict is AcceptanceOutcome.FAIL and checked.captures >= 3
    assert [stage.outcome.value for stage in checked.stages] == ["pass", "fail", "fail", "pass"]


def test_any_changed_octet_is_named(copy: Path) -> None:
    for path in sorted(p for p in copy.rglob("*") if p.is_file()):
        if path.parent.name == "captures" and not path.name.startswith("02-quiet-1"):
            continue
        octets = path.read_bytes()
        at = len(octets) // 2
        path.write_bytes(octets[:at] + bytes([octets[at] ^ 4]) + octets[at + 1 :])
        name = path.relative_to(copy).as_posix()
        assert any(line.startswith(f"{name}: ") for line in manifest_problems(EvidenceFolder(copy))), name
        path.write_bytes(octets)


def as_passed(record: dict[str, Any]) -> None:
    record["verdict"] = "pass"
    for stage in record["stages"]:
        stage["outcome"] = "pass"


def test_a_changed_verdict_with_its_hash_does_not_follow(copy: Path) -> None:
    change(copy, "report.json", as_passed)
    checked = check_evidence(copy)
    assert not checked.passed and checked.verdict is AcceptanceOutcome.FAIL
    said = "\n".join(checked.problems)
    assert "2 quiet is 'pass'; the results and captures (captures/02-quiet-1.ffcap) say 'fail'" in said
    assert "the verdict is 'pass'; the results say 'fail'" in said


def test_changed_results_do_not_fit_the_captures(copy: Path) -> None:
    def clean(record: dict[str, Any]) -> None:
        for interval in record["raw"]["intervals"]:
            interval["moved"] = {}

    change(copy, "stages/02-quiet.json", clean)
    said = "\n".join(check_evidence(copy).problems)
    assert "report.json: is not what follows from the results" in said
    result = {stage.title: stage for stage in Evidence.read(EvidenceFolder(copy)).result().stages}
    assert result["2 quiet"].outcome is AcceptanceOutcome.FAIL  # its captures show the errors


def test_results_and_what_they_say_of_captures_changed_do_not_fit_the_captures(copy: Path) -> None:
    def clean(record: dict[str, Any]) -> None:
        for interval in record["raw"]["intervals"]:
            interval["moved"] = {}
        for capture in record["captures"]:
            capture |= {"failure": False, "clean": True, "counters": {}}

    change(copy, "stages/02-quiet.json", clean)
    Evidence.read(EvidenceFolder(copy)).write_reports()
    EvidenceFolder(copy).seal()
    said = "\n".join(check_evidence(copy).problems)
    assert "2 quiet: the results say pass, captures/02-quiet-1.ffcap shows errors" in said


def test_a_lost_frame_shows_in_the_capture(copy: Path) -> None:
    def clean(record: dict[str, Any]) -> None:
        for row in record["raw"]["planes"].values():
            row |= {"lost": 0, "first_lost": [], "received": 60, "sent": 60}

    change(copy, "stages/03-cm_integrity.json", clean)
    Evidence.read(EvidenceFolder(copy)).write_reports()
    EvidenceFolder(copy).seal()
    said = "\n".join(check_evidence(copy).problems)
    assert "3 cm_integrity: the results say pass" in said and "frames lost" in said


def test_a_tone_is_measured_anew_in_its_capture(copy: Path) -> None:
    def louder(record: dict[str, Any]) -> None:
        record["raw"]["nominal_dbfs"] = -6.0
        for row in record["raw"]["tones"]:
            row["level_dbfs"] = -6.0

    change(copy, "stages/04-iq_integrity.json", louder)
    Evidence.read(EvidenceFolder(copy)).write_reports()
    EvidenceFolder(copy).seal()
    said = "\n".join(check_evidence(copy).problems)
    assert "4 iq_integrity: level of A0 is pass in the results" in said


def test_captures_out_of_the_folder_are_not_opened(copy: Path) -> None:
    def outside(record: dict[str, Any]) -> None:
        record["captures"][0]["file"] = "../../../etc/passwd"

    change(copy, "stages/02-quiet.json", outside)
    assert any("is no capture of the folder" in line for line in check_evidence(copy).problems)


@pytest.mark.parametrize("name", ["report.json", "stages/01-vendor.json", "versions.json", "manifest.json"])
def test_damaged_files_are_problems_and_no_tracebacks(tmp_path: Path, name: str) -> None:
    plan = short_plan("vendor", settings={"vendor": "places = 1"})
    AcceptanceRun(plan, open_rig(plan), begin_evidence(tmp_path / "e", plan)).run()
    for content in ("", "[]", "null", '"x"', '{"schema": 5}', '{"stages": [5]}', "\x00", "[" * 5000):
        (tmp_path / "e" / name).write_text(content)
        assert not check_evidence(tmp_path / "e").passed, content


def test_an_empty_folder_is_incomplete(tmp_path: Path) -> None:
    checked = check_evidence(tmp_path)
    assert not checked.complete and "INCOMPLETE" in checked.problems[0]
    with pytest.raises(InputError, match="no such folder"):
        check_evidence(tmp_path / "nothing")


def test_files_that_no_run_leaves_are_named(copy: Path) -> None:
    strange = [".framefray-report.html", "captures/manifest.json", "stages/INCOMPLETE"]
    for name in strange:
        (copy / name).write_text("pass")
    assert manifest_problems(EvidenceFolder(copy)) == [f"{name}: is not in the manifest" for name in strange]
    (copy / "report-final.html").write_text("pass")
    EvidenceFolder(copy).seal()
    assert "report-final.html: belongs to no stage" in check_evidence(copy).problems


def test_a_link_is_no_file_of_the_folder(copy: Path, tmp_path: Path) -> None:
    (copy / "report.html").rename(tmp_path / "report.html")
    (copy / "report.html").symlink_to(tmp_path / "report.html")
    assert any("but a link" in line for line in manifest_problems(EvidenceFolder(copy)))
    (copy / "report.html").unlink()
    (copy / "report.html").symlink_to(tmp_path)
    assert not check_evidence(copy).passed


def test_a_failed_stage_without_its_captures_does_not_pass(copy: Path) -> None:
    def clean(record: dict[str, Any]) -> None:
        for interval in record["raw"]["intervals"]:
            interval["moved"] = {}
        for capture in record["captures"]:
            (copy / capture["file"]).unlink()
        record["captures"] = []

    change(copy, "stages/02-quiet.json", clean)
    Evidence.read(EvidenceFolder(copy)).write_reports()
    EvidenceFolder(copy).seal()
    assert check_evidence(copy).problems == (
        "2 quiet: its capture is missing; such a stage always keeps one",
        "journal.jsonl: 2 quiet was 'fail' when it was done; the results say 'pass'",
    )
    (copy / "stages/02-quiet.json").unlink()
    Evidence.read(EvidenceFolder(copy)).write_reports()
    EvidenceFolder(copy).seal()
    assert check_evidence(copy).problems == (
        "journal.jsonl: stage 2 was done (fail); there are no results of it",
    )


def test_another_version_and_another_plan_excuse_no_changed_report(copy: Path) -> None:
    change(copy, "versions.json", lambda record: record.update(framefray="0.0.1"))
    Evidence.read(EvidenceFolder(copy)).write_reports()
    page = (copy / "report.html").read_text()
    (copy / "report.html").write_text(page.replace("fail", "pass"))
    (copy / "plan.toml").write_text((copy / "plan.toml").read_text() + "# more\n")
    EvidenceFolder(copy).seal()
    problems = check_evidence(copy).problems
    assert problems[0] == "plan.toml: is not the plan that the run was begun with, says journal.jsonl"
    assert len(problems) == 2 and problems[1].startswith("report.html: is not what follows from the results")
    assert "written by framefray 0.0.1" in problems[1]


@pytest.mark.parametrize(
    ("name", "edit"),
    [
        ("stages/02-quiet.json", lambda record: record["captures"][0].update(file=5)),
        ("stages/02-quiet.json", lambda record: record["captures"][0].pop("why")),
        ("stages/02-quiet.json", lambda record: record.update(seconds=10**400)),
        ("stages/04-iq_integrity.json", lambda record: record["raw"].pop("iq_map")),
    ],
)
def test_odd_values_are_problems_and_no_tracebacks(copy: Path, name: str, edit: Any) -> None:
    change(copy, name, edit)
    assert not check_evidence(copy).passed


def test_a_journal_with_odd_values_is_a_problem_and_no_traceback(copy: Path) -> None:
    (copy / "journal.jsonl").write_text('{"event": "begin", "stages": 5, "plan": 7}\n')
    EvidenceFolder(copy).seal()
    assert not check_evidence(copy).passed
