"""Rules of control words, of IQ data, and of where the planes lie: a part of the table in `rules`."""

from __future__ import annotations

from ..faults.standard import hdlc_octets, pointer_valid, reserved_octets
from .cases import COMBINATIONS, Case
from .conditions import Conditions
from .rule import Rule, all_of, one_each, spread

__all__ = ["WORD_RULES", "place_rules"]

_MOST_WORD_OCTETS = 24
_WORDS, _IQ = "CPRI V7.0 clause 4.2.7.4", "CPRI V7.0 clause 4.2.7.2"

WORD_RULES = (
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


def place_rules(usual: Conditions) -> tuple[Rule, ...]:
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
