"""The catalogue as a page: `python -m monitor.faults.table > monitor/faults/FAULTS.md`; a test holds it to that."""

from __future__ import annotations

import sys

from decoders.counters import COUNTERS
from decoders.linerates import HYPERFRAMES_PER_FRAME, option_named

from .catalogue import CATALOGUE
from .kinds import Context
from .matrix import Mark, cross_talk_matrix

__all__ = ["page"]

MID_FRAME = HYPERFRAMES_PER_FRAME // 2


def page() -> str:
    """FAULTS.md: each fault with its layer, parameters, consequences and source, and the cross-talk matrix."""
    context = Context(option_named("2"), 10_000, MID_FRAME, MID_FRAME, True, 40, 3)
    lines = [
        "# Faults",
        "",
        "Made by `python -m monitor.faults.table` from the declarations in this folder; do not edit. A fault is",
        "written `plane.what@hyperframe:key=value,key=value`. The expected counters are those of the defaults, at",
        "option 2, in mid-stream.",
        "",
        "| fault | does | layer | parameters (default; range) | expected | source |",
        "|---|---|---|---|---|---|",
    ]
    for name, kind in CATALOGUE.items():
        parameters = "<br>".join(
            f"`{p.name}={p.default}` {p.low} to {p.high}{' ' + p.unit if p.unit else ''}: {p.meaning}"
            for p in kind.parameters
        )
        expectation = kind.fault().expectation(context)
        must = [f"`{counter}` +{count}" for counter, count in expectation.exact.items() if count]
        must += [
            f"{' and '.join(f'`{c}`' for c in r.counters)} +{r.low} to +{r.high}"
            for r in expectation.ranges
            if r.high
        ]
        lines.append(
            f"| `{name}` | {kind.meaning} | {kind.layer.value} | {parameters} |"
            f" {'<br>'.join(must) or 'no change'} | {kind.source} |"
        )
    matrix = cross_talk_matrix("2")
    used = [c for c in COUNTERS if any(row[c] is not Mark.STILL for row in matrix.values())]
    lines += [
        "",
        "## Cross-talk",
        "",
        "X is expected to change, o may change (an allowed side effect), blank must not change. Counters that no",
        "fault changes are left out.",
        "",
        "| fault | " + " | ".join(c.replace("_", " ") for c in used) + " |",
        "|---|" + "---|" * len(used),
    ]
    letters = {Mark.MUST: "X", Mark.MAY: "o", Mark.STILL: " "}
    for name, row in matrix.items():
        lines.append(f"| `{name}` | " + " | ".join(letters[row[c]] for c in used) + " |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    sys.stdout.write(page())
