"""Faults of hyperframe sync and timing: sync byte, fillers, HFN and BFN.

CPRI V7.0 clauses 4.2.7.3 (HFN, BFN) and 4.2.9 (sync machine, Fig. 26; its falling back by one state is from
memory). Every one is done to the octets of a hyperframe before line coding.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from decoders.events import Alarm, Origin
from decoders.line_coding.scrambling import SCRAMBLED_OPTIONS

from . import standard as std
from .continuity import ContinuityCount, numbers_around, position_of, timing_at
from .kinds import TRAFFIC_LOST, Context, Expectation, FaultKind, Layer, Parameter, Values, because, moved
from .places import HYPERFRAMES

__all__ = ["D28_5", "SYNC_FAULTS", "sent_timing"]

D28_5 = 12
"""The code of sync.byte that stands for the sync byte's octet as a data character."""
_D16_2, _D5_6 = 0x50, 0xC5
_LOF = (Alarm.LOF, Origin.LOCAL)


def sent_timing(name: str, values: Values, offset: int, bfn: int, hfn: int) -> tuple[int, int] | None:
    """(BFN, HFN) that a timing fault sends `offset` hyperframes after its own, where (bfn, hfn) are due.

    None where it is over with that hyperframe.
    """
    if name == "sync.jump":
        return timing_at(position_of(bfn, hfn) + values["by"])
    if offset >= values.get("hyperframes", 1):
        return None
    if name == "sync.hfn":
        return bfn, values["value"]
    if name == "sync.bfn":
        return bfn ^ values["xor"], hfn
    stood_bfn, stood_hfn = timing_at(position_of(bfn, hfn) - offset - 1)
    return (bfn, stood_hfn) if name == "sync.hfn_stuck" else (stood_bfn, hfn)


def _timing(name: str) -> Callable[[Values, Context], Expectation]:
    def expect(values: Values, context: Context) -> Expectation:
        lasts = values.get("hyperframes", 1)
        read = context.within_stream(lasts + 2)
        preceding = 1 if context.preceding is None else min(context.preceding, 1)
        # Where the place in the frame is not known, the middle of one stands for it.
        hfn = context.hfn if context.hfn is not None else 60 if values.get("value", 0) >= 75 else 120
        count = ContinuityCount()
        for offset, bfn, due in numbers_around(hfn, preceding, read):
            sent = sent_timing(name, values, offset, bfn, due) if offset >= 0 else None
            count.take(*(sent or (bfn, due)))
        tolerated = {}
        if context.hfn is None:
            why = "how HFN stands where it happens is not known"
            tolerated = because(why, (c for c, by in count.counters.items() if not by))
        return Expectation(moved(count.counters), tolerated=tolerated, within_hyperframes=lasts + 1)

    return expect


def _sync_bytes(wrong: Sequence[bool], context: Context) -> Expectation:
    """What follows from sync bytes that are wrong (True) or right, one hyperframe after the other."""
    lasts = len(wrong)
    missed = behind = 0
    for bad in wrong[: context.within_stream(lasts)]:
        behind = behind + 1 if bad else max(0, behind - 1)
        missed += bad
        if behind == std.MISSES_TO_LOSE:
            cleared = (_LOF,) if context.at_least(lasts + 3) else ()
            exact = {"missed_sync_bytes": missed, "lof_events": 1}
            return Expectation(exact, (), TRAFFIC_LOST, (_LOF,), cleared, lasts + 3)
    return Expectation(moved({"missed_sync_bytes": missed}), within_hyperframes=max(1, lasts))


def _comma(values: Values, context: Context) -> Expectation:
    return _sync_bytes([True] * values["count"], context)


def _pattern(values: Values, context: Context) -> Expectation:
    return _sync_bytes([bool(values["mask"] >> i & 1) for i in range(values["mask"].bit_length())], context)


def _byte(values: Values, context: Context) -> Expectation:
    seen = values["code"] != D28_5 or context.flags
    return _sync_bytes([seen] * values["hyperframes"], context)


