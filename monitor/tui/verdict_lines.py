"""What the chosen fault does, and what became of the last ones injected: expected beside observed."""

from __future__ import annotations

from rich.segment import Segment

from ..links.judgement import Judged
from .cells import fit, inert_cells, wrapped
from .fault_list import FaultChoice
from .feed import FaultTimes, Feed
from .line_pane import Line, LinePane
from .palette import Look
from .repeater import Repeater

__all__ = ["VerdictLines", "verdict_lines"]

_NO_FAULTS = (
    "No faults can be injected into this source: it is read as it is. "
    "Open emulated or emulated:pair, or a board on a serial line."
)


class VerdictLines(LinePane):
    """The lower part of the view; newest verdict first."""

    def update(self, feed: Feed, fault: FaultChoice, problem: str, repeater: Repeater) -> None:
        look, width = self.look, self.size.width
        lines: list[Line] = [(Segment("─" * width, look.quiet),)]
        if not feed.link.can_inject:
            lines += [(Segment(" " + part, look.text),) for part in wrapped(_NO_FAULTS, width - 2)]
            self.show(lines)
            return
        lines.append(
            (
                Segment(f" {inert_cells(fault.text)} ", look.strong),
                Segment(fit(fault.does, max(width - len(fault.text) - 3, 0)), look.quiet),
            )
        )
        if problem:
            lines += [(Segment(" ! " + part, look.bad),) for part in wrapped(inert_cells(problem), width - 4)]
        if repeater.told:
            style = look.alarm if repeater.worst else look.bar_chosen if repeater.active else look.good
            lines.append((Segment(fit(f" {repeater.told} ", width), style),))
        for judged in reversed(feed.judged):
            lines += verdict_lines(judged, feed.times.get(judged.fault.number), width, look)
        if not feed.judged and not problem:
            text = " enter injects it; expected and observed changes of the counters then appear here"
            lines += [(Segment(part, look.text),) for part in wrapped(text, width - 1)]
        self.show(lines[: self.size.height])


def verdict_lines(judged: Judged, times: FaultTimes | None, width: int, look: Look) -> list[Line]:
    fault, verdict = judged.fault, judged.verdict
    glyph, style = "!", look.alarm
    if not verdict.final:
        glyph, style = "-", look.text
    elif verdict.passed:
        glyph, style = "+", look.good
    number, word = f" {fault.number + 1} ", f"{glyph} {verdict.value}"
    when = f" after {times.detected} hf" if times and times.detected is not None and verdict.final else ""
    if when and times and times.recovered is not None:
        when += f", recovered after {times.recovered} hf"
    room = width - len(number) - len(word)
    head = f"{when}  {inert_cells(fault.text)} at hf {fault.hyperframe}"
    if len(head) > room:
        head = f"{when}  {inert_cells(fault.text.partition(':')[0])} at hf {fault.hyperframe}"
    head_line = (
        Segment(number, look.text),
        Segment(word, style),
        Segment(fit(head, room), look.text),
    )
    told = "; ".join(_observed(judged))
    return [head_line, *((Segment("   " + part, look.quiet),) for part in wrapped(told, width - 3) if told)]


def _observed(judged: Judged) -> list[str]:
    """Each expected counter with what was observed, then what is wrong beside them."""
    expected = judged.expected or {}
    told = []
    for names, bounds in expected.items():
        by = sum(judged.moved.get(name, 0) for name in names.split(" + "))
        told.append(f"{names} expected {bounds}, observed {by:+d}")
    return told + [f.text for f in judged.findings if f.counter not in expected]
