"""The rules that a receiver is proven by: each with its clause, and the cases on both sides of its boundaries.

This table is the heart of the campaign. Its cases are run; the report prints it with their results as coverage. A
rule whose proof is that things arrive unchanged names the cases in which they do.
"""

from __future__ import annotations

from ..faults.standard import hdlc_octets, pointer_valid, reserved_octets
from .cases import COMBINATIONS, Case
from .conditions import LEAD_HYPERFRAMES, Conditions
from .line_rules import FEC_RULES, SCRAMBLING_RULES, block_rules
from .rule import FLAGS, LINE_BITS, LINE_CODE, Rule, all_of, one_each, spread

__all__ = ["RULES", "Rule", "default_cases", "rules_of"]

_AT = LEAD_HYPERFRAMES
_K_NAMES = (
    "K28.0",
    "K28.1",
    "K28.2",
    "K28.3",
    "K28.4",
    "K28.5",
    "K28.6",
    "K28.7",
    "K23.7",
    "K27.7",
    "K29.7",
    "K30.7",
)
_HDLC, _LINE, _SYNC, _LOS = (
    "ISO/IEC 13239",
    "IEEE 802.3 clause 36.2.4",
    "CPRI V7.0 clause 4.2.9",
    "CPRI V7.0 clause 4.2.10",
)
_MAC, _4B5B = "IEEE 802.3 clause 3.2", "IEEE 802.3 clause 24.2"
_MOST_WORD_OCTETS = 24
_L1, _WORDS, _IQ = "CPRI V7.0 clause 4.2.7.6", "CPRI V7.0 clause 4.2.7.4", "CPRI V7.0 clause 4.2.7.2"


def _one_bit_of_the_register(bits: int, polynomial: int) -> list[int]:
    """What to invert in a check sequence so that the register behind it is wrong in one bit, for each bit."""
    out = []
    for bit in range(bits):
        register = 1 << bit
        for _ in range(bits):
            top = register >> bits - 1
            register = (register ^ polynomial * top) << 1 | top
        out.append(register)
    return out


