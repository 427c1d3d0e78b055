"""Mutants of 64B/66B, RS-FEC and the scrambling of version 2."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any
from unittest import mock

import numpy as np

from decoders.line_coding import fec_reader
from decoders.line_coding.block_forms import FecChoice, open_block_reader
from decoders.line_coding.block_lock import LockSettings
from decoders.line_coding.block_readers import BlockBitReader
from decoders.line_coding.code_64b66b import CONTROL, DATA, PayloadDescrambler
from decoders.line_coding.fec_codewords import pn_5280, untranscode, whole_groups
from decoders.line_coding.fec_reader import FecBitReader, FecSettings
from decoders.line_coding.line_octets import LineOctets, Place
from decoders.line_coding.rs_fec import SYMBOLS, Corrected, are_codewords, correct, symbols_of
from decoders.line_coding.scrambling import HyperframeDescrambler
from decoders.linerates import option_named
from monitor.campaign.receivers import ReceiverFactory

from .declaration import Mutant, parts

CODE, LOCK = "IEEE 802.3 clause 49.2", "IEEE 802.3 figure 49-12"
FEC, SCRAMBLING = "CPRI 6.9; IEEE 802.3 clause 91.5.2", "CPRI Fig. 40"
OPTION = "8"
BLOCKS = option_named(OPTION).hyperframe_octets // 8
SEED = 0x12345678


# ---- block lock


def locking(good: int, bad: int) -> ReceiverFactory:
    settings = LockSettings(good, bad)
    return parts(
        block_reader=lambda form, lock, fec, fec_lock: open_block_reader(form, settings, fec, fec_lock)
    )


# ---- the payload scrambler


class OtherDescrambler(PayloadDescrambler):
    """x^tap and x^last in place of x^39 and x^58; with `anew` it begins anew after so many blocks."""

    def __init__(self, tap: int = 39, last: int = 58, anew: int = 0) -> None:
        self._taps, self._anew, self._count = (tap, last), anew, 0
        super().__init__()

    def reset(self, last_word: int = 0) -> None:
        super().reset(last_word)
        self._count = 0

    def run(self, fill: Callable[[Any], None], plain: Any) -> None:
        line = np.empty(len(plain), np.uint64)
        fill(line)
        before = np.concatenate((self._line[:1], line[:-1]))[: len(line)]
        if self._anew:
            before[(np.arange(len(line)) + self._count) % self._anew == 0] = 0
        plain[:] = line
        for tap in self._taps:
            plain ^= line << np.uint64(tap) | before >> np.uint64(64 - tap)
        if len(line):
            self._line[0] = line[-1]
        self._count += len(line)


def descrambling(**how: int) -> ReceiverFactory:
    class Reader(BlockBitReader):
        def __init__(self, lock: LockSettings) -> None:
            super().__init__(lock)
            self._descrambler = OtherDescrambler(**how)

    return parts(block_reader=lambda form, lock, fec, fec_lock: Reader(lock))


# ---- headers and block formats


def reading_blocks(
    headers: Callable[[Any, Any], None] = lambda headers, plain: None,
    places: Callable[[dict[Place, Any]], None] = lambda places: None,
    k: Callable[[Any, LineOctets], Any] = lambda positions, line: positions,
) -> ReceiverFactory:
    """Without FEC: headers changed before the blocks are read, headings and special characters after it."""

    class Reader(BlockBitReader):
        def _octets(self, given: Any, plain: Any) -> LineOctets:
            given = given.copy()
            headers(given, plain)
            line = super()._octets(given, plain)
            found = dict(line.places)
            places(found)
            return replace(line, k_positions=k(line.k_positions, line), places=found)

    return parts(block_reader=lambda form, lock, fec, fec_lock: Reader(lock))


def eleven_is_data(headers: Any, plain: Any) -> None:
    headers[headers == 3] = DATA


def type_not_looked_at(headers: Any, plain: Any) -> None:
    """A header 10 with another type than /T/ and /S/ is data."""
    legal = np.isin(plain & np.uint64(0xFF), (0x78, 0x87, 0x99, 0xAA, 0xB4, 0xCC, 0xD2, 0xE1, 0xFF))
    headers[(headers == CONTROL) & ~legal] = DATA


def bad_headers_once_a_batch(places: dict[Place, Any]) -> None:
    if Place.HEADER_ERROR in places:
        places[Place.HEADER_ERROR] = places[Place.HEADER_ERROR][:1]


def starts_alone(positions: Any, line: LineOctets) -> Any:
    """/T/ counts only where /S/ follows: one that stands alone is not seen."""
    octets = line.octets[positions]
    alone = (octets == 0xFD) & (np.append(octets[1:], 0) != 0xFB)
    return positions[~alone]


# ---- RS-FEC


@contextmanager
def instead(**functions: Any) -> Iterator[None]:
    if not functions:
        yield
        return
    with mock.patch.multiple(fec_reader, **functions):
        yield


def with_fec(settings: FecSettings | None = None, **functions: Any) -> ReceiverFactory:
    """The codeword reader with some of its steps replaced."""

    class Reader(FecBitReader):
        def read(self) -> LineOctets:
            with instead(**functions):
                return super().read()

    def reader(form: Any, lock: LockSettings, fec: FecChoice, fec_lock: FecSettings) -> FecBitReader:
        return Reader(settings or fec_lock, lock)

    return parts(block_reader=reader)


def pn_from_ones() -> Any:
    """Begun with all ones in the register: the sequence of 802.3 begins with S57 = 1, then alternating."""
    state, out = (1 << 58) - 1, []
    for _ in range(5280):
        bit = (state >> 38 ^ state >> 57) & 1
        out.append(bit)
        state = (state << 1 | bit) & (1 << 58) - 1
    return np.packbits(np.array(out, np.uint8), bitorder="little")


OTHER_PN = pn_from_ones()


def power_of_two(exponent: int) -> int:
    value = 1
    for _ in range(exponent):
        value = value << 1 ^ (0x409 if value & 0x200 else 0)
    return value


def at_root(codewords: Any, exponent: int) -> Any:
    """The codewords as polynomials over GF(1024), x^10 + x^3 + 1, at alpha^exponent."""
    factor = power_of_two(exponent)
    times = np.zeros(1024, np.int64)
    for bit in range(10):
        value = factor << bit
        for top in range(19, 9, -1):
            value ^= (0x409 << top - 10) if value >> top & 1 else 0
        times[np.arange(1024) >> bit & 1 == 1] ^= value
    total = np.zeros(len(codewords), np.int64)
    symbols = symbols_of(codewords).astype(np.int64)
    for i in range(SYMBOLS):
        total = times[total] ^ symbols[:, i]
    return total


def roots_from_one(codewords: Any) -> Corrected:
    """Roots alpha^1 to alpha^14: what is a codeword with alpha^0 to alpha^13 is none, beyond repair."""
    found = correct(codewords)
    return Corrected(found.codewords, np.where(at_root(found.codewords, 14) == 0, found.symbols, -1))


def none_from_one(codewords: Any) -> Any:
    """Whether they are codewords with these roots: all of alpha^1 to alpha^13 and alpha^14."""
    return are_codewords(codewords) & (at_root(codewords, 14) == 0)


def six_symbols(codewords: Any) -> Corrected:
    found = correct(codewords)
    return Corrected(
        np.where((found.symbols == 7)[:, None], codewords, found.codewords),
        np.where(found.symbols == 7, -1, found.symbols),
    )


def not_corrected(codewords: Any) -> Corrected:
    """Wrong symbols are counted and left."""
    return Corrected(codewords, correct(codewords).symbols)


def nibble_not_scrambled(codewords: Any, previous: int | None, *, header_xor: bool) -> Any:
    """The nibble that was left out is put back without the scrambler's bits."""
    headers, words = untranscode(codewords, previous, header_xor=header_xor)
    words = words.copy()
    for at in np.flatnonzero(headers == CONTROL).tolist():
        before = int(words[at - 1]) if at else previous or 0
        # Only the first control block of four lost its nibble.
        if not any(headers[i] == CONTROL for i in range(at - at % 4, at)):
            words[at] ^= np.uint64(((before >> 29 ^ before >> 10) & 15) << 4)
    return headers, words


