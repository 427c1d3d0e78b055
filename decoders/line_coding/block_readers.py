"""From 66-bit blocks to octets: readers of the forms `blocks`, `bits` and `flagged` at options 7A, 8, 9, 10.

A reader takes raw data in any cut and gives `LineOctets`. It begins at the first block of the 64 that give lock
and goes on in that alignment, good or not, so that octets keep their places; what it has seen stands under the
headings of `LineOctets`. When signal or frame is lost, `realign` makes it look for the blocks anew.
"""

from __future__ import annotations

from abc import ABC, abstractmethod

import numpy as np
from numpy.typing import NDArray

from .block_lock import BlockLock, LockSettings, LockState, find_blocks, first_good_run
from .code_64b66b import (
    BLOCK_BITS,
    BLOCK_OCTETS,
    CHUNK_BLOCKS,
    STORED_OCTETS,
    PayloadDescrambler,
    bad_headers,
    block_characters,
    split_blocks,
    unpack_blocks,
)
from .line_octets import LineOctets, Place

__all__ = ["NO_OCTETS", "AlignedReader", "BlockBitReader", "BlockReader", "FlaggedBlockReader"]

U8 = NDArray[np.uint8]
U64 = NDArray[np.uint64]
I64 = NDArray[np.int64]
NO_OCTETS = LineOctets(np.zeros(0, np.uint8))


