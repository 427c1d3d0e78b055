"""One fault again and again: every so many hyperframes, each time judged by itself, and a sum of the verdicts.

The next one is injected only when the last one has its verdict, since counters are compared with those before it:
a fault that is not detected has its time first. It has no thread and no clock; `tick` is called once a refresh.
"""

from __future__ import annotations

from collections.abc import Callable

from ..faults.verdict import Verdict
from ..links.judgement import Judged
from ..links.snapshot import InjectedFault
from .feed import Feed

__all__ = ["INTERVALS", "Repeater"]

INTERVALS = (100, 200, 500, 1000, 2000, 5000, 10_000, 20_000, 50_000)
_DEFAULT = 2


class Repeater:
    """Injects one fault every `every` hyperframes of line time while `active`; counts verdicts.

    `inject` asks the source for a fault, and raises where that is refused.
    """

    def __init__(self, inject: Callable[[str], InjectedFault]) -> None:
        self._inject = inject
        self._interval = _DEFAULT
        self._due = 0
        self._out: int | None = None
        self.active = False
        self.text = ""
        self.judged = 0
        self.passed = 0
        self.elsewhere = 0
        self.worst: Judged | None = None

    @property
    def every(self) -> int:
        return INTERVALS[self._interval]

    def change(self, by: int) -> None:
        """A longer or a shorter interval, from the next one on."""
        before = self.every
        self._interval = min(max(self._interval + by, 0), len(INTERVALS) - 1)
        self._due += self.every - before

    def start(self, text: str, feed: Feed) -> None:
        """Begin anew with a fault; the first one is injected at the next tick."""
        self.active, self.text = True, text
        self.judged = self.passed = self.elsewhere = 0
        self.worst, self._out = None, None
        self._due = feed.elapsed

    def stop(self) -> None:
        """Inject no more; one that is out already is still counted."""
        self.active = False

    def tick(self, feed: Feed) -> None:
        """Count the verdict of the one that is out, and inject the next one when it is due."""
        if self._out is not None:
            judged = next((j for j in feed.judged if j.fault.number == self._out), None)
            if judged is not None and judged.verdict is Verdict.WAITING:
                return
            self._out = None
            if judged is not None:
                self._count(judged)
        if feed.snapshot.ended:
            self.active = False
        if self.active and not feed.waiting and feed.elapsed >= self._due:
            self._due = feed.elapsed + self.every
            self._out = self._inject(self.text).number

    def _count(self, judged: Judged) -> None:
        if judged.verdict is Verdict.CUT_SHORT:
            return
        if judged.verdict is Verdict.ELSEWHERE:
            self.elsewhere += 1
            return
        self.judged += 1
        if judged.verdict.passed:
            self.passed += 1
        else:
            self.worst = judged

    @property
    def told(self) -> str:
        """What goes on, or came of it; empty where nothing was repeated."""
        if not self.text:
            return ""
        how = f"every {self.every} hf" if self.active else "stopped"
        parts = [f"{self.elsewhere} injected, observed at the other board"] if self.elsewhere else []
        if self.judged or not self.elsewhere:
            parts.append(f"{self.passed} of {self.judged} as expected")
        told = f"repeat {self.text.split(':')[0]} {how}: {', '.join(parts)}"
        if self.worst is not None:
            told += f"; last failure at hf {self.worst.fault.hyperframe}: {self.worst.verdict.value}"
        return told
