"""Sent batches as line data of 64B/66B, with RS-FEC or without, damage of blocks, codewords and line bits included.

Hyperframes become blocks, blocks become codewords where there is FEC, and those become line bits. For a form behind
the line code the way goes back as a receiver that is aligned already would take it.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from decoders.arrays import I64, U8, U64
from decoders.line_coding.characters import LineForm
from decoders.line_coding.code_64b66b import (
    BLOCK_BITS,
    BLOCK_OCTETS,
    DATA,
    START,
    TERMINATE,
    BlockEncoder,
    PayloadDescrambler,
    block_characters,
    join_blocks,
    pack_blocks,
)
from decoders.line_coding.fec_codewords import (
    BLOCKS_PER_CODEWORD,
    HEADER_BAD,
    FecEncoder,
    pack_codewords,
    pn_5280,
    untranscode,
)
from decoders.line_coding.line_octets import Place
from decoders.line_coding.rs_fec import CODEWORD_BITS, correct
from decoders.linerates import LineRateOption

from ..errors import InputError
from ..faults.block_injector import (
    WHOLE_LINE_FAULTS,
    codeword_of,
    damage_blocks,
    damage_codeword,
    line_bits_hit,
    spoil_line,
)
from ..faults.injector import move_bits
from ..faults.kinds import Fault
from ..formats.form_writer import flagged_words
from .line_settings import LineSettings
from .sent import SentBatch

__all__ = ["BlockLineWriter"]

_ONES = 0xFFFF_FFFF_FFFF_FFFF


class BlockLineWriter:
    """Batches to the octets of a form at options 7A, 8, 9, 10; carries scrambler and codewords from call to call.

    `lead_bits` bits come before the first block or codeword of the bit form. With `keep` the data written stay at
    hand in `kept`. With FEC a codeword is held back until it is full; `finish` fills the last one up with the
    beginning of another hyperframe.
    """

    def __init__(
        self,
        form: LineForm,
        option: LineRateOption,
        line: LineSettings | None = None,
        *,
        lead_bits: int = 0,
        keep: bool = False,
    ) -> None:
        if form is LineForm.SYMBOLS:
            raise InputError(f"form {form} is not valid for option {option.name}, which has 64B/66B blocks")
        line = line or LineSettings()
        self.form = form
        self.option = option
        self.kept: list[bytes] = []
        self._keep = keep
        self._encoder = BlockEncoder()
        self._fec = FecEncoder(header_xor=line.fec_header_xor) if line.fec else None
        self._header_xor = line.fec_header_xor
        self._descrambler = PayloadDescrambler()
        self._descrambler.reset(_ONES)
        self._last_word: int | None = _ONES  # payload word before the codewords to come
        self._bits: U8 = np.zeros(lead_bits, np.uint8)
        self._blocks = 0  # blocks of the line before those to come out
        self._hits: list[int] = []  # line bits, from the first block on, still to be inverted
        self._cuts: list[tuple[int, int]] = []  # (line bit, bits more or fewer) still to be made
        self._codeword_faults: list[tuple[int, Fault]] = []
        self._spoiled: list[
            tuple[int, int, Fault]
        ] = []  # (line bit, end, fault) of a whole line still to come

    def write(self, batches: Iterable[SentBatch]) -> bytes:
        """The octets of the form for these batches, of what is whole."""
        return self._kept(b"".join(self._one(batch) for batch in batches))

    def finish(self) -> bytes:
        """What is held back: the last codeword, filled up, and the last octet, filled up with zeros."""
        tail = b""
        if self._fec is not None and self._fec.pending:
            filling = np.zeros(BLOCK_OCTETS * (BLOCKS_PER_CODEWORD - self._fec.pending), np.uint8)
            filling[:16] = 0x50
            k: list[int] = []
            if len(filling) >= 16:
                filling[7], filling[8] = TERMINATE, START
                k = [7, 8]
            tail = self._line(*self._encoder.encode(filling, np.array(k, np.int64)))
        bits, self._bits = self._bits, self._bits[:0]
        if self.form is LineForm.BITS:
            tail += np.packbits(bits, bitorder="little").tobytes()
        return self._kept(tail)

    def _kept(self, data: bytes) -> bytes:
        if self._keep:
            self.kept.append(data)
        return data

    def _one(self, batch: SentBatch) -> bytes:
        headers, words = self._encoder.encode(batch.octets.reshape(-1), batch.k_positions)
        size = self.option.hyperframe_octets // BLOCK_OCTETS
        waiting = 0 if self._fec is None else self._fec.pending
        first = self._blocks + waiting
        for index, fault in batch.symbol_faults:
            start = index * size
            if fault.kind.plane == "fec":
                # The first codeword that begins in the hyperframe, or a later one.
                begins = -(-(first + start) // BLOCKS_PER_CODEWORD)
                for number in codeword_of(fault, begins):
                    self._codeword_faults.append((number, fault))
                continue
            if self._fec is not None and fault.kind.name in WHOLE_LINE_FAULTS:
                begin = BLOCK_BITS * (first + start)
                self._spoiled.append((begin, begin + BLOCK_BITS * size, fault))
                continue
            damage_blocks(fault, headers[start : start + size], words[start : start + size], self.option)
            hit = line_bits_hit(fault, self.option) + BLOCK_BITS * (first + start)
            self._hits += hit.tolist()
        for cut in batch.cuts:
            at = BLOCK_BITS * (first + (cut.hyperframe - batch.first) * size) + cut.at
            if cut.at_codeword:
                at = -(-at // CODEWORD_BITS) * CODEWORD_BITS
            self._cuts.append((at, cut.bits))
        if self._cuts and self.form is not LineForm.BITS:
            headers, words = self._moved_blocks(headers, words, first)
        return self._line(headers, words)

    def _moved_blocks(self, headers: U8, words: U64, first: int) -> tuple[U8, U64]:
        """Whole blocks more or fewer, for a form that has no line bits."""
        if self._fec is not None or any(bits % BLOCK_BITS or at % BLOCK_BITS for at, bits in self._cuts):
            raise InputError(
                "a fault that moves line bits needs a form with line bits",
                hint="choose --form bits, or without RS-FEC whole blocks (66 bits)",
            )
        for at, bits in sorted(self._cuts, reverse=True):
            place, count = at // BLOCK_BITS - first, bits // BLOCK_BITS
            more = max(0, count)
            head = np.full(more, DATA, np.uint8)
            headers = np.concatenate((headers[:place], head, headers[place + max(0, -count) :]))
            words = np.concatenate(
                (words[:place], np.zeros(more, np.uint64), words[place + max(0, -count) :])
            )
        self._cuts.clear()
        return headers, words

    def _line(self, headers: U8, words: U64) -> bytes:
        """Blocks of the line on their way out."""
        codewords: U8 | None = None
        count = len(headers)
        if self._fec is not None:
            codewords = self._fec.encode(headers, words)
            count = BLOCKS_PER_CODEWORD * len(codewords)
            self._damage_codewords(codewords)
        elif self._hits:
            self._invert(headers, words)
        start, self._blocks = self._blocks, self._blocks + count
        self._goes_out(headers, words, codewords, start)
        if self.form is LineForm.BITS:
            return self._pack(headers, words, codewords, start)
        if codewords is not None:
            headers, words = self._received(codewords)
        if self.form is LineForm.BLOCKS:
            return join_blocks(headers, words).tobytes()
        return self._octets(headers, words)

    def _goes_out(self, headers: U8, words: U64, codewords: U8 | None, start: int) -> None:
        """Blocks from number `start` on, or their codewords, as they go on the line; for whoever lists them."""

    def _damage_codewords(self, codewords: U8) -> None:
        first = self._blocks // BLOCKS_PER_CODEWORD
        later = []
        for number, fault in self._codeword_faults:
            if number >= first + len(codewords):
                later.append((number, fault))
            else:
                damage_codeword(fault, codewords[number - first], number)
        self._codeword_faults = later
        flat, start = codewords.reshape(-1), BLOCK_BITS * self._blocks
        end = start + 8 * len(flat)
        for begin, until, fault in self._spoiled:
            spoil_line(fault, flat[max(0, begin - start) // 8 : max(0, min(end, until) - start) // 8])
        self._spoiled = [
            (max(begin, end), until, fault) for begin, until, fault in self._spoiled if until > end
        ]
        now = [bit - start for bit in self._hits if bit < start + 8 * len(flat)]
        self._hits = [bit for bit in self._hits if bit >= start + 8 * len(flat)]
        _invert_bits(flat, np.array(now, np.int64))

    def _invert(self, headers: U8, words: U64) -> None:
        """Line bits of blocks: two of the header, then the payload."""
        block, bit = np.divmod(np.array(self._hits, np.int64) - BLOCK_BITS * self._blocks, BLOCK_BITS)
        inside = block < len(headers)
        for b, i in zip(block[inside].tolist(), bit[inside].tolist(), strict=True):
            if i < 2:
                headers[b] ^= 1 << i
            else:
                words[b] ^= np.uint64(1 << i - 2)
        self._hits = np.array(self._hits, np.int64)[~inside].tolist()

    def _pack(self, headers: U8, words: U64, codewords: U8 | None, start: int) -> bytes:
        held = len(self._bits)
        if codewords is None:
            packed, total = pack_blocks(headers, words, held), held + BLOCK_BITS * len(headers)
        else:
            packed, total = pack_codewords(codewords, held), held + CODEWORD_BITS * len(codewords)
        if held:
            head = np.packbits(self._bits, bitorder="little")
            packed = np.pad(packed, (0, max(0, len(head) - len(packed))))
            packed[: len(head)] |= head
        end = BLOCK_BITS * self._blocks
        now = sorted(cut for cut in self._cuts if cut[0] < end)
        self._cuts = [cut for cut in self._cuts if cut[0] >= end]
        if now:
            bits = np.unpackbits(packed, bitorder="little", count=total)
            for at, change in reversed(now):
                bits = move_bits(bits, held + at - BLOCK_BITS * start, change)
            total = len(bits)
            packed = np.packbits(bits, bitorder="little")
        whole, rest = divmod(total, 8)
        self._bits = np.unpackbits(packed[whole:], bitorder="little", count=rest) if rest else packed[:0]
        return packed[:whole].tobytes()

    def _received(self, codewords: U8) -> tuple[U8, U64]:
        """Blocks of codewords as a receiver corrects them."""
        if not len(codewords):
            return np.zeros(0, np.uint8), np.zeros(0, np.uint64)
        found = correct(codewords ^ pn_5280())
        headers, words = untranscode(found.codewords, self._last_word, header_xor=self._header_xor)
        self._last_word = int(words[-1])
        headers.reshape(-1, BLOCKS_PER_CODEWORD)[found.symbols < 0] = HEADER_BAD
        return headers, words

    def _octets(self, headers: U8, words: U64) -> bytes:
        out = block_characters(headers, self._descrambler.descramble(words))
        if self.form is LineForm.OCTETS:
            return out.octets.tobytes()
        bad: I64 = out.at(Place.HEADER_ERROR)
        marked = (bad[:, None] + np.arange(BLOCK_OCTETS)).reshape(-1)
        return flagged_words(out.octets, out.k_positions, marked).astype("<u2").tobytes()


def _invert_bits(octets: U8, bits: I64) -> None:
    np.bitwise_xor.at(octets, bits >> 3, (1 << (bits & 7)).astype(np.uint8))
