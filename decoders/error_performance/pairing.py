"""Two streams of hyperframes laid side by side by BFN and HFN.

Hyperframes are matched by their number on the link (CPRI clause 4.2.7.3), never by position: the streams may
start anywhere and have gaps. A number that is damaged in one hyperframe is replaced by the count of those around it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..arrays import I64, U8
from ..frame_structure.frame_numbers import NUMBER_MODULUS, line_numbers
from ..linerates import HYPERFRAMES_PER_SECOND

__all__ = ["LoneRun", "Matched", "NumberRange", "Numbering", "Pairing", "StreamNumbering", "lengthen"]

_PATIENCE = 64
"""So many hyperframes may go by at the start without two that count on."""
_JUMP_PATIENCE = HYPERFRAMES_PER_SECOND
MOST_RUNS = 1000
"""Runs of hyperframes on one side alone that are listed; all are counted."""


class Numbering:
    """Gives each hyperframe its number BFN * 150 + HFN, made sound by counting on.

    A number is believed where its neighbour before or after counts with it; any other hyperframe is counted on
    from the last believed one. `corrected` counts those whose own number was not believed.
    """

    def __init__(self) -> None:
        self.corrected = 0
        self._seen = 0
        self._before: int | None = None
        self._adopted: int | None = None

    def settle(self, octets: U8, missing: I64 | None = None, *, finish: bool = False) -> I64:
        """Numbers of the hyperframes `octets` (n, 256, 16, T/8), int64 (m,): m = n, or less where the next decides.

        `missing` (n,) is how many are known to be missing in the stream before each of them. What has no number
        yet is to be given again, in front of what follows; `finish` says that nothing does.
        """
        raw = line_numbers(octets)
        n = len(raw)
        count = self._seen + np.arange(n) + (0 if missing is None else missing)
        # How far each is ahead of a plain count of hyperframes: the same as long as nothing else is missing.
        ahead = (raw - count) % NUMBER_MODULUS
        ahead[raw < 0] = -1
        same = ahead[1:] == ahead[:-1]
        believed = np.concatenate((ahead[:1] == (-1 if self._before is None else self._before), same))
        believed[:-1] |= same
        believed &= ahead >= 0
        if n and not finish and not believed[-1] and ahead[-1] != self._adopted:
            n -= 1
        if self._adopted is None:
            first = np.flatnonzero(believed[:n])
            if not len(first) and not finish and n < _PATIENCE:
                return np.zeros(0, np.int64)
            self._adopted = int(ahead[first[0]]) if len(first) else max(int(ahead[0]), 0) if n else None
        if not n or self._adopted is None:
            return np.zeros(0, np.int64)
        last = np.maximum.accumulate(np.where(believed[:n], np.arange(n), -1))
        taken = np.where(last >= 0, ahead[last], self._adopted)
        self.corrected += int(np.count_nonzero(taken != ahead[:n]))
        numbers: I64 = (taken + count[:n]) % NUMBER_MODULUS
        self._adopted, self._before = int(taken[-1]), int(ahead[n - 1])
        self._seen += n
        return numbers


class StreamNumbering:
    """Numbers the hyperframes of a stream with gaps, in whatever pieces they come.

    Over gaps of known length it counts on; where it is not known how many are missing, nothing before says what the
    numbers behind must be, and it begins anew. `corrected` counts as that of Numbering.
    """

    def __init__(self) -> None:
        self.corrected = 0
        self._numbering = Numbering()
        self._broken = False
        self._missing = 0
        self._held: U8 | None = None
        self._held_missing: I64 = np.zeros(0, np.int64)

    def add(
        self, octets: U8 | None, gaps: Sequence[tuple[int, int | None]] = ()
    ) -> Iterator[tuple[U8, I64, bool]]:
        """Hyperframes `octets` (n, 256, 16, T/8), None at the end of the stream, and `gaps` as of Pairing.add.

        Yields those that have a number by now, at least one at a time: their octets, their numbers (m,), and
        whether a gap of unknown length lies before them.
        """
        if octets is None:
            if self._held is not None:
                yield from self._number(self._held[:0], np.zeros(0, np.int64), finish=True)
            return
        counts = np.zeros(len(octets), np.int64)
        for at, count in gaps:
            counts[at] += (count or 0) % NUMBER_MODULUS
        missing = np.cumsum(counts) + self._missing
        self._missing = int(missing[-1]) if len(missing) else self._missing
        breaks = [at for at, count in gaps if count is None]
        for start, end in pairwise((0, *breaks)):
            yield from self._number(octets[start:end], missing[start:end], finish=True)
            self._numbering, self._broken = Numbering(), True
        start = breaks[-1] if breaks else 0
        yield from self._number(octets[start:], missing[start:], finish=False)

    def _number(self, octets: U8, missing: I64, *, finish: bool) -> Iterator[tuple[U8, I64, bool]]:
        if self._held is not None and len(self._held):
            octets = np.concatenate((self._held, octets))
            missing = np.concatenate((self._held_missing, missing))
        corrected = self._numbering.corrected
        numbers = self._numbering.settle(octets, missing, finish=finish)
        self.corrected += self._numbering.corrected - corrected
        n = len(numbers)
        self._held, self._held_missing = octets[n:], missing[n:]
        if n:
            broken, self._broken = self._broken, False
            yield octets[:n], numbers, broken


class _Side:
    """Hyperframes of one stream that wait for their counterparts."""

    def __init__(self) -> None:
        self.ended = False
        self.numbers: I64 = np.zeros(0, np.int64)
        self.backs: I64 = np.zeros(0, np.int64)
        """How often the numbers have jumped back by each of the hyperframes waiting."""
        self.back_base = 0
        self.octets: U8 | None = None
        self.taken = 0
        self.first: int | None = None
        self.last: int | None = None
        self.stretches: list[NumberRange] = []
        self._jumps = 0
        self._numbering = StreamNumbering()

    @property
    def corrected(self) -> int:
        return self._numbering.corrected

    def add(self, octets: U8 | None, gaps: Sequence[tuple[int, int | None]] = ()) -> None:
        self.ended |= octets is None
        for ready, fresh, broken in self._numbering.add(octets, gaps):
            before = np.concatenate(([fresh[0] - 1 if self.last is None else self.last], fresh[:-1]))
            backs = np.cumsum(_signed(fresh - before) <= 0) + self._jumps
            self._jumps = int(backs[-1])
            self.backs = np.concatenate((self.backs, backs))
            lengthen(self.stretches, fresh, broken=broken)
            self.first = int(fresh[0]) if self.first is None else self.first
            self.last = int(fresh[-1])
            waiting = self.octets
            self.octets = ready if waiting is None or not len(waiting) else np.concatenate((waiting, ready))
            self.numbers = np.concatenate((self.numbers, fresh))

    def take(self, count: int) -> U8:
        assert self.octets is not None
        taken, self.octets = self.octets[:count], self.octets[count:]
        self.numbers, self.backs = self.numbers[count:], self.backs[count:]
        self.taken += count
        return taken


@dataclass(frozen=True, slots=True, eq=False)
class Matched:
    """Hyperframes of the same `numbers` (n,): octets (n, 256, 16, T/8) as sent and as received.

    `sent_at` and `received_at` count the hyperframes of each stream before the first of these.
    """

    numbers: I64
    sent: U8
    received: U8
    sent_at: int
    received_at: int


@dataclass(frozen=True, slots=True)
class LoneRun:
    """`hyperframes` in a row that only one side has (0 sent, 1 received), from `number` on.

    `inside` says that both sides have hyperframes before it and after it.
    """

    side: int
    number: int
    hyperframes: int
    inside: bool


@dataclass(frozen=True, slots=True)
class NumberRange:
    """Numbers of hyperframes that go up from `first` to `last`, not always one by one."""

    first: int
    last: int


class Pairing:
    """Lays two streams side by side; each number is looked for only ahead of where its stream stands.

    Where one stream's numbers jump back (the sender has started anew) the other's are passed over until they do so,
    too, but no more than a second of them.
    """

    def __init__(self) -> None:
        self.sides = (_Side(), _Side())
        self.alone = [0, 0]
        self.alone_inside = [0, 0]
        self.runs: list[LoneRun] = []
        self.pairs = 0
        self._inside_if_paired = [0, 0]
        self._patience = _JUMP_PATIENCE
        self._waiting: list[LoneRun] = []

    def wanted(self) -> int | None:
        """The side that is to be given more, or None when both have ended."""
        for index, side in enumerate(self.sides):
            if not side.ended and not len(side.numbers):
                return index
        return next((i for i, side in enumerate(self.sides) if not side.ended), None)

    def add(
        self, side: int, octets: U8 | None, gaps: Sequence[tuple[int, int | None]] = ()
    ) -> Iterator[Matched]:
        """Hyperframes (n, 256, 16, T/8) of a side (None: it has ended); what is matched by them.

        `gaps` says before which of them, in ascending order, how many are known to be missing in the stream (None:
        not known how many). The octets are kept, so they must not change afterwards.
        """
        self.sides[side].add(octets, gaps)
        sent, received = self.sides
        while len(sent.numbers) and len(received.numbers):
            n = min(len(sent.numbers), len(received.numbers))
            ahead = _signed(sent.numbers[:n] - received.numbers[:n])
            unequal = np.flatnonzero(ahead)
            same = int(unequal[0]) if len(unequal) else n
            if same:
                numbers = sent.numbers[:same]
                for one in (sent, received):
                    one.back_base = int(one.backs[same - 1])
                self._paired(same)
                places = sent.taken, received.taken
                yield Matched(numbers, sent.take(same), received.take(same), *places)
            elif not self._follow_jump():
                late, other = (1, sent) if ahead[0] > 0 else (0, received)
                self._skip(late, int(other.numbers[0]))
        for index in (0, 1):
            other = self.sides[1 - index]
            if other.ended and not len(other.numbers):
                self._lone(index, len(self.sides[index].numbers))
        if sent.ended and received.ended:
            self._close_runs(inside=False)

    def _follow_jump(self) -> bool:
        """Pass over what the side that has not jumped back has before it does; False where neither is to wait."""
        jumps = [int(side.backs[0]) - side.back_base for side in self.sides]
        if jumps[0] == jumps[1]:
            self._patience = _JUMP_PATIENCE
            return False
        late = int(jumps[1] < jumps[0])
        side, other = self.sides[late], self.sides[1 - late]
        reached = np.flatnonzero(side.backs - side.back_base >= jumps[1 - late])
        count = min(int(reached[0]) if len(reached) else len(side.numbers), self._patience)
        self._lone(late, count)
        self._patience -= count
        if not self._patience:  # a jump of one side alone
            other.back_base = int(other.backs[0])
            self._patience = _JUMP_PATIENCE
        return True

    def _skip(self, late: int, target: int) -> None:
        """Leave out what the late side has before `target`."""
        reached = np.flatnonzero(_signed(self.sides[late].numbers - target) >= 0)
        self._lone(late, int(reached[0]) if len(reached) else len(self.sides[late].numbers))

    def _lone(self, index: int, count: int) -> None:
        if not count:
            return
        number = int(self.sides[index].numbers[0])
        self.sides[index].take(count)
        self.alone[index] += count
        last = self._waiting[-1] if self._waiting else None
        if (
            last is not None
            and last.side == index
            and (last.number + last.hyperframes) % NUMBER_MODULUS == number
        ):
            self._waiting[-1] = LoneRun(index, last.number, last.hyperframes + count, False)
        elif len(self._waiting) < MOST_RUNS:
            self._waiting.append(LoneRun(index, number, count, False))
        if self.pairs:
            self._inside_if_paired[index] += count

    def _paired(self, count: int) -> None:
        for index in (0, 1):
            self.alone_inside[index] += self._inside_if_paired[index]
        self._inside_if_paired = [0, 0]
        self._close_runs(inside=self.pairs > 0)
        self._patience = _JUMP_PATIENCE
        self.pairs += count

    def _close_runs(self, *, inside: bool) -> None:
        for run in self._waiting:
            if len(self.runs) < MOST_RUNS:
                self.runs.append(LoneRun(run.side, run.number, run.hyperframes, inside))
        self._waiting.clear()


def lengthen(stretches: list[NumberRange], numbers: I64, *, broken: bool = False) -> None:
    """Put `numbers` behind `stretches`; another one begins where they go back, and where they are `broken` off."""
    last = stretches[-1].last if stretches and not broken else int(numbers[0]) - 1
    starts = np.flatnonzero(_signed(np.diff(numbers, prepend=last)) <= 0).tolist()
    if (broken or not stretches) and starts[:1] != [0]:
        starts.insert(0, 0)
    if starts[:1] != [0]:
        stretches[-1] = NumberRange(
            stretches[-1].first, int(numbers[starts[0] - 1] if starts else numbers[-1])
        )
    for start, end in pairwise([*starts, len(numbers)]):
        if len(stretches) < MOST_RUNS:
            stretches.append(NumberRange(int(numbers[start]), int(numbers[end - 1])))
        else:
            stretches[-1] = NumberRange(stretches[-1].first, int(numbers[end - 1]))


def _signed(difference: I64) -> I64:
    """Differences of numbers, the short way round."""
    half = NUMBER_MODULUS // 2
    result: I64 = (difference + half) % NUMBER_MODULUS - half
    return result
