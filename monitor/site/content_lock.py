"""By how much what is forwarded stands later at one point than at another, measured in what it carries.

Numbers say where a hyperframe belongs; only its content says whether they are right. Each subchannel has a signature
in each hyperframe, and each word of the IQ data one in each basic frame. Content that is the same in every hyperframe,
or comes again, says nothing, and is not taken for an answer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decoders.arrays import I64, U8

__all__ = ["LOCK_HYPERFRAMES", "NumberOffset", "control_signatures", "iq_shift", "number_offset"]

U64 = NDArray[np.uint64]

LOCK_HYPERFRAMES = 96
"""So many hyperframes of each point are looked at before anything is compared."""
_FIRST_SUBCHANNEL = 3
_LEAST_VOTES = 4
_IQ_HYPERFRAMES = 12
_MOST_IQ_SHIFT = 512


def _weights(count: int) -> U64:
    # Odd multipliers without a pattern: powers of an odd constant (that of Knuth's MMIX generator).
    weights = np.full(count, 6364136223846793005, np.uint64)
    return np.multiply.accumulate(weights)


def control_signatures(octets: U8) -> U64:
    """Signatures of subchannels 3 to 63 of hyperframes (n, 256, 16, T/8): uint64 (n, 61)."""
    n = len(octets)
    control = octets[:, :, 0, :].reshape(n, 4, 64, -1)[:, :, _FIRST_SUBCHANNEL:]
    cells = control.transpose(0, 2, 1, 3).reshape(n, 64 - _FIRST_SUBCHANNEL, -1).astype(np.uint64)
    result: U64 = (cells + np.uint64(1)) @ _weights(cells.shape[2])
    return result


@dataclass(frozen=True, slots=True)
class NumberOffset:
    """The second point's content stands `hyperframes` later by its times; so many votes of so many say so."""

    hyperframes: int
    votes: int
    of: int


def number_offset(
    times: I64, signatures: U64, later_times: I64, later: U64, *, near: int | None = None
) -> NumberOffset | None:
    """The offset that most of the moving subchannels agree on; None where none moves, or most say something else.

    Only signatures that stand once on each side count; of those, offset 0 wins where it has half of the votes.
    `near` takes no other offset than up to so many hyperframes.
    """
    offsets = []
    for column in range(signatures.shape[1]):
        here, here_at, here_count = np.unique(signatures[:, column], return_index=True, return_counts=True)
        there, there_at, there_count = np.unique(later[:, column], return_index=True, return_counts=True)
        once, other = here_count == 1, there_count == 1
        if np.count_nonzero(once) < _LEAST_VOTES or np.count_nonzero(other) < _LEAST_VOTES:
            continue
        _, i, j = np.intersect1d(here[once], there[other], assume_unique=True, return_indices=True)
        offsets.append(later_times[there_at[other][j]] - times[here_at[once][i]])
    votes = np.concatenate(offsets) if offsets else np.zeros(0, np.int64)
    if near is not None:
        votes = votes[np.abs(votes) <= near]
    if len(votes) < _LEAST_VOTES:
        return None
    values, counts = np.unique(votes, return_counts=True)
    zero = int(counts[values == 0].sum())
    best = int(np.argmax(counts))
    if 2 * zero >= len(votes):
        return NumberOffset(0, zero, len(votes))
    if 2 * int(counts[best]) < len(votes):
        return None
    return NumberOffset(int(values[best]), int(counts[best]), len(votes))


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
