"""What was sent against what was received: hyperframes laid side by side by BFN and HFN, differences by plane.

Hyperframes are matched by their number on the link (CPRI clause 4.2.7.3), never by position: the streams may
start anywhere and have gaps. A number that is damaged in one hyperframe is replaced by the count of those around
it. Differences belong to the plane that owns the octet (clause 4.2.7.2) by the pointer p and the HDLC rate code
of the sent side. Bits are those of the decoded octets. Nothing here finds sync or reads a file.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise
from statistics import NormalDist

import numpy as np

from ..arrays import I64, U8
from ..events import Plane
from ..frame_structure import controlwords as cw
from ..frame_structure.frame_numbers import NUMBER_MODULUS, line_numbers
from ..frame_structure.frames import octet_address
from ..linerates import HYPERFRAMES_PER_FRAME, HYPERFRAMES_PER_SECOND, LineRateOption
from .bit_error_ratio import upper_bound

__all__ = [
    "COMPARED_PLANES",
    "Comparison",
    "Difference",
    "LoneRun",
    "Matched",
    "NumberRange",
    "Numbering",
    "Pairing",
    "PlaneDifferences",
    "StreamNumbering",
    "lengthen",
    "plane_map",
    "ratio_bound",
]

COMPARED_PLANES = (
    Plane.SYNC,
    Plane.L1,
    Plane.HDLC,
    Plane.ETHERNET,
    Plane.VENDOR,
    Plane.CTRL_AXC,
    Plane.RESERVED,
    Plane.IQ,
)
_PLANE_NUMBER = {plane: i for i, plane in enumerate(COMPARED_PLANES)}
_IQ = _PLANE_NUMBER[Plane.IQ]
_PATIENCE = 64
"""So many hyperframes may go by at the start without two that count on."""
_JUMP_PATIENCE = HYPERFRAMES_PER_SECOND
MOST_RUNS = 1000
"""Runs of hyperframes on one side alone that are listed; all are counted."""
_PIECE_OCTETS = 1 << 20
_EXACT_UP_TO = 100_000


@cache
def _plane_map(option: LineRateOption, pointer_p: int, rate_code: int) -> U8:
    owners = np.array([_PLANE_NUMBER[plane] for plane in cw.subchannel_owners(pointer_p)], np.uint8)
    table = np.full((256, 16, option.word_octets), _IQ, np.uint8)
    table[:, 0, :] = np.tile(owners, 4)[:, None]
    control = table[:, 0, :].reshape(-1)
    control[cw.reserved_places(option.name, rate_code).flat] = _PLANE_NUMBER[Plane.RESERVED]
    table[:, 0, :] = control.reshape(256, -1)
    table[0, 0, :] = _PLANE_NUMBER[Plane.SYNC]
    table[:, 0, 16:] = _PLANE_NUMBER[Plane.VENDOR]  # real-time vendor specific octets, at options 8, 9 and 10
    flat = table.reshape(-1)
    flat.flags.writeable = False
    return flat


def plane_map(option: LineRateOption, pointer_p: int, rate_code: int) -> U8:
    """Index into COMPARED_PLANES of each octet of a hyperframe, uint8 (octets,)."""
    return _plane_map(option, pointer_p if cw.pointer_is_valid(pointer_p) else 0, rate_code)


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

    Over gaps of known length it counts on; where nobody knows how many are missing, nothing before says what the
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
        whether a break of unknown length lies before them.
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
        nobody knows how many). The octets are kept, so they must not change afterwards.
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


@dataclass(frozen=True, slots=True)
class Difference:
    """One octet that differs: hyperframe BFN.HFN, its address #Z.X.W.Y, and both values."""

    bfn: int
    hfn: int
    x: int
    w: int
    y: int
    sent: int
    received: int

    @property
    def bits(self) -> int:
        return (self.sent ^ self.received).bit_count()


@dataclass(slots=True)
class PlaneDifferences:
    """What differs in one plane; `first` holds the first places."""

    compared_octets: int = 0
    octets: int = 0
    bits: int = 0
    hyperframes: int = 0
    first: list[Difference] = field(default_factory=list)

    @property
    def compared_bits(self) -> int:
        return 8 * self.compared_octets


