"""The characters of a source as words for a test bench: ten-bit symbols, or {K, octet} in nine bits.

The words begin with the first sync byte that another one follows a hyperframe later, and then go on as the line
does: what is damaged stays damaged, and after a slipped bit the symbols stay out of alignment, as they do in a
receiver that does not align anew. Forms without line bits are coded again (IEEE 802.3 clause 36.2.4): marked
violations become symbols of neither column, marked disparity errors turn the sender's disparity over. `octets`
carry no K flag, so the sync bytes that the decoder found stand for it, and what it could not sync to is left out.
"""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum
from functools import cache

import numpy as np

from decoders.arrays import U8, U16
from decoders.line_coding.characters import LineForm
from decoders.line_coding.code_8b10b import (
    K28_5,
    K28_5_SYMBOLS,
    K_CODES,
    SymbolDecoder,
    SymbolEncoder,
    find_sync_symbols,
    symbols_at,
    tables,
)
from decoders.linerates import option_named
from decoders.link.decoder import HyperframeBlock, LinkDecoder
from decoders.link.settings import LinkSettings

from ..errors import InputError
from ..sources.source import Source

__all__ = ["Words", "line_words"]

_K, _VIOLATION, _DISPARITY = 0x100, 0x200, 0x400
_SYMBOLS = 1 << 17
"""Symbols taken from packed bits at once."""
_IS_K_CODE = np.isin(np.arange(256), K_CODES)


class Words(StrEnum):
    """What one word is: bit 0 = a to bit 9 = j, or the octet in bits 7..0 and K in bit 8."""

    SYMBOLS = "symbols"
    FLAGGED = "flagged"

    @property
    def bits(self) -> int:
        return 10 if self is Words.SYMBOLS else 9


def line_words(source: Source, words: Words, limit: int | None = None) -> Iterator[U16]:
    """Words (uint16) from the first sync byte on, `limit` hyperframes at most.

    InputError where no two sync bytes lie one hyperframe apart.
    """
    left = None if limit is None else limit * option_named(source.option).hyperframe_octets
    for part in _symbols(source) if words is Words.SYMBOLS else _flagged(source):
        if left is not None:
            part = part[:left]
            left -= len(part)
        yield part
        if left == 0:
            return


def _symbols(source: Source) -> Iterator[U16]:
    form = LineForm(source.form)
    if form is LineForm.BITS:
        return _aligned_symbols(source)
    if form is LineForm.SYMBOLS:
        # More than ten bits are no symbol; all zeros is one that is never legal.
        ten = (np.where(part > 0x3FF, np.uint16(0), part) for part in _parts(source))
        return _from_sync(ten, K28_5_SYMBOLS, source)
    return _encoded(_marked(source))


def _flagged(source: Source) -> Iterator[U16]:
    if source.form in (LineForm.BITS, LineForm.SYMBOLS):
        return _decoded(_symbols(source))
    return (part & np.uint16(0x1FF) for part in _marked(source))


def _marked(source: Source) -> Iterator[U16]:
    """Words of the flagged form, error marks included."""
    if source.form == LineForm.OCTETS:
        return _in_sync(source)
    return _from_sync(_parts(source), (K28_5 | _K,), source)


def _parts(source: Source) -> Iterator[U16]:
    for chunk in source.chunks():
        yield np.frombuffer(chunk.data, "<u2")


def _no_sync(source: Source) -> InputError:
    return InputError(
        f"{source.description}: no two sync bytes one hyperframe of option {source.option} apart",
        hint="check --form and --option",
    )


def _from_sync(parts: Iterator[U16], sync: tuple[int, ...], source: Source) -> Iterator[U16]:
    spacing = option_named(source.option).hyperframe_octets
    held = np.zeros(0, np.uint16)
    for part in parts:
        held = np.concatenate((held, part))
        where = np.flatnonzero(np.isin(held, sync))
        first = where[np.isin(where + spacing, where, assume_unique=True)]
        if len(first):
            yield held[int(first[0]) :]
            yield from parts
            return
        held = held[max(0, len(held) - spacing) :]
    raise _no_sync(source)


def _aligned_symbols(source: Source) -> Iterator[U16]:
    spacing = option_named(source.option).hyperframe_line_bits
    chunks: Iterator[U8] = (np.frombuffer(chunk.data, np.uint8) for chunk in source.chunks())
    held: U8 = np.zeros(0, np.uint8)
    for chunk in chunks:
        held = np.concatenate((held, chunk))
        where = find_sync_symbols(held, 0, 8 * len(held))
        first = where[np.isin(where + spacing, where, assume_unique=True)]
        if len(first):
            break
        held = held[max(0, len(held) - spacing // 8 - 2) :]
    else:
        raise _no_sync(source)
    bit = int(first[0])
    while True:
        left = (8 * len(held) - bit) // 10
        while left:
            count = min(left, _SYMBOLS)
            yield symbols_at(held, bit, count)
            bit += 10 * count
            left -= count
        more = next(chunks, None)
        if more is None:
            return
        held = np.concatenate((held[bit >> 3 :], more))
        bit &= 7


def _in_sync(source: Source) -> Iterator[U16]:
    """Octets of the hyperframes in sync, with the K flag at each sync byte."""
    parts: list[U16] = []

    def take(block: HyperframeBlock) -> None:
        words = block.octets.reshape(len(block.octets), -1).astype(np.uint16)
        words[:, 0] |= np.where(words[:, 0] == K28_5, np.uint16(_K), np.uint16(0))
        parts.append(words.reshape(-1))

    decoder = LinkDecoder(LinkSettings(option=source.option, form=LineForm.OCTETS), on_block=take)
    for chunk in source.chunks():
        decoder.receive(bytes(chunk.data), chunk.time_ns)  # the decoder may hold on to part of it
        yield from parts
        parts.clear()
    decoder.finish()
    yield from parts
    if decoder.acquired_at_hyperframe is None:
        raise _no_sync(source)


def _decoded(parts: Iterator[U16]) -> Iterator[U16]:
    decoder = SymbolDecoder()
    for part in parts:
        block = decoder.decode(part)
        words = block.octets.astype(np.uint16)
        words[block.k_positions] |= _K
        yield words


@cache
def _illegal() -> tuple[int, int]:
    """A symbol of neither column that leaves negative disparity, and one that leaves positive; many edges in each."""
    t = tables()
    neither = np.flatnonzero(~t.legal[0] & ~t.legal[1])
    edges = np.array([bin((s ^ s >> 1) & 0x1FF).count("1") for s in neither.tolist()])
    # D0.0 changes no disparity and always sets it: what its two symbols do, the illegal ones must do as well.
    found = []
    for disparity in (0, 1):
        effect = t.effect[t.encode[disparity << 9]]
        fits = t.effect[neither] == effect
        found.append(int(neither[fits][np.argmax(edges[fits])]))
    return found[0], found[1]


def _encoded(parts: Iterator[U16]) -> Iterator[U16]:
    encoder = SymbolEncoder()
    zero = tables().encode[0]
    for part in parts:
        octets = (part & 0xFF).astype(np.uint8)
        k = (part & _K) != 0
        bad = ((part & _VIOLATION) != 0) | (k & ~_IS_K_CODE[octets])
        octets[bad] = 0
        inversions = np.flatnonzero(((part & _DISPARITY) != 0) & ~bad)
        symbols = encoder.encode(octets, np.flatnonzero(k & ~bad), inversions)
        minus, plus = _illegal()
        symbols[bad] = np.where(symbols[bad] == zero, np.uint16(minus), np.uint16(plus))
        yield symbols
