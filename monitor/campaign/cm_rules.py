"""Rules of slow and fast C&M, HDLC and Ethernet: a part of the table in `rules`."""

from __future__ import annotations

from .cases import Case
from .rule import Rule, all_of, one_each

__all__ = ["ETHERNET_RULES", "HDLC_RULES", "one_bit_of_the_register"]

_HDLC, _MAC, _4B5B = "ISO/IEC 13239", "IEEE 802.3 clause 3.2", "IEEE 802.3 clause 24.2"


def one_bit_of_the_register(bits: int, polynomial: int) -> list[int]:
    """What to invert in a check sequence so that the register behind it is wrong in one bit, for each bit."""
    out = []
    for bit in range(bits):
        register = 1 << bit
        for _ in range(bits):
            top = register >> bits - 1
            register = (register ^ polynomial * top) << 1 | top
        out.append(register)
    return out


HDLC_RULES = (
    Rule(
        "hdlc",
        "every good frame arrives once, in order, octet for octet",
        _HDLC,
        (
            *one_each(
                "hdlc.size:octets=5",
                "hdlc.join",
                "hdlc.content:octets=24,frames=3",
                "hdlc.content:octets=4,frames=8",
            ),
            Case((), "hdlc, good frames"),
        ),
    ),
    Rule(
        "hdlc",
        "FCS-16: each of its bits, and each bit of the data",
        f"{_HDLC}; RFC 1662 appendix C",
        (
            *one_each("hdlc.fcs", "hdlc.fcs:xor=0x8000"),
            all_of(
                "hdlc.fcs, each bit of the register",
                (f"hdlc.fcs:xor={xor:#x},octets=20" for xor in one_bit_of_the_register(16, 0x8408)),
            ),
            all_of(
                "hdlc.fcs, each of 16 bits", (f"hdlc.fcs:xor={1 << bit:#x},octets=20" for bit in range(16))
            ),
            all_of("hdlc.data, each bit of an octet", (f"hdlc.data:octet=3,bit={bit}" for bit in range(8))),
        ),
    ),
    Rule(
        "hdlc",
        "FCS-16 is no weaker check: two errors that cancel in a sum or parity",
        f"{_HDLC}; RFC 1662 appendix C",
        (
            all_of(
                "hdlc.data, the same bit twice",
                (f"hdlc.data:octet=4,bit={bit},apart={apart}" for bit in (0, 7) for apart in (1, 2, 4, 16)),
            ),
            all_of("hdlc.fcs, two bits", (f"hdlc.fcs:xor={xor:#x}" for xor in (0x0101, 0x8001, 0x0003))),
        ),
    ),
    Rule(
        "hdlc",
        "the register is preset to ones, the FCS complemented, low octet and low bit first",
        f"{_HDLC}; RFC 1662 appendix C",
        one_each(
            "hdlc.fcs_order",
            "hdlc.fcs_order:order=1",
            "hdlc.fcs_order:order=2",
            "hdlc.fcs_order:order=3",
            "hdlc.fcs:xor=0xffff",
        ),
    ),
    Rule(
        "hdlc",
        "a frame has 4 octets or more",
        _HDLC,
        (*one_each("hdlc.short", "hdlc.short:octets=2", "hdlc.size:octets=4", "hdlc.fcs:octets=4"),),
    ),
    Rule(
        "hdlc",
        "a frame has 2048 octets or fewer",
        "common practice, no source",
        one_each("hdlc.size:octets=2048", "hdlc.long", "hdlc.long:octets=4000"),
    ),
    Rule(
        "hdlc",
        "a frame has whole octets",
        _HDLC,
        tuple(Case((f"hdlc.unaligned:drop_bits={bits}",)) for bits in range(1, 8)),
    ),
    Rule(
        "hdlc",
        "seven ones abort a frame wherever they come; fewer than 8 bits behind a flag are no frame",
        _HDLC,
        (
            *one_each(
                "hdlc.abort",
                "hdlc.abort:after=2",
                "hdlc.abort:after=12",
                "hdlc.abort_at:bits=7",
                "hdlc.abort_at:bits=8",
                "hdlc.abort_close",
            ),
            all_of(
                "hdlc.abort_at, 0 to 20 bits behind a flag",
                (f"hdlc.abort_at:bits={bits}" for bits in range(21)),
            ),
        ),
    ),
    Rule(
        "hdlc",
        "a zero behind five ones is stuffed, a missing one shows",
        _HDLC,
        one_each("hdlc.stuffing", "hdlc.stuffing:ones=1"),
    ),
    Rule(
        "hdlc",
        "any data is sent as it is: ones, zeros, and what are flags and escapes elsewhere",
        _HDLC,
        (
            *one_each(
                "hdlc.content:octet=255,octets=300",
                "hdlc.content:octet=0",
                "hdlc.content:octet=0x7E",
                "hdlc.content:octet=0x7D",
                "hdlc.content:octet=0x7D,octets=29",
                "hdlc.content:octet=3,octets=15",
            ),
        ),
    ),
    Rule(
        "hdlc",
        "flags: one closes and opens, two may share a zero, a lost one merges frames",
        _HDLC,
        one_each("hdlc.join", "hdlc.join:how=0", "hdlc.join:how=2,frames=6", "hdlc.flag"),
    ),
    Rule(
        "hdlc",
        "idle between frames: flags or ones",
        _HDLC,
        (
            *(Case((f"hdlc.idle:how={how}",)) for how in range(5)),
            Case(("hdlc.idle:how=0,times=9",)),
            Case(("hdlc.idle:how=2,times=5",)),
        ),
    ),
    Rule(
        "hdlc",
        "several bad frames in a row, each under its own heading",
        _HDLC,
        (
            Case(("hdlc.fcs", "hdlc.fcs:xor=0x100"), "hdlc.fcs, two in a row"),
            Case(("hdlc.abort", "hdlc.unaligned", "hdlc.short", "hdlc.fcs"), "hdlc, four headings in a row"),
        ),
    ),
)

