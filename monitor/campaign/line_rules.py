"""Rules of 64B/66B, RS-FEC and the scrambling of version 2: a part of the table in `rules`."""

from __future__ import annotations

from collections.abc import Iterator

from decoders.linerates import LineRateOption

from .cases import Case
from .rule import FLAGS, LINE_BITS, LINE_CODE, Rule, all_of, one_each, spread

__all__ = ["FEC_RULES", "SCRAMBLING_RULES", "block_rules"]

_CODE, _LOCK, _FEC = (
    "IEEE 802.3 clause 49.2.4",
    "IEEE 802.3 figure 49-12",
    "CPRI V7.0 clause 6.9; IEEE 802.3 clause 91.5.2",
)
_SYNC, _LOS = "CPRI V7.0 clause 4.2.9, Fig. 26B", "CPRI V7.0 clause 4.2.10"
_WINDOW = 8
"""A basic frame with which 64 blocks begin, at each option."""
_SCRAMBLING = "CPRI V7.0 clause 4.2.7.6, Fig. 40"

SCRAMBLING_RULES = (
    Rule(
        "scrambling",
        "any seed of 31 bits is received, and holds from the hyperframe it stands in",
        _SCRAMBLING,
        (
            *one_each(
                "scrambling.seed",
                "scrambling.seed:seed=1",
                "scrambling.seed:seed=0x7FFFFFFF",
                "scrambling.seed:seed=0x40000000,hyperframes=1",
                "scrambling.seed:hyperframes=3",
            ),
            all_of(
                "scrambling.seed, another one in each of 4 hyperframes",
                spread((f"scrambling.seed:seed={seed},hyperframes=1" for seed in (5, 6, 7, 8)), 1),
            ),
        ),
    ),
    Rule(
        "scrambling",
        "seed 0 leaves the octets plain",
        _SCRAMBLING,
        one_each("scrambling.seed:seed=0", "scrambling.seed:seed=0,hyperframes=4"),
    ),
    Rule(
        "scrambling",
        "known octets that fit no seed count, and the last seed holds",
        _SCRAMBLING,
        (
            *(Case((f"sync.filler:y={y},value=0x51",)) for y in range(2, 8)),
            Case(("sync.filler:y=5,hyperframes=6",)),
            all_of(
                "sync.filler beside a new seed", ["scrambling.seed@24", "sync.filler@26:y=3,hyperframes=3"]
            ),
        ),
    ),
)


def _bad_headers(option: LineRateOption, first: int, count: int) -> Iterator[str]:
    """A bad header in each of `count` blocks, the first one `first` blocks behind the beginning of a window."""
    begin = _WINDOW * option.basic_frame_octets
    for block in range(first, first + count):
        x, rest = divmod(begin + 8 * block, option.basic_frame_octets)
        w, y = divmod(rest, option.word_octets)
        yield f"line.violation@24:x={x},w={w},y={y}"


def _lock_rule(option: LineRateOption) -> Rule:
    return Rule(
        "line",
        "16 bad headers of 64 lose block lock, 15 do not",
        _LOCK,
        (
            all_of("line.violation, 15 in 64 blocks", _bad_headers(option, 0, 15)),
            all_of("line.violation, 15 at the end of 64 blocks", _bad_headers(option, 49, 15)),
            all_of("line.violation, 16 in 64 blocks", _bad_headers(option, 0, 16)),
            all_of("line.violation, 16 at the end of 64 blocks", _bad_headers(option, 48, 16)),
            all_of("line.violation, 8 and 8 in adjacent 64 blocks", _bad_headers(option, 56, 16)),
        ),
        needs=LINE_CODE,
    )


def _boundary_rules(*, fec: bool) -> tuple[Rule, ...]:
    """Where blocks begin, and where hyperframes do."""
    return (
        Rule(
            "line",
            "the block boundary is found at each bit offset",
            f"{_LOCK}: 66 offsets" if not fec else "CPRI V7.0 clause 6.9: any codeword phase",
            tuple(
                Case((), f"alignment offset {bits}", delay_bits=1254 + bits)
                for bits in (*range(4), 9, 10, 31, 32, 33, 63, 64, 65)
            ),
            needs=LINE_BITS,
        ),
        Rule(
            "line",
            "the block boundary is found again after line bits came or went",
            _LOS,
            one_each(
                "line.slip",
                "line.slip:bits=-1",
                "delay.step",
                "delay.step:bits=-7",
                "delay.step:bits=10",
                "delay.drift",
            ),
            needs=LINE_BITS,
        ),
        Rule(
            "line",
            "blocks more or fewer lose hyperframe sync, and it is found again",
            _SYNC,
            one_each("line.character", "line.character:characters=-1", "line.character:characters=8"),
        ),
    )


