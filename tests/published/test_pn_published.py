"""PN sequences against ITU-T O.150: polynomials, first bits, periods, inversion.

Polynomials: ITU-T O.150 clause 5 (PN7 common practice). First bits: computed from s[n] = s[n-N] XOR s[n-k]
with the register preset to all ones. Sequences of every order up to 20 also held against scipy.
"""

import numpy as np
import pytest
from scipy.signal import max_len_seq

from decoders.error_performance.pn_sequences import PN_INVERTED, PN_TAPS, PnSequence

FIRST_32 = {
    7: "FE041851",
    9: "FF83DF17",
    11: "FFE00C07",
    15: "FFFE0004",
    20: "FFFFF1C7",
    23: "FFFFFE00",
    29: "FFFFFFF8",
    31: "FFFFFFFE",
}
SENT_INVERTED = {15: "0001FFFB", 23: "000001FF", 29: "00000007", 31: "00000001"}


def test_polynomials():
    assert dict(PN_TAPS) == {7: 6, 9: 5, 11: 9, 15: 14, 20: 3, 23: 18, 29: 27, 31: 28}


@pytest.mark.parametrize(("order", "first"), FIRST_32.items())
def test_first_32_bits(order, first):
    assert PnSequence(order).octets(4, "big").tobytes().hex().upper() == first


def test_orders_sent_inverted():
    assert set(SENT_INVERTED) == PN_INVERTED
    for order, first in SENT_INVERTED.items():
        assert PnSequence(order, inverted=True).octets(4, "big").tobytes().hex().upper() == first


@pytest.mark.parametrize("order", [7, 9, 11, 15, 20])
def test_period_is_the_longest_possible(order):
    """2^N - 1 bits visit every register state but zero once, then repeat; half of them, rounded up, are 1."""
    sequence = PnSequence(order)
    period = sequence.period
    assert period == 2**order - 1
    bits = sequence.bits(2 * period + order).astype(np.int64)
    np.testing.assert_array_equal(bits[:period], bits[period : 2 * period])
    states = sum(bits[shift : shift + period] << shift for shift in range(order))
    assert len(np.unique(states)) == period
    assert bits[:period].sum() == 2 ** (order - 1)


@pytest.mark.parametrize("order", [7, 9, 11, 15, 20])
def test_scipy_gives_the_same_sequence(order):
    """scipy steps s[n+N] = s[n] XOR s[n+taps], so its tap is N - k."""
    state = np.ones(order, np.int8)
    length = min(2**order - 1, 200_000)
    other, _ = max_len_seq(order, state=state, length=length, taps=[order - PN_TAPS[order]])
    np.testing.assert_array_equal(PnSequence(order).bits(length), other.astype(np.uint8))
