"""64B/66B against sources outside the project.

- IEEE 802.3 clause 49: the payload scrambler 1 + x^39 + x^58, the block types of figure 49-7 and the lock of figure
  49-12, written here bit by bit; the block types agree with ITU-T G.709 figure B.2.
- Values of the scrambler after 58 ones and 58 zeros, and the digest of a stream of 400 blocks: computed by a separate
  program from the same clauses.
- Line rates of the options (CPRI V7.0): 64/66 of the rate are 16 words of T bits at 3.84 MHz.
"""

from __future__ import annotations

import hashlib

import numpy as np
import pytest

from decoders.line_coding.block_lock import LockSettings, find_blocks
from decoders.line_coding.block_readers import BlockBitReader
from decoders.line_coding.code_64b66b import (
    DATA,
    TYPE_START,
    TYPE_TERMINATE,
    BlockEncoder,
    PayloadDescrambler,
    PayloadScrambler,
    block_characters,
    pack_blocks,
)
from decoders.line_coding.line_octets import Place
from decoders.linerates import OPTIONS

ONES = (1 << 64) - 1
START_BLOCK = "78 55 55 55 55 55 55 D5"


@pytest.mark.parametrize(
    ("state", "plain", "line"),
    [
        (ONES, "00 00 00 00 00 00 00 00", "00 00 00 00 80 FF FF 03"),
        (ONES, START_BLOCK, "78 55 55 55 D5 16 00 9C"),
        (0, START_BLOCK, "78 55 55 55 55 E9 FF 9F"),
    ],
)
def test_payload_scrambler(state: int, plain: str, line: str) -> None:
    """802.3 clause 49.2.6, from 58 ones and from 58 zeros."""
    word = np.frombuffer(bytes.fromhex(plain), np.uint64)
    assert PayloadScrambler(state).scramble(word).tobytes() == bytes.fromhex(line)
    descrambler = PayloadDescrambler()
    descrambler.reset(state)
    assert descrambler.descramble(np.frombuffer(bytes.fromhex(line), np.uint64)).tobytes() == word.tobytes()


def _scrambled_bits(bits: list[int], state: list[int]) -> list[int]:
    """s[n] = d[n] ^ s[n-39] ^ s[n-58], 802.3 figure 49-8; state[0] is the newest line bit."""
    out = []
    for bit in bits:
        out.append(bit ^ state[38] ^ state[57])
        state = [out[-1], *state[:57]]
    return out


def test_lock_stream_of_400_blocks() -> None:
    """17 stray bits, then 400 blocks, of which block 200 has header 11: 26 417 bits with a known digest."""
    random = np.random.default_rng(7)
    payload = np.array([random.integers(0, 2, 64) for _ in range(400)], np.uint8)
    line = np.array(_scrambled_bits(payload.reshape(-1).tolist(), [1] * 58), np.uint8).reshape(400, 64)
    headers = np.tile(np.array([0, 1], np.uint8), (400, 1))
    headers[200] = 1
    bits = np.concatenate((np.array([1, 0] * 8 + [1], np.uint8), np.hstack((headers, line)).reshape(-1)))
    packed = np.packbits(bits, bitorder="little")
    assert len(bits) == 26_417
    assert hashlib.sha256(packed.tobytes()).hexdigest().startswith("566e3dda9335d0c6")
    # Only one of the 66 alignments has 64 good headers.
    found = [find_blocks(packed, at, at + 66 * 63 + 2, 64)[0] for at in range(66)]
    assert found == [17 if at == 17 else None for at in range(66)]
    reader = BlockBitReader()
    reader.feed(packed, 0)
    got = reader.read()
    assert reader.start_bit == reader.slip_bits == 17
    assert len(got) == 8 * 400
    assert got.at(Place.HEADER_ERROR).tolist() == [8 * 200]
    assert got.octets[8:].tobytes() == np.packbits(payload, bitorder="little").tobytes()[8:]
    # The same line bits from our encoder.
    words = np.packbits(payload, bitorder="little").view(np.uint64)
    ours = PayloadScrambler().scramble(words)
    head = np.full(400, DATA, np.uint8)
    head[200] = 0b11
    again = pack_blocks(head, ours, 17)
    again[:3] |= packed[:3] & np.array([0xFF, 0xFF, 0x01], np.uint8)
    assert again.tobytes() == packed.tobytes()


def test_one_wrong_line_bit_is_three_payload_bits() -> None:
    """At +0, +39 and +58 payload bits: the weight of 1 + x^39 + x^58 (802.3 clause 49.2.6)."""
    random = np.random.default_rng(66)
    plain = random.integers(0, 1 << 64, 12, np.uint64)
    line = PayloadScrambler().scramble(plain)
    for bit in (0, 5, 6, 24, 25, 63, 100):
        hurt = line.copy()
        hurt[bit // 64] ^= np.uint64(1 << bit % 64)
        descrambler = PayloadDescrambler()
        descrambler.reset(ONES)
        wrong = np.unpackbits((descrambler.descramble(hurt) ^ plain).view(np.uint8), bitorder="little")
        assert np.flatnonzero(wrong).tolist() == [bit, bit + 39, bit + 58]


def test_block_types() -> None:
    """Type octets of 802.3 figure 49-7 and of G.709 figure B.2, with the octets of the sync word around them."""
    assert TYPE_START == 0x78
    assert bytes(TYPE_TERMINATE).hex(" ").upper() == "87 99 AA B4 CC D2 E1 FF"
    unused = (0x1E, 0x2D, 0x33, 0x4B, 0x55, 0x66)
    words = np.array([int.from_bytes(bytes([kind]) + b"\0" * 7, "little") for kind in unused], np.uint64)
    got = block_characters(np.full(len(unused), 0b01, np.uint8), words)
    assert got.at(Place.UNEXPECTED_TYPE).tolist() == [8 * i for i in range(len(unused))]
    assert not len(got.k_positions)


def test_header_bits_in_line_order() -> None:
    """Data 01, control 10, first sent bit first (802.3 clause 49.2.4.3); then the payload."""
    octets = np.frombuffer(bytes(7) + b"\xfd" + b"\xfb" + bytes(7) + bytes(8), np.uint8)
    headers, words = BlockEncoder().encode(octets, np.array([7, 8]))
    bits = np.unpackbits(pack_blocks(headers, words), bitorder="little")
    assert [bits[66 * i : 66 * i + 2].tolist() for i in range(3)] == [[1, 0], [1, 0], [0, 1]]


@pytest.mark.parametrize("name", ["7A", "8", "9", "10"])
def test_blocks_fill_the_line_rate(name: str) -> None:
    option = OPTIONS[name]
    assert option.line_rate_bps * 64 == 66 * 16 * option.word_bits * 3_840_000
    assert option.hyperframe_line_bits == option.hyperframe_octets // 8 * 66
    assert LockSettings() == LockSettings(good=64, bad=16)
