"""`framefray rates`: the line rate table with what each plane can carry."""

from __future__ import annotations

import argparse
from typing import Any

from decoders.errors import DecodersError
from decoders.frame_structure.controlwords import check_pointer
from decoders.linerates import CHIP_RATE_HZ, OPTIONS, LineRateOption

from ..errors import InputError
from ..process.streams import print_json


def _row(option: LineRateOption, pointer_p: int, code: int | None) -> dict[str, Any]:
    highest = max(c for c in range(7) if option.hdlc_octets(c) is not None)
    used = highest if code is None else code
    vendor_subchannels = (pointer_p or 64) - 16
    vendor = vendor_subchannels * 4 * option.control_octets
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


def run(arguments: argparse.Namespace) -> int:
    try:
        check_pointer(arguments.pointer)
    except DecodersError as error:
        raise InputError(str(error)) from None
    if arguments.hdlc_rate is not None and arguments.hdlc_rate > 6:
        raise InputError(f"HDLC rate code {arguments.hdlc_rate}: 0 to 6 have a rate of their own")
    rows = [_row(option, arguments.pointer, arguments.hdlc_rate) for option in OPTIONS.values()]
    if arguments.json:
        print_json({"schema": "framefray.rates/1", "pointer_p": arguments.pointer, "rates": rows})
        return 0
    print(f"pointer p = {arguments.pointer}; rates in Mbit/s; Ethernet before 4B/5B decoding (x 0.8 after)")
    print(
        "option  line rate  code     T  octets/HF   UI ps     HDLC code   HDLC  Ethernet   vendor        IQ"
    )
    for row in rows:
        hdlc = "cannot be" if row["hdlc_bps"] is None else f"{row['hdlc_bps'] / 1e6:9.2f}"
        print(
            f"{row['option']:>6} {row['line_rate_bps'] / 1e6:10.2f}  {row['line_code']:6} {row['word_bits']:3}"
            f" {row['bytes_per_hyperframe']:10} {row['unit_interval_ps']:8.2f} {row['hdlc_rate_code']:9}"
            f" {hdlc:>10} {row['ethernet_coded_bps'] / 1e6:9.2f} {row['vendor_bps'] / 1e6:8.2f}"
            f" {row['iq_bps'] / 1e6:9.2f}"
        )
    return 0
