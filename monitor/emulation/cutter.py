"""Cuts what a board has received into hyperframes by their sync bytes, and loses no word of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from decoders.arrays import U16
from decoders.line_coding.code_8b10b import K28_5

__all__ = ["HyperframeCutter", "Piece"]

_SYNC_WORD, _LOOKED_AT = 0x100 | K28_5, 0x3FF
"""K28.5 as a flagged word without a code violation."""
_LOST_AFTER = 2


@dataclass(frozen=True, slots=True)
class Piece:
    """Words that follow on each other: whole hyperframes from number `first` on, or an uncut stream near it."""

    words: U16
    first: int
    uncut: bool = False


class HyperframeCutter:
    """Takes flagged words, uint16 (n,), and gives all of them back as pieces; less than a hyperframe is held.

    Hyperframes follow on each other as long as no two in a row lack their sync byte. Then the words up to the next
    K28.5 are a piece that is uncut; it counts as so many hyperframes as it has room for, rounded.
    """

    def __init__(self, hyperframe_words: int) -> None:
        self._next = 0
        self._size = hyperframe_words
        self._held: U16 = np.zeros(0, np.uint16)
        self._missed = 0
        self._uncut = 0

    @property
    def next(self) -> int:
        """Number of the hyperframe that the next word begins, or is nearest to."""
        return self._next + round((self._uncut + len(self._held)) / self._size)

    def take(self, words: U16) -> list[Piece]:
        """What is complete with these words."""
        held, size = np.concatenate((self._held, words)) if len(self._held) else words, self._size
        pieces: list[Piece] = []
        at = 0
        while True:
            if self._missed == _LOST_AFTER:
                end = self._sync_from(held, at)
                if end > at:
                    first = self._next + self._uncut // size
                    pieces.append(Piece(held[at:end], first, uncut=True))
                    self._uncut += end - at
                at = end
                if at == len(held):
                    break
                self._next += round(self._uncut / size)
                self._missed = self._uncut = 0
            count = self._count(held[at::size], (len(held) - at) // size)
            if not count:
                break
            pieces.append(Piece(held[at : at + count * size], self._next))
            self._next += count
            at += count * size
        self._held = held[at:].copy()
        return pieces

    def skip(self, hyperframes: int) -> None:
        """So many hyperframes pass unseen."""
        self._next += hyperframes

    def drop(self) -> int:
        """Forget the words held; how many those were."""
        count, self._held = len(self._held), self._held[:0]
        return count

    @staticmethod
    def _sync_from(words: U16, at: int) -> int:
        where = np.flatnonzero((words[at:] & _LOOKED_AT) == _SYNC_WORD)
        return at + int(where[0]) if len(where) else len(words)

    def _count(self, heads: U16, whole: int) -> int:
        """Of so many hyperframes with these first words, those that are cut before sync is looked for."""
        bad = (heads[:whole] & _LOOKED_AT) != _SYNC_WORD
        if not bad.any():
            self._missed = 0 if whole else self._missed
            return whole
        twice = np.flatnonzero(bad & np.concatenate(([self._missed > 0], bad[:-1])))
        if len(twice):
            self._missed = _LOST_AFTER
            return int(twice[0]) + 1
        self._missed = int(bad[-1])
        return whole
