"""Faults of the line code, the word alignment and the path delay.

IEEE 802.3 clause 36.2.4 (8B/10B), CPRI V7.0 clauses 4.2.9 and 4.2.10 (hyperframe sync, LOS, LOF). A delay that
changes is seen by a receiver as bits that are there once more or are missing where one hyperframe ends.
"""

from __future__ import annotations

from collections.abc import Iterable

from decoders.counters import COUNTERS
from decoders.events import Alarm, Origin

from .kinds import (
    PRACTICE,
    TRAFFIC_LOST,
    AlarmOf,
    Context,
    Expectation,
    FaultKind,
    Layer,
    Parameter,
    Range,
    Values,
    because,
)
from .places import BASIC_FRAME, HYPERFRAMES, OCTET, SYMBOL_BIT, WORD
from .standard import LOS_THRESHOLD

__all__ = ["DELAY_FAULTS", "K_CODES", "LINE_FAULTS", "cut_bits"]

SETTLE = 4
"""Hyperframes after which a receiver that lost sync has it again: one clean, and a pair of sync bytes."""
CODE_ERRORS = ("code_violations", "disparity_errors")
_LOS: AlarmOf = (Alarm.LOS, Origin.LOCAL)
_LOF: AlarmOf = (Alarm.LOF, Origin.LOCAL)

K_CODES = (0x1C, 0x3C, 0x5C, 0x7C, 0x9C, 0xBC, 0xDC, 0xFC, 0xF7, 0xFB, 0xFD, 0xFE)
"""K28.0 to K28.7, K23.7, K27.7, K29.7, K30.7 (IEEE 802.3 table 36-2)."""

CONTROL = because(
    "the octet hit is a control octet: whatever it carries may change",
    (c for c in COUNTERS if c not in (*CODE_ERRORS, "los_events", "lof_events", "realignments")),
)
"""What may move where the place of a line fault is a control word (W = 0)."""
GARBLED = because(
    "read out of step until the loss is found",
    (c for c in COUNTERS if c not in ("los_events", "lof_events", "realignments")),
)


def _shows(values: Values, context: Context) -> bool:
    """A wrong disparity shows within some 10 characters (computed); here they are sure to follow."""
    return context.at_least(1) or values["x"] < 250


def _flip(values: Values, context: Context) -> Expectation:
    tolerated = CONTROL if values["w"] == 0 else {}
    if not context.flags:
        return Expectation(tolerated=tolerated)
    ranges = [Range(CODE_ERRORS, 1 if _shows(values, context) else 0, 2)]
    if values["w"]:
        ranges.append(Range(("unexpected_k",), 0, 1))
    return Expectation(ranges=tuple(ranges), tolerated=tolerated)


def _burst(values: Values, context: Context) -> Expectation:
    octets = 1 + (values["span"] + 8) // 10
    control = values["w"] == 0 or values["w"] * context.option.word_octets + values["y"] + octets >= (
        16 * context.option.word_octets
    )
    tolerated = dict(CONTROL) if control else {}
    if not context.flags:
        return Expectation(tolerated=tolerated)
    most = min(2 * values["count"], octets + 10)
    ranges = [Range(CODE_ERRORS, 0, most)]
    if not control:
        ranges.append(Range(("unexpected_k",), 0, octets))
    if most >= LOS_THRESHOLD:
        # A burst may or may not have the 16 characters in error that raise LOS.
        tolerated |= TRAFFIC_LOST
        ranges += [Range(("los_events",), 0, 1), Range(("lof_events",), 0, 1)]
    return Expectation(ranges=tuple(ranges), tolerated=tolerated, within_hyperframes=SETTLE)


def _violation(values: Values, context: Context) -> Expectation:
    tolerated = dict(CONTROL) if values["w"] == 0 else {}
    if not context.flags:
        return Expectation(tolerated=tolerated)
    return _line_errors("code_violations", values["count"], tolerated, context)


def _line_errors(counter: str, count: int, tolerated: dict[str, str], context: Context) -> Expectation:
    """So many characters in error in one hyperframe, each under one heading."""
    exact = {counter: count}
    if count < LOS_THRESHOLD:
        return Expectation(exact, tolerated=tolerated)
    exact |= {"los_events": 1, "lof_events": 1}
    cleared = (_LOS, _LOF) if context.at_least(SETTLE) else ()
    return Expectation(exact, (), tolerated | TRAFFIC_LOST, (_LOS, _LOF), cleared, SETTLE)


def _disparity(values: Values, context: Context) -> Expectation:
    count = values["count"]
    if not context.flags:
        return Expectation()
    if not context.at_least(1) and values["x"] + count > 250:
        return Expectation(ranges=(Range(("disparity_errors",), 0, count),))
    return _line_errors("disparity_errors", count, {}, context)


def _k(values: Values, context: Context) -> Expectation:
    if values["w"] == 0:
        return Expectation(tolerated=CONTROL)
    lasts = values["hyperframes"]
    exact = {"unexpected_k": context.within_stream(lasts)} if context.flags else {}
    return Expectation(exact, within_hyperframes=max(1, lasts))