class AlignedReader(ABC):
    """What readers with an alignment have in common: raw data kept, blocks found, payload descrambled."""

    block_bits = BLOCK_BITS
    """Bits that one block of eight octets takes in the raw form."""

    def __init__(self, lock: LockSettings | None = None) -> None:
        self.lock = BlockLock(lock, LockState.UNLOCKED)
        self.terminate_at = 7
        """Octet of /T/ in the sync word, for a first block that cannot be descrambled; set it when known."""
        self._raw: U8 = np.zeros(0, np.uint8)
        self._base = 0  # bit number, in the whole stream, of the first bit of _raw
        self._next = 0  # bit of the stream to go on from
        self._hunting_from = 0
        self._aligned = False
        self._unread = False  # the block to come is the first one, whose payload cannot be descrambled
        self._first: int | None = None
        self._descrambler = PayloadDescrambler()

    # --- the stream

    @property
    def start_bit(self) -> int | None:
        """Where in the whole stream the last alignment was found; None where the form has no alignment."""
        return self._first

    @property
    def start_octet(self) -> int | None:
        """Octets of the stream before the last alignment found, counted in whole blocks' time."""
        return None if self._first is None else self._first // self.block_bits * BLOCK_OCTETS

    @property
    def slip_bits(self) -> int | None:
        """Alignment offset of the blocks, 0 to 65."""
        return None if self.start_bit is None else self.start_bit % self.block_bits

    def feed(self, data: U8, held_octets: int) -> None:
        """Raw octets behind those fed before; the last `held_octets` octets read may have to be read again."""
        self._forget(held_octets)
        self._raw = np.concatenate((self._raw, data)) if len(self._raw) else data

    def own(self, held_octets: int) -> None:
        """Copy what is held back of the caller's memory."""
        self._forget(held_octets)
        self._raw = self._raw.copy()

    def _forget(self, held_octets: int) -> None:
        held = self.block_bits * -(-held_octets // BLOCK_OCTETS)
        keep = max(0, (self._next - held - self._base) >> 3)
        self._raw = self._raw[keep:]
        self._base += 8 * keep

    @property
    def _end(self) -> int:
        return self._base + 8 * len(self._raw)

    def realign(self, octets_unused: int) -> None:
        """Look for the blocks anew, from `octets_unused` octets before the last one read."""
        if self._aligned:
            self._next -= self.block_bits * (octets_unused // BLOCK_OCTETS)
        self._hunting_from = self._next
        self._aligned = False

    def rest_octets(self) -> int:
        """Octets' time of whole blocks left over, when the stream has ended without alignment."""
        if self._aligned:
            return 0
        return max(0, self._end - self._hunting_from) // self.block_bits * BLOCK_OCTETS

    def read(self) -> LineOctets:
        """Octets of all whole blocks at hand, none before the blocks are found."""
        if not self._aligned:
            found, self._next = self._find(self._next)
            if found is None:
                return NO_OCTETS
            self._align(found)
        return self._blocks((self._end - self._next) // self.block_bits)

    def _align(self, bit: int) -> None:
        self._aligned = self._unread = True
        self._next = self._first = bit
        self._descrambler.reset()
        self.lock.restart()

    # --- what a form says of itself

    @abstractmethod
    def _find(self, first_bit: int) -> tuple[int | None, int]:
        """(bit where blocks begin from `first_bit` on, or None; bit to look from next time)."""

    @abstractmethod
    def _unpack(self, bit: int, headers: U8, words: U64) -> None:
        """Blocks from the bit `bit` of the stream on, still scrambled."""

    # --- blocks

    def _blocks(self, count: int) -> LineOctets:
        """The next `count` blocks."""
        headers, plain = np.empty(count, np.uint8), np.empty(count, np.uint64)
        for start in range(0, count, CHUNK_BLOCKS):
            head = headers[start : start + CHUNK_BLOCKS]
            bit = self._next + self.block_bits * start

            def fill(words: U64, head: U8 = head, bit: int = bit) -> None:
                self._unpack(bit, head, words)

            self._descrambler.run(fill, plain[start : start + CHUNK_BLOCKS])
        self._next += self.block_bits * count
        return self._octets(headers, plain)

    def _octets(self, headers: U8, plain: U64) -> LineOctets:
        out = block_characters(headers, plain, first_unread=self._unread, terminate_at=self.terminate_at)
        self._unread = self._unread and not len(headers)
        lost = self.lock.receive(out.at(Place.HEADER_ERROR) // BLOCK_OCTETS, len(headers))
        if len(lost):
            places = {**out.places, Place.LOCK_LOST: lost * BLOCK_OCTETS}
            return LineOctets(out.octets, out.k_positions, places, out.unread)
        return out


class BlockBitReader(AlignedReader):
    """Packed line bits of any alignment, without FEC."""

    def _find(self, first_bit: int) -> tuple[int | None, int]:
        at = first_bit - self._base
        found, then = find_blocks(self._raw, at, 8 * len(self._raw), self.lock.settings.good)
        return None if found is None else self._base + found, self._base + then

    def _unpack(self, bit: int, headers: U8, words: U64) -> None:
        unpack_blocks(self._raw, bit - self._base, headers, words)


class BlockReader(AlignedReader):
    """Blocks of nine octets: two header bits, then the scrambled payload."""

    block_bits = 8 * STORED_OCTETS
    start_bit = None

    def _stored(self, bit: int, count: int) -> tuple[U8, U64]:
        at = (bit - self._base) >> 3
        return split_blocks(self._raw[at : at + STORED_OCTETS * count])

    def _find(self, first_bit: int) -> tuple[int | None, int]:
        count = (self._end - first_bit) // self.block_bits
        headers, _ = self._stored(first_bit, count)
        found, then = first_good_run(bad_headers(headers), count, self.lock.settings.good)
        bit = first_bit + self.block_bits * then
        return None if found is None else bit, bit

    def _unpack(self, bit: int, headers: U8, words: U64) -> None:
        stored, payload = self._stored(bit, len(headers))
        np.bitwise_and(stored, 3, out=headers)
        words[:] = payload


class FlaggedBlockReader:
    """Flagged octets of 64B/66B (16-bit little-endian words: octet, bit 8 K, bit 9 in a block with a bad header).

    Which octets make a block is not said, so in a run of marked octets every eighth one stands for its block.
    """

    start_bit: int | None = None
    start_octet: int | None = None
    slip_bits: int | None = None

    def __init__(self) -> None:
        self._data: U8 = np.zeros(0, np.uint8)
        self._half: U8 = np.zeros(0, np.uint8)
        self._run = 0  # marked octets right before those to come

    def feed(self, data: U8, held_octets: int) -> None:
        if len(self._half):
            data = np.concatenate((self._half, data))
        whole = len(data) & ~1
        self._half = data[whole:].copy()
        self._data = data[:whole]

    def own(self, held_octets: int) -> None:
        """Copy what is held back of the caller's memory: nothing here."""

    def realign(self, octets_unused: int) -> None:
        raise NotImplementedError("flagged octets have no alignment")

    def rest_octets(self) -> int:
        """Octets at the end that never became octets of the link."""
        return 0

    def read(self) -> LineOctets:
        words = np.ascontiguousarray(self._data).view("<u2")
        self._data = self._data[:0]
        flags = np.flatnonzero(words & np.uint16(0x300))
        marks = words[flags]
        violation = (marks & 0x200) != 0
        bad, k = flags[violation], flags[~violation]
        octets = words.astype(np.uint8)
        if not len(bad):
            self._run = 0 if len(words) else self._run
            return LineOctets(octets, k)
        begins = np.flatnonzero(np.diff(bad, prepend=-2) != 1)
        place = np.arange(len(bad)) - np.repeat(begins, np.diff(begins, append=len(bad)))
        if bad[0] == 0:
            first = int(begins[1]) if len(begins) > 1 else len(bad)
            place[:first] += self._run
        self._run = int(place[-1]) + 1 if bad[-1] == len(words) - 1 else 0
        return LineOctets(octets, k, {Place.HEADER_ERROR: bad[place % BLOCK_OCTETS == 0]})
