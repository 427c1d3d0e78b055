"""Scalar reference of 64B/66B: where blocks begin, their headers, the payload behind the scrambler, their octets.

IEEE 802.3 clause 49: headers 01 and 10, first sent bit first; payload scrambled by 1 + x^39 + x^58, which a receiver
takes off with the 58 line bits before. A stream is one long whole number here, bit n of it the n-th on the line, so
that descrambling is two shifts. It is the yardstick of the batch decoders, so it shares no code with them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from .line_code import Characters

__all__ = [
    "BAD_HEADER",
    "BAD_TYPE",
    "LOCK_LOST",
    "UNREAD",
    "BlockRun",
    "blocks_at",
    "characters_of_blocks",
    "count_flagged_blocks",
    "find_block_run",
    "find_stored_run",
    "lock_losses",
    "stored_blocks",
]

BLOCK_BITS = 66
DATA_HEADER, CONTROL_HEADER = 2, 1
"""Bits 01 and 10 in line order, the first in bit 0."""
BAD_HEADER, BAD_TYPE, UNREAD, LOCK_LOST = 8, 16, 32, 64
"""Flags of `Characters` beside those of 8B/10B; all but UNREAD stand at the first octet of a block."""

_START_TYPE = 0x78
_TERMINATE_TYPES = {0x87: 0, 0x99: 1, 0xAA: 2, 0xB4: 3, 0xCC: 4, 0xD2: 5, 0xE1: 6, 0xFF: 7}
_S, _T, _IDLE, _FILLER = 0xFB, 0xFD, 0x07, 0x50
_K = 1


@dataclass(slots=True)
class BlockRun:
    """Blocks of one alignment: headers (0 to 3) and payload octets as on the line, eight a block.

    `codewords` are (block, symbols corrected or -1) of those that RS-FEC has worked on.
    """

    headers: bytes
    payload: bytes
    codewords: list[tuple[int, int]] = field(default_factory=list)


def _line(data: bytes) -> int:
    return int.from_bytes(data, "little")


def blocks_at(data: bytes, first_bit: int) -> BlockRun:
    """All whole blocks of packed line bits from `first_bit` on."""
    count = max(0, 8 * len(data) - first_bit) // BLOCK_BITS
    moved = (_line(data) >> first_bit).to_bytes(len(data) + 33, "little")
    headers, payload = bytearray(), bytearray()
    for i in range(0, count, 4):  # four blocks are 33 octets
        four = _line(moved[33 * (i // 4) : 33 * (i // 4) + 33])
        for _ in range(min(4, count - i)):
            headers.append(four & 3)
            payload += (four >> 2 & 0xFFFF_FFFF_FFFF_FFFF).to_bytes(8, "little")
            four >>= BLOCK_BITS
    return BlockRun(bytes(headers), bytes(payload))


def stored_blocks(data: bytes, first_block: int) -> BlockRun:
    """Blocks of nine octets each: header, payload."""
    data = data[9 * first_block : len(data) // 9 * 9]
    headers = bytes(octet & 3 for octet in data[::9])
    return BlockRun(headers, b"".join(data[i + 1 : i + 9] for i in range(0, len(data), 9)))


def find_block_run(data: bytes, first_bit: int, good: int) -> int | None:
    """The first bit, from `first_bit` on, at which `good` blocks in a row have good headers."""
    length = 8 * len(data) - first_bit
    if length < BLOCK_BITS * (good - 1) + 2:
        return None
    line = _line(data) >> first_bit
    unlike = line ^ line >> 1
    marks = bin(unlike & ((1 << length - 1) - 1) | 1 << length - 1)[3:][::-1]  # bit 0 comes first
    wanted = "1" * good
    found = []
    for offset in range(BLOCK_BITS):
        at = marks[offset::BLOCK_BITS].find(wanted)
        if at >= 0:
            found.append(first_bit + offset + BLOCK_BITS * at)
    return min(found, default=None)


def find_stored_run(data: bytes, first_block: int, good: int) -> int | None:
    """The first block of nine octets, from `first_block` on, of `good` in a row with good headers."""
    run = 0
    for i in range(first_block, len(data) // 9):
        run = run + 1 if data[9 * i] & 3 in (DATA_HEADER, CONTROL_HEADER) else 0
        if run == good:
            return i + 1 - good
    return None


def _descrambled(payload: bytes) -> bytes:
    """Plain payload; the first 58 bits of it are not known and come out as they may."""
    line = _line(payload)
    plain = line ^ line << 39 ^ line << 58
    return (plain & ((1 << 8 * len(payload)) - 1)).to_bytes(len(payload), "little")


def lock_losses(headers: bytes, good: int, bad: int) -> list[int]:
    """Blocks that lose lock: the `bad`-th bad header of a window of `good`; 64 good in a row give it again.

    Windows stand one behind the other from the first block, or from the one behind a change (802.3 figure 49-12).
    """
    lost = []
    locked, seen, wrong = True, 0, 0
    for i, header in enumerate(headers):
        is_bad = header in (0, 3)
        if not locked:
            seen = 0 if is_bad else seen + 1
            if seen == good:
                locked, seen, wrong = True, 0, 0
            continue
        seen += 1
        wrong += is_bad
        if wrong == bad:
            lost.append(i)
            locked, seen, wrong = False, 0, 0
        elif seen == good:
            seen = wrong = 0
    return lost


def characters_of_blocks(run: BlockRun, lost: Iterable[int] = ()) -> Characters:
    """Octets of blocks behind the line code, with flags; the first block is not known and marked so.

    Where the first block is a control block before /S/ it can be nothing but the beginning of the sync word, and
    its octets are put there with /T/ in octet 7. Idle characters behind /T/ read 07. `lost`: blocks that lose lock.
    """
    plain = _descrambled(run.payload)
    octets, flags = bytearray(plain), bytearray(len(plain))
    for i, header in enumerate(run.headers):
        if header == DATA_HEADER:
            continue
        at = 8 * i
        if not i:  # not known, and counted nowhere
            continue
        if header != CONTROL_HEADER:
            flags[at] |= BAD_HEADER
        else:
            octets[at : at + 8], marks = _control_octets(plain[at : at + 8])
            flags[at] |= marks[0]
            for j in range(1, 8):
                flags[at + j] |= marks[j]
    if run.headers:
        if run.headers[0] == CONTROL_HEADER and octets[8:9] == bytes([_S]) and flags[8] & _K:
            octets[:8] = bytes([_FILLER] * 7 + [_T])
            flags[7] |= _K
        for j in range(8):
            flags[j] |= UNREAD
    for i in lost:
        flags[8 * i] |= LOCK_LOST
    return Characters(bytes(octets), bytes(flags), [(8 * block, count) for block, count in run.codewords])


def _control_octets(block: bytes) -> tuple[bytes, list[int]]:
    """(octets, flags) of a control block by its type octet (802.3 figure 49-7)."""
    marks = [0] * 8
    kind = block[0]
    if kind == _START_TYPE:
        marks[0] = _K
        return bytes([_S]) + block[1:], marks
    place = _TERMINATE_TYPES.get(kind)
    if place is None:
        marks[0] = BAD_TYPE
        return block, marks
    marks[place] = _K
    return block[1 : place + 1] + bytes([_T]) + bytes([_IDLE] * (7 - place)), marks


def count_flagged_blocks(words: Iterable[int]) -> Characters:
    """Characters of flagged words (octet, bit 8 K, bit 9 in a block with a bad header).

    Which octets make a block is not said: of a run of marked ones every eighth stands for its block.
    """
    octets, flags = bytearray(), bytearray()
    run = 0
    for word in words:
        octets.append(word & 0xFF)
        if word & 0x200:
            flags.append(0 if run % 8 else BAD_HEADER)
            run += 1
        else:
            flags.append(word >> 8 & _K)
            run = 0
    return Characters(bytes(octets), bytes(flags))