def headers_not_spoiled(codewords: Any) -> Corrected:
    """A word that cannot be corrected is handed on as if it were right."""
    found = correct(codewords)
    return Corrected(found.codewords, np.maximum(found.symbols, 0))


def rule_of_each(codewords: Any, previous: int | None, *, header_xor: bool) -> Any:
    """The header rule is taken from each codeword."""
    parts = []
    for word in codewords:
        on, off = (whole_groups(word[None], header_xor=rule) for rule in (True, False))
        parts.append(untranscode(word[None], previous, header_xor=on > off))
        previous = int(parts[-1][1][-1])
    return tuple(np.concatenate(part) for part in zip(*parts, strict=True))


# ---- scrambling of version 2


class Late(HyperframeDescrambler):
    """A new seed is used from the next hyperframe on."""

    def _choose(self, fresh: Any, fits: Any, version: Any) -> Any:
        before = self._held
        used = super()._choose(fresh, fits, version)
        return np.concatenate(([before or used[0]], used[:-1])) if len(used) else used


class FirstSeed(HyperframeDescrambler):
    """The first seed holds for ever."""

    def _choose(self, fresh: Any, fits: Any, version: Any) -> Any:
        used = super()._choose(fresh, fits, version)
        return np.full_like(used, self._held or used[0])


class AnySeed(HyperframeDescrambler):
    """The first 31 known bits are the seed, whether the others fit it or not."""

    def _choose(self, fresh: Any, fits: Any, version: Any) -> Any:
        return fresh


class SeedZeroIgnored(HyperframeDescrambler):
    """Seed 0 is taken for no seed: the last one goes on."""

    def _choose(self, fresh: Any, fits: Any, version: Any) -> Any:
        used, held = fresh.copy(), self._held
        for i in range(len(used)):
            held = int(used[i]) if fits[i] and used[i] else held
            used[i] = held
        return used


