"""Sent batches as line data of a data format."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from decoders.arrays import U8, U16
from decoders.line_coding.characters import LineForm
from decoders.line_coding.code_8b10b import SymbolDecoder, SymbolEncoder, pack_symbols
from decoders.line_coding.scrambling import scramble
from decoders.linerates import LineRateOption

from ..errors import InputError
from ..faults.injector import D21_5_SYMBOL, Cut, damage_symbols, move_bits
from ..formats.form_writer import flagged_words
from .block_writer import BlockLineWriter
from .line_settings import LineSettings
from .sent import SentBatch, bit_cuts

__all__ = ["AnyLineWriter", "LineWriter", "open_line_writer"]


class LineWriter:
    """Batches to the octets of a form at the 8B/10B options, line faults included; carries the line code's state.

    `lead_bits` bits come before the first symbol of the bit form: the word alignment offset. With
    `keep_symbols` the symbols sent stay at hand, for whoever works out what follows from the faults.
    """

    def __init__(
        self, form: LineForm, option: LineRateOption, *, lead_bits: int = 0, keep_symbols: bool = False
    ) -> None:
        if form is LineForm.BLOCKS:
            raise InputError(f"form {form} is not valid for option {option.name}, which has 8B/10B symbols")
        self.form = form
        self.option = option
        self.kept_symbols: list[U16] = []
        self.cuts: list[Cut] = []
        self._keep = keep_symbols
        self._encoder = SymbolEncoder()
        self._decoder = SymbolDecoder()
        self._bits: U8 = np.zeros(lead_bits, np.uint8)

    def symbols(self, batch: SentBatch) -> U16:
        """Symbols of a batch after the faults of the symbol layer, and with whole characters more or fewer."""
        size = self.option.hyperframe_octets
        octets = batch.octets.reshape(-1)
        if batch.seeds is not None:  # special characters go out as they are
            octets = scramble(batch.octets, batch.seeds).reshape(-1)
            octets[batch.k_positions] = batch.octets.reshape(-1)[batch.k_positions]
        symbols = self._encoder.encode(octets, batch.k_positions, batch.inversions)
        for index, fault in batch.symbol_faults:
            damage_symbols(fault, symbols[index * size : (index + 1) * size], self.option)
        for cut in reversed(batch.cuts):
            if cut.whole:
                at, count = (cut.hyperframe - batch.first) * size + cut.at // 10, cut.bits // 10
                more = np.full(max(0, count), D21_5_SYMBOL, np.uint16)
                symbols = np.concatenate((symbols[:at], more, symbols[at + max(0, -count) :]))
        self.cuts += batch.cuts
        if self._keep:
            self.kept_symbols.append(symbols)
        return symbols

    def write(self, batches: Iterable[SentBatch]) -> bytes:
        """The octets of the form for these batches; a last part octet of bits is held back."""
        return b"".join(self._one(batch) for batch in batches)

    def _one(self, batch: SentBatch) -> bytes:
        if self.form is not LineForm.BITS and any(not cut.whole for cut in batch.cuts):
            raise InputError(
                f"a fault at hyperframe {batch.cuts[0].hyperframe} needs a form with line bits",
                hint="choose --form bits, or whole characters (10 bits)",
            )
        symbols = self.symbols(batch)
        if self.form is LineForm.SYMBOLS:
            return symbols.astype("<u2").tobytes()
        if self.form is LineForm.BITS:
            return self._pack(symbols, batch)
        coded = self._decoder.decode(symbols)
        if self.form is LineForm.OCTETS:
            return coded.octets.tobytes()
        return (
            flagged_words(coded.octets, coded.k_positions, coded.violations, coded.disparity_errors)
            .astype("<u2")
            .tobytes()
        )

    def _pack(self, symbols: U16, batch: SentBatch) -> bytes:
        if any(not cut.whole for cut in batch.cuts):
            start = len(self._bits)
            count = 10 * len(symbols)
            bits = np.unpackbits(pack_symbols(symbols), bitorder="little", count=count)
            bits = np.concatenate((self._bits, bits))
            for at, change in bit_cuts(batch, self.option):
                bits = move_bits(bits, start + at, change)
            whole = len(bits) & ~7
            self._bits = bits[whole:]
            return np.packbits(bits[:whole], bitorder="little").tobytes()
        packed = pack_symbols(symbols, len(self._bits))
        total = len(self._bits) + 10 * len(symbols)
        if len(self._bits):
            head = np.packbits(self._bits, bitorder="little")
            packed[: len(head)] |= head
        whole, rest = divmod(total, 8)
        self._bits = np.unpackbits(packed[whole:], bitorder="little", count=rest) if rest else packed[:0]
        return packed[:whole].tobytes()

    def finish(self) -> bytes:
        """What is held back of the last octet, filled up with zeros."""
        bits, self._bits = self._bits, self._bits[:0]
        return np.packbits(bits, bitorder="little").tobytes()


AnyLineWriter = LineWriter | BlockLineWriter


def open_line_writer(
    form: LineForm,
    option: LineRateOption,
    line: LineSettings | None = None,
    *,
    lead_bits: int = 0,
    keep: bool = False,
) -> AnyLineWriter:
    """The writer of an option's line code; `keep` as `keep_symbols` and as `keep` of the two."""
    if option.line_code == "64b66b":
        return BlockLineWriter(form, option, line, lead_bits=lead_bits, keep=keep)
    return LineWriter(form, option, lead_bits=lead_bits, keep_symbols=keep)