def _filler(values: Values, context: Context) -> Expectation:
    right = (_D16_2, _D5_6) if values["y"] == 1 else (_D16_2,)
    if values["value"] in right:
        return Expectation()
    read = context.within_stream(values["hyperframes"])
    exact = {"filler_mismatches": read}
    if context.version == 2 and context.option.name in SCRAMBLED_OPTIONS and values["y"] > 1:
        exact["scrambling_unreliable"] = read  # the octets that the seed is told from
    return Expectation(exact, within_hyperframes=values["hyperframes"])


SYNC_FAULTS = (
    FaultKind(
        "sync.comma",
        Layer.OCTETS,
        "replace the sync byte K28.5 by D16.2",
        "CPRI clause 4.2.9, Fig. 26: three in a row lose sync",
        (Parameter("count", 1, 16, 1, "hyperframes", "in how many successive hyperframes"),),
        _comma,
        lambda v: v["count"] >= std.MISSES_TO_LOSE,
    ),
    FaultKind(
        "sync.pattern",
        Layer.OCTETS,
        "replace the sync byte by D16.2 in some of successive hyperframes",
        "CPRI clause 4.2.9, Fig. 26: a missed sync byte steps one state back (from memory), a right one forward",
        (Parameter("mask", 1, 0xFFFF, 0b1011, "", "bit i: the sync byte is wrong i hyperframes later"),),
        _pattern,
        lambda v: v["mask"].bit_count() >= std.MISSES_TO_LOSE,
    ),
    FaultKind(
        "sync.byte",
        Layer.OCTETS,
        "replace the sync byte by another K character, or by the data character of the same octet",
        "CPRI clause 4.2.9: the sync byte is K28.5 and nothing else",
        (
            Parameter(
                "code",
                0,
                D28_5,
                1,
                "",
                "0 to 7 = K28.0 to K28.7, 8 to 11 = K23.7, K27.7, K29.7, K30.7, 12 = D28.5",
            ),
            Parameter("hyperframes", 1, 16, 1, "hyperframes", "duration"),
        ),
        _byte,
        lambda _: True,
    ),
    FaultKind(
        "sync.filler",
        Layer.OCTETS,
        "replace an octet beside the sync byte",
        "CPRI clause 4.2.9, Table 9: D16.2, beside the sync byte also D5.6",
        (
            Parameter("y", 1, 15, 1, "", "octet Y of the sync control word"),
            Parameter("value", 0, 255, 0xB0, "", "value sent"),
            HYPERFRAMES,
        ),
        _filler,
    ),
    FaultKind(
        "sync.hfn",
        Layer.OCTETS,
        "replace HFN in one hyperframe",
        "CPRI clause 4.2.7.3: HFN counts 0 to 149",
        (Parameter("value", 0, 255, 200, "", "HFN sent"),),
        _timing("sync.hfn"),
    ),
    FaultKind(
        "sync.hfn_stuck",
        Layer.OCTETS,
        "hold HFN, then go on where it should be",
        "CPRI clause 4.2.7.3: HFN counts 0 to 149",
        (HYPERFRAMES,),
        _timing("sync.hfn_stuck"),
    ),
    FaultKind(
        "sync.bfn",
        Layer.OCTETS,
        "replace BFN in one hyperframe",
        "CPRI clause 4.2.7.3: BFN is the same in a whole 10 ms frame",
        (Parameter("xor", 1, 4095, 0x010, "", "bits of BFN that are inverted"),),
        _timing("sync.bfn"),
    ),
    FaultKind(
        "sync.bfn_stuck",
        Layer.OCTETS,
        "hold BFN, so that it may miss its step at HFN 0",
        "CPRI clause 4.2.7.3: BFN steps with HFN 0",
        (Parameter("hyperframes", 1, 100000, 150, "hyperframes", "duration"),),
        _timing("sync.bfn_stuck"),
    ),
    FaultKind(
        "sync.jump",
        Layer.OCTETS,
        "let BFN and HFN jump, and count on from there",
        "CPRI clause 4.2.7.3",
        (Parameter("by", -600000, 600000, 1, "hyperframes", "1 skips one, -1 repeats one, 150 skips a BFN"),),
        _timing("sync.jump"),
    ),
)
