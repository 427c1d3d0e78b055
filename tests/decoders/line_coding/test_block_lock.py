"""Block lock in bulk against the counters of 802.3 figure 49-12, stepped one header at a time here."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.errors import SettingsError
from decoders.line_coding.block_lock import (
    TRANSITIONS,
    BlockLock,
    HeaderCount,
    LockSettings,
    LockState,
    find_blocks,
    first_good_run,
)
from decoders.line_coding.code_64b66b import DATA, PayloadScrambler, pack_blocks


def stepped(
    bad: set[int], blocks: int, good: int = 64, limit: int = 16, locked: bool = True
) -> tuple[list[int], bool]:
    """(blocks that lose lock, locked at the end)."""
    lost, count, wrong = [], 0, 0
    for block in range(blocks):
        count += 1
        if block in bad:
            wrong += 1
            if not locked or wrong == limit:
                if locked:
                    lost.append(block)
                locked, count, wrong = False, 0, 0
                continue
        if count == good:
            locked = locked or not wrong
            count = wrong = 0
    return lost, locked


def _in_pieces(bad: list[int], blocks: int, cuts: list[int], lock: BlockLock) -> list[int]:
    lost: list[int] = []
    edges = sorted({0, blocks, *(cut for cut in cuts if cut < blocks)})
    for start, end in itertools.pairwise(edges):
        inside = np.array([b - start for b in bad if start <= b < end], np.int64)
        lost += (lock.receive(inside, end - start) + start).tolist()
    return lost


@given(
    st.lists(st.integers(0, 399), max_size=150),
    st.integers(150, 400),
    st.lists(st.integers(0, 399), max_size=6),
    st.booleans(),
)
@settings(max_examples=150, deadline=None)
def test_bulk_is_as_stepped_in_any_cut(bad: list[int], blocks: int, cuts: list[int], locked: bool) -> None:
    bad = sorted({b for b in bad if b < blocks})
    for good, limit in ((64, 16), (8, 3), (5, 1)):
        lock = BlockLock(LockSettings(good, limit), LockState.LOCKED if locked else LockState.UNLOCKED)
        expected = stepped(set(bad), blocks, good, limit, locked)
        assert (_in_pieces(bad, blocks, cuts, lock), lock.state is LockState.LOCKED) == expected


def test_sixteen_of_a_window_lose_lock_and_fifteen_do_not() -> None:
    lock = BlockLock()
    fifteen = np.arange(64, 79)
    assert lock.receive(fifteen, 128).tolist() == []
    # Fifteen at the end of one window and fifteen at the start of the next.
    assert lock.receive(np.arange(49, 79), 128).tolist() == []
    assert lock.receive(np.append(np.arange(0, 30, 2), 63), 64).tolist() == [63]
    assert lock.state is LockState.UNLOCKED
    assert lock.receive(np.array([62]), 126).tolist() == [] and lock.state is LockState.UNLOCKED
    assert lock.receive(np.zeros(0, np.int64), 1).tolist() == [] and lock.state is LockState.LOCKED


def test_every_pair_of_state_and_count_is_there() -> None:
    assert set(TRANSITIONS) == {(state, count) for state in LockState for count in HeaderCount}
    assert TRANSITIONS[LockState.LOCKED, HeaderCount.TOO_MANY_BAD] is LockState.UNLOCKED
    assert TRANSITIONS[LockState.UNLOCKED, HeaderCount.ALL_GOOD] is LockState.LOCKED


@pytest.mark.parametrize(("good", "bad"), [(1, 1), (64, 0), (64, 65)])
def test_impossible_settings(good: int, bad: int) -> None:
    with pytest.raises(SettingsError, match="block lock with"):
        LockSettings(good, bad)


@pytest.mark.parametrize("lead", [0, 1, 17, 63, 65])
def test_all_66_alignments(lead: int) -> None:
    words = PayloadScrambler().scramble(np.random.default_rng(lead).integers(0, 1 << 64, 200, np.uint64))
    headers = np.full(200, DATA, np.uint8)
    headers[[3, 60]] = 0b11
    packed = pack_blocks(headers, words, lead)
    assert find_blocks(packed, 0, 8 * len(packed), 64) == (lead + 61 * 66, lead + 61 * 66)
    # Not before the last of the 64 headers is there.
    end = lead + (61 + 63) * 66 + 2
    assert find_blocks(packed, 0, end - 1, 64) == (None, lead + 61 * 66)
    assert find_blocks(packed, 0, end, 64)[0] == lead + 61 * 66
    assert find_blocks(packed, 0, end - 1, 63)[0] == lead + 61 * 66


def test_first_good_run() -> None:
    assert first_good_run(np.array([3, 60]), 200, 64) == (61, 61)
    assert first_good_run(np.array([3, 60]), 124, 64) == (None, 61)
    assert first_good_run(np.array([3, 60]), 125, 64) == (61, 61)
    assert first_good_run(np.zeros(0, np.int64), 0, 64) == (None, 0)