class Comparison:
    """Counts the differences of hyperframes laid side by side; `places` are kept of each plane."""

    def __init__(self, option: LineRateOption, places: int = 10) -> None:
        self.option = option
        self.planes = {plane: PlaneDifferences() for plane in COMPARED_PLANES}
        self.hyperframes = 0
        self.differing_hyperframes = 0
        self.first_number: int | None = None
        self.last_number: int | None = None
        self.stretches: list[NumberRange] = []
        self._places = places

    @property
    def compared_bits(self) -> int:
        return 8 * self.hyperframes * self.option.hyperframe_octets

    @property
    def differing_bits(self) -> int:
        return sum(plane.bits for plane in self.planes.values())

    @property
    def differing_octets(self) -> int:
        return sum(plane.octets for plane in self.planes.values())

    def compare(self, numbers: I64, sent: U8, received: U8) -> None:
        """Hyperframes `sent` and `received` (n, 256, 16, T/8) of the same `numbers` (n,)."""
        n = len(numbers)
        if not n:
            return
        if self.first_number is None:
            self.first_number = int(numbers[0])
        self.last_number = int(numbers[-1])
        lengthen(self.stretches, numbers)
        self.hyperframes += n
        step = max(1, _PIECE_OCTETS // self.option.hyperframe_octets)
        for start in range(0, n, step):
            piece = slice(start, min(start + step, n))
            self._piece(numbers[piece], sent[piece], received[piece])

    def _piece(self, numbers: I64, sent: U8, received: U8) -> None:
        n = len(numbers)
        fields = cw.l1_fields(sent[:, :, 0, :])
        table = plane_map(
            self.option, int(np.bincount(fields.pointer).argmax()), int(np.bincount(fields.rate).argmax())
        )
        sizes = np.bincount(table, minlength=len(COMPARED_PLANES)).tolist()
        for plane, size in zip(COMPARED_PLANES, sizes, strict=True):
            self.planes[plane].compared_octets += n * size
        here = np.ascontiguousarray(sent).reshape(n, -1)
        there = np.ascontiguousarray(received).reshape(n, -1)
        unequal = (here.view(np.uint64) != there.view(np.uint64)).any(axis=1)
        rows = np.flatnonzero(unequal)
        self.differing_hyperframes += len(rows)
        if not len(rows):
            return
        flips = here[rows] ^ there[rows]
        unlike = flips != 0
        # A piece has at most 256 hyperframes, so 16 bits hold the sums of a column.
        octets = np.add.reduce(unlike, axis=0, dtype=np.uint16)
        bits = np.add.reduce(np.bitwise_count(flips), axis=0, dtype=np.uint16)
        for i in np.unique(table[np.flatnonzero(octets)]).tolist():
            found = self.planes[COMPARED_PLANES[i]]
            columns = np.flatnonzero(table == i)
            found.octets += int(octets[columns].sum(dtype=np.int64))
            found.bits += int(bits[columns].sum(dtype=np.int64))
            part = unlike[:, columns]
            found.hyperframes += int(np.count_nonzero(part.any(axis=1)))
            if len(found.first) >= self._places:
                continue
            for row, column in np.argwhere(part)[: self._places - len(found.first)].tolist():
                z, index = int(rows[row]), int(columns[column])
                bfn, hfn = divmod(int(numbers[z]), HYPERFRAMES_PER_FRAME)
                place = octet_address(self.option, index)
                found.first.append(Difference(bfn, hfn, *place, int(here[z, index]), int(there[z, index])))


def ratio_bound(bits: int, errors: int, confidence: float = 0.95) -> float:
    """One-sided upper bound of the bit error ratio at `confidence`.

    Exact (binomial) up to 100 000 errors; beyond, the score interval of Wilson (J. Am. Stat. Assoc. 22, 1927),
    which then differs from it by less than one part in 10 000.
    """
    if errors <= _EXACT_UP_TO or bits - errors <= _EXACT_UP_TO:
        return upper_bound(bits, errors, confidence)
    z = NormalDist().inv_cdf(confidence)
    ratio, share = errors / bits, z * z / bits
    spread = z * math.sqrt(ratio * (1 - ratio) / bits + share / (4 * bits))
    return (ratio + share / 2 + spread) / (1 + share)
