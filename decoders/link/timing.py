"""HFN and BFN as received: whether they count on from hyperframe to hyperframe (CPRI clause 4.2.7.3)."""

from __future__ import annotations

from collections.abc import Iterator

from ..arrays import I64
from ..events import BfnDiscontinuity, Event, HfnDiscontinuity, HfnInvalid
from ..linerates import BFN_MODULUS, HYPERFRAMES_PER_FRAME

__all__ = ["TimingCheck"]


class TimingCheck:
    """HFN counts 0 to 149 and BFN steps with HFN 0; a discontinuity is counted once, then followed."""

    def __init__(self, counters: dict[str, int]) -> None:
        self._counters = counters
        self._hfn: int | None = None  # expected next; None where any will do
        self._bfn: int | None = None

    def restart(self) -> None:
        """Sync is lost: the numbers to come may be any."""
        self._hfn = self._bfn = None

    def skip(self, hyperframes: int | None) -> None:
        """So many hyperframes were not received: the numbers have gone on. With None they may be any."""
        if hyperframes is None:
            self.restart()
        elif self._hfn is not None:
            frames, self._hfn = divmod(self._hfn + hyperframes, HYPERFRAMES_PER_FRAME)
            if self._bfn is not None:
                self._bfn = (self._bfn + frames) % BFN_MODULUS

    def receive(self, hfn: I64, bfn: I64, first: int) -> Iterator[Event]:
        """Events of the next hyperframes, int64 (n,) each, numbered from `first`."""
        if self._counts_on(hfn, bfn):
            self._hfn = (int(hfn[-1]) + 1) % HYPERFRAMES_PER_FRAME
            self._bfn = (int(bfn[-1]) + (self._hfn == 0)) % BFN_MODULUS
            return
        for index, (h, b) in enumerate(zip(hfn.tolist(), bfn.tolist(), strict=True)):
            valid = h < HYPERFRAMES_PER_FRAME
            if not valid:
                self._counters["hfn_invalid"] += 1
                yield HfnInvalid(first + index, h)
            elif self._hfn is not None and h != self._hfn:
                self._counters["hfn_discontinuities"] += 1
                yield HfnDiscontinuity(first + index, self._hfn, h)
            if self._bfn is not None and b != self._bfn:
                self._counters["bfn_discontinuities"] += 1
                yield BfnDiscontinuity(first + index, self._bfn, b)
            now = h if valid else self._hfn
            self._hfn = None if now is None else (now + 1) % HYPERFRAMES_PER_FRAME
            self._bfn = (b + (self._hfn == 0)) % BFN_MODULUS

    def _counts_on(self, hfn: I64, bfn: I64) -> bool:
        return bool(
            self._hfn == hfn[0]
            and self._bfn == bfn[0]
            and hfn.max() < HYPERFRAMES_PER_FRAME
            and ((hfn[1:] - hfn[:-1]) % HYPERFRAMES_PER_FRAME == 1).all()
            and ((bfn[1:] - bfn[:-1]) % BFN_MODULUS == (hfn[1:] == 0)).all()
        )
