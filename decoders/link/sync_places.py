"""Where the sync word can be, and whether it is where it belongs (CPRI clause 4.2.7.1.2, Tables 9 and 9A).

A candidate is a place in the buffer where a hyperframe may begin. Sync is confirmed by sync words one hyperframe
apart; where K flags are not known the octets beside them and a running HFN must agree, too.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..arrays import I64
from ..frame_structure import controlwords as cw
from ..line_coding.code_8b10b import K28_5
from ..linerates import HYPERFRAMES_PER_FRAME, LineRateOption
from .hyperframe_sync import CONFIRMING_SYNC_BYTES
from .settings import D5_6, D16_2
from .stream import LineStream

__all__ = ["CommaPlaces", "Runs", "SyncPlaces"]


@dataclass(frozen=True, slots=True)
class Runs:
    """Candidates: the first one that is confirmed, and the first that data at hand neither confirm nor rule out."""

    confirmed: int | None
    undecided: int | None


class SyncPlaces(ABC):
    """Looks at the octets of a stream for sync words, with the K flags of its form or without."""

    def __init__(self, stream: LineStream, option: LineRateOption, *, flags: bool) -> None:
        self._stream = stream
        self._buffer = stream.buffer
        self._option = option
        self._octets = option.hyperframe_octets
        self._flags = flags

    needed: int
    """Octets from a candidate on that must be there to judge it."""

    @abstractmethod
    def candidates(self, cursor: int) -> I64:
        """Places from `cursor` on where a hyperframe may begin, ascending, as far as the octets at hand say."""

    @abstractmethod
    def in_place(self, hyperframes: int) -> NDArray[np.bool_]:
        """Whether each of the first hyperframes of the buffer has its sync word, (n,)."""

    @abstractmethod
    def misplaced(self, hyperframes: int) -> I64:
        """K characters of the first hyperframes that are not in a sync word, ascending."""

    @property
    def checks_hfn(self) -> bool:
        """Whether a running HFN must confirm the sync words."""
        return not self._flags

    def runs(self, candidates: I64) -> Runs:
        """What the candidates and the octets behind them say."""
        length, octets = len(self._buffer), self._octets
        good = candidates
        for i in range(1, CONFIRMING_SYNC_BYTES):
            place = good + i * octets
            good = good[(place + self.needed > length) | np.isin(place, candidates, assume_unique=True)]
        if self.checks_hfn:
            good = good[self.hfn_runs(good)]
        whole = good + (CONFIRMING_SYNC_BYTES - 1) * octets + self.needed <= length
        confirmed, undecided = good[whole], good[~whole]
        return Runs(
            int(confirmed[0]) if len(confirmed) else None,
            int(undecided[0]) if len(undecided) else None,
        )

    def short_runs(self, candidates: I64) -> list[tuple[int, int]]:
        """(candidate, sync words) where two or three are in their places up to the end of the stream.

        With neither K flags nor fillers (option 1) two HFN must be there to be seen running.
        """
        octets, length = self._octets, len(self._buffer)
        bare = not self._flags and self._option.word_octets == 1
        seen = octets + (cw.X_HFN * 16 if bare else 0)
        first = max(0, length - (CONFIRMING_SYNC_BYTES - 1) * octets)
        found = []
        for start in candidates[np.searchsorted(candidates, first) :].tolist():
            places = np.arange(start, length, octets)
            if start + seen >= length or not np.isin(places, candidates).all():
                continue
            if not self.checks_hfn or self.hfn_runs(np.array([start])).all():
                found.append((start, len(places)))
        return found

    def hfn_runs(self, starts: I64) -> NDArray[np.bool_]:
        """Whether HFN is valid and counts on over the three hyperframes from each of `starts`, as far as known."""
        begins = starts[:, None] + np.arange(3) * self._octets
        at = begins + cw.X_HFN * 16 * self._option.word_octets
        unknown = at >= len(self._buffer)
        data = self._buffer.octets
        hfn = data[np.minimum(at, len(data) - 1)].astype(np.int64)
        valid = (hfn < HYPERFRAMES_PER_FRAME) | unknown
        step = 1 + self._stream.gaps.missing(begins + self._stream.done)
        runs = ((hfn[:, 1:] - hfn[:, :-1] - step) % HYPERFRAMES_PER_FRAME == 0) | unknown[:, 1:]
        result: NDArray[np.bool_] = valid.all(axis=1) & runs.all(axis=1)
        return result


class CommaPlaces(SyncPlaces):
    """8B/10B: K28.5 at Z.0.0; without K flags 0xBC with its fillers beside it, as far as they are at hand."""

    @property
    def needed(self) -> int:  # type: ignore[override]
        return 1 if self._flags else self._option.word_octets

    def candidates(self, cursor: int) -> I64:
        buffer = self._buffer
        if self._flags:
            k = buffer.k[np.searchsorted(buffer.k, cursor) :]
            sync: I64 = k[buffer.octets[k] == K28_5]
            return sync
        octets, last = buffer.octets, len(buffer) - 1
        where = np.flatnonzero(octets[cursor:] == K28_5) + cursor
        for y in range(1, self._option.word_octets):
            filler = octets[np.minimum(where + y, last)]
            good = filler == D16_2
            if y == 1:
                good |= filler == D5_6
            where = where[good | (where + y > last)]
        return where

    def in_place(self, hyperframes: int) -> NDArray[np.bool_]:
        end = hyperframes * self._octets
        good: NDArray[np.bool_] = self._buffer.octets[: end : self._octets] == K28_5
        if self._flags:
            good &= np.isin(np.arange(0, end, self._octets), self._buffer.k, assume_unique=True)
        return good

    def misplaced(self, hyperframes: int) -> I64:
        k = self._buffer.k[: np.searchsorted(self._buffer.k, hyperframes * self._octets)]
        elsewhere: I64 = k[k % self._octets != 0]
        return elsewhere
