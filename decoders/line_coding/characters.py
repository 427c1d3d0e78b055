"""From the raw forms of a stream to characters: octets, and where the special and the damaged ones are.

`octets`, `flagged`, `symbols` and `bits` are the forms of a capture or a tap. A reader takes raw data in any
cut and gives characters; the bit reader also finds the word alignment (802.3 clause 36.2.4.9: any K28.5, here
two of them one hyperframe apart) and can be told to find it again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from enum import StrEnum
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from ..arrays import I64, U8
from .code_8b10b import CodedBlock, SymbolDecoder, find_sync_symbols

__all__ = ["CharacterBuffer", "CharacterReader", "LineForm", "open_reader"]

_NONE: I64 = np.zeros(0, np.int64)


class LineForm(StrEnum):
    """Raw forms of a stream; what a word holds is in the module's contract of captures."""

    OCTETS = "octets"
    FLAGGED = "flagged"
    SYMBOLS = "symbols"
    BITS = "bits"

    @property
    def has_flags(self) -> bool:
        """Whether K characters and code errors can be known."""
        return self is not LineForm.OCTETS


class CharacterBuffer:
    """Characters waiting for their hyperframe: `octets` (n,), and ascending positions of the special ones."""

    def __init__(self) -> None:
        self.octets: U8 = np.zeros(0, np.uint8)
        self.k: I64 = _NONE
        self.violations: I64 = _NONE
        self.disparity_errors: I64 = _NONE
        self._waiting: list[CodedBlock] = []
        self._waiting_octets = 0

    def __len__(self) -> int:
        return len(self.octets) + self._waiting_octets

    def append(self, block: CodedBlock) -> None:
        if len(block.octets):
            self._waiting.append(block)
            self._waiting_octets += len(block.octets)

    def join(self) -> None:
        """Put what was appended behind the arrays."""
        if not self._waiting:
            return
        blocks = [CodedBlock(self.octets, self.k, self.violations, self.disparity_errors), *self._waiting]
        if not len(self.octets):
            blocks = blocks[1:]
        self._waiting, self._waiting_octets = [], 0
        if len(blocks) == 1:
            only = blocks[0]
            self.octets, self.k = only.octets, only.k_positions
            self.violations, self.disparity_errors = only.violations, only.disparity_errors
            return
        starts = np.cumsum([0] + [len(b.octets) for b in blocks[:-1]]).tolist()
        self.octets = np.concatenate([b.octets for b in blocks])
        self.k = _shifted([b.k_positions for b in blocks], starts)
        self.violations = _shifted([b.violations for b in blocks], starts)
        self.disparity_errors = _shifted([b.disparity_errors for b in blocks], starts)

    def drop(self, count: int) -> None:
        """Forget the first `count` characters."""
        self.octets = self.octets[count:]
        self.k = _from(self.k, count)
        self.violations = _from(self.violations, count)
        self.disparity_errors = _from(self.disparity_errors, count)

    def own(self) -> None:
        """Copy what still lies in the caller's memory; what is held is a few hyperframes at most."""
        if self.octets.base is not None:
            self.octets = self.octets.copy()
        if self._waiting:
            last = self._waiting[-1]
            if last.octets.base is not None:
                self._waiting[-1] = replace(last, octets=last.octets.copy())

    def clear(self) -> None:
        self.drop(len(self.octets))
        self._waiting, self._waiting_octets = [], 0


def _shifted(parts: Sequence[I64], starts: Sequence[int]) -> I64:
    return np.concatenate([part + start for part, start in zip(parts, starts, strict=True)])


def _from(positions: I64, count: int) -> I64:
    if not len(positions):
        return positions
    return positions[np.searchsorted(positions, count) :] - count


class CharacterReader(Protocol):
    """Raw data in, characters out."""

    def feed(self, data: U8, held_characters: int) -> None: ...
    def read(self) -> CodedBlock: ...
    def own(self, held_characters: int) -> None: ...
    def realign(self, characters_unused: int) -> None: ...
    @property
    def start_bit(self) -> int | None: ...
    def rest_octets(self) -> int: ...


class _OctetReader:
    """Octets as they are; nothing is known about K and code errors."""

    start_bit: int | None = None

    def __init__(self) -> None:
        self._data: U8 = np.zeros(0, np.uint8)

    def feed(self, data: U8, held_characters: int) -> None:
        self._data = data

    def read(self) -> CodedBlock:
        data, self._data = self._data, self._data[:0]
        return CodedBlock(data, _NONE, _NONE, _NONE)

    def own(self, held_characters: int) -> None:
        """Copy what is held back of the caller's memory: nothing here."""

    def realign(self, characters_unused: int) -> None:
        raise NotImplementedError("octets have no alignment")

    def rest_octets(self) -> int:
        """Octets at the end that never became characters."""
        return 0


