"""Cuts what a board has received into hyperframes by their sync bytes, and loses no word of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from decoders.arrays import U8, U16
from decoders.line_coding.code_8b10b import K28_5
from decoders.line_coding.code_64b66b import BLOCK_OCTETS, START, STORED_OCTETS, TERMINATE
from decoders.linerates import EIGHT_TEN, SIXTY_FOUR_SIXTY_SIX

from .sender import START_AT, TERMINATE_AT

__all__ = ["HyperframeCutter", "Piece"]

_K, _LOOKED_AT = 0x100, 0x3FF
"""Of a flagged word: the bit of special characters, and all but that of disparity errors."""
_SYNC_WORDS = {
    EIGHT_TEN: ((0, _K | K28_5),),
    SIXTY_FOUR_SIXTY_SIX: ((TERMINATE_AT, _K | TERMINATE), (START_AT, _K | START)),
}
"""(place from the start of a hyperframe, flagged word without an error) of its sync word, by line code."""
_LOST_AFTER = 2


@dataclass(frozen=True, slots=True)
class Piece:
    """Words that follow on each other: whole hyperframes from number `first` on, or an uncut stream near it.

    `blocks` are the same at 64B/66B as nine octets a block, uint8 (9 n,); None where nobody has given them.
    """

    words: U16
    first: int
    uncut: bool = False
    blocks: U8 | None = None


class HyperframeCutter:
    """Takes flagged words, uint16 (n,), and gives all of them back as pieces; less than a hyperframe is held.

    Hyperframes follow on each other as long as no two in a row lack their sync word. Then the words up to the next
    sync word are a piece that is uncut; it counts as so many hyperframes as it has room for, rounded. At 64B/66B
    words come in whole blocks.
    """

    def __init__(self, hyperframe_words: int, line_code: str = EIGHT_TEN) -> None:
        self._next = 0
        self._size = hyperframe_words
        self._sync = _SYNC_WORDS[line_code]
        self._unseen = 0 if line_code == EIGHT_TEN else BLOCK_OCTETS
        self._held: U16 = np.zeros(0, np.uint16)
        self._held_blocks: U8 = np.zeros(0, np.uint8)
        self._missed = 0
        self._uncut = 0
        self._waits = False

    @property
    def next(self) -> int:
        """Number of the hyperframe that the next word begins, or is nearest to."""
        return self._next + round((self._uncut + len(self._held)) / self._size)

    def take(self, words: U16, blocks: U8 | None = None) -> list[Piece]:
        """What is complete with these words; `blocks` are the same words' blocks, given each time or never."""
        held, size = np.concatenate((self._held, words)) if len(self._held) else words, self._size
        pieces: list[Piece] = []
        at = 0
        while True:
            if self._missed == _LOST_AFTER:
                end, found = self._sync_from(held, at)
                if end > at and not self._waits:
                    first = self._next + self._uncut // size
                    pieces.append(Piece(held[at:end], first, uncut=True))
                self._uncut += end - at
                at = end
                if not found:
                    break
                self._next += round(self._uncut / size)
                self._missed = self._uncut = 0
                self._waits = False
            count = self._count(held[at:], (len(held) - at) // size)
            if not count:
                break
            pieces.append(Piece(held[at : at + count * size], self._next))
            self._next += count
            at += count * size
        self._held = held[at:].copy()
        return pieces if blocks is None else self._with_blocks(pieces, blocks)

    def _with_blocks(self, pieces: list[Piece], blocks: U8) -> list[Piece]:
        """The pieces with their blocks; the others are held as the words are."""
        held = np.concatenate((self._held_blocks, blocks)) if len(self._held_blocks) else blocks
        sizes = [
            len(words) // BLOCK_OCTETS * STORED_OCTETS for words in (*(p.words for p in pieces), self._held)
        ]
        out, at = [], len(held) - sum(sizes)
        for piece, size in zip(pieces, sizes[:-1], strict=True):
            out.append(replace(piece, blocks=held[at : at + size]))
            at += size
        self._held_blocks = held[at:].copy()
        return out

    def skip(self, hyperframes: int) -> None:
        """So many hyperframes pass unseen."""
        self._next += hyperframes

    def wait(self) -> None:
        """Give nothing up to the next sync word; the time until then counts."""
        self._missed, self._waits = _LOST_AFTER, True

    def drop(self) -> int:
        """Forget the words held; how many those were."""
        count, self._held, self._held_blocks = len(self._held), self._held[:0], self._held_blocks[:0]
        return count

    def _sync_from(self, words: U16, at: int) -> tuple[int, bool]:
        """(where the next sync word begins, True); or up to where none does, and False."""
        rest = words[at:] & _LOOKED_AT
        last = len(rest) - self._sync[-1][0]
        begins = np.ones(max(0, last), np.bool_)
        for place, word in self._sync:
            begins &= rest[place : place + len(begins)] == word
        where = np.flatnonzero(begins)
        if len(where):
            return at + int(where[0]), True
        return max(at, len(words) - self._unseen), False

    def _count(self, words: U16, whole: int) -> int:
        """Of so many hyperframes at hand, those that are cut before sync is looked for."""
        bad = np.zeros(whole, np.bool_)
        for place, word in self._sync:
            bad |= (words[place :: self._size][:whole] & _LOOKED_AT) != word
        if not bad.any():
            self._missed = 0 if whole else self._missed
            return whole
        twice = np.flatnonzero(bad & np.concatenate(([self._missed > 0], bad[:-1])))
        if len(twice):
            self._missed = _LOST_AFTER
            return int(twice[0]) + 1
        self._missed = int(bad[-1])
        return whole
