"""Blocks as a receiver of 64B/66B line bits gives them: block lock, or RS-FEC codewords, and descrambled octets.

It gives blocks all the time: where lock is lost it goes on in the old alignment until another one is found, so
that time on the line is kept. Block lock: IEEE 802.3 figure 49-12; with RS-FEC the codewords give the alignment
(CPRI V7.0 clause 6.9).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from decoders.arrays import U8, U16, U64
from decoders.line_coding.block_lock import BlockLock, LockSettings, find_blocks
from decoders.line_coding.code_64b66b import (
    BLOCK_BITS,
    BLOCK_OCTETS,
    PayloadDescrambler,
    bad_headers,
    block_characters,
    unpack_blocks,
)
from decoders.line_coding.fec_codewords import BLOCKS_PER_CODEWORD, HEADER_BAD, pn_5280, untranscode
from decoders.line_coding.fec_reader import CodewordLock, FecSettings, find_codewords
from decoders.line_coding.line_octets import Place
from decoders.line_coding.packed_bits import bit_words
from decoders.line_coding.rs_fec import CODEWORD_BITS, CODEWORD_OCTETS, Corrected, correct

from ..formats.form_writer import flagged_words

__all__ = ["BlockCounts", "BlockDeserialiser", "flagged_blocks"]

_ONES = 0xFFFF_FFFF_FFFF_FFFF


@dataclass(slots=True)
class BlockCounts:
    """What the receiver has counted since its start."""

    header_errors: int = 0
    lock_losses: int = 0
    corrected_codewords: int = 0
    corrected_symbols: int = 0
    uncorrected_codewords: int = 0
    fec_lock_losses: int = 0


@dataclass(slots=True)
class BlockDeserialiser:
    """Packed line bits in any cut to blocks: headers (n,) and scrambled payload words (n,).

    It begins in the sender's alignment, or with `locked` False looks for it. With `fec` blocks come from codewords
    of the header rule `header_xor`, corrected; those of a codeword that cannot be corrected have bad headers.
    """

    fec: bool = False
    header_xor: bool = False
    locked: bool = True
    counts: BlockCounts = field(default_factory=BlockCounts)
    _raw: U8 = field(default_factory=lambda: np.zeros(0, np.uint8))
    _at: int = 0  # bit of _raw to go on from
    _last_word: int = _ONES
    _lock: BlockLock = field(default_factory=BlockLock)
    _codeword_lock: CodewordLock = field(default_factory=lambda: CodewordLock(FecSettings()))

    def __post_init__(self) -> None:
        self._codeword_lock.restart()

    @property
    def held_bits(self) -> int:
        """Bits received that have not become blocks."""
        return 8 * len(self._raw) - self._at

    def restart(self) -> None:
        """Nothing is held, and the alignment has to be found."""
        self._raw, self._at, self.locked = self._raw[:0], 0, False

    def receive(self, packed: U8) -> tuple[U8, U64]:
        """(headers, scrambled payload words) of all whole blocks at hand."""
        self._raw = np.concatenate((self._raw, packed)) if len(self._raw) else packed
        parts: list[tuple[U8, U64]] = []
        while True:
            if self.locked:
                parts.append(self._in_lock())
            if self.locked:
                break
            parts.append(self._hunt())
            if not self.locked:
                break
        self._raw, self._at = self._raw[self._at >> 3 :].copy(), self._at & 7
        headers = np.concatenate([part[0] for part in parts])
        words = np.concatenate([part[1] for part in parts])
        self.counts.header_errors += len(bad_headers(headers))
        return headers, words

    def _in_lock(self) -> tuple[U8, U64]:
        """What comes up to the end, or up to the block or codeword that loses lock."""
        begin = self._at
        if self.fec:
            found = self._codewords(self.held_bits // CODEWORD_BITS)
            lost = self._codeword_lock.receive(found.symbols >= 0)
            keep = int(lost[0]) + 1 if len(lost) else len(found.symbols)
            self._at = begin + CODEWORD_BITS * keep
            self.counts.fec_lock_losses += len(lost[:1])
            headers, words = self._from_codewords(found, keep)
        else:
            headers, words = self._blocks(self.held_bits // BLOCK_BITS)
            lost = self._lock.receive(bad_headers(headers), len(headers))
            keep = int(lost[0]) + 1 if len(lost) else len(headers)
            self._at = begin + BLOCK_BITS * keep
            self.counts.lock_losses += len(lost[:1])
            headers, words = headers[:keep], words[:keep]
        self.locked = not len(lost)
        return headers, words

    def _hunt(self) -> tuple[U8, U64]:
        """What comes in the old alignment up to where another one is found, or may still be."""
        end = 8 * len(self._raw)
        if self.fec:
            found, then = find_codewords(self._raw, self._at, end, FecSettings().good)
            old = self._codewords(max(0, then - self._at) // CODEWORD_BITS)
            self._at += CODEWORD_BITS * len(old.symbols)
            headers, words = self._from_codewords(old, len(old.symbols))
            headers[:] = HEADER_BAD
        else:
            found, then = find_blocks(self._raw, self._at, end, LockSettings().good)
            headers, words = self._blocks(max(0, then - self._at) // BLOCK_BITS)
            self._at += BLOCK_BITS * len(headers)
        if found is not None:
            self._at, self.locked = found, True
            self._lock.restart()
            self._codeword_lock.restart()
        return headers, words

    def _blocks(self, count: int) -> tuple[U8, U64]:
        """The next blocks."""
        headers, words = np.empty(count, np.uint8), np.empty(count, np.uint64)
        if count:
            unpack_blocks(self._raw, self._at, headers, words)
        return headers, words

    def _codewords(self, count: int) -> Corrected:
        """The next codewords without PN, corrected."""
        packed = bit_words(self._raw, self._at, CODEWORD_BITS * count)
        octets = packed.astype("<u8", copy=False).view(np.uint8)[: CODEWORD_OCTETS * count]
        return correct(octets.reshape(count, CODEWORD_OCTETS) ^ pn_5280())

    def _from_codewords(self, found: Corrected, count: int) -> tuple[U8, U64]:
        """Blocks of the first `count` of these codewords, which are counted."""
        symbols = found.symbols[:count]
        if not count:
            return np.zeros(0, np.uint8), np.zeros(0, np.uint64)
        headers, words = untranscode(found.codewords[:count], self._last_word, header_xor=self.header_xor)
        headers.reshape(-1, BLOCKS_PER_CODEWORD)[symbols < 0] = HEADER_BAD
        self._last_word = int(words[-1])
        self.counts.corrected_codewords += int(np.count_nonzero(symbols > 0))
        self.counts.corrected_symbols += int(symbols[symbols > 0].sum())
        self.counts.uncorrected_codewords += int(np.count_nonzero(symbols < 0))
        return headers, words


def flagged_blocks(headers: U8, words: U64, descrambler: PayloadDescrambler) -> U16:
    """Flagged words, uint16 (8 n,), of n blocks: bit 8 /T/ and /S/, bit 9 the eight octets of a bad header."""
    out = block_characters(headers, descrambler.descramble(words))
    bad = out.at(Place.HEADER_ERROR)
    marked = (bad[:, None] + np.arange(BLOCK_OCTETS)).reshape(-1)
    return flagged_words(out.octets, out.k_positions, marked)
