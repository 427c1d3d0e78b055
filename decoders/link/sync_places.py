"""Where the sync word can be, and whether it is where it belongs (CPRI clause 4.2.7.1.2, Tables 9 and 9A).

A candidate is a place in the buffer where a hyperframe may begin. Sync is confirmed by sync words one hyperframe
apart; where K flags are not known the octets beside them and a running HFN must agree, too.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from ..arrays import I64
from ..events import Event, SyncByteMissed
from ..frame_structure import controlwords as cw
from ..line_coding.code_8b10b import K28_5
from ..line_coding.scrambling import PLAIN_OCTETS, SCRAMBLED_OPTIONS, keystream_octets, known_seeds
from ..linerates import HYPERFRAMES_PER_FRAME, LineRateOption
from .hyperframe_sync import CONFIRMING_SYNC_BYTES
from .settings import D5_6, D16_2, BlockSyncWord
from .stream import LineStream

__all__ = ["CommaPlaces", "Runs", "SyncPlaces", "SyncWordKnownBy", "SyncWordReading"]


class SyncWordKnownBy(StrEnum):
    """How the layout of the sync word is known."""

    MEASURED = "measured"
    ASSUMED = "assumed"


@dataclass(frozen=True, slots=True)
class SyncWordReading:
    """The layout in use, and whether it was seen or is taken for granted."""

    word: BlockSyncWord
    known_by: SyncWordKnownBy


@dataclass(frozen=True, slots=True)
class Runs:
    """Candidates: the first one that is confirmed, and the first that data at hand neither confirm nor rule out."""

    confirmed: int | None
    undecided: int | None


class SyncPlaces(ABC):
    """Looks at the octets of a stream for sync words, with the K flags of its form or without.

    A candidate is a number `place * kinds + kind`: sync words of one kind make a run.
    """

    kinds = 1
    confirming = CONFIRMING_SYNC_BYTES
    """Sync words in their places that confirm the first of them."""
    unseen = 0
    """Octets at the end of those at hand in which a candidate may begin that cannot be seen yet."""
    reading: SyncWordReading | None = None

    def __init__(self, stream: LineStream, option: LineRateOption, *, flags: bool) -> None:
        self._stream = stream
        self._buffer = stream.buffer
        self._option = option
        self._octets = option.hyperframe_octets
        self._flags = flags

    # --- hunting

    @property
    @abstractmethod
    def needed(self) -> int:
        """Octets from a candidate's place on that must be there to judge it."""

    @abstractmethod
    def candidates(self, cursor: int) -> I64:
        """Candidates from octet `cursor` on, ascending, as far as the octets at hand say."""

    def runs(self, candidates: I64) -> Runs:
        """What the candidates and the octets behind them say."""
        length, period = len(self._buffer), self._octets * self.kinds
        good = candidates
        for i in range(1, self.confirming):
            later = good + i * period
            beyond = later // self.kinds + self.needed > length
            good = good[beyond | np.isin(later, candidates, assume_unique=True)]
        if not self._flags:
            good = good[self.hfn_runs(good // self.kinds)]
        last = good // self.kinds + (self.confirming - 1) * self._octets
        whole = last + self.needed <= length
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
        first = max(0, length - (self.confirming - 1) * octets) * self.kinds
        found = []
        for candidate in candidates[np.searchsorted(candidates, first) :].tolist():
            start, kind = divmod(candidate, self.kinds)
            places = np.arange(start, length, octets)
            if start + seen >= length or not np.isin(places * self.kinds + kind, candidates).all():
                continue
            if self._flags or self.hfn_runs(np.array([start])).all():
                found.append((candidate, len(places)))
        return found

    def begin(self, candidate: int) -> int:
        """Sync is found at a candidate: the octet at which hyperframes begin."""
        return candidate // self.kinds

    def hfn_runs(self, starts: I64) -> NDArray[np.bool_]:
        """Whether HFN is valid and counts on over the three hyperframes from each of `starts`, as far as known."""
        hfn, known, step = self.hfn(starts[:, None] + np.arange(3) * self._octets)
        valid = (hfn < HYPERFRAMES_PER_FRAME) | ~known
        runs = ((hfn[:, 1:] - hfn[:, :-1] - step) % HYPERFRAMES_PER_FRAME == 0) | ~known[:, 1:]
        result: NDArray[np.bool_] = valid.all(axis=1) & runs.all(axis=1)
        return result

    def hfn(self, begins: I64) -> tuple[I64, NDArray[np.bool_], I64 | int]:
        """(HFN, whether it is at hand, by how much it steps) of hyperframes at `begins`, (..., n); (..., n - 1)."""
        at = begins + cw.X_HFN * self._option.basic_frame_octets
        data = self._buffer.octets
        values = data[np.minimum(at, len(data) - 1)].astype(np.int64)
        return values, at < len(data), 1 + self._stream.gaps.missing(begins + self._stream.done)

    def difference(self, number: int) -> list[Event]:
        """What is to be said, before hyperframe `number`, of the layout of the sync word that was found."""
        return []

    # --- in sync

    @abstractmethod
    def in_place(self, hyperframes: int) -> NDArray[np.bool_]:
        """Whether each of the first hyperframes of the buffer has its sync word, (n,)."""

    @abstractmethod
    def missed(self, number: int, index: int) -> SyncByteMissed:
        """What stands in place of the sync word in hyperframe `index` of the buffer, which has `number`."""

    @abstractmethod
    def misplaced(self, hyperframes: int) -> I64:
        """K characters of the first hyperframes that are not in a sync word, ascending."""

    def filler_mismatches(self, good: NDArray[np.bool_], first: int) -> list[Event]:
        """Events of the first hyperframes whose sync words are in place (`good`, (n,)) with other octets beside."""
        return []


class CommaPlaces(SyncPlaces):
    """8B/10B: K28.5 at Z.0.0; without K flags 0xBC with its fillers beside it, as far as they are at hand."""

    def __init__(self, stream: LineStream, option: LineRateOption, *, flags: bool) -> None:
        super().__init__(stream, option, flags=flags)
        self._scrambled = option.name in SCRAMBLED_OPTIONS

    @property
    def needed(self) -> int:
        return 1 if self._flags else self._option.word_octets

    def candidates(self, cursor: int) -> I64:
        buffer = self._buffer
        if self._flags:
            k = buffer.k[np.searchsorted(buffer.k, cursor) :]
            sync: I64 = k[buffer.octets[k] == K28_5]
            return sync
        octets, last = buffer.octets, len(buffer) - 1
        where = np.flatnonzero(octets[cursor:] == K28_5) + cursor
        first_scrambled = PLAIN_OCTETS if self._scrambled else self._option.word_octets
        for y in range(1, first_scrambled):
            filler = octets[np.minimum(where + y, last)]
            good = filler == D16_2
            if y == 1:
                good |= filler == D5_6
            where = where[good | (where + y > last)]
        if self._scrambled:
            whole = where + self._option.word_octets <= len(octets)
            _, fits = self._seeds(where[whole])
            where = np.concatenate((where[whole][fits], where[~whole]))
        return where

    def _seeds(self, starts: I64) -> tuple[I64, NDArray[np.bool_]]:
        """(seed, whether it fits) of whole words Z.0 at `starts`, (n,) each; without scrambling the seed is 0."""
        return known_seeds(self._buffer.octets[starts[:, None] + np.arange(self._option.word_octets)])

    def hfn(self, begins: I64) -> tuple[I64, NDArray[np.bool_], I64 | int]:
        values, known, step = super().hfn(begins)
        if self._scrambled and known.any():
            seeds, _ = self._seeds(begins[known])
            key = keystream_octets(seeds, cw.X_HFN * self._option.basic_frame_octets)
            values[known] ^= key
        return values, known, step

    def in_place(self, hyperframes: int) -> NDArray[np.bool_]:
        end = hyperframes * self._octets
        good: NDArray[np.bool_] = self._buffer.octets[: end : self._octets] == K28_5
        if self._flags:
            good &= np.isin(np.arange(0, end, self._octets), self._buffer.k, assume_unique=True)
        return good

    def missed(self, number: int, index: int) -> SyncByteMissed:
        return SyncByteMissed(number, int(self._buffer.octets[index * self._octets]), K28_5)

    def misplaced(self, hyperframes: int) -> I64:
        k = self._buffer.k[: np.searchsorted(self._buffer.k, hyperframes * self._octets)]
        elsewhere: I64 = k[k % self._octets != 0]
        return elsewhere