def _invert(values: Values, context: Context) -> Expectation:
    read = context.within_stream(values["hyperframes"] or (context.following or 0) + 1)
    ranges = [Range((name,), 0, 0) for name in ("los_events", "lof_events", "missed_sync_bytes")]
    ranges.append(Range(CODE_ERRORS, 0, 2 if context.flags else 0))
    exact = {}
    if context.option.word_octets > 1 and (values["hyperframes"] or context.following is not None):
        exact = {"filler_mismatches": read}
    bounded = {name for r in ranges for name in r.counters} | {"realignments", "unexpected_k"}
    why = "every octet reads as another one"
    return Expectation(
        exact, tuple(ranges), because(why, (c for c in COUNTERS if c not in bounded and c not in exact))
    )


def _dark(values: Values, context: Context) -> Expectation:
    dark = context.within_stream(values["hyperframes"])
    if not context.flags:
        exact = {"missed_sync_bytes": min(dark, 3)} | ({"lof_events": 1} if dark >= 3 else {})
        return Expectation(exact, (), _without(GARBLED, exact), within_hyperframes=dark + SETTLE)
    exact = {"missed_sync_bytes": 1, "los_events": 1, "lof_events": 1}
    octets = context.option.hyperframe_octets
    ranges = (Range(CODE_ERRORS, LOS_THRESHOLD, dark * octets + 2),)
    cleared = (_LOS, _LOF) if context.at_least(dark + SETTLE) else ()
    tolerated = _without(GARBLED, (*exact, *CODE_ERRORS))
    return Expectation(exact, ranges, tolerated, (_LOS, _LOF), cleared, dark + SETTLE)


def _without(tolerated: dict[str, str], names: Iterable[str]) -> dict[str, str]:
    taken = set(names)
    return {name: why for name, why in tolerated.items() if name not in taken}