def scrambled(part: Callable[..., HyperframeDescrambler]) -> ReceiverFactory:
    return parts(descrambler=part)


# fmt: off
_BLOCKS = [
    Mutant("block lock lost by 17 of 64", "line", "16 bad headers of 64 lose block lock", LOCK,
           ("line.violation, 16 *",), locking(64, 17)),
    Mutant("block lock lost by 15 of 64", "line", "15 bad headers of 64 do not lose block lock", LOCK,
           ("line.violation, 15 *",), locking(64, 15)),
    Mutant("block lock counted over 640 blocks", "line", "bad headers are counted in windows of 64", LOCK,
           ("line.violation, 8 and 8 *",), locking(640, 16)),
    Mutant("descrambler tap x^38", "line", "the payload scrambler is 1 + x^39 + x^58", CODE, ("line.flip",),
           descrambling(tap=38)),
    Mutant("descrambler tap x^57", "line", "the payload scrambler is 1 + x^39 + x^58", CODE, ("line.flip",),
           descrambling(last=57)),
    Mutant("descrambler begins anew with the hyperframe", "line", "the payload scrambler runs on", CODE,
           ("line.flip",), descrambling(anew=BLOCKS)),
    Mutant("descrambler begins anew in mid hyperframe", "line", "the payload scrambler runs on", CODE,
           ("iq.flip", "line.flip"), descrambling(anew=BLOCKS + 1)),
    Mutant("header 11 is data", "line", "headers 00 and 11 are bad", CODE, ("line.violation",),
           reading_blocks(eleven_is_data)),
    Mutant("any type of block is data", "line", "other control blocks count", CODE, ("line.header*",),
           reading_blocks(type_not_looked_at)),
    Mutant("one bad header a batch", "line", "each bad header counts", CODE, ("line.violation:count=3",),
           reading_blocks(places=bad_headers_once_a_batch)),
    Mutant("/T/ alone not seen", "line", "/T/ elsewhere counts", CODE, ("line.k*",),
           reading_blocks(k=starts_alone)),
]
_FEC = [
    Mutant("header rule the wrong way round", "line", "header bits of groups are not XORed on this link", FEC,
           ("fec.symbols:symbols=1",), with_fec(FecSettings(header_xor=True))),
    Mutant("PN begun with ones", "line", "PN-5280 begins with 1, then alternating", "IEEE 802.3 clause 74.7.4.4.1",
           ("fec.symbols:symbols=1",), with_fec(pn_5280=lambda: OTHER_PN)),
    Mutant("no PN", "line", "PN-5280 is on each codeword", FEC, ("fec.symbols:symbols=1",),
           with_fec(pn_5280=lambda: np.zeros_like(pn_5280()))),
    Mutant("roots from alpha^1", "line", "the generator's roots are alpha^0 to alpha^13", FEC,
           ("fec.symbols:symbols=1",), with_fec(correct=roots_from_one, are_codewords=none_from_one)),
    Mutant("six symbols corrected", "line", "seven symbols can be corrected", FEC, ("fec.symbols:symbols=7",),
           with_fec(correct=six_symbols)),
    Mutant("counted and not corrected", "line", "wrong symbols are put right", FEC, ("fec.symbols:symbols=[67]",),
           with_fec(correct=not_corrected)),
    Mutant("left out nibble not scrambled", "line", "the nibble of a type octet is put back scrambled", FEC,
           ("fec.symbols:symbols=1",), with_fec(untranscode=nibble_not_scrambled)),
    Mutant("header rule of each codeword", "line", "a link has one header rule", FEC, ("fec.header_rule*",),
           with_fec(untranscode=rule_of_each)),
    Mutant("uncorrected words pass", "line", "the headers of an uncorrected word are bad", FEC,
           ("fec.symbols:symbols=8",), with_fec(correct=headers_not_spoiled)),
]
_SCRAMBLED = [
    Mutant("seed a hyperframe late", "sync", "a seed holds from the hyperframe it stands in", SCRAMBLING,
           ("scrambling.seed",), scrambled(Late)),
    Mutant("the first seed for ever", "sync", "a seed may change", SCRAMBLING, ("scrambling.seed",),
           scrambled(FirstSeed)),
    Mutant("a seed that does not fit", "sync", "all known octets must fit a seed", SCRAMBLING,
           ("sync.filler:y=3",), scrambled(AnySeed)),
    Mutant("seed 0 is no seed", "sync", "seed 0 leaves the octets plain", SCRAMBLING, ("scrambling.seed:seed=0",),
           scrambled(SeedZeroIgnored)),
]
# fmt: on

BLOCK_MUTANTS = (
    *(replace(mutant, option=OPTION) for mutant in _BLOCKS),
    *(replace(mutant, option=OPTION, fec=True) for mutant in _FEC),
    *(replace(mutant, option="5", scrambling=SEED) for mutant in _SCRAMBLED),
)
