"""Which hyperframes a receiver decodes, by the rules of sync, LOS and LOF alone.

CPRI V7.0 clause 4.2.9, Fig. 26, and clause 4.2.10. Knows for each hyperframe whether its sync byte is in place and
how many characters are in error; knows no octets. The word alignment stays as it was.
"""

from __future__ import annotations

from collections.abc import Mapping, Set
from dataclasses import dataclass, replace

from ..faults.standard import HITS_TO_SYNC, LOS_THRESHOLD, MISSES_TO_LOSE

__all__ = ["SyncStretch", "stretches_of"]


@dataclass(frozen=True, slots=True)
class SyncStretch:
    """Hyperframes `first` to `end` - 1 are decoded one after the other.

    `missed` are those without their sync byte; `left_sync` and `back_in_sync` where HFNSYNC is left and found again
    within the stretch. `los` and `lof` say what ended it; both False where the stream ended.
    """

    first: int
    end: int
    missed: tuple[int, ...] = ()
    left_sync: tuple[int, ...] = ()
    back_in_sync: tuple[int, ...] = ()
    los: bool = False
    lof: bool = False
    loses_at: int | None = None
    """The hyperframe whose sync byte or code errors ended it."""
    los_before: int = 0
    """How often LOS was raised while this stretch was looked for."""


def stretches_of(length: int, missing: Set[int], errors: Mapping[int, int]) -> list[SyncStretch]:
    """The stretches of a stream of `length` hyperframes; `errors` are characters in error by hyperframe."""
    out: list[SyncStretch] = []
    window, los = 0, False
    while True:
        first, raised = _found(window, length, missing, errors, los)
        if first is None:
            return out
        stretch = replace(_held(first, length, missing, errors), los_before=raised)
        out.append(stretch)
        if not stretch.lof:
            return out
        window, los = stretch.end, stretch.los


def _found(
    window: int, length: int, missing: Set[int], errors: Mapping[int, int], los: bool
) -> tuple[int | None, int]:
    """The first hyperframe from `window` on that begins a run of sync bytes, LOS being over; LOS raised till then."""
    raised = 0
    while window < length:
        if los:
            los = errors.get(window, 0) > 0
        else:
            run = range(window, min(window + HITS_TO_SYNC, length))
            if len(run) > 1 and not any(at in missing for at in run):
                return window, raised
            los = errors.get(window, 0) >= LOS_THRESHOLD
            raised += los
        window += 1
    return None, raised


def _held(first: int, length: int, missing: Set[int], errors: Mapping[int, int]) -> SyncStretch:
    """Decoding from `first` on until sync is lost."""
    behind = 0  # states behind HFNSYNC
    missed: list[int] = []
    left: list[int] = []
    back: list[int] = []
    for at in range(first, length):
        before = behind
        if at >= first + HITS_TO_SYNC:
            behind = behind + 1 if at in missing else max(0, behind - 1)
            if at in missing:
                missed.append(at)
        if behind and not before:
            left.append(at)
        if before and not behind:
            back.append(at)
        marks = (tuple(missed), tuple(left), tuple(back))
        if behind == MISSES_TO_LOSE:
            return SyncStretch(first, at, *marks, los=False, lof=True, loses_at=at)
        if errors.get(at, 0) >= LOS_THRESHOLD:
            return SyncStretch(first, at + 1, *marks, los=True, lof=True, loses_at=at)
    return SyncStretch(first, length, tuple(missed), tuple(left), tuple(back))
