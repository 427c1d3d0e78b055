"""How a receiver holds HFN and BFN against a count that follows them (CPRI V7.0 clause 4.2.7.3).

HFN counts 0 to 149, BFN steps with HFN 0. Used to declare what a fault must move and to write the truth.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from .standard import BFN_COUNT, HFN_COUNT

__all__ = ["ContinuityCount", "position_of", "timing_at"]

_POSITIONS = BFN_COUNT * HFN_COUNT


def position_of(bfn: int, hfn: int) -> int:
    """Hyperframes since BFN 0, HFN 0."""
    return bfn * HFN_COUNT + hfn


def timing_at(position: int) -> tuple[int, int]:
    """(BFN, HFN) so many hyperframes after BFN 0, HFN 0."""
    return divmod(position % _POSITIONS, HFN_COUNT)


class ContinuityCount:
    """Counts what does not follow in a series of (BFN, HFN); a gap is found once, then followed."""

    def __init__(self, series: Iterable[tuple[int, int]] = ()) -> None:
        self.counters = {"hfn_invalid": 0, "hfn_discontinuities": 0, "bfn_discontinuities": 0}
        self._due: tuple[int, int] | None = None
        for bfn, hfn in series:
            self.take(bfn, hfn)

    def take(self, bfn: int, hfn: int) -> None:
        """The next hyperframe's numbers as sent."""
        counters, due = self.counters, self._due
        valid = hfn < HFN_COUNT
        counters["hfn_invalid"] += not valid
        here = hfn
        if due is not None:
            counters["hfn_discontinuities"] += valid and hfn != due[1]
            counters["bfn_discontinuities"] += bfn != due[0]
            here = hfn if valid else due[1]
        following = (here + 1) % HFN_COUNT
        self._due = ((bfn + (following == 0)) % BFN_COUNT, following)


def numbers_around(hfn: int, preceding: int, read: int) -> Iterator[tuple[int, int, int]]:
    """(offset, BFN, HFN) as due from just before a fault's hyperframe to its end and just after."""
    start = position_of(1, hfn)
    for offset in range(-preceding, read):
        yield offset, *timing_at(start + offset)
