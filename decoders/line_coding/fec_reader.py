"""From packed line bits with RS-FEC to octets: where the codewords begin, lock, correction, and the way down.

The phase of the codewords is looked for at every bit and not judged. `AutomaticBitReader` finds out whether a
stream has FEC: 66-bit headers first, then codewords.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from ..errors import SettingsError
from .block_lock import LockSettings, find_blocks
from .block_readers import NO_OCTETS, AlignedReader
from .code_64b66b import BLOCK_OCTETS, block_characters, unpack_blocks
from .fec_codewords import BLOCKS_PER_CODEWORD, HEADER_BAD, pn_5280, untranscode, whole_groups
from .line_octets import NOWHERE, LineOctets, Place, joined
from .packed_bits import bit_words, later, ones
from .rs_fec import CODEWORD_BITS, CODEWORD_OCTETS, SYMBOL_BITS, SYMBOLS, Corrected, are_codewords, correct

__all__ = [
    "FEC_TRANSITIONS",
    "AutomaticBitReader",
    "CodewordLock",
    "CodewordLockState",
    "FecBitReader",
    "FecSettings",
    "find_codewords",
]

U8 = NDArray[np.uint8]
U64 = NDArray[np.uint64]
I64 = NDArray[np.int64]
_SEARCHED_BITS = 1 << 16
_CHUNK_CODEWORDS = 256
_CODEWORD_LINE_OCTETS = BLOCKS_PER_CODEWORD * BLOCK_OCTETS
"""Octets behind the line code that one codeword carries."""


@dataclass(frozen=True, slots=True)
class FecSettings:
    """`good` codewords in a row give lock, `bad` ones in a row lose it; `header_xor` None finds the rule.

    Of the codewords that give lock the first must be without an error. SettingsError for less than one.
    """

    good: int = 2
    bad: int = 3
    header_xor: bool | None = None

    def __post_init__(self) -> None:
        if self.good < 1 or self.bad < 1:
            raise SettingsError(
                f"FEC lock with {self.good} good and {self.bad} bad codewords: at least 1 of each"
            )


class CodewordLockState(StrEnum):
    UNLOCKED = "unlocked"
    LOCKED = "locked"


class _Run(StrEnum):
    """What a codeword has made of the run of good or bad ones."""

    GOOD = "good"
    ENOUGH_GOOD = "enough good"
    BAD = "bad"
    TOO_MANY_BAD = "too many bad"


_U, _L = CodewordLockState.UNLOCKED, CodewordLockState.LOCKED
FEC_TRANSITIONS: Mapping[tuple[CodewordLockState, _Run], CodewordLockState] = MappingProxyType(
    {
        (_U, _Run.GOOD): _U,
        (_U, _Run.ENOUGH_GOOD): _L,
        (_U, _Run.BAD): _U,
        (_U, _Run.TOO_MANY_BAD): _U,
        (_L, _Run.GOOD): _L,
        (_L, _Run.ENOUGH_GOOD): _L,
        (_L, _Run.BAD): _L,
        (_L, _Run.TOO_MANY_BAD): _U,
    }
)
"""[state, run] -> next state."""


class CodewordLock:
    """Lock of one codeword phase, stepped once a codeword."""

    def __init__(self, settings: FecSettings) -> None:
        self._settings = settings
        self.state = CodewordLockState.UNLOCKED
        self.restart()

    def restart(self) -> None:
        self.state = CodewordLockState.LOCKED
        self._good = self._bad = 0

    def receive(self, correctable: NDArray[np.bool_]) -> I64:
        """Take the next codewords, (n,); numbers of those that lose lock."""
        if self.state is CodewordLockState.LOCKED and correctable.all():
            self._bad = 0 if len(correctable) else self._bad
            return NOWHERE
        lost = []
        for number, good in enumerate(correctable.tolist()):
            self._good, self._bad = (self._good + 1, 0) if good else (0, self._bad + 1)
            if good:
                run = _Run.ENOUGH_GOOD if self._good >= self._settings.good else _Run.GOOD
            else:
                run = _Run.TOO_MANY_BAD if self._bad >= self._settings.bad else _Run.BAD
            before, self.state = self.state, FEC_TRANSITIONS[self.state, run]
            if before is _L and self.state is _U:
                lost.append(number)
        return np.array(lost, np.int64)


def _first_syndrome_fits(packed: U8, first_bit: int, starts: int) -> I64:
    """Of `starts` bits from `first_bit` on those from which a codeword's first syndrome is 0; 1 of 1024 by chance.

    At the root 1 the syndrome is the XOR of all symbols, so bit n of it is the XOR of every tenth bit.
    """
    part = bit_words(packed, first_bit, starts + CODEWORD_BITS)
    lag, short = SYMBOL_BITS, part
    while lag < SYMBOL_BITS * 512:
        if lag == SYMBOL_BITS * 16:
            short = part
        part = part ^ later(part, lag)
        lag *= 2
    tenth = part ^ later(short, lag)  # 512 + 16 symbols
    sequence = np.unpackbits(pn_5280(), bitorder="little").reshape(SYMBOLS, SYMBOL_BITS)
    expected = np.bitwise_xor.reduce(sequence, axis=0).tolist()
    fits = np.full_like(tenth, 0xFFFF_FFFF_FFFF_FFFF)
    for n, bit in enumerate(expected):
        shifted = later(tenth, n)
        fits &= shifted if bit else ~shifted
    return ones(fits, starts)


def _codewords_at(packed: U8, bits: I64) -> U8:
    """Codewords (n, 660) without PN from each of `bits` on."""
    at = (bits >> 3)[:, None] + np.arange(CODEWORD_OCTETS + 1)
    octets = packed[np.minimum(at, len(packed) - 1)]  # one beyond the end is looked at, and not used
    shift = (bits & 7).astype(np.uint16)[:, None]
    wide = octets[:, :-1].astype(np.uint16) | octets[:, 1:].astype(np.uint16) << np.uint16(8)
    codewords: U8 = (wide >> shift).astype(np.uint8) ^ pn_5280()
    return codewords


def find_codewords(packed: U8, first_bit: int, end_bit: int, good: int) -> tuple[int | None, int]:
    """(first bit from which `good` codewords can be read, the first without an error, or None; bit to go on from)."""
    last = end_bit - CODEWORD_BITS * good
    while first_bit <= last:
        starts = min(last - first_bit + 1, _SEARCHED_BITS)
        fits = _first_syndrome_fits(packed, first_bit, starts) + first_bit
        clean = fits[are_codewords(_codewords_at(packed, fits))] if len(fits) else fits
        for where in clean.tolist():
            following = where + CODEWORD_BITS * np.arange(1, good)
            if (correct(_codewords_at(packed, following)).symbols >= 0).all():
                return where, where
        first_bit += starts
    return None, first_bit


class FecBitReader(AlignedReader):
    """Packed line bits of any alignment, with FEC."""

    def __init__(self, fec: FecSettings | None = None, lock: LockSettings | None = None) -> None:
        super().__init__(lock)
        self.fec = fec or FecSettings()
        self.codeword_lock = CodewordLock(self.fec)
        self.header_xor: bool | None = self.fec.header_xor
        """The header rule in use; None before it is known."""
        self._previous: int | None = None

    @property
    def fec_on(self) -> bool | None:
        """Whether the stream has FEC; None before it is known."""
        return True

    @property
    def codeword_phase_bits(self) -> int | None:
        """Position of the codewords in the stream, 0 to 5279."""
        return None if self.start_bit is None else self.start_bit % CODEWORD_BITS

    def _find(self, first_bit: int) -> tuple[int | None, int]:
        return self._find_until(first_bit, self._base + 8 * len(self._raw))

    def _find_until(self, first_bit: int, end_bit: int) -> tuple[int | None, int]:
        """The same in codewords that end before `end_bit`."""
        at, end = first_bit - self._base, end_bit - self._base
        found, then = find_codewords(self._raw, at, end, self.fec.good)
        return None if found is None else self._base + found, self._base + then

    def _unpack(self, bit: int, headers: U8, words: U64) -> None:
        unpack_blocks(self._raw, bit - self._base, headers, words)

    def _align(self, bit: int) -> None:
        super()._align(bit)
        self._previous = None
        self.codeword_lock.restart()
        if self.fec.header_xor is None:
            first = correct(self._codewords(self.fec.good)).codewords
            on, off = (whole_groups(first, header_xor=rule) for rule in (True, False))
            self.header_xor = on > off

    def read(self) -> LineOctets:
        """Octets of all whole codewords at hand, none before the codewords are found."""
        if not self._aligned:
            found, self._next = self._find(self._next)
            if found is None:
                return NO_OCTETS
            self._align(found)
        return self._read_codewords()

    def _read_codewords(self) -> LineOctets:
        pieces = []
        while count := min((self._end - self._next) // CODEWORD_BITS, _CHUNK_CODEWORDS):
            pieces.append(self._decoded(correct(self._codewords(count))))
            self._next += CODEWORD_BITS * count
        return joined(pieces) if pieces else NO_OCTETS

    def _codewords(self, count: int) -> U8:
        """The next codewords without PN, (count, 660)."""
        words = bit_words(self._raw, self._next - self._base, CODEWORD_BITS * count)
        octets = words.astype("<u8", copy=False).view(np.uint8)[: CODEWORD_OCTETS * count]
        codewords = octets.reshape(count, CODEWORD_OCTETS)
        codewords ^= pn_5280()
        return codewords

    def _decoded(self, found: Corrected) -> LineOctets:
        headers, words = untranscode(found.codewords, self._previous, header_xor=bool(self.header_xor))
        self._previous = int(words[-1])
        bad = np.flatnonzero(found.symbols < 0)
        headers.reshape(-1, BLOCKS_PER_CODEWORD)[bad] = HEADER_BAD
        plain = self._descrambler.descramble(words)
        out = block_characters(headers, plain, first_unread=self._unread, terminate_at=self.terminate_at)
        self._unread = False
        places = dict(out.places)
        fixed = np.flatnonzero(found.symbols > 0)
        for place, numbers in (
            (Place.CODEWORD_CORRECTED, fixed),
            (Place.SYMBOL_CORRECTED, np.repeat(fixed, found.symbols[fixed])),
            (Place.CODEWORD_UNCORRECTED, bad),
            (Place.FEC_LOCK_LOST, self.codeword_lock.receive(found.symbols >= 0)),
        ):
            if len(numbers):
                places[place] = numbers * _CODEWORD_LINE_OCTETS
        return LineOctets(out.octets, out.k_positions, places, out.unread)


class AutomaticBitReader(FecBitReader):
    """Packed line bits of any alignment that may have FEC or not; each search for the alignment finds out anew.

    What is certain first on the line holds, blocks or codewords, so the cut of the data does not matter.
    """

    def __init__(self, fec: FecSettings | None = None, lock: LockSettings | None = None) -> None:
        super().__init__(fec, lock)
        self._on: bool | None = None
        self._blocks_from = 0  # bit to look for 66-bit headers from; codewords need more bits behind theirs

    @property
    def fec_on(self) -> bool | None:
        return self._on

    @property
    def codeword_phase_bits(self) -> int | None:
        return super().codeword_phase_bits if self._on else None

    def realign(self, octets_unused: int) -> None:
        super().realign(octets_unused)
        self._blocks_from = self._next

    def read(self) -> LineOctets:
        """Octets of all that is whole at hand, none before blocks or codewords are found."""
        if not self._aligned:
            at, end = self._blocks_from - self._base, 8 * len(self._raw)
            found, then = find_blocks(self._raw, at, end, self.lock.settings.good)
            self._blocks_from = self._base + then
            good = self.lock.settings.good
            certain = end if found is None else min(end, found + good * self.block_bits)
            codeword, self._next = self._find_until(self._next, self._base + certain)
            if codeword is not None:
                self._on = True
                self._align(codeword)
            elif found is not None:
                self._on, self.header_xor = False, None
                AlignedReader._align(self, self._base + found)
            else:
                return NO_OCTETS
        return (
            self._read_codewords() if self._on else self._blocks((self._end - self._next) // self.block_bits)
        )
