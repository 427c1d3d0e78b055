"""64B/66B line code: blocks of a 2-bit header and eight octets (IEEE 802.3 clause 49; CPRI options 7A, 8, 9, 10).

Of the block formats the link uses three: data, /T/ (an octet 0 to 7 of the block) and /S/ (octet 0). A block here
is a header (bit 0 is first on the line) and one 64-bit payload word (bit 0 first on the line, octet 0 first).
Payload is scrambled by 1 + x^39 + x^58, self-synchronising and never reset; headers are not.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from ..errors import LayoutError
from .line_octets import NOWHERE, LineOctets, Place

__all__ = [
    "BLOCK_BITS",
    "BLOCK_OCTETS",
    "CHUNK_BLOCKS",
    "CONTROL",
    "DATA",
    "IDLE",
    "START",
    "TERMINATE",
    "TYPE_START",
    "TYPE_TERMINATE",
    "BlockEncoder",
    "PayloadDescrambler",
    "PayloadScrambler",
    "bad_headers",
    "block_characters",
    "join_blocks",
    "pack_blocks",
    "split_blocks",
    "unpack_blocks",
]

U8 = NDArray[np.uint8]
U64 = NDArray[np.uint64]
I64 = NDArray[np.int64]

BLOCK_BITS = 66
BLOCK_OCTETS = 8
STORED_OCTETS = 9
"""Octets of a block in the form `blocks`: header, payload."""
CHUNK_BLOCKS = 8192
"""Blocks worked on at once: 64 KiB of payload, small enough for the cache."""

DATA, CONTROL = 0b10, 0b01
"""Headers: 01 and 10 in line order; bit 0 of the number is first on the line."""
START, TERMINATE, IDLE = 0xFB, 0xFD, 0x07
"""/S/, /T/ and the idle character on the 8-bit side (802.3 table 46-3)."""
TYPE_START = 0x78
TYPE_TERMINATE = (0x87, 0x99, 0xAA, 0xB4, 0xCC, 0xD2, 0xE1, 0xFF)
"""Block type octets: /S/ in octet 0; /T/ in octet 0 to 7 (802.3 figure 49-7)."""

_TAPS = (39, 58)
_FORMAT = np.full(256, -1, np.int64)  # type octet -> place of /T/, 8 for /S/, -1 for any other
_FORMAT[list(TYPE_TERMINATE)] = np.arange(8)
_FORMAT[TYPE_START] = 8
_BEFORE = np.array([(1 << 8 * k) - 1 for k in range(8)], np.uint64)
_AFTER = np.array(
    [int.from_bytes(bytes([0] * k + [TERMINATE] + [IDLE] * (7 - k)), "little") for k in range(8)],
    np.uint64,
)
_OCTET_0 = np.uint64(0xFF)
_FILLERS = np.uint64(0x5050_5050_5050_5050)


def _word(value: int) -> np.uint64:
    return np.uint64(value)


class PayloadDescrambler:
    """Scrambled payload words to plain ones; the first word after `reset` comes out wrong."""

    def __init__(self) -> None:
        self._line = np.empty(CHUNK_BLOCKS + 1, np.uint64)
        self._shifted = np.empty(CHUNK_BLOCKS, np.uint64)
        self.reset()

    def reset(self, last_word: int = 0) -> None:
        """Go on behind the payload word `last_word` of the line, of which the last 58 bits matter."""
        self._line[0] = last_word

    def run(self, fill: Callable[[U64], None], plain: U64) -> None:
        """Descramble the next len(plain) words (CHUNK_BLOCKS at most), which `fill` writes into its argument."""
        n = len(plain)
        line = self._line[1 : n + 1]
        fill(line)
        before, shifted = self._line[:n], self._shifted[:n]
        np.left_shift(line, _word(_TAPS[0]), out=plain)
        plain ^= line
        for tap in _TAPS:
            np.right_shift(before, _word(64 - tap), out=shifted)
            plain ^= shifted
        np.left_shift(line, _word(_TAPS[1]), out=shifted)
        plain ^= shifted
        if n:
            self._line[0] = self._line[n]

    def descramble(self, words: U64) -> U64:
        """Plain payload words (n,) of scrambled ones."""
        plain = np.empty(len(words), np.uint64)
        for start in range(0, len(words), CHUNK_BLOCKS):
            part = words[start : start + CHUNK_BLOCKS]
            self.run(lambda line, part=part: np.copyto(line, part), plain[start : start + len(part)])  # type: ignore[misc]
        return plain


class PayloadScrambler:
    """Plain payload words to scrambled ones.

    Division by P = 1 + x^39 + x^58 is multiplication by P * P^2 * P^4 ..., whose factors are trinomials, too.
    """

    def __init__(self, last_word: int = 0xFFFF_FFFF_FFFF_FFFF) -> None:
        self.reset(last_word)

    def reset(self, last_word: int) -> None:
        """Go on behind the scrambled word `last_word`, of which the last 58 bits matter."""
        self._last = last_word

    def scramble(self, words: U64) -> U64:
        """Scrambled payload words (n,)."""
        out = np.empty(len(words), np.uint64)
        for start in range(0, len(words), CHUNK_BLOCKS):
            part = words[start : start + CHUNK_BLOCKS]
            out[start : start + len(part)] = self._run(part)
        return out

    def _run(self, words: U64) -> U64:
        line = np.empty(len(words) + 1, np.uint64)
        # The word from which a scrambler at rest makes the last word of the line.
        last = _word(self._last)
        line[0] = last ^ last << _word(_TAPS[0]) ^ last << _word(_TAPS[1])
        line[1:] = words
        scale = 1
        while _TAPS[0] * scale < 64 * len(line):
            before = line.copy()
            for tap in _TAPS:
                whole, shift = divmod(tap * scale, 64)
                size = len(line) - whole
                if size <= 0:
                    continue
                line[whole:] ^= before[:size] << _word(shift)
                if shift and size > 1:
                    line[whole + 1 :] ^= before[: size - 1] >> _word(64 - shift)
            scale *= 2
        self._last = int(line[-1])
        return line[1:]


def unpack_blocks(packed: U8, first_bit: int, headers: U8, words: U64) -> None:
    """Blocks of packed line bits from `first_bit` on into `headers` and `words`, (n,) each, still scrambled."""
    count = len(headers)
    start = first_bit >> 3
    if start + (BLOCK_BITS * count + 7) // 8 + 16 > len(
        packed
    ):  # the last windows would reach beyond the end
        packed = np.concatenate((packed[start:], np.zeros(16, np.uint8)))
        first_bit -= 8 * start
    for lane in range(min(4, count)):  # four blocks are 33 octets
        bit = first_bit + BLOCK_BITS * lane
        size = (count - lane + 3) // 4
        head = np.ndarray((size,), np.uint8, packed.data, bit >> 3, (33,))
        shift = bit & 7
        if shift == 7:  # the header's second bit lies in the next octet
            second = np.ndarray((size,), np.uint8, packed.data, (bit >> 3) + 1, (33,))
            headers[lane::4] = head >> 7 | (second & 1) << 1
        else:
            headers[lane::4] = head >> np.uint8(shift) & 3
        bit += 2
        shift = bit & 7
        body = np.ndarray((size,), np.dtype("<u8"), packed.data, bit >> 3, (33,))
        lane_words = words[lane::4]
        if not shift:
            lane_words[:] = body
            continue
        np.right_shift(body, _word(shift), out=lane_words)
        rest = np.ndarray((size,), np.uint8, packed.data, (bit >> 3) + 8, (33,))
        lane_words |= rest.astype(np.uint64) << _word(64 - shift)


def pack_blocks(headers: U8, words: U64, lead_bits: int = 0) -> U8:
    """Packed line bits of blocks behind `lead_bits` zeros; the last octet is filled up with zeros."""
    count = len(headers)
    total = (lead_bits + BLOCK_BITS * count + 7) // 8
    groups = -(-count // 4)
    head = np.zeros(4 * groups, np.uint64)
    body = np.zeros(4 * groups, np.uint64)
    head[:count], body[:count] = headers & 3, words
    heads, bodies = head.reshape(-1, 4), body.reshape(-1, 4)
    # 264 bits in five words: block i of four lies 66 i bits behind the first.
    out = np.zeros((groups, 5), np.uint64)
    for i in range(4):
        at = 2 * i
        out[:, i] |= heads[:, i] << _word(at) | bodies[:, i] << _word(at + 2)
        out[:, i + 1] |= bodies[:, i] >> _word(62 - at)
    octets = np.ascontiguousarray(out.astype("<u8").view(np.uint8).reshape(-1, 40)[:, :33]).reshape(-1)
    whole, shift = divmod(lead_bits, 8)
    packed = np.zeros(whole + len(octets) + 1, np.uint8)
    packed[whole:-1] = octets << np.uint8(shift)
    if shift:
        packed[whole + 1 :] |= octets >> np.uint8(8 - shift)
    return packed[:total]


def split_blocks(stored: U8) -> tuple[U8, U64]:
    """Views (headers with six more bits, payload words), (n,) each, of whole blocks of nine octets."""
    if len(stored) % STORED_OCTETS:
        raise LayoutError(f"{len(stored)} octets are not whole blocks of {STORED_OCTETS}")
    stored = np.ascontiguousarray(stored)
    n = len(stored) // STORED_OCTETS
    if not n:
        return np.zeros(0, np.uint8), np.zeros(0, np.uint64)
    headers = stored[::STORED_OCTETS]
    return headers, np.ndarray((n,), np.dtype("<u8"), stored.data, 1, (STORED_OCTETS,))


def join_blocks(headers: U8, words: U64) -> U8:
    """Blocks in the form `blocks`: nine octets each, header first."""
    out = np.empty((len(headers), STORED_OCTETS), np.uint8)
    out[:, 0] = headers & 3
    out[:, 1:] = words.astype("<u8").view(np.uint8).reshape(-1, 8)
    return out.reshape(-1)


def bad_headers(headers: U8) -> I64:
    """Numbers of the blocks whose header is 00 or 11."""
    where: I64 = np.flatnonzero((headers ^ headers >> 1) & 1 == 0)
    return where


def block_characters(
    headers: U8, plain: U64, *, first_unread: bool = False, terminate_at: int = 7
) -> LineOctets:
    """Octets of blocks with descrambled payload; `plain` is changed in place and stays below the octets.

    A block with a bad header and a control block of another type give their eight octets as received. The idle
    characters behind /T/ read 07. Of a first block that is not descrambled (`first_unread`) the octets are not
    known; when it is a control block right before /S/, those of the sync word are put there, /T/ in octet
    `terminate_at`.
    """
    special: I64 = np.flatnonzero(headers != DATA)
    kinds = headers[special]
    bad, control = special[kinds != CONTROL], special[kinds == CONTROL]
    formats = _FORMAT[(plain[control] & _OCTET_0).astype(np.intp)]
    unread, opens = NOWHERE, False
    if first_unread and len(headers):
        unread = np.zeros(1, np.int64)
        bad = bad[bad != 0]
        if len(control) and control[0] == 0:
            control, formats = control[1:], formats[1:]
            opens = len(control) > 0 and control[0] == 1 and formats[0] == 8
    places: dict[Place, I64] = {}
    if len(bad):
        places[Place.HEADER_ERROR] = bad * BLOCK_OCTETS
    k = NOWHERE
    if len(control):
        known = formats >= 0
        if not known.all():
            places[Place.UNEXPECTED_TYPE] = control[~known] * BLOCK_OCTETS
            control, formats = control[known], formats[known]
        terminate = formats < 8
        at, place = control[terminate], formats[terminate]
        plain[at] = (plain[at] >> _word(8) & _BEFORE[place]) | _AFTER[place]
        at = control[~terminate]
        plain[at] = (plain[at] & ~_OCTET_0) | _word(START)
        k = control * BLOCK_OCTETS + np.where(terminate, formats, 0)
    if opens:
        plain[0] = (_FILLERS & _BEFORE[terminate_at]) | _AFTER[terminate_at]
        k = np.concatenate((np.array([terminate_at], np.int64), k))
    return LineOctets(plain.astype("<u8", copy=False).view(np.uint8), k, places, unread)


class BlockEncoder:
    """Octets to blocks with scrambled payload; carries the scrambler from call to call."""

    def __init__(self, last_word: int = 0xFFFF_FFFF_FFFF_FFFF) -> None:
        self.scrambler = PayloadScrambler(last_word)

    def encode(self, octets: U8, k_positions: I64 | None = None) -> tuple[U8, U64]:
        """(headers, payload words) of whole blocks of eight octets, (n,) each.

        `k_positions`: /T/ (FD) anywhere, /S/ (FB) in octet 0 of a block; one in a block at most. What stands
        behind /T/ in its block is sent as idle characters. LayoutError for what has no block format.
        """
        headers, plain = plain_blocks(octets, k_positions)
        return headers, self.scrambler.scramble(plain)


def plain_blocks(octets: U8, k_positions: I64 | None = None) -> tuple[U8, U64]:
    """As BlockEncoder.encode, before the payload scrambler."""
    if len(octets) % BLOCK_OCTETS:
        raise LayoutError(f"{len(octets)} octets are not whole blocks of {BLOCK_OCTETS}")
    plain = octets.reshape(-1).copy().view("<u8").astype(np.uint64, copy=False)
    headers = np.full(len(plain), DATA, np.uint8)
    if k_positions is None or not len(k_positions):
        return headers, plain
    at, place = np.divmod(np.asarray(k_positions, np.int64), BLOCK_OCTETS)
    characters = octets[k_positions]
    terminate = characters == TERMINATE
    wrong = ~terminate & ((characters != START) | (place != 0))
    if wrong.any():
        position = int(np.asarray(k_positions)[wrong][0])
        raise LayoutError(
            f"no block has character 0x{int(octets[position]):02X} in octet {position % BLOCK_OCTETS}"
        )
    if (at[1:] == at[:-1]).any():
        raise LayoutError("no block has two special characters")
    headers[at] = CONTROL
    t, where = at[terminate], place[terminate]
    types = np.array(TYPE_TERMINATE, np.uint64)[where]
    plain[t] = (plain[t] & _BEFORE[where]) << _word(8) | types
    s = at[~terminate]
    plain[s] = (plain[s] & ~_OCTET_0) | _word(TYPE_START)
    return headers, plain
