"""Faults of 64B/66B, of RS-FEC and of the scrambling of version 2, and what other faults mean at 64B/66B.

What must follow is worked out from the standards, not from a decoder: IEEE 802.3 clause 49 (headers, block formats,
the payload scrambler 1 + x^39 + x^58), clauses 74 and 91 (codewords), CPRI V7.0 clauses 4.2.9, 4.2.10 and 6.9. How
many bad headers raise LOS is an open reading of the standard, so LOS and what comes of it may move, and need not.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from decoders.counters import COUNTERS
from decoders.events import Alarm, Origin
from decoders.frame_structure.frames import octet_address, octet_index
from decoders.line_coding.scrambling import MAXIMUM_SEED, SCRAMBLED_OPTIONS
from decoders.linerates import LineRateOption

from .kinds import (
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
from .places import BASIC_FRAME, HYPERFRAMES, OCTET, WORD

__all__ = ["BLOCK_FAULTS", "LOS_NOT_JUDGED", "with_blocks"]

_LOF: AlarmOf = (Alarm.LOF, Origin.LOCAL)
_LOS: AlarmOf = (Alarm.LOS, Origin.LOCAL)
_LOS_HEADERS = 16
_LOST_AFTER = 3
_SETTLE = 4
_BLOCK_OCTETS, _BLOCK_BITS = 8, 66
_BLOCKS_PER_CODEWORD, _CORRECTABLE = 80, 7
_TAPS = (0, 39, 58)
"""Payload bits that one wrong line bit spoils, from its own on (802.3 clause 49.2.6)."""

_LINE = (
    "block_header_errors",
    "block_type_unexpected",
    "block_lock_losses",
    "fec_corrected_codewords",
    "fec_corrected_symbols",
    "fec_uncorrected_codewords",
    "fec_lock_losses",
)
_SIGNAL = ("los_events", "lof_events", "realignments")
CONTROL = because(
    "a control octet is hit: whatever it carries may change",
    (c for c in COUNTERS if c not in (*_LINE, *_SIGNAL, "code_violations", "disparity_errors")),
)
GARBLED = because(
    "read out of step until the loss is found",
    (c for c in COUNTERS if c not in (*_SIGNAL, "code_violations", "disparity_errors", "filler_mismatches")),
)
LOS_NOT_JUDGED = TRAFFIC_LOST | because(
    "how many bad headers raise LOS is a setting",
    (*_SIGNAL, "block_lock_losses", "missed_sync_bytes"),
)


def _without(tolerated: dict[str, str], names: Iterable[str]) -> dict[str, str]:
    taken = set(names)
    return {name: why for name, why in tolerated.items() if name not in taken}


def _is_control(option: LineRateOption, first: int, last: int) -> bool:
    """Whether any of the octets first..last of a hyperframe stands in a control word that may count."""
    size = option.hyperframe_octets
    if last >= size:
        return True
    return any(octet_address(option, octet % size)[1] == 0 for octet in range(first, last + 1))


def _hits_control(values: Values, context: Context, bits: Iterable[int]) -> bool:
    """Whether wrong bits, from the first of the octet on, spoil control octets behind the descrambler."""
    option = context.option
    start = 8 * octet_index(option, values["x"], values["w"], values["y"])
    octets = {(start + bit + tap) // 8 for bit in bits for tap in _TAPS}
    return any(_is_control(option, octet, octet) for octet in octets)


def _block_hits_control(values: Values, context: Context, blocks: int = 1) -> bool:
    option = context.option
    first = octet_index(option, values["x"], values["w"], values["y"]) // _BLOCK_OCTETS * _BLOCK_OCTETS
    return _is_control(option, first, first + blocks * _BLOCK_OCTETS - 1)


def _flip(values: Values, context: Context) -> Expectation:
    if context.fec:
        exact = {"fec_corrected_codewords": 1, "fec_corrected_symbols": 1} if context.bits else {}
        return Expectation(exact)
    return Expectation(tolerated=CONTROL if _hits_control(values, context, [values["bit"]]) else {})


def _burst(values: Values, context: Context) -> Expectation:
    span = values["count"] if not values["seed"] else values["span"]
    octets = 1 + span // 8 + 8
    first = octet_index(context.option, values["x"], values["w"], values["y"])
    tolerated = dict(CONTROL) if _is_control(context.option, first, first + octets) else {}
    if context.fec:
        return _burst_in_codewords(values, context, span, tolerated)
    headers = span // _BLOCK_BITS + 1
    tolerated |= because(
        "a header may be turned into the other one", ("block_type_unexpected", "unexpected_k")
    )
    if not context.flags:
        return Expectation(tolerated=tolerated)
    if headers >= _LOS_HEADERS:
        tolerated |= LOS_NOT_JUDGED
    ranges = (Range(("block_header_errors",), 0, headers),)
    return Expectation(ranges=ranges, tolerated=tolerated, within_hyperframes=_SETTLE)


def _burst_in_codewords(
    values: Values, context: Context, span: int, tolerated: dict[str, str]
) -> Expectation:
    """A burst of 61 bits is in seven symbols at most (61 = 6 x 10 + 1); 62 may be in eight."""
    most = min(values["count"], (span - 2) // 10 + 2 if span > 1 else 1)
    least = -(-values["count"] // 10)
    if most <= _CORRECTABLE:
        ranges: tuple[Range, ...] = ()
        if context.bits:
            ranges = (
                Range(("fec_corrected_codewords",), 1, 2),
                Range(("fec_corrected_symbols",), least, most + 1),
            )
        return Expectation(ranges=ranges)
    codewords = span // 5280 + 2
    tolerated |= GARBLED | LOS_NOT_JUDGED
    spoiled = ("block_header_errors", *(n for n in _LINE if n.startswith("fec_")))
    ranges = tuple(
        Range((name,), 0, codewords if "codewords" in name else _BLOCKS_PER_CODEWORD * codewords)
        for name in spoiled
    )
    return Expectation(ranges=ranges, tolerated=_without(tolerated, spoiled), within_hyperframes=_SETTLE)


def _violation(values: Values, context: Context) -> Expectation:
    """Without FEC one bad header each; with it the four of a 257-bit group, which has one mark for all of them."""
    tolerated = dict(CONTROL) if _block_hits_control(values, context) and values["x"] == 0 else {}
    if not context.flags:
        return Expectation(tolerated=tolerated)
    headers = values["count"] * (4 if context.fec else 1)
    if headers >= _LOS_HEADERS:
        tolerated |= LOS_NOT_JUDGED
    return Expectation({"block_header_errors": headers}, (), tolerated, within_hyperframes=_SETTLE)


def _header(values: Values, context: Context) -> Expectation:
    """The first payload octet is taken for the type octet of a control block, and is anything."""
    tolerated = dict(CONTROL) if _block_hits_control(values, context) else {}
    if not context.blocks:
        tolerated |= because("/T/ or /S/ by chance", ("unexpected_k",))
        if context.fec and context.flags:
            tolerated |= because("a type that no group can have", ("block_header_errors",))
        return Expectation(tolerated=tolerated)
    counters: tuple[str, ...] = ("block_type_unexpected", "unexpected_k")
    if context.fec:  # the nibble that is left out of a group comes back as another, or the type has none
        counters += ("block_header_errors",)
    return Expectation(ranges=(Range(counters, 1, 1),), tolerated=_without(tolerated, counters))


def _sync_pair(values: Values, context: Context) -> Expectation:
    """Two special characters where none belongs; the place of the hyperframe must not move."""
    tolerated = dict(CONTROL) if _block_hits_control(values, context, 2) else {}
    if not context.flags:
        return Expectation(tolerated=tolerated)
    return Expectation({"unexpected_k": 2}, tolerated=_without(tolerated, ("unexpected_k",)))


def _character(values: Values, context: Context) -> Expectation:
    """/T/ or /S/ in place of an octet; what follows /T/ in its block is idle."""
    tolerated = dict(CONTROL) if _block_hits_control(values, context) else {}
    return Expectation(
        {"unexpected_k": 1} if context.flags else {}, tolerated=_without(tolerated, ("unexpected_k",))
    )


def _missed(values: Values, context: Context) -> Expectation:
    """A hyperframe whose two sync blocks are not both in place misses its sync word, and moves nothing else."""
    missed = context.within_stream(values["count"])
    if missed < _LOST_AFTER:
        return Expectation({"missed_sync_bytes": missed}, within_hyperframes=missed)
    cleared = (_LOF,) if context.at_least(values["count"] + 3) else ()
    exact = {"missed_sync_bytes": _LOST_AFTER, "lof_events": 1}
    return Expectation(exact, (), TRAFFIC_LOST, (_LOF,), cleared, values["count"] + 3)


def _filler(values: Values, context: Context) -> Expectation:
    if values["value"] == 0x50:
        return Expectation()
    read = context.within_stream(values["hyperframes"])
    return Expectation({"sync_word_filler_mismatches": read}, within_hyperframes=values["hyperframes"])


def _invert(values: Values, context: Context) -> Expectation:
    """Every data block reads as a control block of some type, so no sync word is found."""
    read = context.within_stream(values["hyperframes"] or (context.following or 0) + 1)
    tolerated = GARBLED | LOS_NOT_JUDGED
    if context.fec or not context.flags or (not values["hyperframes"] and context.following is None):
        return Expectation(tolerated=tolerated, within_hyperframes=read + _SETTLE)
    exact = {"missed_sync_bytes": min(read, _LOST_AFTER)} | ({"lof_events": 1} if read >= _LOST_AFTER else {})
    tolerated = _without(tolerated, (*exact, "block_header_errors", "los_events"))
    return Expectation(exact, (), tolerated, within_hyperframes=read + _SETTLE)


def _dark(values: Values, context: Context) -> Expectation:
    """A constant level has headers 00 or 11: all are bad, by any rule."""
    dark = context.within_stream(values["hyperframes"])
    if not context.flags:
        # The first block behind cannot be descrambled, and it is that of the next sync word.
        missed = min(context.within_stream(values["hyperframes"] + 1), _LOST_AFTER)
        exact = {"missed_sync_bytes": missed} | ({"lof_events": 1} if missed == _LOST_AFTER else {})
        return Expectation(exact, (), _without(GARBLED, exact), within_hyperframes=dark + _SETTLE)
    exact = {"los_events": 1, "lof_events": 1}
    blocks = context.option.hyperframe_octets // _BLOCK_OCTETS
    ranges = (
        Range(("block_header_errors",), _LOS_HEADERS, (dark + 2) * blocks),
        Range(("missed_sync_bytes",), 0, 1),
    )
    cleared = (_LOS, _LOF) if context.at_least(dark + _SETTLE) else ()
    tolerated = _without(GARBLED, (*exact, "block_header_errors", "missed_sync_bytes")) | because(
        "codewords begin anew", ("realignments",)
    )
    return Expectation(exact, ranges, tolerated, (_LOS, _LOF), cleared, dark + _SETTLE)


def _moved(
    bits: int, context: Context, *, times: int = 1, every: int = 0, settled: bool, boundary: bool = False
) -> Expectation:
    """Line bits more or fewer. Whole blocks move the hyperframe alone; a codeword is spoiled by any."""
    moved_blocks = bits % _BLOCK_BITS == 0
    if not context.bits and not context.flags and (context.fec or not moved_blocks):
        # Octets behind a receiver of line bits: how many blocks it loses until it has lock again is its own affair.
        bounds = (Range(("missed_sync_bytes",), 0, _LOST_AFTER * times), Range(("lof_events",), 0, times))
        garbled = _without(GARBLED, ("missed_sync_bytes",)) | TRAFFIC_LOST
        return Expectation(
            ranges=bounds, tolerated=garbled, within_hyperframes=(times - 1) * every + 3 + _SETTLE
        )
    signal_lost = context.flags and (context.fec or not moved_blocks)
    exact = {"lof_events": times}
    if signal_lost:
        exact["los_events"] = times
        if not moved_blocks and context.bits:
            exact["realignments"] = times
    else:
        exact["missed_sync_bytes"] = _LOST_AFTER * times
    tolerated = _without(GARBLED, exact)
    ranges: tuple[Range, ...] = ()
    if not settled:
        ranges = tuple(Range((name,), max(0, by - by // times), by) for name, by in exact.items())
        exact = {}
    raised = () if not settled else (_LOS, _LOF) if signal_lost else (_LOF,)
    return Expectation(exact, ranges, tolerated, raised, raised, (times - 1) * every + 3 + _SETTLE)


def _slip(values: Values, context: Context) -> Expectation:
    return _moved(values["bits"], context, settled=context.at_least(3 + _SETTLE))


def _blocks_moved(values: Values, context: Context) -> Expectation:
    return _moved(_BLOCK_BITS * values["characters"], context, settled=context.at_least(3 + _SETTLE))


def _step(values: Values, context: Context) -> Expectation:
    return _moved(values["bits"], context, settled=context.at_least(3 + _SETTLE), boundary=True)


def _drift(values: Values, context: Context) -> Expectation:
    times, every, rest = values["steps"], values["every"], values["every"]
    if context.following is not None:
        times = min(times, context.following // every + 1)
        rest = context.following - (times - 1) * every
    settled = rest >= 3 + _SETTLE
    return _moved(values["bits"], context, times=times, every=every, settled=settled, boundary=True)


def _symbols(values: Values, context: Context) -> Expectation:
    """Up to seven wrong symbols are put right; more spoil the headers of all eighty blocks."""
    symbols = values["symbols"]
    if symbols <= _CORRECTABLE:
        exact = {"fec_corrected_codewords": 1, "fec_corrected_symbols": symbols} if context.bits else {}
        return Expectation(exact, within_hyperframes=2)
    return _uncorrected(1, context)


def _uncorrected(codewords: int, context: Context) -> Expectation:
    exact = {"fec_uncorrected_codewords": codewords} if context.bits else {}
    if context.flags:
        exact["block_header_errors"] = _BLOCKS_PER_CODEWORD * codewords
    tolerated = _without(CONTROL | LOS_NOT_JUDGED | because("three in a row", ("fec_lock_losses",)), exact)
    return Expectation(exact, (), tolerated, within_hyperframes=2 + _SETTLE)


def _pn(values: Values, context: Context) -> Expectation:
    """PN-5280 is no codeword, and has 2816 ones in it: what it is missing from cannot be corrected."""
    expected = _uncorrected(values["codewords"], context)
    if values["codewords"] == 1 or not context.flags:
        return expected
    # What comes behind the codeword that raises LOS may be looked for anew instead of read.
    ranges = tuple(Range((name,), by // values["codewords"], by) for name, by in expected.exact.items())
    return replace(expected, exact={}, ranges=ranges)


def _header_rule(values: Values, context: Context) -> Expectation:
    """A right codeword whose header bits mean something else: about half of its groups have blocks of wrong kinds."""
    garbled = (
        GARBLED | LOS_NOT_JUDGED | because("codewords are looked for anew after LOS", ("fec_lock_losses",))
    )
    garbled = _without(garbled, (name for name in _LINE if name.startswith("fec_")))
    if not context.flags:
        return Expectation(tolerated=garbled, within_hyperframes=2 + _SETTLE)
    kinds: tuple[str, ...] = ("block_header_errors", "unexpected_k")
    if context.blocks:
        kinds += ("block_type_unexpected",)
    # Without line bits or blocks a wrong kind of block may leave no mark.
    least = values["codewords"] if context.blocks else 0
    ranges = (Range(kinds, least, _BLOCKS_PER_CODEWORD * values["codewords"]),)
    return Expectation(ranges=ranges, tolerated=_without(garbled, kinds), within_hyperframes=2 + _SETTLE)


def _phase(values: Values, context: Context) -> Expectation:
    return _moved(values["bits"], context, settled=context.at_least(3 + _SETTLE))


def _seed(values: Values, context: Context) -> Expectation:
    """The seed holds from the hyperframe it stands in; going back to the old one is a change as well."""
    if values["seed"] == context.scrambling:
        return Expectation()
    changes = context.edges(values["hyperframes"])
    return Expectation(
        {"scrambling_seed_changes": changes} if changes else {}, within_hyperframes=values["hyperframes"] + 1
    )


def _only_64b66b(option: LineRateOption) -> str | None:
    return (
        None if option.line_code == "64b66b" else "is not valid for this option, which has no 64B/66B blocks"
    )


def _only_8b10b(option: LineRateOption) -> str | None:
    return None if option.line_code == "8b10b" else "is not valid for this option: 64B/66B has no disparity"


def _no_sync_byte(option: LineRateOption) -> str | None:
    if option.line_code == "8b10b":
        return None
    return "is not valid for this option: its sync word has no K28.5; see sync.terminate_only and sync.start_only"


def _only_version_2(option: LineRateOption) -> str | None:
    if option.name in SCRAMBLED_OPTIONS:
        return None
    return "is not valid for this option, which has no scrambling of version 2"


_MEANINGS: dict[str, Callable[[Values, Context], Expectation]] = {
    "line.flip": _flip,
    "line.burst": _burst,
    "line.violation": _violation,
    "line.k": _character,
    "line.slip": _slip,
    "line.character": _blocks_moved,
    "line.invert": _invert,
    "line.dark": _dark,
    "delay.step": _step,
    "delay.drift": _drift,
    "sync.comma": _missed,
    "sync.filler": _filler,
}
"""Faults that both line codes have, and what must follow at 64B/66B."""


def with_blocks(kinds: Iterable[FaultKind]) -> tuple[FaultKind, ...]:
    """Kinds with what they mean at 64B/66B."""
    out = []
    for kind in kinds:
        if kind.name == "line.disparity":
            kind = replace(kind, refused=_only_8b10b)
        if kind.name == "sync.byte":
            kind = replace(kind, refused=_no_sync_byte)
        out.append(replace(kind, expect_on_blocks=_MEANINGS.get(kind.name)))
    return tuple(out)


_COUNT = Parameter("count", 1, 16, 1, "hyperframes", "in how many successive hyperframes")
_SOURCE_49 = "IEEE 802.3 clause 49.2.4"
_SOURCE_FEC = "CPRI clause 6.9, IEEE 802.3 clause 91.5.2.7: seven symbols of a codeword can be corrected"


def _kind(
    name: str,
    layer: Layer,
    meaning: str,
    source: str,
    parameters: tuple[Parameter, ...],
    expect: Callable[[Values, Context], Expectation],
    refused: Callable[[LineRateOption], str | None] = _only_64b66b,
) -> FaultKind:
    return FaultKind(name, layer, meaning, source, parameters, expect, lambda v: True, refused=refused)


BLOCK_FAULTS = (
    _kind(
        "line.header",
        Layer.SYMBOLS,
        "send header 10 on a data block",
        f"{_SOURCE_49}.3: the first octet is taken for a block type",
        (BASIC_FRAME, WORD, OCTET),
        _header,
    ),
    _kind(
        "line.sync_pair",
        Layer.OCTETS,
        "send a /T/ block and an /S/ block in the middle of a hyperframe",
        f"{_SOURCE_49}.4; CPRI clause 4.2.9: the hyperframe keeps its place",
        (BASIC_FRAME, WORD, OCTET),
        _sync_pair,
    ),
    _kind(
        "sync.terminate_only",
        Layer.OCTETS,
        "send the /T/ block of the sync word without the /S/ block",
        "CPRI clause 4.2.9, Fig. 26B: three in a row lose sync",
        (_COUNT,),
        _missed,
    ),
    _kind(
        "sync.start_only",
        Layer.OCTETS,
        "send the /S/ block of the sync word without the /T/ block",
        "CPRI clause 4.2.9, Fig. 26B: three in a row lose sync",
        (_COUNT,),
        _missed,
    ),
    _kind(
        "fec.symbols",
        Layer.SYMBOLS,
        "corrupt symbols of one codeword",
        _SOURCE_FEC,
        (
            Parameter("symbols", 1, 40, 7, "symbols", "how many of ten bits"),
            Parameter("codeword", 0, 90, 5, "", "which, from the first that begins in the hyperframe"),
            Parameter("seed", 0, 65535, 1, "", "draws the places and values"),
        ),
        _symbols,
    ),
    _kind(
        "fec.pn",
        Layer.SYMBOLS,
        "send codewords without PN-5280",
        f"{_SOURCE_FEC}; PN: clause 74.7.4.4.1",
        (
            Parameter("codeword", 0, 90, 5, "", "the first, from the one that begins in the hyperframe"),
            Parameter("codewords", 1, 10, 1, "codewords", "how many"),
        ),
        _pn,
    ),
    _kind(
        "fec.header_rule",
        Layer.SYMBOLS,
        "send codewords with the other header rule",
        "IEEE 802.3 clause 91.5.2.5, last step; which rule CPRI clause 6.9 has is not known",
        (
            Parameter("codeword", 0, 90, 5, "", "the first, from the one that begins in the hyperframe"),
            Parameter("codewords", 1, 10, 1, "codewords", "how many"),
        ),
        _header_rule,
    ),
    _kind(
        "fec.phase",
        Layer.BITS,
        "insert line bits between two codewords, so that the codeword phase moves",
        "CPRI clause 6.9; LOS and LOF: clause 4.2.10",
        (Parameter("bits", 1, 5279, 66, "bits", "how many; 66 = one block"),),
        _phase,
    ),
    _kind(
        "scrambling.seed",
        Layer.SYMBOLS,
        "scramble with another seed",
        "CPRI figure 40: any seed must be received; 0 = scrambling off",
        (
            Parameter("seed", 0, MAXIMUM_SEED, 0x2A5A5A5A, "", "seed, c[0] in bit 0"),
            replace(HYPERFRAMES, low=0, default=0, meaning="duration; 0 = until the end"),
        ),
        _seed,
        _only_version_2,
    ),
)
