"""Rules of the line at 8B/10B, and of hyperframe sync, HFN and BFN: a part of the table in `rules`."""

from __future__ import annotations

from .cases import Case
from .conditions import LEAD_HYPERFRAMES
from .rule import FLAGS, LINE_BITS, LINE_CODE, Rule, all_of, one_each, spread

__all__ = ["LINE_RULES", "RULES_OF_K28_5", "SYNC_RULES"]

_AT = LEAD_HYPERFRAMES
_LINE, _SYNC, _LOS = "IEEE 802.3 clause 36.2.4", "CPRI V7.0 clause 4.2.9", "CPRI V7.0 clause 4.2.10"

LINE_RULES = (
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

SYNC_RULES = (
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

RULES_OF_K28_5 = tuple(rule for rule in SYNC_RULES if "K28.5 " in rule.text or "K28.5," in rule.text)
"""Rules that say nothing at 64B/66B; /T/ and /S/ have their own."""
