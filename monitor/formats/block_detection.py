"""Sync words of the 64B/66B options found in line data: a block with /T/, then one with /S/, once a hyperframe.

Blocks are found by their headers (IEEE 802.3 clause 49.2.4), or by RS-FEC codewords (CPRI V7.0 clause 6.9).
"""

from __future__ import annotations

import numpy as np

from decoders.arrays import I64, U8, U16
from decoders.line_coding.block_readers import AlignedReader, BlockReader
from decoders.line_coding.code_64b66b import BLOCK_BITS, START, STORED_OCTETS, TERMINATE
from decoders.line_coding.fec_reader import AutomaticBitReader
from decoders.linerates import LineRateOption

from .forms import Form
from .sync_spacing import SyncFinding, option_of_spacing, with_running_hfn

__all__ = ["block_phase", "find_block_sync", "holds_blocks"]

SEARCHED_OCTETS = 1 << 18
"""Of packed bits: blocks or codewords that do not show in so many are not there."""
_TERMINATE_OCTET = 7
"""Octet of /T/ in the sync word (the layout that leaves room for nothing but fillers)."""


def find_block_sync(
    data: U8, form: Form, prefer: str | None = None, *, by_number: bool = True
) -> SyncFinding | None:
    """Sync of a form that holds 64B/66B line data in `data` (uint8, shape (n,)), or None.

    Octets are judged by the running hyperframe number, or without `by_number` by spacing alone.
    """
    if form is Form.OCTETS:
        return _in_octets(data, prefer, by_number)
    if form is Form.FLAGGED:
        return _in_flagged(data, prefer)
    if form is Form.BLOCKS:
        phase = block_phase(data)
        return None if phase is None else _in_blocks(data[phase:], BlockReader(), form, prefer, phase)
    if form is Form.BITS and holds_blocks(data):
        return _in_blocks(data, AutomaticBitReader(), form, prefer)
    return None


def block_phase(data: U8) -> int | None:
    """Octets to skip to whole blocks of nine octets, told by their first octets (1 or 2 but for damage), or None."""
    for phase in range(STORED_OCTETS):
        headers = data[phase::STORED_OCTETS]
        if len(headers) >= 64 and bool((headers <= 3).all()) and np.isin(headers, (1, 2)).mean() > 0.5:
            return phase
    return None


def holds_blocks(data: U8) -> bool:
    """Whether packed bits begin with 64B/66B blocks or with RS-FEC codewords of them, at any alignment."""
    reader = AutomaticBitReader()
    reader.feed(data[:SEARCHED_OCTETS], 0)
    found = len(reader.read()) > 0
    if not found or reader.fec_on or reader.start_bit is None:
        return found
    return _good_alignments(data, reader.start_bit) == 1


def _good_alignments(data: U8, bit: int) -> int:
    """Of the 66 alignments of the 64 blocks from `bit` on, those whose headers are good; a periodic line has more."""
    bits = np.unpackbits(data[bit // 8 :][: 66 * 9], bitorder="little")[bit % 8 :]
    rows = min((len(bits) - 1) // BLOCK_BITS, 64)
    unlike = bits[: BLOCK_BITS * rows] != bits[1 : BLOCK_BITS * rows + 1]
    return int(np.count_nonzero(unlike.reshape(rows, BLOCK_BITS).mean(axis=0) > 0.97))


def _in_blocks(
    data: U8, reader: AlignedReader, form: Form, prefer: str | None, skip: int = 0
) -> SyncFinding | None:
    reader.feed(data, 0)
    out = reader.read()
    k = out.k_positions
    ends = k[np.isin(k + 1, k) & (out.octets[k] == TERMINATE)]
    ends = ends[out.octets[ends + 1] == START]
    return _spaced(ends, len(out.octets), form, prefer, skip)


def _in_flagged(data: U8, prefer: str | None) -> SyncFinding | None:
    for skip in (0, 1):
        words: U16 = data[skip : skip + (len(data) - skip) // 2 * 2].view("<u2")
        if len(words) and (words <= 0x7FF).mean() >= 0.99:
            ends = np.flatnonzero(words[:-1] == 0x100 | TERMINATE)
            found = _spaced(ends[words[ends + 1] == 0x100 | START], len(words), Form.FLAGGED, prefer, skip)
            if found is not None:
                return found
    return None


def _in_octets(data: U8, prefer: str | None, by_number: bool) -> SyncFinding | None:
    ends = np.flatnonzero(data[:-1] == TERMINATE)
    ends = ends[data[ends + 1] == START]

    def numbered(option: LineRateOption, pairs: I64) -> I64:
        return with_running_hfn(data, pairs - _TERMINATE_OCTET, option.hyperframe_octets)

    return option_of_spacing(
        ends,
        len(data),
        1,
        Form.OCTETS,
        line_code="64b66b",
        prefer=prefer,
        keep=numbered if by_number else None,
    )


def _spaced(ends: I64, length: int, form: Form, prefer: str | None, skip: int) -> SyncFinding | None:
    return option_of_spacing(ends, length, 1, form, line_code="64b66b", prefer=prefer, skip=skip)
