"""By how much what is forwarded stands later at one point than at another, measured in what it carries.

Numbers say where a hyperframe belongs; only its content says whether they are right. Each subchannel has a
signature in each hyperframe, and so has each word of the IQ data. Content that is the same in every hyperframe, or
comes again, says nothing, and is not taken for an answer.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from decoders.arrays import I64, U8
from decoders.frame_structure import controlwords as cw

__all__ = ["LOCK_HYPERFRAMES", "disagreements", "iq_shift", "number_offset", "same_changes", "signatures"]

U64 = NDArray[np.uint64]

LOCK_HYPERFRAMES = 96
"""So many hyperframes of each point are looked at before anything is compared."""
_FIRST_SUBCHANNEL = 3
_IQ_STEP = 8
"""Of the IQ data, one basic frame in so many is in the signatures."""
_NEAR = 64
_LEAST_CHANGES, _SELDOM = 4, 8
"""What changes more seldom than in one of so many hyperframes may be damage, and does not tell."""
_SHARE = 0.6
_IQ_HYPERFRAMES = 12
_MOST_IQ_SHIFT = 512


def _weights(count: int) -> U64:
    # Odd multipliers without a pattern: powers of an odd constant (that of Knuth's MMIX generator).
    weights = np.full(count, 6364136223846793005, np.uint64)
    return np.multiply.accumulate(weights)


def signatures(octets: U8) -> U64:
    """Signatures of subchannels 3 to 63 and of words 1 to 15 of hyperframes (n, 256, 16, T/8): uint64 (n, 76).

    0 for fast C&M, whose frames a node may send anew: idle that comes again by chance is no answer.
    """
    n = len(octets)
    pointer = int(np.median(octets[:, cw.X_POINTER, 0, 0] & 0x3F))
    control = octets[:, :, 0, :].reshape(n, 4, 64, -1)[:, :, _FIRST_SUBCHANNEL:]
    cells = control.transpose(0, 2, 1, 3).reshape(n, 64 - _FIRST_SUBCHANNEL, -1)
    words = octets[:, ::_IQ_STEP, 1:, :].transpose(0, 2, 1, 3).reshape(n, 15, -1)
    control_signed = _signed(cells)
    if pointer >= cw.POINTER_MIN:
        control_signed[:, pointer - _FIRST_SUBCHANNEL :] = 0
    return np.concatenate([control_signed, _signed(words)], axis=1)


def _signed(cells: U8) -> U64:
    result: U64 = (cells.astype(np.uint64) + np.uint64(1)) @ _weights(cells.shape[2])
    return result


def number_offset(times: I64, one: U64, later_times: I64, later: U64) -> int | None:
    """Hyperframes by which the second point's content stands later by its times; None where nothing tells.

    `times` and `later_times` ascend; `one` and `later` are their signatures. 0 wins where half of what tells fits it;
    then offsets up to 64 by all that moves, then any by signatures that stand once on each side.
    """
    fits = {by: _columns_that_fit(times, one, later_times - by, later) for by in range(-_NEAR, _NEAR + 1)}
    best = max(fits, key=lambda by: (fits[by], -abs(by)))
    if fits[0] and 2 * fits[0] >= fits[best]:
        return 0
    return best if fits[best] else _by_single_signatures(times, one, later_times, later)


def _columns_that_fit(times: I64, one: U64, later_times: I64, later: U64) -> int:
    """How many columns are the same wherever they change on the first side, of the same times."""
    _, i, j = np.intersect1d(times[1:], later_times, assume_unique=True, return_indices=True)
    here = one[1:][i]
    moves = here != one[:-1][i]
    same = (moves & (here == later[j])).sum(axis=0)
    changes = moves.sum(axis=0)
    least = max(_LEAST_CHANGES, len(i) // _SELDOM)
    return int(np.count_nonzero((changes >= least) & (same >= _SHARE * changes)))


def same_changes(times: I64, one: U64, later_times: I64, later: U64) -> int:
    """How many changes of columns are at the same times and to the same on both sides."""
    _, i, j = np.intersect1d(times[1:], later_times[1:], assume_unique=True, return_indices=True)
    here, there = one[1:][i], later[1:][j]
    return int(((here != one[:-1][i]) & (there != later[:-1][j]) & (here == there)).sum())


def disagreements(times: I64, one: U64, later_times: I64, later: U64) -> int:
    """How many columns in hyperframes of the same times change on either side and are not the same then."""
    _, i, j = np.intersect1d(times[1:], later_times[1:], assume_unique=True, return_indices=True)
    here, there = one[1:][i], later[1:][j]
    return int((((here != one[:-1][i]) | (there != later[:-1][j])) & (here != there)).sum())


def _by_single_signatures(times: I64, one: U64, later_times: I64, later: U64) -> int | None:
    offsets = []
    for column in range(one.shape[1]):
        here, here_at, here_count = np.unique(one[:, column], return_index=True, return_counts=True)
        there, there_at, there_count = np.unique(later[:, column], return_index=True, return_counts=True)
        once, other = here_count == 1, there_count == 1
        _, i, j = np.intersect1d(here[once], there[other], assume_unique=True, return_indices=True)
        # A frame that comes again by chance is no answer: half of all that stands once has to agree.
        least = max(_LEAST_CHANGES, len(one) // _SELDOM, min(int(once.sum()), int(other.sum())) // 2)
        if len(i) < least:
            continue
        values, counts = np.unique(
            later_times[there_at[other][j]] - times[here_at[once][i]], return_counts=True
        )
        best = int(np.argmax(counts))
        if counts[best] >= least:
            offsets.append(int(values[best]))
    if not offsets:
        return None
    values, counts = np.unique(offsets, return_counts=True)
    return int(values[np.argmax(counts)])


def iq_shift(before: U8, after: U8) -> int:
    """Basic frames by which IQ data stand later in `after` than in `before`, both (n, 256, 16, T/8) of one time.

    The least one that fits half of the basic frames of some word; 0 where nothing moves, or none up to 512 fits.
    """
    n = min(len(before), len(after), _IQ_HYPERFRAMES)
    if n * 256 < 2 * _MOST_IQ_SHIFT:
        return 0
    here, there = (part[:n, :, 1:, :].reshape(n * 256, 15, -1) for part in (before, after))
    weights = _weights(here.shape[2])
    one, two = ((part.astype(np.uint64) + np.uint64(1)) @ weights for part in (here, there))
    moving = (one[1:] != one[:-1]).any(axis=0) & (two[1:] != two[:-1]).any(axis=0)
    one, two = one[:, moving], two[_MOST_IQ_SHIFT:, moving]
    for shift in range(_MOST_IQ_SHIFT + 1) if moving.any() else ():
        begin = _MOST_IQ_SHIFT - shift
        if (one[begin : begin + len(two)] == two).mean(axis=0).max() >= 0.5:
            return shift
    return 0
