"""`framefray evidence`: check a folder of evidence, or compare two."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from ..acceptance.api import EvidenceCheck, EvidenceDifference, check, diff
from ..acceptance.folder import manifest_digest
from ..errors import InputError
from ..process.streams import print_json, print_lines
from ..reports.evidence_text import check_lines, difference_lines

__all__ = ["run"]


def run(arguments: argparse.Namespace) -> int:
    wanted = 1 if arguments.action == "check" else 2
    if len(arguments.folders) != wanted:
        raise InputError(f"evidence {arguments.action} takes {wanted} folder{'s' if wanted > 1 else ''}")
    if arguments.action == "check":
        checked = check(arguments.folders[0])
        _show(_check_record(checked), arguments.json)
        return 0 if checked.passed else 1
    compared = diff(*arguments.folders)
    _show(_difference_record(compared), arguments.json)
    return 1 if compared.changes else 0


def _show(record: dict[str, Any], json: bool) -> None:
    if json:
        print_json(record)
    else:
        print_lines(check_lines(record) if "problems" in record else difference_lines(record))


def _check_record(checked: EvidenceCheck) -> dict[str, Any]:
    return {
        "schema": "framefray.evidence-check/1",
        "folder": checked.folder,
        "passed": checked.passed,
        "complete": checked.complete,
        "verdict": checked.verdict.value,
        "reason": checked.reason,
        "problems": list(checked.problems),
        "notes": list(checked.notes),
        "manifest_sha256": manifest_digest(Path(checked.folder)),
        "files": checked.files,
        "captures": checked.captures,
        "stages": [{"title": stage.title, "outcome": stage.outcome.value} for stage in checked.stages],
    }


def _difference_record(compared: EvidenceDifference) -> dict[str, Any]:
    return {
        "schema": "framefray.evidence-diff/1",
        "before": compared.before,
        "after": compared.after,
        "changes": len(compared.changes),
        "quantities": [
            {
                "stage": moved.stage,
                "what": moved.what,
                "before": moved.before,
                "after": moved.after,
                "difference": moved.difference,
                "uncertainty": moved.uncertainty,
                "unit": moved.unit,
                "beyond_uncertainty": moved.beyond,
                "text": moved.text,
            }
            for moved in compared.moved
        ],
        "only": list(compared.only),
    }
