"""Rules of slow and fast C&M: lengths on both sides, each bit of the register, and content that is what it says."""

from __future__ import annotations

import pytest
from crccheck.crc import Crc32, CrcX25  # type: ignore[import-untyped]

from monitor.campaign.cm_rules import ETHERNET_RULES, HDLC_RULES, one_bit_of_the_register

NAMES = {case.name for rule in (*HDLC_RULES, *ETHERNET_RULES) for case in rule.cases}


def test_lengths_on_both_sides_of_each_limit() -> None:
    assert {"hdlc.short", "hdlc.size:octets=4", "hdlc.size:octets=2048", "hdlc.long"} <= NAMES
    assert {"ethernet.short", "ethernet.size:octets=64", "ethernet.size", "ethernet.long"} <= NAMES
    assert {"ethernet.size:octets=1522,tag=1", "ethernet.long:octets=1523,tag=1"} <= NAMES


@pytest.mark.parametrize(
    ("crc", "bits", "polynomial"), [(CrcX25, 16, 0x8408), (Crc32, 32, 0xEDB88320)], ids=["FCS-16", "FCS-32"]
)
def test_each_error_shows_in_one_bit_of_the_register(crc: object, bits: int, polynomial: int) -> None:
    """crccheck (PyPI): the check value over a frame and its wrong FCS differs from the right one in one bit."""
    data = bytes(range(40))

    def residue(xor: int) -> int:
        fcs = crc.calc(data) ^ xor  # type: ignore[attr-defined]
        return int(crc.calc(data + fcs.to_bytes(bits // 8, "little")))  # type: ignore[attr-defined]

    changed = [residue(0) ^ residue(xor) for xor in one_bit_of_the_register(bits, polynomial)]
    assert sorted(changed) == [1 << bit for bit in range(bits)]


def test_a_frame_whose_fcs_ends_in_five_ones_has_a_stuffed_zero_before_its_flag() -> None:
    """Fifteen octets of 03 with their FCS (crccheck, CRC-16/X-25); the last bits on the line are the high ones."""
    assert "hdlc.content:octet=3,octets=15" in NAMES
    fcs = int(CrcX25.calc(b"\x03" * 13))
    assert fcs >> 11 == 0b11111 and fcs >> 10 != 0b111111


def test_a_code_error_lies_before_and_behind_the_sfd() -> None:
    (rule,) = [rule for rule in ETHERNET_RULES if rule.text.startswith("H and each group")]
    places = {text for case in rule.cases for text in case.faults if "at=" in text}
    assert {"ethernet.code:at=-14", "ethernet.code:at=-1", "ethernet.code:at=0"} <= places
