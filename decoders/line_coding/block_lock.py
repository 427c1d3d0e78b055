"""Block lock: where 66-bit blocks begin, and whether their headers still say so (802.3 figure 49-12).

Lock takes 64 good headers one after the other; it is lost by 16 bad ones of 64. As in the standard the 64 are
windows one behind the other, counted from the block that gave lock. Both numbers are settings.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from ..errors import SettingsError
from .code_64b66b import BLOCK_BITS
from .packed_bits import bit_words, every_nth, first_one, later

__all__ = [
    "TRANSITIONS",
    "BlockLock",
    "HeaderCount",
    "LockSettings",
    "LockState",
    "find_blocks",
    "first_good_run",
]

U8 = NDArray[np.uint8]
I64 = NDArray[np.int64]
_SEARCHED_BITS = 1 << 17


@dataclass(frozen=True, slots=True)
class LockSettings:
    """`good` headers in a row give lock, `bad` ones in a window of `good` lose it. SettingsError if impossible."""

    good: int = 64
    bad: int = 16

    def __post_init__(self) -> None:
        if self.good < 2 or not 1 <= self.bad <= self.good:
            raise SettingsError(
                f"block lock with {self.good} good and {self.bad} bad headers: "
                "at least 2 good ones, and 1 bad one up to as many as good ones"
            )


class LockState(StrEnum):
    UNLOCKED = "unlocked"
    LOCKED = "locked"


class HeaderCount(StrEnum):
    """What the counts of headers have come to."""

    ALL_GOOD = "all good"
    BAD_ONE = "bad one"
    TOO_MANY_BAD = "too many bad"
    WINDOW_OVER = "window over"


_U, _L = LockState.UNLOCKED, LockState.LOCKED
_C = HeaderCount
TRANSITIONS: Mapping[tuple[LockState, HeaderCount], LockState] = MappingProxyType(
    {
        (_U, _C.ALL_GOOD): _L,
        (_U, _C.BAD_ONE): _U,  # the count begins again behind it
        (_U, _C.TOO_MANY_BAD): _U,
        (_U, _C.WINDOW_OVER): _U,
        (_L, _C.ALL_GOOD): _L,
        (_L, _C.BAD_ONE): _L,
        (_L, _C.TOO_MANY_BAD): _U,
        (_L, _C.WINDOW_OVER): _L,
    }
)
"""[state, count] -> next state; after each change, and at each BAD_ONE when unlocked, the counts begin again."""


class BlockLock:
    """Judges the headers of one alignment, many at a time; only the bad ones cost anything."""

    def __init__(self, settings: LockSettings | None = None, state: LockState = LockState.LOCKED) -> None:
        self.settings = settings or LockSettings()
        self.restart(state)

    def restart(self, state: LockState = LockState.LOCKED) -> None:
        """A new alignment; the blocks to come are counted from its first one."""
        self.state = state
        self._blocks = 0  # blocks since the counts began
        self._bad = 0  # bad headers in the window so far

    def receive(self, bad: I64, blocks: int) -> I64:
        """Take `blocks` headers, of which those numbered `bad` (ascending, from 0) are bad; blocks that lose lock."""
        lost: list[int] = []
        at = 0  # blocks of this call done with
        while True:
            rest = bad[np.searchsorted(bad, at) :]
            step = self._lose if self.state is LockState.LOCKED else self._gain
            end, count = step(rest - at, blocks - at)
            if count is None:
                return np.array(lost, np.int64)
            at += end
            before, self.state = self.state, TRANSITIONS[self.state, count]
            self._blocks = self._bad = 0
            if self.state is not before and self.state is LockState.UNLOCKED:
                lost.append(at - 1)

    def _lose(self, bad: I64, blocks: int) -> tuple[int, HeaderCount | None]:
        """(blocks up to the one that loses lock, why), or (blocks, None)."""
        size = self.settings.good
        window = (bad + self._blocks) // size
        # bad ones of the same window before each one, those of earlier calls included
        before = np.arange(len(bad)) - np.searchsorted(window, window)
        before[window == 0] += self._bad
        over = np.flatnonzero(before + 1 >= self.settings.bad)
        if len(over):
            return int(bad[over[0]]) + 1, HeaderCount.TOO_MANY_BAD
        done, left = divmod(self._blocks + blocks, size)
        in_last = int(np.count_nonzero(window == done))
        self._bad = in_last + (self._bad if done == 0 else 0)
        self._blocks = left
        return blocks, None

    def _gain(self, bad: I64, blocks: int) -> tuple[int, HeaderCount | None]:
        """(blocks up to the one that gives lock, why), or (blocks, None)."""
        size = self.settings.good
        good = (
            np.diff(np.concatenate(([-1 - self._blocks], bad, [blocks]))) - 1
        )  # good ones before each bad one
        enough = np.flatnonzero(good >= size)
        if len(enough):
            first = int(enough[0])
            begin = int(bad[first - 1]) + 1 if first else -self._blocks
            return begin + size, HeaderCount.ALL_GOOD
        self._blocks = int(good[-1])
        return blocks, None


def first_good_run(bad: I64, blocks: int, good: int) -> tuple[int | None, int]:
    """(first block of `good` in a row without a bad header, or None; first block that may still be one)."""
    edges = np.concatenate(([-1], bad, [blocks]))
    enough = np.flatnonzero(np.diff(edges) - 1 >= good)
    if len(enough):
        begin = int(edges[enough[0]]) + 1
        return begin, begin
    return None, int(edges[-2]) + 1


def find_blocks(packed: U8, first_bit: int, end_bit: int, good: int) -> tuple[int | None, int]:
    """(first bit from which `good` blocks have good headers, or None; first bit that may still be one).

    All 66 alignments are looked at together. A run counts when its last header lies before `end_bit`.
    """
    span = BLOCK_BITS * (good - 1) + 2
    last = end_bit - span  # the last bit from which a run can be judged
    while first_bit <= last:
        starts = min(last - first_bit + 1, _SEARCHED_BITS)
        words = bit_words(packed, first_bit, starts + span)
        unlike = words ^ later(words, 1)
        where = first_one(every_nth(unlike, BLOCK_BITS, good), starts)
        if where is not None:
            return first_bit + where, first_bit + where
        first_bit += starts
    return None, first_bit