_LINE_RULES = (
    Rule(
        "line",
        "a symbol of neither column is a code violation",
        _LINE,
        (
            *one_each("line.violation", "line.violation:count=4", "line.violation:x=255,w=15,y=0"),
            all_of("line.violation in consecutive hyperframes", spread(["line.violation:count=2"] * 4, 1)),
        ),
        needs=LINE_CODE,
    ),
    Rule(
        "line",
        "a symbol of the other column is a disparity error",
        _LINE,
        (
            *one_each("line.disparity", "line.disparity:count=4", "line.disparity:x=255,w=15,y=0"),
            all_of("line.disparity in consecutive hyperframes", spread(["line.disparity:w=9"] * 4, 1)),
        ),
        needs=LINE_CODE,
    ),
    Rule(
        "line",
        "one line bit in error shows as one or two code errors",
        _LINE,
        (
            *one_each("line.flip", "line.flip:w=0,x=20"),
            all_of(
                "line.flip at each bit of a symbol",
                spread(f"line.flip:x={20 * bit},w=7,bit={bit}" for bit in range(10)),
            ),
            *one_each("line.burst", "line.burst:count=3,span=10"),
        ),
        needs=LINE_CODE,
    ),
    Rule(
        "line",
        "16 characters in error in one hyperframe raise LOS, 15 do not",
        _LOS,
        one_each(
            "line.violation:count=15",
            "line.violation:count=16",
            "line.disparity:count=15",
            "line.disparity:count=16",
        ),
        needs=FLAGS,
    ),
    Rule(
        "line",
        "violations and disparity errors count together for LOS, hyperframe by hyperframe",
        _LOS,
        (
            Case(
                ("line.violation:count=8", "line.disparity:count=7,w=9"),
                "line.violation 8 and line.disparity 7",
            ),
            Case(
                ("line.violation:count=8", "line.disparity:count=8,w=9"),
                "line.violation 8 and line.disparity 8",
            ),
            all_of(
                "line.violation, 8 and 8 in adjacent hyperframes", spread(["line.violation:count=8"] * 2, 1)
            ),
            all_of(
                "line.violation, 8 and 8 beside a missed sync byte",
                ["sync.comma@24", "line.violation@24:count=8", "line.violation@25:count=8"],
            ),
            all_of("line.violation, 15 in each of 3 hyperframes", spread(["line.violation:count=15"] * 3, 1)),
        ),
        needs=FLAGS,
    ),
    Rule(
        "line",
        "one hyperframe without code errors clears LOS, one with a single error does not",
        _LOS,
        (
            all_of(
                "line.violation, 16 then 1", spread(["line.violation:count=16", "line.violation:count=1"], 1)
            ),
            all_of(
                "line.violation, 16 then disparity 1",
                spread(["line.violation:count=16", "line.disparity"], 1),
            ),
            all_of(
                "line.violation, 16 twice with a clean hyperframe between",
                spread(["line.violation:count=16"] * 2, 8),
            ),
        ),
        needs=FLAGS,
    ),
    Rule(
        "line",
        "no light is LOS and LOF",
        _LOS,
        one_each("line.dark", "line.dark:level=1,hyperframes=3", "line.dark:hyperframes=20"),
        needs=FLAGS,
    ),
    Rule(
        "line",
        "an inverted line reads without code errors",
        _LINE,
        one_each("line.invert", "line.invert:hyperframes=3"),
        needs=LINE_CODE,
    ),
    Rule(
        "line",
        "the word boundary is found at each of ten bit offsets",
        "IEEE 802.3 clause 36.2.4.9",
        tuple(Case((), f"alignment offset {bits}", delay_bits=1230 + bits) for bits in range(10)),
        needs=LINE_BITS,
    ),
    Rule(
        "line",
        "the word boundary is found again after line bits came or went",
        _LOS,
        one_each(
            "line.slip",
            "line.slip:bits=-1",
            "delay.step",
            "delay.step:bits=-7",
            "delay.step:bits=10",
            "delay.drift",
            "delay.step:bits=5",
            "delay.step:bits=1",
        ),
        needs=LINE_BITS,
    ),
    Rule(
        "line",
        "each K character elsewhere than at Z.0.0 counts once",
        _SYNC,
        (
            all_of("line.k, each in IQ data", spread(f"line.k:code={code}" for code in range(12))),
            all_of(
                "line.k, each in a vendor specific octet",
                spread((f"line.k:x=20,w=0,code={code}" for code in range(12)), 3),
            ),
            Case(("line.k", "line.k:x=200,w=9,code=5"), "line.k, two in one hyperframe"),
            *one_each("line.k:code=5", "line.k:x=255,w=15"),
            all_of("line.k in consecutive hyperframes", ["line.k:hyperframes=4"]),
        ),
        needs=FLAGS,
    ),
)

