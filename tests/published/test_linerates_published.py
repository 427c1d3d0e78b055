"""Line rate options against CPRI V7.0 Table 3 and Table 11, typed in, and arithmetic from f_c = 3.84 MHz.

The rates and T of Table 3 restate the standard; octets, line bits and unit intervals are computed from them
(16 words of T bits, 256 basic frames, 10 or 66/64 line bits an octet or block). "First version" is from memory.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from decoders.errors import SettingsError
from decoders.frame_structure.controlwords import ethernet_places, hdlc_places
from decoders.linerates import OPTIONS, option_named

# name, Mbit/s, factor of 614.4, code, T, Y, octets/BF, octets/HF, line bits/HF, IQ bits/BF, first version
TABLE_3 = (
    ("1", "614.4", "1", "8b10b", 8, 1, 16, 4096, 40960, 120, "V1.4"),
    ("2", "1228.8", "2", "8b10b", 16, 2, 32, 8192, 81920, 240, "V1.4"),
    ("3", "2457.6", "4", "8b10b", 32, 4, 64, 16384, 163840, 480, "V1.4"),
    ("4", "3072.0", "5", "8b10b", 40, 5, 80, 20480, 204800, 600, "V3.0"),
    ("5", "4915.2", "8", "8b10b", 64, 8, 128, 32768, 327680, 960, "V4.1"),
    ("6", "6144.0", "10", "8b10b", 80, 10, 160, 40960, 409600, 1200, "V4.1"),
    ("7", "9830.4", "16", "8b10b", 128, 16, 256, 65536, 655360, 1920, "V4.2"),
    ("7A", "8110.08", "13.2", "64b66b", 128, 16, 256, 65536, 540672, 1920, "V7.0"),
    ("8", "10137.6", "16.5", "64b66b", 160, 20, 320, 81920, 675840, 2400, "V6.0"),
    ("9", "12165.12", "19.8", "64b66b", 192, 24, 384, 98304, 811008, 2880, "V7.0"),
    ("10", "24330.24", "39.6", "64b66b", 384, 48, 768, 196608, 1622016, 5760, "V7.0"),
)


def test_no_option_more_or_less() -> None:
    assert list(OPTIONS) == [row[0] for row in TABLE_3]


@pytest.mark.parametrize("row", TABLE_3, ids=lambda row: f"option-{row[0]}")
def test_table_3(row: tuple[str, str, str, str, int, int, int, int, int, int, str]) -> None:
    name, rate, factor, code, word_bits, octets, per_bf, per_hf, line_bits, iq_bits, version = row
    option = option_named(name)
    assert option.name == name
    assert option.line_rate_bps == Fraction(rate) * 10**6 == Fraction(factor) * 614_400_000
    assert option.line_code == code
    assert (option.word_bits, option.word_octets) == (word_bits, octets)
    assert option.basic_frame_octets == per_bf
    assert option.hyperframe_octets == per_hf
    assert option.hyperframe_line_bits == line_bits
    assert option.iq_bits_per_basic_frame == iq_bits
    assert option.first_version == version
    # The line carries exactly the words of a chip period: rate x code efficiency = 16 T f_c.
    efficiency = Fraction(8, 10) if code == "8b10b" else Fraction(64, 66)
    assert option.line_rate_bps * efficiency == 16 * word_bits * 3_840_000
    assert option.hyperframe_line_bits * 15_000 == option.line_rate_bps
    assert option.octet_rate == per_hf * 15_000


# Table 11: code -> kbit/s, and the smallest T that can carry it (availability from memory).
TABLE_11 = {0: (0, 8), 1: (240, 8), 2: (480, 8), 3: (960, 16), 4: (1920, 32), 5: (2400, 40)}
HIGHEST = {
    "1": 480, "2": 960, "3": 1920, "4": 2400, "5": 3840, "6": 4800,
    "7": 7680, "7A": 7680, "8": 7680, "9": 7680, "10": 7680,
}  # fmt: skip


@pytest.mark.parametrize("name", OPTIONS)
def test_table_11(name: str) -> None:
    option = option_named(name)
    for code, (kbits, smallest) in TABLE_11.items():
        expected = kbits * 1000 if option.word_bits >= smallest else None
        assert option.hdlc_bit_rate(code) == expected
        assert len(hdlc_places(name, code)) == (0 if expected is None else kbits // 120)
    # Code 6, "highest", is there above 3 072 Mbit/s only; code 7 is negotiated elsewhere.
    assert option.hdlc_bit_rate(6) == (HIGHEST[name] * 1000 if option.line_rate_bps > 3_072_000_000 else None)
    assert option.hdlc_bit_rate(7) is None
    assert option.hdlc_bit_rate(8) is None
    rates = [option.hdlc_bit_rate(code) or 0 for code in range(7)]
    assert max(rates) == HIGHEST[name] * 1000


# Ethernet bit rate in Mbit/s at p = 63 and p = 20 (the table beside clause 4.2.7.7.2, computed).
ETHERNET = {
    "1": ("0.48", "21.12"), "2": ("0.96", "42.24"), "3": ("1.92", "84.48"), "4": ("2.40", "105.60"),
    "5": ("3.84", "168.96"), "6": ("4.80", "211.20"), "7": ("7.68", "337.92"), "7A": ("7.68", "337.92"),
    "8": ("7.68", "337.92"), "9": ("7.68", "337.92"), "10": ("7.68", "337.92"),
}  # fmt: skip


@pytest.mark.parametrize("name", OPTIONS)
def test_ethernet_capacity(name: str) -> None:
    option = option_named(name)
    least, most = ETHERNET[name]
    assert option.ethernet_bit_rate(63) == Fraction(least) * 10**6
    assert option.ethernet_bit_rate(20) == Fraction(most) * 10**6
    assert option.ethernet_bit_rate(0) == 0
    for pointer in (0, 20, 37, 63):
        assert len(ethernet_places(name, pointer)) == option.ethernet_octets(pointer)


# Unit interval in ps (computed: 1 / line rate).
UNIT_INTERVAL_PS = {
    "1": 1627.604, "2": 813.802, "3": 406.901, "4": 325.521, "5": 203.451, "6": 162.760,
    "7": 101.725, "7A": 123.303, "8": 98.643, "9": 82.202, "10": 41.101,
}  # fmt: skip


@pytest.mark.parametrize("name", OPTIONS)
def test_unit_interval(name: str) -> None:
    interval = option_named(name).unit_interval_s
    assert float(interval * 10**12) == pytest.approx(UNIT_INTERVAL_PS[name], abs=0.0006)
    assert interval * option_named(name).hyperframe_line_bits == Fraction(1, 15_000)


@pytest.mark.parametrize(("name", "wanted"), [("7a", "7A"), (" 2 ", "2"), (10, "10")])
def test_names_as_people_write_them(name: str | int, wanted: str) -> None:
    assert option_named(name).name == wanted


@pytest.mark.parametrize("name", ["", "0", "11", "8A", "two"])
def test_options_that_do_not_exist(name: str) -> None:
    with pytest.raises(SettingsError, match="does not exist"):
        option_named(name)


def test_classic_control_channel_ends_at_y_15() -> None:
    """Options 8, 9 and 10: Y = 16 and up of a control word are no classic control octets."""
    for name in ("8", "9", "10"):
        assert option_named(name).control_octets == 16
        assert int(np.max(ethernet_places(name, 20).triples[:, 2])) == 15
