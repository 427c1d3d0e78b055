"""What a test expects of counters."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from ..errors import InputError

if TYPE_CHECKING:
    from ..faults.kinds import Expectation
    from ..faults.verdict import Observation, Verdict

__all__ = ["Change", "Expected", "LinkExpectationError"]

Expected = int | tuple[int, int]
"""By how much a counter must move: exactly so, or (least, most)."""
Change = Mapping[str, int]
UNBOUNDED = 10**12


class LinkExpectationError(AssertionError):
    """Counters did not move as expected; the message has a line for each finding. `verdict` is the gravest one's."""

    def __init__(self, text: str, verdict: Verdict) -> None:
        super().__init__(text)
        self.verdict = verdict


def check_names(counters: Mapping[str, Expected]) -> None:
    from decoders.counters import COUNTERS

    for name in counters:
        if name not in COUNTERS:
            import difflib

            near = difflib.get_close_matches(name, COUNTERS, 1)
            raise InputError(
                f"counter {name!r} does not exist", hint=f"did you mean {near[0]}?" if near else None
            )


def expectation_of(
    counters: Mapping[str, Expected], moved: Change, others: int | None, within: int | None
) -> Expectation:
    """What a test said, as a declaration for the judge: `others` None lets every other counter move."""
    from decoders.counters import COUNTERS

    from ..faults.kinds import Expectation, Range
    from ..faults.verdict import GOOD_FRAMES

    exact = {name: by for name, by in counters.items() if isinstance(by, int)}
    ranges = tuple(Range((name,), *by) for name, by in counters.items() if not isinstance(by, int))
    free = dict.fromkeys(GOOD_FRAMES.values(), "traffic")
    if others is None:
        free |= dict.fromkeys(COUNTERS, "the test lets it")
    else:
        free |= {name: "as the test says" for name, by in moved.items() if others and by == others}
    tolerated = {name: why for name, why in free.items() if name not in counters}
    return Expectation(exact, ranges, tolerated, within_hyperframes=UNBOUNDED if within is None else within)


def check_expectation(head: str, expectation: Expectation, seen: Observation, hyperframe: int = 0) -> Verdict:
    """The verdict on what moved and was said since a moment at which all counters are taken as 0.

    LinkExpectationError with a line for each finding, unless it is a pass.
    """
    __tracebackhide__ = True
    from ..faults.verdict import Declared, Observation, difference, judge, verdict_of

    still = Observation(dict.fromkeys(seen.counters, 0))
    declared = Declared(expectation)
    findings = judge(declared, still, seen, hyperframe)
    verdict = verdict_of(findings, declared, difference(still, seen))
    if findings:
        lines = [f"  {finding.verdict.value}: {finding.text}" for finding in findings]
        raise LinkExpectationError("\n".join((f"{head}:", *lines)), verdict)
    return verdict