_SYNC_RULES = (
    Rule(
        "sync",
        "the sync byte is K28.5, not another K character and not D28.5",
        _SYNC,
        (
            *(Case((f"sync.byte:code={code}",)) for code in (*range(5), *range(6, 13))),
            *one_each("sync.byte:code=1,hyperframes=3", "sync.byte:code=12,hyperframes=3"),
        ),
        needs=FLAGS,
    ),
    Rule(
        "sync",
        "a missed sync byte steps one state back, a right one forward; three in a row lose frame sync",
        f"{_SYNC}, Fig. 26",
        (
            *one_each("sync.comma", "sync.comma:count=2", "sync.comma:count=3", "sync.comma:count=4"),
            *(
                Case((f"sync.pattern:mask=0b{mask:b}",))
                for mask in (0b101, 0b1011, 0b1101, 0b10101, 0b11011, 0b10111, 0b1010101011)
            ),
        ),
    ),
    Rule(
        "sync",
        "four sync bytes in their places are hyperframe sync, three are not",
        f"{_SYNC}, Fig. 26",
        (
            all_of("sync.pattern, three right while sync is lost", ["sync.pattern:mask=0b1000111"]),
            all_of("sync.pattern, two right while sync is lost", ["sync.pattern:mask=0b100100111"]),
            all_of(
                "line.k, K28.5 elsewhere while sync is lost",
                ["sync.comma@24:count=4", "line.k@26:code=5,x=90,hyperframes=3"],
            ),
            all_of("line.k, K28.5 elsewhere at the start", ["line.k@0:code=5,x=90,hyperframes=3"]),
            all_of("sync.byte, data in place of the sync byte at the start", ["sync.byte@1:code=12"]),
        ),
    ),
    Rule(
        "sync",
        "K28.5 elsewhere does not move the frame while sync is held",
        _SYNC,
        (all_of("line.k, K28.5 at one place in 6 hyperframes", ["line.k:code=5,hyperframes=6"]),),
        needs=FLAGS,
    ),
    Rule(
        "sync",
        "D16.2 beside the sync byte, or D5.6 at Y = 1",
        f"{_SYNC}, Table 9",
        (
            *one_each(
                "sync.filler", "sync.filler:value=0xC5", "sync.filler:value=0x51", "sync.filler:hyperframes=3"
            ),
        ),
    ),
    Rule(
        "sync",
        "characters more or fewer lose hyperframe sync, and it is found again",
        _SYNC,
        one_each("line.character", "line.character:characters=-1", "line.character:characters=8"),
    ),
    Rule(
        "sync",
        "HFN is 0 to 149",
        "CPRI V7.0 clause 4.2.7.3",
        (
            *one_each(
                "sync.hfn",
                "sync.hfn:value=7",
                "sync.hfn:value=150",
                "sync.hfn:value=149",
                "sync.hfn:value=255",
                "sync.hfn:value=0",
            ),
            all_of(
                "sync.hfn, values that are none",
                spread((f"sync.hfn:value={value}" for value in (151, 152, 160, 191, 192, 223, 240, 254)), 3),
            ),
            Case(("sync.hfn:value=150",), "sync.hfn 150 in place of 0", first_hfn=(150 - _AT) % 150),
            Case(("sync.hfn:value=150",), "sync.hfn 150 in place of 149", first_hfn=149 - _AT),
        ),
    ),
    Rule(
        "sync",
        "HFN follows on, 149 by 0",
        "CPRI V7.0 clause 4.2.7.3",
        (
            *one_each("sync.hfn_stuck", "sync.jump", "sync.jump:by=-1"),
            Case(("sync.hfn_stuck",), "sync.hfn_stuck at HFN 0", first_hfn=(150 - _AT) % 150),
            Case(("sync.hfn:value=1",), "sync.hfn 1 in place of 0", first_hfn=(150 - _AT) % 150),
            Case(("sync.hfn:value=0",), "sync.hfn 0 in place of 149", first_hfn=149 - _AT),
            all_of("sync.hfn 200, then one skipped", ["sync.hfn@24:value=200", "sync.jump@25"]),
        ),
    ),
    Rule(
        "sync",
        "BFN has 12 bits, steps with HFN 0, and 4095 is followed by 0",
        "CPRI V7.0 clause 4.2.7.3",
        (
            *one_each("sync.bfn", "sync.bfn_stuck", "sync.jump:by=150"),
            all_of(
                "sync.bfn, each of 12 bits", spread((f"sync.bfn:xor={1 << bit:#x}" for bit in range(12)), 3)
            ),
            Case(("sync.bfn_stuck:hyperframes=1",), "sync.bfn_stuck at HFN 0", first_hfn=(150 - _AT) % 150),
            Case(("sync.bfn_stuck:hyperframes=1",), "sync.bfn_stuck at HFN 1", first_hfn=(151 - _AT) % 150),
        ),
    ),
)