_GROUPS = (0b00000, 0b00001, 0b00010, 0b00011, 0b00101, 0b00110, 0b01000, 0b01100, 0b10000, 0b11001, 0b00100)
"""The ten groups without a meaning, and H (IEEE 802.3 table 24-1)."""
ETHERNET_RULES = (
    Rule(
        "ethernet",
        "every good frame arrives once, in order, octet for octet",
        _MAC,
        (
            *one_each("ethernet.size:octets=65", "ethernet.content:frames=3,octet=17"),
            Case((), "ethernet, good frames"),
        ),
    ),
    Rule(
        "ethernet",
        "FCS-32: each of its bits, and each bit of the data",
        f"{_MAC}.9",
        (
            *one_each("ethernet.fcs", "ethernet.fcs:xor=0x80000000"),
            all_of(
                "ethernet.fcs, each bit of the register",
                (f"ethernet.fcs:xor={xor:#x},octets=64" for xor in one_bit_of_the_register(32, 0xEDB88320)),
            ),
            all_of(
                "ethernet.fcs, each of 32 bits",
                (f"ethernet.fcs:xor={1 << bit:#x},octets=64" for bit in range(32)),
            ),
            all_of("ethernet.data, each bit of an octet", (f"ethernet.data:bit={bit}" for bit in range(8))),
        ),
    ),
    Rule(
        "ethernet",
        "FCS-32 is no weaker check: two errors that cancel in a sum or parity",
        f"{_MAC}.9",
        (
            all_of(
                "ethernet.data, the same bit twice",
                (f"ethernet.data:bit={bit},apart={apart}" for bit in (0, 7) for apart in (1, 2, 4, 8)),
            ),
            all_of(
                "ethernet.fcs, two bits",
                (f"ethernet.fcs:xor={xor:#x}" for xor in (0x01010101, 0x80000001, 0x00010001)),
            ),
        ),
    ),
    Rule(
        "ethernet",
        "the register is preset to ones, the FCS complemented and in its order",
        f"{_MAC}.9",
        one_each(
            "ethernet.fcs_order",
            "ethernet.fcs_order:order=1",
            "ethernet.fcs_order:order=2",
            "ethernet.fcs_order:order=3",
            "ethernet.fcs:xor=0xffffffff",
        ),
    ),
    Rule(
        "ethernet",
        "a frame has 64 octets or more",
        "IEEE 802.3 clause 4.4.2",
        one_each(
            "ethernet.short", "ethernet.short:octets=5", "ethernet.size:octets=64", "ethernet.fcs:octets=64"
        ),
    ),
    Rule(
        "ethernet",
        "a frame has 1518 octets or fewer, 1522 with a tag",
        f"{_MAC}.7",
        one_each(
            "ethernet.size",
            "ethernet.long",
            "ethernet.size:octets=1522,tag=1",
            "ethernet.long:octets=1523,tag=1",
            "ethernet.long:octets=1522,tag=2",
            "ethernet.size:octets=1518,tag=1",
            "ethernet.size:octets=1519,tag=1",
            "ethernet.size:octets=64,tag=1",
            "ethernet.size:octets=64,tag=3",
            "ethernet.fcs:octets=1518",
        ),
    ),
    Rule(
        "ethernet",
        "H and each group without a meaning in a frame is a code error",
        "IEEE 802.3 table 24-1",
        (
            *one_each("ethernet.code", "ethernet.code:group=0"),
            all_of("ethernet.code, each group", (f"ethernet.code:group={group}" for group in _GROUPS)),
            all_of(
                "ethernet.code, at the first and other nibbles",
                (f"ethernet.code:at={at}" for at in (0, 1, 2, 3, 20, 119, 120)),
            ),
            all_of(
                "ethernet.code, in the preamble and the SFD",
                (f"ethernet.code:at={at}" for at in (-14, -13, -8, -3, -2, -1)),
            ),
        ),
    ),
    Rule(
        "ethernet",
        "SSD is J K, ESD is T R; idle or an odd nibble in a frame shows",
        _4B5B,
        tuple(Case((f"ethernet.delimiter:which={which}",)) for which in range(6)),
    ),
    Rule(
        "ethernet",
        "the start frame delimiter ends the preamble",
        f"{_MAC}.2",
        (
            *one_each(
                "ethernet.sfd",
                "ethernet.sfd:nibble=0",
                "ethernet.preamble",
                "ethernet.preamble:fives=0",
                "ethernet.preamble:fives=32",
                "ethernet.preamble:fives=33",
            ),
        ),
    ),
    Rule(
        "ethernet",
        "any destination and any data, what is a preamble or an SFD elsewhere, too",
        f"{_MAC}.3",
        (
            *one_each(
                "ethernet.content",
                "ethernet.content:to=0,octet=0",
                "ethernet.content:to=2,octet=0x55",
                "ethernet.content:octet=0xD5",
                "ethernet.content:octet=255,octets=600",
                "ethernet.content:to=3",
            ),
        ),
    ),
    Rule(
        "ethernet",
        "frames may follow each other with few idle groups",
        "IEEE 802.3 clause 4.4.2",
        (
            *one_each(
                "ethernet.gap", "ethernet.gap:groups=2", "ethernet.gap:groups=3", "ethernet.gap:groups=11"
            ),
        ),
    ),
    Rule(
        "ethernet",
        "several bad frames in a row, each under its own heading",
        _4B5B,
        (
            Case(("ethernet.fcs", "ethernet.fcs:xor=0x100"), "ethernet.fcs, two in a row"),
            Case(
                ("ethernet.code", "ethernet.delimiter", "ethernet.short", "ethernet.fcs"),
                "ethernet, four headings in a row",
            ),
        ),
    ),
)
