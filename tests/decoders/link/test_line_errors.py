"""Errors of the line code: by hyperframe, for LOS, and as events."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.counters import COUNTERS
from decoders.events import BlockErrors, CodeErrors, CodewordErrors
from decoders.line_coding.block_forms import open_block_reader
from decoders.line_coding.block_lock import LockSettings
from decoders.line_coding.characters import LineForm
from decoders.line_coding.line_octets import LineOctetBuffer, LineOctets, Place
from decoders.linerates import option_named
from decoders.link.block_sync_places import BlockPlaces
from decoders.link.line_errors import BlockLineErrors, LineErrors
from decoders.link.settings import BlockLosRule, BlockSettings
from decoders.link.stream import LineStream

SIZE = 65536


def at(*positions: int) -> np.ndarray:
    return np.array(positions, np.int64)


def test_characters_in_error_of_each_hyperframe() -> None:
    buffer = LineOctetBuffer()
    places = {Place.CODE_VIOLATION: at(5, 4100, 4101), Place.DISPARITY_ERROR: at(6, 9000)}
    buffer.append(LineOctets(np.zeros(3 * 4096, np.uint8), places=places))
    buffer.join()
    counters = dict.fromkeys(COUNTERS, 0)
    errors = LineErrors(buffer, counters)
    assert errors.per_hyperframe(3, 4096).tolist() == [2, 2, 1]
    assert errors.per_hyperframe(1, 4096).tolist() == [2]
    assert errors.damaged(2, 4096) == [0, 1]
    assert errors.signal_errors(0, 4101) == 3
    assert list(errors.count(4096, 8192, 9)) == [CodeErrors(9, 2, 0, 4)]
    assert list(errors.count(0, 4, 9)) == []
    assert (counters["code_violations"], counters["disparity_errors"]) == (2, 0)


def blocks(rule: BlockLosRule, **places: np.ndarray) -> tuple[BlockLineErrors, dict[str, int]]:
    stream = LineStream(open_block_reader(LineForm.FLAGGED, LockSettings()))
    found = {Place[name.upper()]: positions for name, positions in places.items()}
    stream.buffer.append(LineOctets(np.zeros(2 * SIZE, np.uint8), places=found))
    stream.buffer.join()
    counters = dict.fromkeys(COUNTERS, 0)
    sync = BlockPlaces(stream, option_named("7A"), BlockSettings(), flags=True)
    return BlockLineErrors(stream.buffer, counters, sync, rule, 16), counters


def test_blocks_in_error_are_told_by_heading() -> None:
    errors, counters = blocks(
        BlockLosRule.HEADER_COUNT,
        header_error=at(80, 800),
        unexpected_type=at(0, 8, 160),
        codeword_corrected=at(640),
        symbol_corrected=at(640, 640, 640),
    )
    told = list(errors.count(0, SIZE, 4, in_sync=True))
    # The two blocks of the sync word are judged by their place, not by their type.
    assert told == [BlockErrors(4, 2, 1, 0, 80), CodewordErrors(4, 1, 3, 0, 0, 640)]
    assert counters["block_type_unexpected"] == 1
    hunting, counters = blocks(BlockLosRule.HEADER_COUNT, unexpected_type=at(0, 8, 160))
    assert list(hunting.count(0, SIZE, None)) == [BlockErrors(None, 0, 3, 0, 0)]


@pytest.mark.parametrize(
    ("rule", "expected"),
    [
        (BlockLosRule.HEADER_COUNT, [20, 1]),
        (BlockLosRule.BLOCK_LOCK, [15, 16]),
        (BlockLosRule.EITHER, [20, 16]),
    ],
)
def test_what_counts_for_los(rule: BlockLosRule, expected: list[int]) -> None:
    """Twenty bad headers in the first hyperframe, one and a loss of lock in the second; 16 raise LOS."""
    errors, _ = blocks(rule, header_error=at(*range(8, 168, 8), SIZE + 8), lock_lost=at(SIZE + 8))
    assert errors.per_hyperframe(2, SIZE).tolist() == expected
    assert [errors.signal_errors(0, SIZE), errors.signal_errors(SIZE, 2 * SIZE)] == expected