_OF_K28_5 = tuple(rule for rule in _SYNC_RULES if "K28.5 " in rule.text or "K28.5," in rule.text)
"""Rules that say nothing at 64B/66B; /T/ and /S/ have their own."""

_L1_RULES = (
    Rule(
        "l1",
        "each alarm bit of Z.130.0 has its place; raised and cleared with its hyperframe",
        f"{_L1}, Table 13",
        (
            *one_each(
                "l1.rai",
                "l1.sdi",
                "l1.los",
                "l1.lof",
                "l1.reset",
                "l1.rai:hyperframes=2",
                "l1.alarms",
                "l1.alarms:mask=31",
            ),
            all_of(
                "l1, one alarm after the other",
                spread(["l1.rai", "l1.sdi", "l1.los", "l1.lof", "l1.rai:hyperframes=3"], 4),
            ),
            all_of(
                "l1, one octet after the other", spread(["l1.version", "l1.rate", "l1.pointer", "l1.rai"], 3)
            ),
            Case(("l1.alarms:mask=0x1E,hyperframes=5",)),
        ),
    ),
    Rule(
        "l1",
        "remote alarms raise no local one",
        _LOS,
        one_each("l1.los:hyperframes=20", "l1.lof:hyperframes=20"),
    ),
    Rule(
        "l1",
        "a reset request is ten hyperframes long, without interruption, and one request only",
        "CPRI V7.0 clause 4.2.7.6.1 (from memory)",
        (
            *one_each(
                "l1.reset:hyperframes=9",
                "l1.reset:hyperframes=10",
                "l1.reset:hyperframes=11",
                "l1.reset:hyperframes=60",
            ),
            all_of(
                "l1.reset, interrupted after 9 hyperframes",
                ["l1.reset@24:hyperframes=9", "l1.reset@34:hyperframes=9"],
            ),
            all_of("l1.reset, twice", ["l1.reset@24:hyperframes=10", "l1.reset@35:hyperframes=10"]),
            all_of(
                "l1.reset, interrupted by loss of sync",
                ["l1.reset@20:hyperframes=16", "sync.comma@26:count=3"],
            ),
            Case(("l1.alarms:mask=3,hyperframes=10",)),
            all_of(
                "l1.reset, another alarm within", ["l1.reset@24:hyperframes=10", "l1.sdi@28:hyperframes=2"]
            ),
            Case(("l1.reset:hyperframes=10",), "l1.reset over HFN 149 to 0", first_hfn=145 - _AT),
        ),
    ),
    Rule(
        "l1",
        "reserved bits beside alarms, pointer, rate code and BFN are not looked at",
        _WORDS,
        one_each(
            "l1.reserved",
            "l1.reserved:word=1",
            "l1.reserved:word=2",
            "l1.reserved:word=1,hyperframes=8",
            "l1.reserved:word=2,hyperframes=8",
            "l1.reserved:word=3",
            "l1.alarms:mask=0xE0,hyperframes=12",
        ),
    ),
    Rule(
        "l1",
        "pointer p is 0 or 20 to 63; another one is taken over after four hyperframes",
        "CPRI V7.0 clause 4.2.7.7.2",
        (
            *one_each(
                "l1.pointer",
                "l1.pointer:value=1",
                "l1.pointer:value=19",
                "l1.pointer:value=20",
                "l1.pointer:value=63",
                "l1.pointer:value=0",
                "l1.pointer:hyperframes=3,value=30",
                "l1.pointer:hyperframes=4,value=30",
                "l1.pointer:hyperframes=6,value=30",
                "l1.pointer:value=19,hyperframes=6",
            ),
            all_of(
                "l1.pointer, two values in four hyperframes",
                ["l1.pointer@24:value=30,hyperframes=2", "l1.pointer@26:value=31,hyperframes=2"],
            ),
            Case(("l1.pointer:hyperframes=4,value=30",), "l1.pointer over HFN 149 to 0", first_hfn=148 - _AT),
            all_of(
                "l1.pointer and l1.rate together",
                ["l1.pointer@24:hyperframes=6,value=30", "l1.rate@24:hyperframes=6,value=1"],
            ),
            all_of(
                "l1.pointer, interrupted after 3 hyperframes",
                ["l1.pointer@24:value=30,hyperframes=3", "l1.pointer@28:value=30,hyperframes=3"],
            ),
        ),
    ),
    Rule(
        "l1",
        "an HDLC rate code is valid for the option; another one is taken over after four hyperframes",
        "CPRI V7.0 clause 4.2.7.7.1, Table 11",
        (
            *one_each(
                "l1.rate",
                "l1.rate:value=6",
                "l1.rate:value=1",
                "l1.rate:hyperframes=3,value=2",
                "l1.rate:hyperframes=4,value=2",
                "l1.rate:hyperframes=6,value=2",
                "l1.rate:hyperframes=6,value=0",
            ),
            Case(("l1.rate:hyperframes=4,value=1",), "l1.rate over HFN 149 to 0", first_hfn=148 - _AT),
            all_of(
                "l1.rate, two values in four hyperframes",
                ["l1.rate@24:value=1,hyperframes=2", "l1.rate@26:value=0,hyperframes=2"],
            ),
            all_of(
                "l1.rate, interrupted after 3 hyperframes",
                ["l1.rate@24:value=1,hyperframes=3", "l1.rate@28:value=1,hyperframes=3"],
            ),
        ),
    ),
    Rule(
        "l1",
        "the protocol version is 1, or 2 for options 5 to 7; taken over after five hyperframes",
        _L1,
        (
            *one_each(
                "l1.version",
                "l1.version:value=0",
                "l1.version:value=2",
                "l1.version:value=255",
                "l1.version:hyperframes=4",
                "l1.version:hyperframes=5",
            ),
            all_of(
                "l1.version, two values in six hyperframes",
                ["l1.version@24:value=3,hyperframes=3", "l1.version@27:value=4,hyperframes=3"],
            ),
            all_of(
                "l1.version, interrupted after 4 hyperframes",
                ["l1.version@24:value=3,hyperframes=4", "l1.version@29:value=3,hyperframes=4"],
            ),
        ),
    ),
)

