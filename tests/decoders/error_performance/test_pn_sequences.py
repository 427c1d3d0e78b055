"""PN generator and checker: the law of the sequence, pieces of any length, errors, slips, inversion."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.error_performance.pn_sequences import PN_TAPS, PnChecker, PnSequence
from decoders.errors import LayoutError, SettingsError

ORDERS = sorted(PN_TAPS)


def slow_bits(order, count, seed=None):
    bits = [1] * order if seed is None else list(seed)
    while len(bits) < count:
        bits.append(bits[-order] ^ bits[-PN_TAPS[order]])
    return np.array(bits[:count], np.uint8)


@pytest.mark.parametrize("order", ORDERS)
def test_long_runs_follow_the_recursion(order):
    bits = PnSequence(order).bits(3_000_000)
    np.testing.assert_array_equal(bits[:2000], slow_bits(order, 2000))
    assert not (bits[order:] ^ bits[:-order] ^ bits[order - PN_TAPS[order] : -PN_TAPS[order]]).any()


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    st.sampled_from(ORDERS),
    st.booleans(),
    st.lists(st.tuples(st.sampled_from(["bits", "little", "big"]), st.integers(0, 3000)), max_size=8),
)
def test_pieces_join_to_one_sequence(order, inverted, pieces):
    sequence, got = PnSequence(order, inverted=inverted), []
    for kind, count in pieces:
        if kind == "bits":
            got.append(sequence.bits(count))
        else:
            got.append(np.unpackbits(sequence.octets(count, kind), bitorder=kind))
    total = sum(map(len, got))
    assert total == sum(count if kind == "bits" else 8 * count for kind, count in pieces)
    if got:
        whole = PnSequence(order).bits(total) ^ np.uint8(inverted)
        np.testing.assert_array_equal(np.concatenate(got), whole)


def test_long_pieces_join_too():
    one, other = PnSequence(23), PnSequence(23)
    joined = np.concatenate([one.octets(n) for n in (1, 200_000, 3, 8192, 90_000)])
    np.testing.assert_array_equal(joined, other.octets(len(joined)))


@pytest.mark.parametrize("inverted", [False, True])
def test_seeded_sequence_goes_on_after_its_seed(inverted):
    bits = PnSequence(15, inverted=inverted).bits(5000)
    again = PnSequence.seeded(15, bits[700:715], inverted=inverted)
    np.testing.assert_array_equal(again.bits(4000), bits[715:4715])


def test_reset_starts_again_from_ones():
    sequence = PnSequence(9)
    first = sequence.bits(77)
    sequence.reset()
    np.testing.assert_array_equal(sequence.bits(77), first)


def test_settings_that_cannot_be():
    with pytest.raises(SettingsError, match="PN10 is not known"):
        PnSequence(10)
    with pytest.raises(SettingsError, match="PN8 is not known"):
        PnChecker(8)
    with pytest.raises(SettingsError, match="not all of them 0"):
        PnSequence.seeded(7, np.zeros(7, np.uint8))
    with pytest.raises(SettingsError, match="not all of them 1"):
        PnSequence.seeded(7, np.ones(7, np.uint8), inverted=True)
    with pytest.raises(SettingsError, match="7 bits"):
        PnSequence.seeded(7, np.ones(8, np.uint8))
    for wrong in ({"verify_bits": 0}, {"window_bits": 70}, {"max_errors": 0}, {"max_errors": 512}):
        with pytest.raises(SettingsError, match="checker needs"):
            PnChecker(7, **wrong)
    with pytest.raises(LayoutError, match="uint8"):
        PnChecker(7).feed(np.zeros(4, bool))
    with pytest.raises(LayoutError, match="one row"):
        PnChecker(7).feed(np.zeros((4, 4), np.uint8))
    with pytest.raises(LayoutError, match="octets"):
        PnChecker(7).feed_octets(np.zeros(4, np.int16))


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("inverted", [False, True])
def test_clean_sequence_from_any_place(order, inverted):
    sequence = PnSequence(order, inverted=inverted)
    sequence.bits(12_345)
    result = PnChecker(order).feed(sequence.bits(20_000))
    assert result.locked
    assert result.inverted is inverted
    assert (result.errors, result.resyncs) == (0, 0)
    assert result.bits_unlocked == order + 64
    assert result.bits_checked == 20_000 - order - 64


@pytest.mark.parametrize("order", ORDERS)
def test_each_wrong_bit_counts_once(order):
    bits = PnSequence(order).bits(100_000)
    places = np.random.default_rng(order).choice(np.arange(200, 100_000), 300, replace=False)
    bits[places] ^= 1
    result = PnChecker(order).feed(bits)
    assert (result.errors, result.resyncs, result.bits_unlocked) == (300, 0, order + 64)


def test_octets_in_either_bit_order():
    for bit_order in ("little", "big"):
        octets = PnSequence(11, inverted=True).octets(50_000, bit_order)
        octets[[4000, 30_000]] ^= 0x12
        result = PnChecker(11).feed_octets(octets.reshape(100, 500), bit_order)
        assert (result.errors, result.inverted, result.bits_checked) == (4, True, 400_000 - 75)


def test_slip_loses_lock_and_finds_it_again():
    bits = PnSequence(23).bits(40_000)
    slipped = np.delete(bits, 20_000)
    result = PnChecker(23).feed(slipped)
    assert (result.resyncs, result.locked) == (1, True)
    # at worst one window is half wrong before another is lost, and the search waits for clean bits
    assert result.errors <= 128
    assert 87 < result.bits_unlocked <= 87 + 512 + 87
    assert result.bits_checked + result.bits_unlocked == len(slipped)


@pytest.mark.parametrize(("wrong", "resyncs"), [(128, 0), (129, 1)])
def test_how_many_errors_a_window_may_have(wrong, resyncs):
    bits = PnSequence(23).bits(10_000)
    bits[87 + 512 : 87 + 1024 : 2][:wrong] ^= 1
    result = PnChecker(23).feed(bits)
    assert (result.resyncs, result.errors) == (resyncs, 0 if resyncs else wrong)
    # the last wrong bit is the 257th of its window, and seeding takes the 87 after it
    assert result.bits_unlocked == 87 + resyncs * (2 * 128 + 1 + 87)


def test_inversion_on_the_way_is_followed():
    bits = PnSequence(15).bits(30_000)
    bits[15_000:] ^= 1
    checker = PnChecker(15)
    assert checker.feed(bits[:15_000]).inverted is False
    result = checker.feed(bits[15_000:])
    assert (result.inverted, result.resyncs, result.locked) == (True, 1, True)


def test_noise_and_constant_bits_never_lock():
    noise = np.random.default_rng(3).integers(0, 2, 300_000, dtype=np.uint8)
    for bits in (noise, np.zeros(300_000, np.uint8), np.ones(300_000, np.uint8)):
        result = PnChecker(15).feed(bits)
        assert (result.locked, result.inverted, result.bits_checked) == (False, None, 0)
        assert result.bits_unlocked == 300_000


def test_another_order_does_not_lock():
    result = PnChecker(23).feed(PnSequence(31).bits(200_000))
    assert not result.locked


def test_locks_after_silence_and_noise():
    noise = np.random.default_rng(4).integers(0, 2, 70_001, dtype=np.uint8)
    bits = np.concatenate((np.zeros(70_000, np.uint8), noise, PnSequence(20).bits(5000)))
    result = PnChecker(20).feed(bits)
    assert (result.locked, result.errors, result.resyncs) == (True, 0, 0)
    assert 4900 <= result.bits_checked <= 4960


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    st.sampled_from([7, 15, 20, 31]),
    st.floats(0, 0.3),
    st.integers(0, 2**32),
    st.lists(st.integers(0, 12_000), max_size=10),
)
def test_pieces_of_any_length_give_the_same(order, rate, seed, cuts):
    rng = np.random.default_rng(seed)
    clean = PnSequence(order).bits(12_001)
    bits = np.delete(clean, rng.integers(0, len(clean)))
    rates = np.where(np.arange(len(bits)) // 1500 % 2, rate, 0)
    bits ^= (rng.random(len(bits)) < rates).astype(np.uint8)
    whole = PnChecker(order).feed(bits)
    checker = PnChecker(order)
    for a, b in pairwise(sorted({0, len(bits), *cuts})):
        result = checker.feed(bits[a:b])
        assert result.bits_checked + result.bits_unlocked == b
        assert result == PnChecker(order).feed(bits[:b])
    assert checker.result == whole
