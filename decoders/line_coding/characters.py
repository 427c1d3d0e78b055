"""From the raw forms of a stream to characters: octets, and where the special and the damaged ones are.

`octets`, `flagged`, `symbols` and `bits` are the forms of a capture or a tap. A reader takes raw data in any
cut and gives characters; the bit reader also finds the word alignment (802.3 clause 36.2.4.9: any K28.5, here
two of them one hyperframe apart) and can be told to find it again.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from ..arrays import U8
from .code_8b10b import CodedBlock, SymbolDecoder, find_sync_symbols
from .line_octets import LineOctets, Place

__all__ = ["BLOCK_FORMS", "CHARACTER_FORMS", "CharacterReader", "LineForm", "OctetReader", "open_reader"]

NO_OCTETS = LineOctets(np.zeros(0, np.uint8))


class LineForm(StrEnum):
    """Raw forms of a stream; what a word holds is in the module's contract of captures."""

    OCTETS = "octets"
    FLAGGED = "flagged"
    SYMBOLS = "symbols"
    BITS = "bits"
    BLOCKS = "blocks"

    @property
    def has_flags(self) -> bool:
        """Whether K characters and code errors can be known."""
        return self is not LineForm.OCTETS

    @property
    def has_alignment(self) -> bool:
        """Whether where characters or blocks begin must be found, and can be found anew."""
        return self in (LineForm.BITS, LineForm.BLOCKS)


CHARACTER_FORMS = (LineForm.OCTETS, LineForm.FLAGGED, LineForm.SYMBOLS, LineForm.BITS)
"""Forms of 8B/10B."""
BLOCK_FORMS = (LineForm.OCTETS, LineForm.FLAGGED, LineForm.BLOCKS, LineForm.BITS)
"""Forms of 64B/66B."""


class CharacterReader(Protocol):
    """Raw data in, octets of the link out, whatever the cut of the data.

    `feed` keeps a view of the caller's memory until `own` is called. `read` gives all that is whole by then, nothing
    before an alignment is found; it raises nothing for what is wrong on the line, which stands under the headings of
    LineOctets. Where an alignment is found `start_octet` says how many octets' time of the stream lies before what
    comes next, and `slip_bits` the alignment offset; both are None for forms without an alignment.
    """

    def feed(self, data: U8, held_octets: int) -> None:
        """Raw octets behind those fed before; the last `held_octets` octets read may have to be read again."""

    def read(self) -> LineOctets: ...

    def own(self, held_octets: int) -> None:
        """Copy what is held back of the caller's memory."""

    def realign(self, octets_unused: int) -> None:
        """Look for the alignment anew, from `octets_unused` octets before the last one read."""

    @property
    def start_bit(self) -> int | None:
        """Where in the whole stream the last alignment was found."""

    @property
    def start_octet(self) -> int | None: ...
    @property
    def slip_bits(self) -> int | None: ...

    def rest_octets(self) -> int:
        """Octets' time at the end that never became octets of the link."""


def _line_octets(block: CodedBlock) -> LineOctets:
    places = {Place.CODE_VIOLATION: block.violations, Place.DISPARITY_ERROR: block.disparity_errors}
    found = {place: positions for place, positions in places.items() if len(positions)}
    return LineOctets(block.octets, block.k_positions, found)


class OctetReader:
    """Octets as they are; nothing is known about K and code errors."""

    start_bit: int | None = None
    start_octet: int | None = None
    slip_bits: int | None = None

    def __init__(self) -> None:
        self._data: U8 = np.zeros(0, np.uint8)

    def feed(self, data: U8, held_octets: int) -> None:
        self._data = data

    def read(self) -> LineOctets:
        data, self._data = self._data, self._data[:0]
        return LineOctets(data)

    def own(self, held_octets: int) -> None:
        """Copy what is held back of the caller's memory: nothing here."""

    def realign(self, octets_unused: int) -> None:
        raise NotImplementedError("octets have no alignment")

    def rest_octets(self) -> int:
        """Octets at the end that never became characters."""
        return 0


class _WordReader(OctetReader):
    """16-bit little-endian words: flagged octets."""

    def __init__(self) -> None:
        super().__init__()
        self._half: U8 = np.zeros(0, np.uint8)

    def feed(self, data: U8, held_octets: int) -> None:
        if len(self._half):
            data = np.concatenate((self._half, data))
        whole = len(data) & ~1
        self._half = data[whole:].copy()
        self._data = data[:whole]

    def read(self) -> LineOctets:
        words = np.ascontiguousarray(self._data).view("<u2")
        self._data = self._data[:0]
        return _line_octets(self._characters(words))

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

    @property
    def start_octet(self) -> int | None:
        """Characters' time of the stream before it."""
        return None if self._first is None else self._first // 10

    @property
    def slip_bits(self) -> int | None:
        """Alignment offset of the characters, 0 to 9."""
        return None if self._first is None else self._first % 10

    def feed(self, data: U8, held_octets: int) -> None:
        self._forget(held_octets)
        self._raw = np.concatenate((self._raw, data)) if len(self._raw) else data

    def own(self, held_octets: int) -> None:
        self._forget(held_octets)
        self._raw = self._raw.copy()

    def _forget(self, held_octets: int) -> None:
        """Drop the bits that are done; what is held may have to be read again in another alignment."""
        keep = (self._next - 10 * held_octets - self._base) >> 3
        self._raw = self._raw[keep:]
        self._base += 8 * keep

    def read(self) -> LineOctets:
        end = self._base + 8 * len(self._raw)
        if not self._aligned and not self._hunt(end):
            return NO_OCTETS
        count = max(0, (end - self._next) // 10)
        block = self._decoder.decode_bits(self._raw, self._next - self._base, count)
        self._next += 10 * count
        return _line_octets(block)

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

    def realign(self, octets_unused: int) -> None:
        """Look for the alignment anew, from `octets_unused` characters before the last one read."""
        self._next -= 10 * octets_unused
        self._hunting_from = self._next
        self._aligned = False

    def rest_octets(self) -> int:
        """Whole characters' time left over, when the stream has ended without alignment."""
        return 0 if self._aligned else (self._base + 8 * len(self._raw) - self._hunting_from) // 10


def open_reader(form: LineForm, hyperframe_octets: int) -> CharacterReader:
    """The reader of a raw form."""
    if form is LineForm.BITS:
        return _BitReader(hyperframe_octets)
    return {LineForm.OCTETS: OctetReader, LineForm.FLAGGED: _WordReader, LineForm.SYMBOLS: _SymbolReader}[
        form
    ]()