_SHORT = 4
_HDLC_RULES = (
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
                (f"hdlc.fcs:xor={xor:#x},octets=20" for xor in _one_bit_of_the_register(16, 0x8408)),
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
_ETHERNET_RULES = (
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
                (f"ethernet.fcs:xor={xor:#x},octets=64" for xor in _one_bit_of_the_register(32, 0xEDB88320)),
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

_WORD_RULES = (
    Rule(
        "vendor",
        "every changed octet is told with its place, old and new value",
        "CPRI V7.0 clause 4.2.7.7.3",
        (
            *one_each(
                "vendor.value",
                "vendor.value:hyperframes=3",
                "vendor.flip",
                "vendor.value:ns=16,xs=3",
                "vendor.flip:ns=16,xs=0",
            ),
            all_of("vendor.flip, each bit", spread((f"vendor.flip:bit={bit}" for bit in range(8)), 2)),
            all_of("vendor.flip, each Xs", spread((f"vendor.flip:xs={xs}" for xs in range(4)), 2)),
        ),
    ),
    Rule(
        "vendor",
        "several changes in one hyperframe, and in consecutive ones, are all told",
        "CPRI V7.0 clause 4.2.7.7.3",
        (
            Case(("vendor.flip", "vendor.flip:ns=21,xs=2"), "vendor.flip, two in one hyperframe"),
            Case(
                ("vendor.flip:ns=17,xs=0", "vendor.flip:ns=17,xs=1", "vendor.flip:ns=17,xs=2"),
                "vendor.flip, three in one hyperframe",
            ),
            all_of(
                "vendor.flip, 28 in one hyperframe",
                [f"vendor.flip@24:ns={ns},xs={xs}" for ns in range(16, 23) for xs in range(4)],
            ),
            all_of(
                "vendor.flip, the same bit of two octets of a subchannel",
                [f"vendor.flip@24:ns=18,xs={xs},bit=7" for xs in (0, 2)],
            ),
            all_of(
                "vendor.value, from one octet to another",
                [f"vendor.value@{at}:ns=18,xs={xs},hyperframes=2" for at, xs in ((24, 0), (26, 1))],
            ),
            all_of(
                "vendor.value in consecutive hyperframes",
                spread((f"vendor.value:value={value},hyperframes=1" for value in (1, 2, 3, 4)), 1),
            ),
        ),
    ),
    Rule(
        "ctrl_axc",
        "Ctrl_AxC: subchannels 4 to 7, every word",
        _WORDS,
        (
            *one_each("ctrl_axc.flip"),
            all_of(
                "ctrl_axc.flip, each subchannel and word",
                spread(f"ctrl_axc.flip:ns={ns},xs={xs}" for ns in range(4, 8) for xs in range(4)),
            ),
            Case(("ctrl_axc.flip", "ctrl_axc.flip:ns=6,xs=3"), "ctrl_axc.flip, two in one hyperframe"),
            all_of(
                "ctrl_axc.flip, the same bit of two octets of a subchannel",
                [f"ctrl_axc.flip@24:ns=5,xs={xs}" for xs in (1, 2)],
            ),
        ),
    ),
    Rule(
        "reserved",
        "reserved: subchannels 8 to 15, every word",
        _WORDS,
        (
            *one_each("reserved.flip"),
            all_of(
                "reserved.flip, each subchannel and word",
                spread(f"reserved.flip:ns={ns},xs={xs}" for ns in range(8, 16) for xs in range(4)),
            ),
            Case(("reserved.flip", "reserved.flip:ns=15,xs=3"), "reserved.flip, two in one hyperframe"),
            all_of(
                "reserved.flip, the same bit of two octets of a subchannel",
                [f"reserved.flip@24:ns=9,xs={xs}" for xs in (1, 2)],
            ),
        ),
    ),
    Rule(
        "iq",
        "IQ data arrive unchanged; nothing in the frame checks them",
        _IQ,
        (
            *one_each(
                "iq.flip",
                "iq.flip:x=255,w=15,bit=7",
                "iq.flip:x=0,w=1",
                "iq.stuck",
                "iq.constant",
                "iq.constant:value=255",
                "iq.shift",
                "iq.swap",
            ),
        ),
    ),
    Rule(
        "combined",
        "faults of several planes in one hyperframe are told as if each were alone",
        "CPRI V7.0 clause 4.2.7",
        tuple(Case(texts) for texts in COMBINATIONS),
    ),
)


def _beside_the_others(usual: Conditions) -> Rule:
    """Reserved octets in the subchannels of other planes."""
    reserved = reserved_octets(usual.option, usual.rate_code).places.tolist()
    beside = [place for place in reserved if place[0] in (0, 1, 2)]
    beside = [*(p for p in reserved if p[0] == 3), *beside[:3], *beside[-3:]]
    return Rule(
        "reserved",
        "reserved: subchannel 3, and what others leave of 0, 1 and 2",
        _WORDS,
        (
            all_of(
                "reserved.flip, subchannels 0 to 3",
                spread(f"reserved.flip:ns={ns},xs={xs},y={y}" for ns, xs, y in beside),
            ),
        ),
    )


def _settings(usual: Conditions) -> tuple[Rule, ...]:
    """Rules of where the planes lie, for the option of the link."""
    option, words = usual.option, usual.line.word_octets
    codes = [code for code in range(7) if hdlc_octets(option, code)]
    # At the largest hyperframes the ends of the range, and one beside them, stand for all.
    every = range(20, 64) if words <= _MOST_WORD_OCTETS else (20, 21, 39, 41, 62, 63)
    pointers = [p for p in every if p != usual.pointer_p]
    last_y = min(words, 16) - 1
    octet = (
        all_of(
            "last octet Y of each plane",
            [f"vendor.flip@24:y={last_y}", f"ctrl_axc.flip@26:y={last_y}", f"reserved.flip@28:y={last_y}"],
        ),
        all_of(
            "each octet Y of a vendor specific word", spread(f"vendor.flip:y={y}" for y in range(last_y + 1))
        ),
        all_of(
            "each octet Y of a Ctrl_AxC and a reserved word",
            [
                *spread((f"ctrl_axc.flip:y={y}" for y in range(last_y + 1)), 2),
                *spread((f"reserved.flip:y={y}" for y in range(last_y + 1)), 2),
            ],
        ),
        all_of("line.k, each octet Y of a word", spread(f"line.k:y={y}" for y in range(last_y + 1))),
        *(Case((f"sync.filler:y={y}",)) for y in range(2, last_y + 1)),
    )
    return (
        _beside_the_others(usual),
        Rule(
            "hdlc",
            "the octets of each HDLC rate code",
            "CPRI V7.0 clause 4.2.7.7.1, Table 11",
            (
                *tuple(
                    Case(("hdlc.fcs",), f"hdlc.fcs at rate code {code}", rate_code=code, every_plane=True)
                    for code in codes
                    if code != usual.rate_code
                ),
                Case((), "no slow C&M, rate code 0", rate_code=0, every_plane=True),
                Case(
                    tuple(spread(f"reserved.flip:ns=1,xs={xs}" for xs in range(4))),
                    "reserved.flip, subchannel 1 at rate code 0",
                    rate_code=0,
                ),
                Case(
                    ("reserved.flip@24:ns=1,xs=1", f"reserved.flip@26:ns=1,xs=3,y={last_y}"),
                    "reserved.flip, what rate code 1 leaves of subchannel 1",
                    rate_code=1,
                ),
            ),
        ),
        Rule(
            "ethernet",
            "fast C&M begins with subchannel p, vendor specific octets end before it",
            "CPRI V7.0 clause 4.2.7.7.2",
            (
                *(
                    Case(
                        (f"vendor.flip:ns={p - 1},xs=3,y={last_y}", "vendor.flip@26:ns=16,xs=0"),
                        f"pointer p = {p}",
                        pointer_p=p,
                    )
                    for p in pointers
                    if pointer_valid(p)
                ),
                Case(("vendor.flip:ns=63,xs=3",), "no fast C&M, pointer p = 0", pointer_p=0),
            ),
        ),
        Rule("vendor", "each octet Y of a word belongs to its plane", _WORDS, octet),
    )


RULES: tuple[Rule, ...] = (
    *_LINE_RULES,
    *_SYNC_RULES,
    *_L1_RULES,
    *_HDLC_RULES,
    *_ETHERNET_RULES,
    *_WORD_RULES,
)


def rules_of(usual: Conditions) -> tuple[Rule, ...]:
    """Every rule with its cases for a link."""
    if usual.line.line_code == "64b66b":
        kept = (rule for rule in RULES if rule.plane != "line" and rule not in _OF_K28_5)
        line = block_rules(usual.line, fec=usual.sent_line.fec) + FEC_RULES * usual.sent_line.fec
        return (*line, *kept, *_settings(usual))
    rules = RULES + _settings(usual)
    return rules + SCRAMBLING_RULES if usual.sent_line.scrambling is not None else rules


def default_cases(usual: Conditions) -> list[Case]:
    """The baseline and the cases of every rule, each once."""
    cases = [Case(()), *(case for rule in rules_of(usual) for case in rule.cases)]
    return list(dict.fromkeys(cases))
