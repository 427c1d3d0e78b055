"""64B/66B of the reference against independent vectors, and against the batch decoders on random damage.

- IEEE 802.3 clause 49.2.6: values of the payload scrambler after 58 ones and after 58 zeros, worked out by a separate
  program; figure 49-7: the block types, which agree with ITU-T G.709 figure B.2.
- The stream of 400 blocks: as a separate program makes it from clause 49, with its digest.
"""

from __future__ import annotations

import hashlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.line_coding.block_lock import BlockLock, find_blocks
from decoders.line_coding.block_readers import BlockBitReader, BlockReader
from decoders.line_coding.code_64b66b import BlockEncoder, join_blocks, pack_blocks
from decoders.line_coding.line_octets import LineOctets, Place, joined
from monitor.reference.block_code import (
    BAD_HEADER,
    BAD_TYPE,
    LOCK_LOST,
    UNREAD,
    BlockRun,
    blocks_at,
    characters_of_blocks,
    find_block_run,
    find_stored_run,
    lock_losses,
    stored_blocks,
)
from monitor.reference.line_code import K_FLAG, Characters

START_BLOCK = "78 55 55 55 55 55 55 D5"


@pytest.mark.parametrize(
    ("before", "plain", "line"),
    [
        (0xFF, "00 00 00 00 00 00 00 00", "00 00 00 00 80 FF FF 03"),
        (0xFF, START_BLOCK, "78 55 55 55 D5 16 00 9C"),
        (0x00, START_BLOCK, "78 55 55 55 55 E9 FF 9F"),
    ],
)
def test_payload_is_descrambled(before: int, plain: str, line: str) -> None:
    """802.3 clause 49.2.6, behind 58 ones and behind 58 zeros."""
    run = BlockRun(bytes([2, 2]), bytes([before] * 8) + bytes.fromhex(line))
    assert characters_of_blocks(run).octets[8:] == bytes.fromhex(plain)


def _scrambled(bits: list[int]) -> list[int]:
    """s[n] = d[n] ^ s[n-39] ^ s[n-58] behind 58 ones (802.3 figure 49-8)."""
    state, out = [1] * 58, []
    for bit in bits:
        out.append(bit ^ state[38] ^ state[57])
        state = [out[-1], *state[:57]]
    return out


def test_lock_stream_of_400_blocks() -> None:
    """17 stray bits, then 400 blocks, of which block 200 has header 11."""
    random = np.random.default_rng(7)
    payload = np.array([random.integers(0, 2, 64) for _ in range(400)], np.uint8)
    line = np.array(_scrambled(payload.reshape(-1).tolist()), np.uint8).reshape(400, 64)
    headers = np.tile(np.array([0, 1], np.uint8), (400, 1))
    headers[200] = 1
    bits = np.concatenate((np.array([1, 0] * 8 + [1], np.uint8), np.hstack((headers, line)).reshape(-1)))
    packed = np.packbits(bits, bitorder="little").tobytes()
    assert hashlib.sha256(packed).hexdigest().startswith("566e3dda9335d0c6")
    assert find_block_run(packed, 0, 64) == 17
    assert find_block_run(packed, 18, 64) == 17 + 66
    run = blocks_at(packed, 17)
    assert [i for i, header in enumerate(run.headers) if header in (0, 3)] == [200]
    got = characters_of_blocks(run)
    assert [i for i, flag in enumerate(got.flags) if flag & BAD_HEADER] == [1600]
    assert got.octets[8:] == np.packbits(payload, bitorder="little").tobytes()[8:]


