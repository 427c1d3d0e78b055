"""User plane figures of CPRI V7.0 clause 4.2.7.2: block sizes, container sizes, capacity, bit order.

S/K and container sizes: clauses 4.2.7.2.5 and 4.2.7.2.7 (from memory). Capacity and octet vectors: computed
by hand from the bit order of clause 4.2.7.2.1 and Table 3.
"""

import numpy as np
import pytest

from decoders.linerates import option_named
from decoders.user_plane.axc_container import AxcContainer, MappingMethod
from decoders.user_plane.iq_map import IqMap

LTE_10, LTE_20 = 15_360_000, 30_720_000


@pytest.mark.parametrize(
    ("mhz", "s", "k"),
    [
        (1.92, 1, 2),
        (3.84, 1, 1),
        (7.68, 2, 1),
        (15.36, 4, 1),
        (23.04, 6, 1),
        (30.72, 8, 1),
        (61.44, 16, 1),
        (122.88, 32, 1),
        (4, 25, 24),
        (5.6, 35, 24),
        (8, 25, 12),
        (10, 125, 48),
        (11.2, 35, 12),
        (20, 125, 24),
        (22.4, 35, 6),
        (92.16, 24, 1),
    ],
)
def test_samples_and_basic_frames_of_a_block(mhz, s, k):
    axc = AxcContainer("A", 15, round(mhz * 1e6))
    assert (axc.block_samples, axc.block_basic_frames) == (s, k)
    if k == 1:
        assert (axc.bits, axc.stuffing_bits) == (2 * 15 * s, 0)
        same = AxcContainer("A", 15, round(mhz * 1e6), MappingMethod.BACKWARD_COMPATIBLE)
        assert (same.bits, same.stuffing_bits) == (2 * 15 * s, 0)


@pytest.mark.parametrize(("rate", "bits", "stuffing"), [(11_200_000, 88, 6), (10_000_000, 80, 90)])
def test_method_1_container_and_stuffing_bits(rate, bits, stuffing):
    axc = AxcContainer("A", 15, rate)
    assert (axc.bits, axc.stuffing_bits, axc.stuffing_samples) == (bits, stuffing, 0)


def test_method_3_containers_and_stuffing_samples():
    axc = AxcContainer("A", 15, 11_200_000, MappingMethod.BACKWARD_COMPATIBLE)
    assert (axc.containers, axc.stuffing_samples) == (3, 1)


@pytest.mark.parametrize(
    ("rate", "width", "counts"),
    [
        (LTE_10, 15, "1 2 4 5 8 10 16 16 20 24 48"),
        (LTE_20, 15, "0 1 2 2 4 5 8 8 10 12 24"),
        (LTE_20, 16, "0 0 1 2 3 4 7 7 9 11 22"),
    ],
)
def test_capacity_of_every_option(rate, width, counts):
    names = ("1", "2", "3", "4", "5", "6", "7", "7A", "8", "9", "10")
    axc = AxcContainer("A", width, rate)
    assert [IqMap.capacity(option_named(name), axc) for name in names] == [int(n) for n in counts.split()]


def test_lte_10_mhz_in_one_basic_frame():
    iq_map = IqMap.packed(option_named(1), [AxcContainer("A", 15, LTE_10)])
    samples = np.array([[1, 0], [0, 1], [-16384, 16383], [0, 0]], np.int16)
    octets = np.frombuffer(bytes.fromhex("01 00 00 80 00 00 00 A0 AA AA AA 01 00 00 00"), np.uint8)
    assert iq_map.pack({"A": samples}).tobytes() == octets.tobytes()
    np.testing.assert_array_equal(iq_map.unpack(octets.reshape(1, 15, 1))["A"], samples)


def test_single_sample_of_16_bits():
    """I = 0x1234 and Q = 0xFFFE (-2), interleaved from the least significant bits on."""
    iq_map = IqMap.packed(option_named(1), [AxcContainer("A", 16, 3_840_000)])
    octets = iq_map.pack({"A": np.array([[0x1234, -2]])})
    assert octets.tobytes() == bytes.fromhex("B8 AF AE AB") + bytes(11)
    assert iq_map.unpack(octets)["A"].tolist() == [[0x1234, -2]]


def test_two_samples_of_15_bits():
    iq_map = IqMap.packed(option_named(1), [AxcContainer("A", 15, 7_680_000)])
    octets = iq_map.pack({"A": np.array([[0x1234, -2], [-1, 1]])})
    assert octets.tobytes() == bytes.fromhex("B8 AF AE EB 55 55 55 05") + bytes(7)
    line = "000111011111010101110101110101" + "111010101010101010101010101010"
    assert "".join(map(str, np.unpackbits(octets, bitorder="little")[:60])) == line
    assert iq_map.unpack(octets)["A"].tolist() == [[0x1234, -2], [-1, 1]]
