"""Scalar reference of a receiver's front end at 64B/66B: line data in, characters from an alignment on.

Bits of any alignment, with RS-FEC or without, or blocks of nine octets. Where the alignment is lost, `read` looks for
the next one. Octets are numbered by the time of their block, so that a place stays one whatever was skipped.
"""

from __future__ import annotations

from typing import Protocol

from .block_code import (
    BLOCK_BITS,
    blocks_at,
    characters_of_blocks,
    find_block_run,
    find_stored_run,
    lock_losses,
    stored_blocks,
)
from .fec_code import CODEWORD_BITS, blocks_of_codewords, codeword_lock_losses, find_codeword
from .line_code import Characters
from .results import ReferenceSettings

__all__ = ["AlignedLine", "BitLine", "BlockLine"]

_OCTETS = 8


class AlignedLine(Protocol):
    """Line data in a form with an alignment of blocks."""

    @property
    def octets(self) -> int:
        """Octets' time of all whole blocks, from the beginning on."""

    def read(self, from_octet: int) -> tuple[int, Characters] | None:
        """(number of the first octet, characters) of the first alignment from that octet on.

        `from_octet` is a number in the alignment read before, at a block's beginning. None where there is none.
        """


class BlockLine:
    """Blocks of nine octets."""

    def __init__(self, data: bytes, settings: ReferenceSettings) -> None:
        self._data = data
        self._settings = settings

    @property
    def octets(self) -> int:
        return len(self._data) // 9 * _OCTETS

    def read(self, from_octet: int) -> tuple[int, Characters] | None:
        settings = self._settings
        block = find_stored_run(self._data, from_octet // _OCTETS, settings.sh_valid)
        if block is None:
            return None
        run = stored_blocks(self._data, block)
        lost = lock_losses(run.headers, settings.sh_valid, settings.sh_invalid)
        return _OCTETS * block, characters_of_blocks(run, lost)


class BitLine:
    """Packed line bits; `fec` and `header_xor` are what was found, `first_bit` that of the first alignment."""

    def __init__(self, data: bytes, settings: ReferenceSettings) -> None:
        self._data = data
        self._settings = settings
        self._bit = 0  # of the alignment read last
        self._octet = 0
        self._found = 0
        self._codewords: dict[int, tuple[int, int]] = {}
        self.first_bit: int | None = None
        self.fec: bool | None = settings.fec
        self.header_xor: bool | None = None
        self.fec_locks_lost: list[int] = []
        self.realignments = 0  # alignments found at another offset than the one before

    @property
    def octets(self) -> int:
        return self._octet + (8 * len(self._data) - self._bit) // BLOCK_BITS * _OCTETS

    def read(self, from_octet: int) -> tuple[int, Characters] | None:
        settings = self._settings
        start = self._bit + (from_octet - self._octet) // _OCTETS * BLOCK_BITS
        found = self._find(start)
        if found is None:
            self._bit, self._octet = start, from_octet
            return None
        bit, fec = found
        if self.first_bit is None:
            self.first_bit = bit
        elif (bit - self._found) % BLOCK_BITS:
            self.realignments += 1
        self._found = bit
        self.fec = fec
        self._bit, self._octet = bit, bit // BLOCK_BITS * _OCTETS
        if not fec:
            run = blocks_at(self._data, bit)
            lost = lock_losses(run.headers, settings.sh_valid, settings.sh_invalid)
            return self._octet, characters_of_blocks(run, lost)
        run, self.header_xor = blocks_of_codewords(
            self._data, bit, settings.fec_header_xor, settings.fec_lock_good, self._codewords
        )
        whole = (8 * len(self._data) - bit) // CODEWORD_BITS
        lost = codeword_lock_losses(run.codewords, whole, settings.fec_lock_good, settings.fec_lose_bad)
        self.fec_locks_lost = [self._octet + _OCTETS * block for block in lost]
        return self._octet, characters_of_blocks(run)

    def _find(self, start: int) -> tuple[int, bool] | None:
        """(first bit, whether with FEC) of the alignment whose first run is complete first."""
        settings = self._settings
        runs: list[tuple[int, int, bool]] = []
        if settings.fec is not True:
            bit = find_block_run(self._data, start, settings.sh_valid)
            if bit is not None:
                runs.append((bit + BLOCK_BITS * (settings.sh_valid - 1) + 2, bit, False))
        if settings.fec is not False and not runs:
            bit = find_codeword(self._data, start, settings.fec_lock_good)
            if bit is not None:
                runs.append((bit + CODEWORD_BITS * settings.fec_lock_good, bit, True))
        return min(runs)[1:] if runs else None
