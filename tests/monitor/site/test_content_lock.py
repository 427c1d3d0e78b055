"""Offsets measured in what hyperframes carry."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.arrays import I64, U8
from monitor.site.content_lock import disagreements, iq_shift, number_offset, same_changes, signatures

RNG = np.random.default_rng(5)
COUNT = 100


@pytest.fixture(scope="module")
def moving() -> U8:
    """Hyperframes of option 1 in which some subchannels and all IQ data move."""
    octets = np.zeros((COUNT, 256, 16, 1), np.uint8)
    octets[:, [20, 84, 5], 0, 0] = RNG.integers(0, 256, (COUNT, 3))
    octets[:, :, 1:] = RNG.integers(0, 256, (COUNT, 256, 15, 1))
    return octets


def times(first: int = 0) -> I64:
    return first + np.arange(COUNT, dtype=np.int64)


@pytest.mark.parametrize("offset", [0, 7, -31, 4000])
def test_the_offset_is_that_of_the_content(moving: U8, offset: int) -> None:
    signed = signatures(moving)
    assert number_offset(times(), signed, times(offset), signed) == offset


def test_damage_of_some_hyperframes_does_not_move_it(moving: U8) -> None:
    damaged = moving.copy()
    damaged[10:40] ^= 0x55
    assert number_offset(times(), signatures(moving), times(3), signatures(damaged)) == 3


def test_what_is_always_the_same_says_nothing(moving: U8) -> None:
    still = signatures(np.repeat(moving[:1], COUNT, axis=0))
    assert number_offset(times(), still, times(3), still) is None


def test_content_that_comes_again_is_at_its_place() -> None:
    again = np.zeros((COUNT, 256, 16, 1), np.uint8)
    again[:, 20, 0, 0] = np.arange(COUNT) % 5
    signed = signatures(again)
    assert number_offset(times(), signed, times(), signed) == 0


def test_fast_cm_is_left_out() -> None:
    octets = np.zeros((COUNT, 256, 16, 1), np.uint8)
    octets[:, 194, 0, 0] = 40
    octets[:, 45, 0, 0] = RNG.integers(0, 256, COUNT)
    signed = signatures(octets)
    assert number_offset(times(), signed, times(6), signed) is None


def test_changes_of_slow_content_are_counted_where_they_are(moving: U8) -> None:
    slow = np.zeros((COUNT, 256, 16, 1), np.uint8)
    slow[50:, 20, 0, 0] = 1
    signed = signatures(slow)
    assert same_changes(times(), signed, times(), signed) == 1
    assert same_changes(times(), signed, times(2), signed) == 0
    assert disagreements(times(), signed, times(), signed) == 0
    assert disagreements(times(), signed, times(2), signed) == 1


@pytest.mark.parametrize("shift", [0, 1, 20, 300])
def test_iq_data_are_found_later_by_basic_frames(moving: U8, shift: int) -> None:
    frames = moving.reshape(-1, 16, 1)
    late = frames.copy()
    late[shift:, 1:] = frames[: len(frames) - shift, 1:]
    assert iq_shift(moving, late.reshape(moving.shape)) == shift


def test_iq_data_that_do_not_fit_have_no_shift(moving: U8) -> None:
    assert iq_shift(moving, moving ^ RNG.integers(0, 256, moving.shape, np.uint8)) == 0