def _moved_by(
    bits: int, context: Context, *, times: int = 1, every: int = 0, settled: bool, boundary: bool = False
) -> Expectation:
    """The stream moves on by `bits`, `times` over, each time with sync found again in between.

    The alarms are this receiver's; what it reads out of step may also look like remote ones for a moment.
    Behind a deserialiser it moves by whole words, what is left of a word before K28.5 being dropped; a receiver
    without flags does not see that what it reads up to there is garbled.
    """
    signal_lost = bits % 10 != 0 and context.flags
    if not context.bits and not signal_lost and bits // 10 == 0:
        left = _without(GARBLED, ("missed_sync_bytes", *CODE_ERRORS))
        missed = {"missed_sync_bytes": times} if boundary else {}
        return Expectation(missed, tolerated=left, within_hyperframes=(times - 1) * every + 1)
    exact = {"lof_events": times}
    if signal_lost:
        exact["los_events"] = times
        if context.bits:
            exact["realignments"] = times
        if boundary or not context.bits:
            exact["missed_sync_bytes"] = times * boundary
    else:
        exact["missed_sync_bytes"] = 3 * times
    ranges: tuple[Range, ...] = ()
    tolerated = _without(GARBLED, exact)
    if not signal_lost:
        ranges = (Range(CODE_ERRORS, 0, 2 * times),)
        tolerated = _without(tolerated, CODE_ERRORS)
    if not settled:
        # The stream may end before the loss shows, or before sync is back.
        ranges = tuple(Range((name,), max(0, by - by // times), by) for name, by in exact.items()) + ranges
        exact = {}
    raised = () if not settled else (_LOS, _LOF) if signal_lost else (_LOF,)
    return Expectation(exact, ranges, tolerated, raised, raised, (times - 1) * every + 3 + SETTLE)


def _slip(values: Values, context: Context) -> Expectation:
    settled = context.at_least(SETTLE + 1 if context.bits else 3 + SETTLE)
    return _moved_by(values["bits"], context, settled=settled)


def _character(values: Values, context: Context) -> Expectation:
    return _moved_by(10 * values["characters"], context, settled=context.at_least(3 + SETTLE))


def _step(values: Values, context: Context) -> Expectation:
    return _moved_by(values["bits"], context, settled=context.at_least(3 + SETTLE), boundary=True)


def _drift(values: Values, context: Context) -> Expectation:
    times, every, rest = values["steps"], values["every"], values["every"]
    if context.following is not None:
        times = min(times, context.following // every + 1)
        rest = context.following - (times - 1) * every
    settled = rest >= 3 + SETTLE
    return _moved_by(values["bits"], context, times=times, every=every, settled=settled, boundary=True)


def cut_bits(fault_name: str, values: Values, offset: int) -> int | None:
    """Line bits that a fault of the bit layer adds (negative: takes away) in the hyperframe `offset` after its own.

    None where it is over with that hyperframe.
    """
    if fault_name == "delay.drift":
        step, rest = divmod(offset, values["every"])
        if step >= values["steps"]:
            return None
        return values["bits"] if rest == 0 else 0
    if offset:
        return None
    return 10 * values["characters"] if fault_name == "line.character" else values["bits"]


LINE_FAULTS = (
    FaultKind(
        "line.flip",
        Layer.SYMBOLS,
        "invert one line bit",
        "IEEE 802.3 clause 36.2.4.6; one flip shows as one or two code errors (computed)",
        (BASIC_FRAME, WORD, OCTET, SYMBOL_BIT),
        _flip,
        lambda v: True,
    ),
    FaultKind(
        "line.burst",
        Layer.SYMBOLS,
        "invert several line bits close together",
        "IEEE 802.3 clause 36.2.4.6; LOS from 16 in one hyperframe: CPRI clause 4.2.10.2",
        (
            BASIC_FRAME,
            WORD,
            OCTET,
            Parameter("count", 1, 2000, 20, "bits", "how many"),
            Parameter("span", 1, 4000, 40, "bits", "within how many, from bit a of the octet on"),
            Parameter("seed", 0, 65535, 1, "", "draws the places; 0 = the first `count` bits, without a gap"),
        ),
        _burst,
        lambda v: True,
    ),
    FaultKind(
        "line.violation",
        Layer.SYMBOLS,
        "send a symbol that is in neither column of the code",
        "IEEE 802.3 clause 36.2.4.6; LOS from 16 in one hyperframe: CPRI clause 4.2.10.2",
        (
            BASIC_FRAME,
            WORD,
            OCTET,
            Parameter("count", 1, 64, 1, "symbols", "how many, one in each of successive basic frames"),
        ),
        _violation,
        lambda v: v["count"] >= LOS_THRESHOLD or v["w"] == 0,
    ),
    FaultKind(
        "line.disparity",
        Layer.SYMBOLS,
        "invert the sender's running disparity once",
        "IEEE 802.3 clause 36.2.4.4: one disparity error, then both agree again",
        (
            BASIC_FRAME,
            WORD,
            OCTET,
            Parameter("count", 1, 64, 1, "times", "how often, once in each of successive basic frames"),
        ),
        _disparity,
        lambda v: v["count"] >= LOS_THRESHOLD or v["x"] + v["count"] > 250,
    ),
    FaultKind(
        "line.k",
        Layer.OCTETS,
        "replace an octet by a K character",
        "CPRI clause 4.2.9: K28.5 at Z.0.0 is the only one of a hyperframe",
        (
            BASIC_FRAME,
            WORD,
            OCTET,
            Parameter("code", 0, 11, 0, "", "0 to 7 = K28.0 to K28.7, 8 to 11 = K23.7, K27.7, K29.7, K30.7"),
            HYPERFRAMES,
        ),
        _k,
        lambda v: v["w"] == 0,
    ),
    FaultKind(
        "line.slip",
        Layer.BITS,
        "insert (1) or delete (-1) one line bit",
        "CPRI clause 4.2.10: LOS and LOF, then alignment at another bit position",
        (
            Parameter("x", 0, 200, 100, "", "basic frame X in which it happens"),
            Parameter("bits", -1, 1, 1, "bit", "1 inserts, -1 deletes"),
        ),
        _slip,
        lambda v: True,
    ),
    FaultKind(
        "line.character",
        Layer.BITS,
        "insert or delete whole characters",
        "CPRI clause 4.2.9: no code error need show; three missed sync bytes lose sync",
        (
            Parameter("x", 0, 200, 100, "", "basic frame X in which it happens"),
            Parameter("characters", -8, 8, 1, "characters", "positive inserts D21.5, negative deletes"),
        ),
        _character,
        lambda v: True,
    ),
    FaultKind(
        "line.invert",
        Layer.SYMBOLS,
        "invert the line from the hyperframe's first bit on, as a swapped pair does",
        "IEEE 802.3 clause 36.2.4: every symbol's complement is one of the code (computed)",
        (Parameter("hyperframes", 0, 100000, 0, "hyperframes", "duration; 0 = until the end"),),
        _invert,
        lambda v: True,
    ),
    FaultKind(
        "line.dark",
        Layer.SYMBOLS,
        "send a constant level for whole hyperframes, as without light",
        "CPRI clause 4.2.10.2: LOS",
        (
            Parameter("level", 0, 1, 0, "", "level of the line"),
            Parameter("hyperframes", 1, 200, 1, "hyperframes", "duration"),
        ),
        _dark,
        lambda v: True,
    ),
)

DELAY_FAULTS = (
    FaultKind(
        "delay.step",
        Layer.BITS,
        "change the path delay between two hyperframes, as a transceiver reset may",
        f"CPRI clause 4.2.10 for LOS and LOF; {PRACTICE}, for the step",
        (
            Parameter(
                "bits",
                -1000,
                1000,
                3,
                "bits",
                "positive: so many come before the hyperframe; negative: miss in it",
            ),
        ),
        _step,
        lambda v: True,
    ),
    FaultKind(
        "delay.drift",
        Layer.BITS,
        "change the path delay in steps, as a cable that warms up does behind a transceiver that slips",
        f"CPRI clause 4.2.10 for LOS and LOF; {PRACTICE}, for the drift",
        (
            Parameter("bits", -10, 10, 1, "bits", "of each step"),
            Parameter("steps", 1, 100, 2, "", "how many"),
            Parameter("every", 12, 10000, 15, "hyperframes", "from step to step"),
        ),
        _drift,
        lambda v: True,
    ),
)