class _WordReader(_OctetReader):
    """16-bit little-endian words: flagged octets."""

    def __init__(self) -> None:
        super().__init__()
        self._half: U8 = np.zeros(0, np.uint8)

    def feed(self, data: U8, held_characters: int) -> None:
        if len(self._half):
            data = np.concatenate((self._half, data))
        whole = len(data) & ~1
        self._half = data[whole:].copy()
        self._data = data[:whole]

    def read(self) -> CodedBlock:
        words = np.ascontiguousarray(self._data).view("<u2")
        self._data = self._data[:0]
        return self._characters(words)

    def _characters(self, words: NDArray[np.uint16]) -> CodedBlock:
        flags = np.flatnonzero(words & np.uint16(0x700))
        marks = words[flags]
        violation = (marks & 0x200) != 0
        k = ((marks & 0x100) != 0) & ~violation
        disparity = ((marks & 0x400) != 0) & ~violation
        return CodedBlock(words.astype(np.uint8), flags[k], flags[violation], flags[disparity])


class _SymbolReader(_WordReader):
    """16-bit little-endian words: ten-bit symbols."""

    def __init__(self) -> None:
        super().__init__()
        self._decoder = SymbolDecoder()

    def _characters(self, words: NDArray[np.uint16]) -> CodedBlock:
        return self._decoder.decode(words)


class _BitReader:
    """Packed line bits of any alignment."""

    def __init__(self, hyperframe_octets: int) -> None:
        self._bits_apart = 10 * hyperframe_octets
        self._raw: U8 = np.zeros(0, np.uint8)
        self._base = 0  # bit number, in the whole stream, of the first bit of _raw
        self._next = 0  # bit of the stream to go on from
        self._aligned = False
        self._decoder = SymbolDecoder()
        self._first: int | None = None
        self._hunting_from = 0

    @property
    def start_bit(self) -> int | None:
        """Where in the whole stream the last alignment was found."""
        return self._first

    def feed(self, data: U8, held_characters: int) -> None:
        self._forget(held_characters)
        self._raw = np.concatenate((self._raw, data)) if len(self._raw) else data

    def own(self, held_characters: int) -> None:
        self._forget(held_characters)
        self._raw = self._raw.copy()

    def _forget(self, held_characters: int) -> None:
        """Drop the bits that are done; what is held may have to be read again in another alignment."""
        keep = (self._next - 10 * held_characters - self._base) >> 3
        self._raw = self._raw[keep:]
        self._base += 8 * keep

    def read(self) -> CodedBlock:
        end = self._base + 8 * len(self._raw)
        if not self._aligned and not self._hunt(end):
            return CodedBlock(np.zeros(0, np.uint8), _NONE, _NONE, _NONE)
        count = max(0, (end - self._next) // 10)
        block = self._decoder.decode_bits(self._raw, self._next - self._base, count)
        self._next += 10 * count
        return block

    def _hunt(self, end: int) -> bool:
        """Find the first K28.5 that another one follows one hyperframe later."""
        # The last one found may still have its partner ahead, so that much is looked at again next time.
        hits = find_sync_symbols(self._raw, self._next - self._base, end - self._base - 9) + self._base
        paired = hits[np.isin(hits + self._bits_apart, hits, assume_unique=True)]
        if len(paired):
            where = int(paired[0])
            self._aligned = True
            self._next = self._first = where
            self._decoder = SymbolDecoder()
            return True
        waiting = hits[hits + self._bits_apart + 10 > end]
        self._next = int(waiting[0]) if len(waiting) else max(self._next, end - 9)
        return False

    def realign(self, characters_unused: int) -> None:
        """Look for the alignment anew, from `characters_unused` characters before the last one read."""
        self._next -= 10 * characters_unused
        self._hunting_from = self._next
        self._aligned = False

    def rest_octets(self) -> int:
        """Whole characters' time left over, when the stream has ended without alignment."""
        return 0 if self._aligned else (self._base + 8 * len(self._raw) - self._hunting_from) // 10


def open_reader(form: LineForm, hyperframe_octets: int) -> CharacterReader:
    """The reader of a raw form."""
    if form is LineForm.BITS:
        return _BitReader(hyperframe_octets)
    return {LineForm.OCTETS: _OctetReader, LineForm.FLAGGED: _WordReader, LineForm.SYMBOLS: _SymbolReader}[
        form
    ]()
