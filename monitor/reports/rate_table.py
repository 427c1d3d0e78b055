"""The line bit rate options with what each plane can carry, as records and as a table (CPRI V7.0 Tables 3 and 11)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from decoders.frame_structure.controlwords import check_pointer
from decoders.linerates import CHIP_RATE_HZ, OPTIONS, LineRateOption

__all__ = ["rate_lines", "rate_records"]

_FIRST_POINTER = 16
"""Subchannels 16 and up are vendor specific, up to the fast C&M channel."""


def rate_records(pointer_p: int, hdlc_rate_code: int | None) -> list[dict[str, Any]]:
    """One record an option; `hdlc_rate_code` None takes the highest of each. SettingsError for a bad pointer."""
    check_pointer(pointer_p)
    return [_record(option, pointer_p, hdlc_rate_code) for option in OPTIONS.values()]


def _record(option: LineRateOption, pointer_p: int, code: int | None) -> dict[str, Any]:
    highest = max(c for c in range(7) if option.hdlc_octets(c) is not None)
    used = highest if code is None else code
    vendor = ((pointer_p or 64) - _FIRST_POINTER) * 4 * option.control_octets
    return {
        "option": option.name,
        "line_rate_bps": option.line_rate_bps,
        "line_code": option.line_code,
        "word_bits": option.word_bits,
        "bytes_per_hyperframe": option.hyperframe_octets,
        "unit_interval_ps": float(option.unit_interval_s * 10**12),
        "hdlc_rate_code": used,
        "hdlc_bps": option.hdlc_bit_rate(used),
        "ethernet_coded_bps": option.ethernet_bit_rate(pointer_p),
        "vendor_bps": vendor * 8 * 15_000,
        "iq_bps": option.iq_bits_per_basic_frame * CHIP_RATE_HZ,
        "first_version": option.first_version,
    }


def rate_lines(records: list[dict[str, Any]], pointer_p: int) -> Iterator[str]:
    """The table, at most 100 columns wide."""
    yield f"pointer p = {pointer_p}; rates in Mbit/s; Ethernet before 4B/5B decoding (x 0.8 after)"
    yield "- = HDLC rate code not valid for this option"
    yield "option  line rate  code     T  octets/HF   UI ps     HDLC code   HDLC  Ethernet   vendor        IQ"
    for row in records:
        hdlc = "-" if row["hdlc_bps"] is None else f"{row['hdlc_bps'] / 1e6:9.2f}"
        yield (
            f"{row['option']:>6} {row['line_rate_bps'] / 1e6:10.2f}  {row['line_code']:6} {row['word_bits']:3}"
            f" {row['bytes_per_hyperframe']:10} {row['unit_interval_ps']:8.2f} {row['hdlc_rate_code']:9}"
            f" {hdlc:>10} {row['ethernet_coded_bps'] / 1e6:9.2f} {row['vendor_bps'] / 1e6:8.2f}"
            f" {row['iq_bps'] / 1e6:9.2f}"
        )