def test_control_blocks() -> None:
    """802.3 figure 49-7: /S/ in octet 0, /T/ in octet 0 to 7; others are told by their type."""
    types = bytes.fromhex("78 87 99 AA B4 CC D2 E1 FF 1E 2D 33 4B 55 66")
    blocks = b"".join(bytes([kind, *range(1, 8)]) for kind in types)
    plain = np.frombuffer(bytes(8) + blocks, np.uint64).copy()
    line = BlockEncoder().scrambler.scramble(plain)
    run = BlockRun(bytes([2] + [1] * len(types)), line.tobytes())
    got = characters_of_blocks(run)
    rows = [got.octets[i : i + 8].hex(" ").upper() for i in range(8, len(got.octets), 8)]
    assert rows[0] == "FB 01 02 03 04 05 06 07"
    assert rows[1] == "FD 07 07 07 07 07 07 07"
    assert rows[4] == "01 02 03 FD 07 07 07 07"
    assert rows[8] == "01 02 03 04 05 06 07 FD"
    assert [i // 8 - 1 for i, flag in enumerate(got.flags) if flag & BAD_TYPE] == list(range(9, 15))
    assert [i for i, flag in enumerate(got.flags) if flag & K_FLAG] == [8, *(16 + 9 * n for n in range(8))]


def _as_sets(chars: Characters) -> dict[str, list[int]]:
    flags = chars.flags
    return {
        place.value: [i for i, flag in enumerate(flags) if flag & bit]
        for place, bit in (
            (Place.HEADER_ERROR, BAD_HEADER),
            (Place.UNEXPECTED_TYPE, BAD_TYPE),
            (Place.LOCK_LOST, LOCK_LOST),
        )
    }


def _same(chars: Characters, theirs: LineOctets) -> None:
    assert chars.octets[8:] == theirs.octets[8:].tobytes()
    assert [i for i, flag in enumerate(chars.flags) if flag & K_FLAG] == theirs.k_positions.tolist()
    for name, where in _as_sets(chars).items():
        assert where == theirs.at(Place(name)).tolist(), name
    assert all(flag & UNREAD for flag in chars.flags[:8])


def _damaged(blocks: int, seed: int, wrong_bits: int, lead: int) -> bytes:
    random = np.random.default_rng(seed)
    octets = random.integers(0, 256, 8 * blocks, np.uint8)
    k = []
    for start in range(0, 8 * blocks - 15, 8 * 90):
        octets[start : start + 16] = 0x50
        octets[start + 7], octets[start + 8] = 0xFD, 0xFB
        k += [start + 7, start + 8]
    packed = pack_blocks(*BlockEncoder().encode(octets, np.array(k)), lead)
    where = 66 * 70 + random.integers(0, 66 * (blocks - 70), wrong_bits)
    np.bitwise_xor.at(packed, where >> 3, (1 << (where & 7)).astype(np.uint8))
    return packed.tobytes()


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 1 << 30), st.sampled_from([0, 1, 30, 2000]), st.integers(0, 65))
def test_agrees_with_the_batch_reader_on_damaged_bits(seed: int, wrong_bits: int, lead: int) -> None:
    data = _damaged(400, seed, wrong_bits, lead)
    first = find_block_run(data, 0, 64)
    packed = np.frombuffer(data, np.uint8)
    assert first == find_blocks(packed, 0, 8 * len(data), 64)[0]
    assert first is not None
    run = blocks_at(data, first)
    reader = BlockBitReader()
    reader.feed(packed, 0)
    theirs = joined([reader.read()])
    _same(characters_of_blocks(run, lock_losses(run.headers, 64, 16)), theirs)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 1 << 30), st.sampled_from([0, 5, 1500]))
def test_agrees_with_the_batch_reader_on_stored_blocks(seed: int, wrong_bits: int) -> None:
    bits = np.frombuffer(_damaged(300, seed, wrong_bits, 0), np.uint8)
    raw = blocks_at(bits.tobytes(), 0)
    stored = join_blocks(np.frombuffer(raw.headers, np.uint8), np.frombuffer(raw.payload, np.uint64))
    data = stored.tobytes() + b"\x01\x02"
    first = find_stored_run(data, 0, 64)
    reader = BlockReader()
    reader.feed(np.frombuffer(data, np.uint8), 0)
    theirs = joined([reader.read()])
    assert first is not None
    assert first * 8 == reader.start_octet
    run = stored_blocks(data, first)
    _same(characters_of_blocks(run, lock_losses(run.headers, 64, 16)), theirs)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.sampled_from([1, 2, 1, 2, 2, 0]), max_size=400), st.sampled_from([(64, 16), (8, 3), (5, 1)])
)
def test_block_lock_agrees(headers: list[int], counts: tuple[int, int]) -> None:
    from decoders.line_coding.block_lock import LockSettings

    lock = BlockLock(LockSettings(*counts))
    bad = np.array([i for i, header in enumerate(headers) if header == 0], np.int64)
    assert lock.receive(bad, len(headers)).tolist() == lock_losses(bytes(headers), *counts)
