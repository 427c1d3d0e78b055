"""Rules of the L1 inband protocol: a part of the table in `rules`."""

from __future__ import annotations

from .cases import Case
from .conditions import LEAD_HYPERFRAMES
from .rule import Rule, all_of, one_each, spread

__all__ = ["L1_RULES"]

_AT = LEAD_HYPERFRAMES
_L1, _WORDS, _LOS = "CPRI V7.0 clause 4.2.7.6", "CPRI V7.0 clause 4.2.7.4", "CPRI V7.0 clause 4.2.10"

L1_RULES = (
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
