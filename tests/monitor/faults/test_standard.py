"""Tables of the standard that expectations rest on: against the published ones, and against the decoders' own."""

from __future__ import annotations

import pytest

from decoders.frame_structure import controlwords as cw
from decoders.linerates import OPTIONS
from monitor.faults import standard as std


def test_slow_channel_rates_are_those_of_table_11() -> None:
    """CPRI V7.0 Table 11: kbit/s = 8 bits times octets times 15 hyperframes a millisecond."""
    rates = {("1", 1): 240, ("1", 2): 480, ("2", 3): 960, ("3", 4): 1920, ("4", 5): 2400, ("7", 6): 7680}
    for (option, code), rate in rates.items():
        assert 8 * (std.hdlc_octets(option, code) or 0) * 15 == rate
    assert std.hdlc_octets("1", 3) is None and std.hdlc_octets("4", 6) is None


@pytest.mark.parametrize("option", ["1", "2", "3", "4", "5", "6", "7"])
def test_both_tables_agree(option: str) -> None:
    """Two tables by two hands: where they differ one of them is wrong."""
    for code in range(8):
        assert std.hdlc_octets(option, code) == OPTIONS[option].hdlc_octets(code)
        if std.rate_valid(option, code):
            assert (
                std.reserved_octets(option, code).at.tolist()
                == cw.reserved_places(option, code).flat.tolist()
            )
    for pointer in (0, 20, 40, 63):
        ours, theirs = std.vendor_octets(option, pointer), cw.vendor_places(option, pointer)
        assert ours.places.tolist() == theirs.triples.tolist()
        assert (
            std.ethernet_octets(option, pointer).at.tolist()
            == cw.ethernet_places(option, pointer).flat.tolist()
        )


def test_pointers_and_versions() -> None:
    """CPRI V7.0 clause 4.2.7.7.2: 0, or 20 to 63; version 2 for options 5 to 7 (from memory)."""
    assert [p for p in range(64) if std.pointer_valid(p)] == [0, *range(20, 64)]
    assert [o for o in std.WORD_OCTETS if std.version_valid(o, 2)] == ["5", "6", "7"]
