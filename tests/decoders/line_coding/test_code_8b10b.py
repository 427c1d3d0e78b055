"""The bulk 8B/10B decoder against a symbol-by-symbol one written here from the rules of 802.3 clause 36.2.4.

Only the legal words come from the module itself; they are held against an independent coder and against the
printed tables in tests/published/test_8b10b_published.py.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from decoders.errors import LayoutError
from decoders.line_coding.code_8b10b import (
    CHUNK_SYMBOLS,
    K28_5,
    K28_5_SYMBOLS,
    K_CODES,
    CodedBlock,
    SymbolDecoder,
    SymbolEncoder,
    find_sync_symbols,
    pack_symbols,
    symbol_text,
    symbols_at,
)

U8 = NDArray[np.uint8]
U16 = NDArray[np.uint16]
Decoded = tuple[list[int], list[int], list[int], list[int], int | None]

WORDS: dict[str, tuple[int, int, set[int]]] = {}
for _rd in (0, 1):
    for _k, _octet in [(0, o) for o in range(256)] + [(1, o) for o in K_CODES]:
        _text = symbol_text(_octet, bool(_k), _rd)
        WORDS.setdefault(_text, (_octet, _k, set()))[2].add(_rd)


def _after(block: str, rd: int | None) -> int | None:
    """Clause 36.2.4.4, one sub-block."""
    if block in ("000111", "0011"):
        return 1
    if block in ("111000", "1100"):
        return 0
    ones = block.count("1")
    return rd if 2 * ones == len(block) else int(2 * ones > len(block))


def scalar_decode(symbols: Sequence[int], rd: int | None = None) -> Decoded:
    """(octets, K positions, violations, disparity errors, disparity at the end), one symbol at a time."""
    octets, k, violations, errors = [], [], [], []
    if rd is None:
        for symbol in symbols:
            columns = WORDS.get(f"{symbol:010b}"[::-1], (0, 0, set()))[2]
            if len(columns) == 1:
                (rd,) = columns
                break
    for position, symbol in enumerate(symbols):
        text = f"{symbol:010b}"[::-1] if symbol < 1024 else "0000000000"
        octet, is_k, columns = WORDS.get(text, (0, 0, set()))
        octets.append(octet)
        if is_k:
            k.append(position)
        if not columns:
            violations.append(position)
        elif rd is not None and rd not in columns:
            errors.append(position)
        rd = _after(text[6:], _after(text[:6], rd))
    return octets, k, violations, errors, rd


def _as_lists(block: CodedBlock) -> tuple[list[int], list[int], list[int], list[int]]:
    return (
        block.octets.tolist(),
        block.k_positions.tolist(),
        block.violations.tolist(),
        block.disparity_errors.tolist(),
    )


def _traffic(random: np.random.Generator, count: int, k_every: int = 0) -> U16:
    octets = random.integers(0, 256, count, np.uint8)
    k = np.zeros(0, np.int64)
    if k_every:
        k = np.arange(0, count, k_every)
        octets[k] = random.choice(np.array(K_CODES, np.uint8), len(k))
    return SymbolEncoder(int(random.integers(2))).encode(octets, k)


def _damaged(kind: str, random: np.random.Generator) -> U16:
    symbols = _traffic(random, int(random.integers(150, 700)), k_every=37)
    n = len(symbols)
    match kind:
        case "flips":
            where = random.integers(0, n, 25)
            symbols[where] ^= (1 << random.integers(0, 10, 25)).astype(np.uint16)
        case "illegal":
            symbols[random.integers(0, n, 12)] = 0x3FF
        case "wrong column":
            where = random.integers(0, n, 12)
            symbols[where] ^= np.uint16(0x3FF)
        case "zeros":
            at = int(random.integers(0, n - 100))
            symbols[at : at + int(random.integers(1, 100))] = 0
        case "burst":
            at = int(random.integers(0, n - 60))
            symbols[at : at + 60] = random.integers(0, 1024, 60)
        case "neutral":
            at = int(random.integers(0, n - 140))
            symbols[at : at + 140] = int("1010101010"[::-1], 2)
        case "inverted":
            symbols ^= np.uint16(0x3FF)
        case "noise":
            symbols = random.integers(0, 1024, n).astype(np.uint16)
        case "deleted":
            symbols = np.delete(symbols, random.integers(0, n, 5))
        case _:
            assert kind == "clean"
    return symbols


KINDS = (
    "clean",
    "flips",
    "illegal",
    "wrong column",
    "zeros",
    "burst",
    "neutral",
    "inverted",
    "noise",
    "deleted",
)


@pytest.mark.parametrize("rd", [None, 0, 1])
@pytest.mark.parametrize("kind", KINDS)
def test_agrees_with_the_scalar_decoder(kind: str, rd: int | None) -> None:
    random = np.random.default_rng(KINDS.index(kind))
    for _ in range(12):
        symbols = _damaged(kind, random)
        expected = scalar_decode(symbols.tolist(), rd)
        decoder = SymbolDecoder(rd)
        assert _as_lists(decoder.decode(symbols)) == expected[:4]
        assert decoder.disparity == expected[4]


@pytest.mark.parametrize("kind", KINDS)
def test_any_cut_carries_the_disparity(kind: str) -> None:
    """The first piece must decide the disparity; what comes before a decision stands in both columns."""
    random = np.random.default_rng(50 + KINDS.index(kind))
    for _ in range(8):
        symbols = _damaged(kind, random)
        expected = scalar_decode(symbols.tolist(), 0)
        decoder = SymbolDecoder(0)
        got: tuple[list[int], ...] = ([], [], [], [])
        at = 0
        while at < len(symbols):
            size = int(random.choice([1, 2, 3, 7, 64, 127, 128, 129, 200]))
            block = _as_lists(decoder.decode(symbols[at : at + size]))
            got[0].extend(block[0])
            for target, positions in zip(got[1:], block[1:], strict=True):
                target.extend(p + at for p in positions)
            at += size
        assert got == expected[:4]
        assert decoder.disparity == expected[4]


def test_a_cut_before_the_disparity_is_known() -> None:
    neutral = int("1010101010"[::-1], 2)
    plus_only = int(symbol_text(0x50, False, 1)[::-1], 2)
    for lead in (0, 1, 2, 3, 130):
        decoder = SymbolDecoder()
        block = decoder.decode(np.full(lead, neutral, np.uint16))
        assert not len(block.violations) and not len(block.disparity_errors)
        assert decoder.disparity is None
        assert not len(decoder.decode(np.array([plus_only], np.uint16)).disparity_errors)
        assert decoder.disparity == 0  # D16.2 is unbalanced: plus before, minus after


def test_longer_than_one_chunk() -> None:
    random = np.random.default_rng(3)
    symbols = np.concatenate([_traffic(random, CHUNK_SYMBOLS - 3), _traffic(random, 10)])
    symbols[[5, CHUNK_SYMBOLS - 1, CHUNK_SYMBOLS, CHUNK_SYMBOLS + 3]] = 0x3FF
    assert _as_lists(SymbolDecoder().decode(symbols)) == scalar_decode(symbols.tolist())[:4]


@pytest.mark.parametrize("position", [0, 1, 2, 3, 8])
def test_words_of_more_than_ten_bits_are_violations(position: int) -> None:
    symbols = _traffic(np.random.default_rng(4), 9)
    symbols[position] |= 0x400
    block = SymbolDecoder(0).decode(symbols)
    assert block.violations.tolist() == [position]
    assert block.octets[position] == 0
    assert _as_lists(block) == scalar_decode(symbols.tolist(), 0)[:4]


def test_nothing_in_nothing_out() -> None:
    assert _as_lists(SymbolDecoder().decode(np.zeros(0, np.uint16))) == ([], [], [], [])
    assert _as_lists(SymbolDecoder().decode_bits(np.zeros(4, np.uint8), 3, 0)) == ([], [], [], [])


@pytest.mark.parametrize("lead", range(10))
def test_bits_at_every_alignment(lead: int) -> None:
    random = np.random.default_rng(lead)
    symbols = _damaged("flips", random)
    packed = pack_symbols(symbols, lead)
    for count in (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 61, 127, 128, 129, len(symbols)):
        expected = scalar_decode(symbols[:count].tolist(), 0)
        decoder = SymbolDecoder(0)
        assert _as_lists(decoder.decode_bits(packed, lead, count)) == expected[:4]
        assert decoder.disparity == expected[4]
        assert symbols_at(packed, lead, count).tolist() == symbols[:count].tolist()


@given(st.lists(st.integers(0, 1023), max_size=40), st.integers(0, 23))
@settings(max_examples=80, deadline=None)
def test_packing_is_what_the_form_says(symbols: list[int], lead: int) -> None:
    """First on the line in bit 0 of octet 0; bit a of a symbol first."""
    text = "0" * lead + "".join(f"{s:010b}"[::-1] for s in symbols)
    text += "0" * (-len(text) % 8)
    expected = bytes(int(text[i : i + 8][::-1], 2) for i in range(0, len(text), 8))
    packed = pack_symbols(np.array(symbols, np.uint16), lead)
    assert packed.tobytes() == expected
    assert symbols_at(packed, lead, len(symbols)).tolist() == symbols


@given(st.binary(max_size=60), st.integers(0, 480), st.integers(0, 500))
@settings(max_examples=120, deadline=None)
def test_sync_symbols_are_found_where_they_stand(data: bytes, first: int, last: int) -> None:
    text = "".join(f"{octet:08b}"[::-1] for octet in data)
    wanted = ("0011111010", "1100000101")
    expected = [i for i in range(first, min(last, len(text) - 9)) if text[i : i + 10] in wanted]
    assert find_sync_symbols(np.frombuffer(data, np.uint8), first, last).tolist() == expected


def test_sync_symbols_at_every_bit_and_at_both_ends() -> None:
    for lead in range(17):
        for column in (0, 1):
            symbols = np.array([K28_5_SYMBOLS[column], 0, K28_5_SYMBOLS[1 - column]], np.uint16)
            packed = pack_symbols(symbols, lead)
            assert find_sync_symbols(packed, 0, 8 * len(packed)).tolist() == [lead, lead + 20]
            assert find_sync_symbols(packed, lead + 1, lead + 20).tolist() == []


def test_encoder_and_decoder_undo_each_other_across_cuts() -> None:
    random = np.random.default_rng(9)
    octets = random.integers(0, 256, 3001, np.uint8)
    octets[::50] = K28_5
    k = np.arange(0, 3001, 50)
    whole = SymbolEncoder().encode(octets, k)
    encoder, at, pieces = SymbolEncoder(), 0, []
    for size in (1, 0, 63, 64, 65, 500, 3000):
        end = min(at + size, 3001)
        here = k[(k >= at) & (k < end)] - at
        pieces.append(encoder.encode(octets[at:end], here))
        at = end
    assert np.concatenate(pieces).tolist() == whole.tolist()
    block = SymbolDecoder(0).decode(whole)
    assert _as_lists(block) == (octets.tolist(), k.tolist(), [], [])


@pytest.mark.parametrize("position", [0, 1, 64, 999])
def test_disparity_turned_over_once_shows_at_most_once(position: int) -> None:
    octets = np.full(1000, 0x50, np.uint8)  # D16.2 stands in another column each time
    symbols = SymbolEncoder().encode(octets, None, np.array([position]))
    block = SymbolDecoder(0).decode(symbols)
    assert not len(block.violations)
    assert block.disparity_errors.tolist() == [position]


def test_encoder_refuses_what_is_no_special_character() -> None:
    with pytest.raises(LayoutError, match="0x50"):
        SymbolEncoder().encode(np.array([0x50], np.uint8), np.array([0]))
    with pytest.raises(LayoutError, match="0x50"):
        symbol_text(0x50, True, 0)
