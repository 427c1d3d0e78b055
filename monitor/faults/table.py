"""The catalogue as a page: `python -m monitor.faults.table > monitor/faults/FAULTS.md`; a test holds it to that."""

from __future__ import annotations

import sys
from collections.abc import Mapping

from decoders.counters import COUNTERS
from decoders.linerates import HYPERFRAMES_PER_FRAME, option_named

from .catalogue import CATALOGUE
from .kinds import Context, FaultKind
from .matrix import Mark, cross_talk_matrix

__all__ = ["page"]

MID_FRAME = HYPERFRAMES_PER_FRAME // 2


def page() -> str:
    """FAULTS.md: each fault with its layer, parameters, consequences and source, and the cross-talk matrix."""
    lines = [
        "# Faults",
        "",
        "Made by `python -m monitor.faults.table` from the declarations in this folder; do not edit. A fault is",
        "written `plane.what@hyperframe:key=value,key=value`. The expected counters are those of the defaults, in",
        "mid-stream, at option 2; of faults that are not valid there at option 8 with RS-FEC, or at option 5 with",
        "protocol version 2.",
        "",
        "| fault | does | layer | parameters (default; range) | expected | source |",
        "|---|---|---|---|---|---|",
    ]
    for name, kind in CATALOGUE.items():
        parameters = "<br>".join(
            f"`{p.name}={p.default}` {p.low} to {p.high}{' ' + p.unit if p.unit else ''}: {p.meaning}"
            for p in kind.parameters
        )
        expectation = kind.fault().expectation(_context(kind))
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
    lines += [
        "",
        "## Cross-talk",
        "",
        "X is expected to change, o may change (an allowed side effect), blank must not change. Counters that no",
        "fault changes are left out.",
        "",
        *_matrix(cross_talk_matrix("2")),
        "",
        "## Cross-talk at option 8 with RS-FEC",
        "",
        *_matrix(cross_talk_matrix("8", hdlc_rate_code=6, fec=True)),
    ]
    return "\n".join(lines) + "\n"


def _context(kind: FaultKind) -> Context:
    """A link that a kind is valid for."""
    place = (10_000, MID_FRAME, MID_FRAME, True, 40)
    if kind.refused(option_named("2")) is None:
        return Context(option_named("2"), *place, 3)
    if kind.refused(option_named("8")) is None:
        return Context(option_named("8"), *place, 6, fec=kind.plane == "fec")
    return Context(option_named("5"), *place, 6, version=2, scrambling=1)


def _matrix(matrix: Mapping[str, Mapping[str, Mark]]) -> list[str]:
    used = [c for c in COUNTERS if any(row[c] is not Mark.STILL for row in matrix.values())]
    lines = [
        "| fault | " + " | ".join(c.replace("_", " ") for c in used) + " |",
        "|---|" + "---|" * len(used),
    ]
    letters = {Mark.MUST: "X", Mark.MAY: "o", Mark.STILL: " "}
    for name, row in matrix.items():
        lines.append(f"| `{name}` | " + " | ".join(letters[row[c]] for c in used) + " |")
    return lines


if __name__ == "__main__":
    sys.stdout.write(page())
