"""What one sender has put on the line at 64B/66B, with RS-FEC or without, hyperframe by hyperframe.

`BlockStreamTap` is to BlockLineWriter what `StreamTap` is to LineWriter. Damaged blocks and codewords are read by the
second receiver's code, never by the decoder under test.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

import numpy as np

from decoders.arrays import U8, U64
from decoders.line_coding.characters import LineForm
from decoders.linerates import LineRateOption

from ..emulation.block_writer import BlockLineWriter
from ..emulation.line_settings import LineSettings
from ..emulation.sent import SentBatch
from ..faults.block_injector import WHOLE_LINE_FAULTS
from ..faults.standard import BLOCK_LOCK_BAD, BLOCK_LOCK_GOOD, LOS_THRESHOLD
from ..reference.block_code import BAD_HEADER, BAD_TYPE, BlockRun, characters_of_blocks, lock_losses
from ..reference.fec_code import blocks_of_codewords
from ..reference.line_code import K_FLAG, Characters
from .sent_stream import BlocksInError, CodewordsInError, SentStream, StreamTap

__all__ = ["AnyTap", "BlockStreamTap", "open_tap"]

_OCTETS, _SYNC_OCTETS, _PER_CODEWORD = 8, 16, 80
_T, _S, _T_AT, _S_AT = 0xFD, 0xFB, 7, 8
_HELD_HYPERFRAMES = 4


class BlockStreamTap(BlockLineWriter):
    """A block writer that lists in `stream` what it writes, as StreamTap does."""

    def __init__(
        self,
        form: LineForm,
        option: LineRateOption,
        line: LineSettings,
        *,
        lead_bits: int = 0,
        keep: bool = True,
        on_write: Callable[[], object] = lambda: None,
    ) -> None:
        super().__init__(form, option, line, lead_bits=lead_bits)
        self.stream = SentStream(option)
        self.written: list[bytes] = []
        self._keeps, self._on_write = keep, on_write
        self._has_fec = line.fec
        self._size = option.hyperframe_octets // _OCTETS
        self._to_read: set[int] = set()
        self._first = 0  # number of the first block, or codeword, that is held
        self._held_headers: U8 = np.zeros(0, np.uint8)
        self._held_words: U64 = np.zeros(0, np.uint64)
        self._held_codewords: U8 = np.zeros((0, 660), np.uint8)

    def write(self, batches: Iterable[SentBatch]) -> bytes:
        data = super().write(batches)
        if self._keeps:
            self.written.append(data)
        self._on_write()
        return data

    def finish(self) -> bytes:
        data = super().finish()
        if self._keeps:
            self.written.append(data)
        return data

    def _one(self, batch: SentBatch) -> bytes:
        if self._keeps:
            self._list(batch)
        return super()._one(batch)

    def _list(self, batch: SentBatch) -> None:
        """Take the octets over, and note which hyperframes go out otherwise than they are."""
        stream, first = self.stream, batch.first
        count, before = len(batch.octets), int(self._has_fec)
        stream.take_over(batch)
        if batch.cuts:
            stream.unread |= set(range(max(0, first - before), first + count))
            return
        special = {at for at in stream.misplaced_k.keys() | stream.no_comma if at >= first}
        self._to_read |= special
        for index, fault in batch.symbol_faults:
            at = first + index
            if fault.kind.name in WHOLE_LINE_FAULTS:
                stream.unread |= {max(0, at - before), at}
            else:  # errors go on behind a block, codewords may have begun before the hyperframe
                self._to_read |= {max(0, at - before), at, at + 1, at + 1 + before}

    # ---- reading what is damaged

    def _goes_out(self, headers: U8, words: U64, codewords: U8 | None, start: int) -> None:
        if not self._keeps:
            return
        if codewords is None:
            self._held_headers = np.concatenate((self._held_headers, headers))
            self._held_words = np.concatenate((self._held_words, words))
        else:
            self._held_codewords = np.concatenate((self._held_codewords, codewords))
        end = self._blocks
        for number in sorted(self._to_read):
            if (number + 1) * self._size <= end and number < len(self.stream):
                self._to_read.discard(number)
                if number not in self.stream.unread:
                    self._read(number)
        self._forget(end)

    def _forget(self, end: int) -> None:
        """Hold what may still have to be read."""
        keep = max(0, end // self._size - _HELD_HYPERFRAMES) * self._size
        if self._has_fec:
            keep //= _PER_CODEWORD
        gone = max(0, keep - self._first)
        self._held_headers, self._held_words = self._held_headers[gone:], self._held_words[gone:]
        self._held_codewords = self._held_codewords[gone:]
        self._first += gone

    def _read(self, number: int) -> None:
        start, end = number * self._size, (number + 1) * self._size
        if self._has_fec:
            first, last = max(0, start // _PER_CODEWORD - 1), -(-end // _PER_CODEWORD)
            data = self._held_codewords[first - self._first : last - self._first].tobytes()
            run, _ = blocks_of_codewords(data, 0, self._header_xor, 2)
            begin = start - _PER_CODEWORD * first
        else:
            first = max(0, start - 1)
            here = slice(first - self._first, end - self._first)
            run = BlockRun(self._held_headers[here].tobytes(), self._held_words[here].astype("<u8").tobytes())
            begin = start - first
        whole = characters_of_blocks(run)
        part = slice(_OCTETS * begin, _OCTETS * (begin + self._size))
        self._take(number, Characters(whole.octets[part], whole.flags[part]))
        lost = () if self._has_fec else lock_losses(run.headers[begin:], BLOCK_LOCK_GOOD, BLOCK_LOCK_BAD)
        self._note_blocks(number, whole.flags[part], len(lost))
        begun = [(at - begin, n) for at, n in run.codewords if begin <= at < begin + self._size]
        self._note_codewords(number, begun)

    def _take(self, number: int, read: Characters) -> None:
        """The octets of a hyperframe as they arrive, and its special characters."""
        stream = self.stream
        octets = np.frombuffer(read.octets, np.uint8)
        flags = np.frombuffer(read.flags, np.uint8)
        stream.put(number, octets)
        k = flags & K_FLAG != 0
        pair = k[_T_AT] and k[_S_AT] and (octets[_T_AT], octets[_S_AT]) == (_T, _S)
        stream.no_comma.discard(number)
        if not pair:
            stream.no_comma.add(number)
        stream.misplaced_k.pop(number, None)
        places = [(at, int(octets[at])) for at in np.flatnonzero(k).tolist() if at >= _SYNC_OCTETS]
        if places:
            stream.misplaced_k[number] = places

    def _note_blocks(self, number: int, flags: bytes, lock_losses: int) -> None:
        marks = np.frombuffer(flags, np.uint8)
        headers = np.flatnonzero(marks & BAD_HEADER)
        types = np.flatnonzero(marks & BAD_TYPE)
        types = types[types >= _SYNC_OCTETS]  # in the sync word a wrong type is a missed sync word
        self.stream.block_errors.pop(number, None)
        if len(headers) or len(types):
            first = int(min(headers[:1].tolist() + types[:1].tolist()))
            header = int(headers[0]) if len(headers) else first
            found = BlocksInError(len(headers), len(types), lock_losses, first, header)
            self.stream.block_errors[number] = found
        if len(headers) >= LOS_THRESHOLD or lock_losses:
            self.stream.signal_open.add(number)

    def _note_codewords(self, number: int, begun: Sequence[tuple[int, int]]) -> None:
        self.stream.codewords.pop(number, None)
        if begun:
            fixed = [symbols for _, symbols in begun if symbols > 0]
            first = _OCTETS * begun[0][0]
            self.stream.codewords[number] = CodewordsInError(
                len(fixed), sum(fixed), len(begun) - len(fixed), first
            )


AnyTap = StreamTap | BlockStreamTap


def open_tap(
    form: LineForm,
    option: LineRateOption,
    line: LineSettings,
    *,
    lead_bits: int = 0,
    keep: bool = True,
    on_write: Callable[[], object] = lambda: None,
) -> AnyTap:
    """The tap of an option's line code."""
    if option.line_code == "64b66b":
        return BlockStreamTap(form, option, line, lead_bits=lead_bits, keep=keep, on_write=on_write)
    return StreamTap(form, option, lead_bits=lead_bits, keep=keep, on_write=on_write)
