"""The rate table; bit rates of CPRI V7.0 Tables 3 and 11 typed in."""

from __future__ import annotations

import pytest

from decoders.errors import SettingsError
from monitor.reports.rate_table import rate_lines, rate_records

LINE_RATES = {"1": 614.4, "2": 1228.8, "3": 2457.6, "4": 3072.0, "5": 4915.2, "6": 6144.0, "7": 9830.4,
              "7A": 8110.08, "8": 10137.6, "9": 12165.12, "10": 24330.24}  # fmt: skip
"""Mbit/s (Table 3)."""
HIGHEST_HDLC = {"1": 480, "2": 960, "3": 1920, "4": 2400, "5": 3840, "6": 4800, "7": 7680}
"""kbit/s (Table 11)."""


def test_rates_are_those_of_the_tables() -> None:
    records = {record["option"]: record for record in rate_records(20, None)}
    assert {name: record["line_rate_bps"] / 1e6 for name, record in records.items()} == LINE_RATES
    assert {name: records[name]["hdlc_bps"] // 1000 for name in HIGHEST_HDLC} == HIGHEST_HDLC
    assert records["2"]["ethernet_coded_bps"] == (64 - 20) * 4 * 2 * 8 * 15_000
    assert records["2"]["vendor_bps"] == (20 - 16) * 4 * 2 * 8 * 15_000


def test_a_rate_code_that_an_option_does_not_have_is_a_dash() -> None:
    records = rate_records(0, 4)
    assert [record["hdlc_bps"] for record in records][:3] == [None, None, 1_920_000]
    lines = list(rate_lines(records, 0))
    assert len(lines) == 3 + len(LINE_RATES)
    assert lines[1] == "- = HDLC rate code not valid for this option"
    assert " - " in lines[3] and " - " not in lines[5]
    assert max(map(len, lines)) <= 100


def test_a_pointer_outside_the_standard_is_refused() -> None:
    with pytest.raises(SettingsError):
        rate_records(19, None)
