"""Lines of text about an acceptance run: its plan beforehand, its stages on the way, its verdict."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

__all__ = ["duration_text", "plan_lines", "result_lines", "stage_line"]


def duration_text(seconds: float) -> str:
    """`40 s`, `3 min`, `2 h 5 min`."""
    if seconds < 90:
        return f"{max(1, round(seconds))} s"
    minutes = round(seconds / 60)
    if minutes < 90:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60} min"


def plan_lines(record: Mapping[str, Any]) -> list[str]:
    """What a run will do: the record of a dry run."""
    lines = [f"{record['name']}: {record['link']}"]
    for stage in record["stages"]:
        needed = f", {stage['extent']}" if stage["extent"] else ""
        optional = "" if stage["required"] else " (not required)"
        lines.append(f"  {stage['title']}{optional}: about {duration_text(stage['seconds'])}{needed}")
        settings = "; ".join(f"{name} = {value}" for name, value in stage["settings"].items())
        lines.append(f"      {settings}")
        if stage["touches"]:
            lines.append(f"      makes the board transmit or reset: {stage['touches']}")
    lines += [f"  left out: {', '.join(record['left_out'])}"] if record["left_out"] else []
    lines.append(
        f"about {duration_text(record['seconds'])} in all, at {record['rate']:.0f} hyperframes per second"
    )
    return lines


def stage_line(stage: Mapping[str, Any]) -> str:
    """A stage that is done, in a line: its verdict and why."""
    line = f"{stage['title']}: {stage['outcome']}"
    if stage["outcome"] == "not tested":
        return f"{line}: {stage['reason']}"
    failed = [check for check in stage["checks"] if check["outcome"] == "fail"]
    return line + "".join(f"; {check['name']}: {check['text']}" for check in failed)


def result_lines(record: Mapping[str, Any], folder: str) -> list[str]:
    """Every stage, what was not tested, and the verdict in a sentence."""
    lines = [stage_line(stage) for stage in record["stages"]]
    lines += [f"{title}: not done" for title in record["not_done"]]
    lines += [f"{kind}: left out by the plan" for kind in record["left_out"]]
    lines.append("")
    lines.append(f"The verdict is {record['verdict']}: {record['reason']}. The evidence is in {folder}.")
    return lines
