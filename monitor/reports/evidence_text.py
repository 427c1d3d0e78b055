"""Lines of text about an evidence folder that was checked, and about two that were compared."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ..text import counted

__all__ = ["check_lines", "difference_lines"]


def check_lines(record: Mapping[str, Any]) -> list[str]:
    """What a check came to."""
    lines = list(record["problems"]) + list(record["notes"])
    if record["passed"]:
        files, captures = counted(record["files"], "file"), counted(record["captures"], "capture")
        whole = f"{files} as in the manifest, {captures} decoded anew"
        lines.append(f"{record['folder']}: whole: {whole}; its verdict follows: {record['verdict']}.")
        lines.append(f"SHA-256 of its manifest.json: {record['manifest_sha256']}")
    elif not record["complete"]:
        lines.append(f"{record['folder']}: INCOMPLETE: {record['reason']}.")
    else:
        lines.append(
            f"{record['folder']}: {counted(len(record['problems']), 'problem')};"
            f" the verdict that follows from the results is {record['verdict']}."
        )
    return lines


def difference_lines(record: Mapping[str, Any]) -> list[str]:
    """What changed, and what did not."""
    lines = [f"changed: {row['text']}" for row in record["quantities"] if row["beyond_uncertainty"]]
    lines += [
        f"within uncertainty: {row['text']}" for row in record["quantities"] if not row["beyond_uncertainty"]
    ]
    lines += record["only"]
    count = sum(row["beyond_uncertainty"] for row in record["quantities"])
    lines.append(
        f"{counted(count, 'change')} beyond uncertainty." if count else "No change beyond uncertainty."
    )
    return lines