def block_rules(option: LineRateOption, *, fec: bool) -> tuple[Rule, ...]:
    """Rules of 64B/66B at an option; block lock has none with RS-FEC, which leaves no headers on the line."""
    last = option.word_octets - 1
    bits = [(y, bit) for y in range(8) for bit in (0, 3, 7)]
    common = (
        Rule(
            "line",
            "a header 00 or 11 counts, and the octets of the block are taken as received",
            f"{_CODE}.3",
            (
                *one_each("line.violation", "line.violation:count=3", f"line.violation:x=255,w=15,y={last}"),
                all_of("line.violation in consecutive hyperframes", spread(["line.violation:w=9"] * 4, 1)),
                *one_each("line.violation:x=20,w=0"),
            ),
            needs=LINE_CODE,
        ),
        Rule(
            "line",
            "a control block of another type counts, and the hyperframe keeps its place",
            f"{_CODE}.4",
            (
                *one_each("line.header", "line.header:x=20,w=0", f"line.header:x=255,w=15,y={last}"),
                all_of("line.header, two in one hyperframe", ["line.header:x=9", "line.header:x=99,w=3"]),
                all_of(
                    "line.header in consecutive hyperframes",
                    spread([f"line.header:x={x}" for x in (3, 4, 5, 6)], 1),
                ),
            ),
            needs=LINE_CODE,
        ),
        Rule(
            "line",
            "/T/ or /S/ elsewhere than in the sync word counts once, and does not move the hyperframe",
            f"{_CODE}.4; {_SYNC}",
            (
                *one_each(
                    "line.sync_pair", "line.sync_pair:x=20,w=0", "line.k:code=9,w=2,y=0", "line.k:code=10"
                ),
                all_of(
                    "line.k, /T/ in each octet of a block",
                    spread(f"line.k:code=10,w=2,y={y}" for y in range(8)),
                ),
                all_of("line.k, /S/ in 6 hyperframes", ["line.k:code=9,w=2,y=0,hyperframes=6"]),
                all_of("line.sync_pair in 6 hyperframes", spread(["line.sync_pair:x=90"] * 6, 1)),
                all_of(
                    "line.sync_pair while sync is lost",
                    ["sync.comma@24:count=4", *(f"line.sync_pair@{at}:x=90" for at in (26, 27, 28))],
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
            "an inverted line has no data blocks, so sync is lost",
            f"{_CODE}.3",
            one_each("line.invert:hyperframes=3", "line.invert:hyperframes=8", "line.invert"),
            needs=LINE_CODE,
        ),
        *_boundary_rules(fec=fec),
        Rule(
            "sync",
            "the sync word is /T/ in octet 7 and /S/ in octet 8; where one of them is missing it is missed",
            _SYNC,
            (
                *one_each(
                    *(
                        f"sync.{name}{values}"
                        for name in ("terminate_only", "start_only")
                        for values in ("", ":count=2", ":count=3", ":count=4")
                    )
                ),
                all_of(
                    "sync.terminate_only, then sync.start_only, then both missing",
                    ["sync.terminate_only@24", "sync.start_only@25", "sync.comma@26"],
                ),
                all_of(
                    "sync.terminate_only, right in between",
                    ["sync.terminate_only@24:count=2", "sync.terminate_only@27"],
                ),
            ),
            needs=FLAGS,
        ),
    )
    if fec:
        return common
    return (
        Rule(
            "line",
            "one wrong line bit spoils the payload at +0, +39 and +58 bits, and nothing else",
            f"{_CODE}.6",
            (
                *one_each(
                    "line.flip",
                    "line.flip:w=0,x=20",
                    f"line.flip:x=255,w=15,y={last},bit=7",
                    "line.flip:x=255,w=14",
                ),
                all_of(
                    "line.flip at many bits of a block",
                    spread((f"line.flip:x=20,w=6,y={y},bit={bit}" for y, bit in bits), 1),
                ),
                *one_each("line.burst", "line.burst:count=3,span=10", "line.burst:count=61,span=61,seed=0"),
            ),
            needs=LINE_CODE,
        ),
        Rule(
            "line",
            "15 bad headers in one hyperframe raise no LOS; with 16 it is not judged, for the rule is not known",
            _LOS,
            one_each("line.violation:count=15", "line.violation:count=16", "line.violation:count=60"),
            needs=FLAGS,
        ),
        _lock_rule(option),
        *common,
    )


FEC_RULES = (
    Rule(
        "fec",
        "up to seven wrong symbols of a codeword are put right, and nothing else follows",
        _FEC,
        (
            *one_each(
                *(f"fec.symbols:symbols={n}" for n in range(1, 8)),
                "fec.symbols:seed=2",
                "fec.symbols:codeword=0",
                "fec.symbols:codeword=90",
            ),
            *one_each("line.flip", "line.flip:w=0,x=20", "line.burst:count=61,span=61,seed=0"),
            all_of(
                "fec.symbols, two codewords of one hyperframe",
                ["fec.symbols:codeword=3", "fec.symbols:codeword=4,symbols=2"],
            ),
            all_of(
                "fec.symbols in consecutive hyperframes",
                spread((f"fec.symbols:symbols={n},seed={n}" for n in (1, 3, 5, 7)), 1),
            ),
        ),
    ),
    Rule(
        "fec",
        "eight wrong symbols are not put right, and the headers of all 80 blocks count; LOS is not judged",
        _FEC,
        one_each(
            "fec.symbols:symbols=8",
            "fec.symbols:symbols=8,seed=2",
            "fec.symbols:symbols=40",
            "fec.symbols:symbols=8,codeword=90",
        ),
    ),
    Rule(
        "fec",
        "PN-5280 is on each codeword, begun anew with it",
        f"{_FEC}; clause 74.7.4.4.1",
        one_each("fec.pn", "fec.pn:codewords=2", "fec.pn:codewords=10"),
    ),
    Rule(
        "fec",
        "a link has one header rule: a right codeword of the other one is garbled, and needs no correction",
        f"{_FEC}; clause 91.5.2.5",
        one_each("fec.header_rule", "fec.header_rule:codewords=2", "fec.header_rule:codewords=10"),
    ),
    Rule(
        "fec",
        "codewords are found at any bit, and found again when their phase moves",
        _FEC,
        one_each("fec.phase", "fec.phase:bits=1", "fec.phase:bits=33", "fec.phase:bits=5279"),
    ),
)
