"""What a node forwards: octets of one point against those of the next, plane by plane.

BFN, HFN, the sync word and the L1 inband octets belong to each segment alone and are not compared. The first
hyperframes of a pair show which octets the node between changes all the time; these are left out and told once. Slow
and fast C&M are compared here only where a node passes on their octets as they are.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from decoders.arrays import I64, U8
from decoders.error_performance.comparison import COMPARED_PLANES, plane_map
from decoders.events import Plane
from decoders.frame_structure import controlwords as cw
from decoders.linerates import LineRateOption

from ..links.damage import Forwarding, PlaneForwarding

__all__ = ["FORWARDED_PLANES", "OctetDifference", "PairComparison"]

FORWARDED_PLANES = (Plane.IQ, Plane.VENDOR, Plane.CTRL_AXC, Plane.RESERVED, Plane.HDLC, Plane.ETHERNET)
_NUMBER = {plane: COMPARED_PLANES.index(plane) for plane in FORWARDED_PLANES}
_FRAMES = (Plane.HDLC, Plane.ETHERNET)
_NOT_COMPARED = 255
LEARNING_HYPERFRAMES = 32
_OWN_SHARE, _OWN_IQ_SHARE = 0.5, 0.2
_MOVING_ROWS = 8
PLACES_KEPT = 8


@dataclass(frozen=True, slots=True)
class OctetDifference:
    """Octets of one plane that differ in the hyperframe at `time`.

    `places` are (linear index in the hyperframe, old, new), of at most PLACES_KEPT octets; `key` stands for all.
    `old_zeros` says that all of them read 0 before, as an octet does whose symbol is no character.
    """

    time: int
    plane: Plane
    octets: int
    bits: int
    places: tuple[tuple[int, int, int], ...]
    key: int
    old_zeros: bool


@dataclass(slots=True)
class _PlaneState:
    compared: int = 0
    differing: int = 0
    own: int = 0
    places: int = 0
    moved: bool = False


@dataclass(slots=True)
class _Relaying:
    """Whether a C&M channel's octets pass as they are: told by hyperframes in which they move."""

    moving: int = 0
    same: int = 0
    last: U8 | None = field(default=None, repr=False)
    decided: Forwarding = Forwarding.UNKNOWN


class PairComparison:
    """Compares hyperframes of two points; `shift` basic frames are IQ data later at the second one."""

    def __init__(self, option: LineRateOption, shift: int | None = 0) -> None:
        self.option = option
        self.shift = shift
        self.hyperframes = 0
        self._planes = {plane: _PlaneState() for plane in FORWARDED_PLANES}
        self._relaying = {plane: _Relaying() for plane in _FRAMES}
        self._own: NDArray[np.bool_] | None = None
        self._zero: I64 = np.zeros(0, np.int64)
        self._learning: list[tuple[I64, U8, U8]] = []
        self._learned = 0
        self._before: tuple[int, U8] | None = None
        self._maps: tuple[tuple[int, int, int, int], U8] | None = None

    # --- input --------------------------------------------------------------------------------------------

    def compare(self, times: I64, before: U8, after: U8) -> list[OctetDifference]:
        """Hyperframes (n, 256, 16, T/8) of the same ascending `times`; what differs, in their order."""
        if self.shift:
            times, before, after = self._shifted(times, before, after)
        if not len(times):
            return []
        if self._own is not None:
            return self._differences(times, before, after)
        self._learning.append((times, before.copy(), after.copy()))
        self._learned += len(times)
        return self._learn() if self._learned >= LEARNING_HYPERFRAMES else []

    def finish(self) -> list[OctetDifference]:
        """What differs in the hyperframes that were still looked at for what the node changes by itself."""
        return self._learn() if self._own is None and self._learning else []

    def _shifted(self, times: I64, before: U8, after: U8) -> tuple[I64, U8, U8]:
        """The same with the IQ data of `before` as much later as they are in `after`; the first ones go."""
        assert self.shift is not None
        hold = -(-self.shift // 256)
        held_times, held = times[:0], before[:0]
        if self._before is not None and self._before[0] + len(self._before[1]) == times[0]:
            held = self._before[1]
            held_times = self._before[0] + np.arange(len(held), dtype=np.int64)
        every, octets = np.concatenate((held_times, times)), np.concatenate((held, before))
        at = np.arange(len(every))
        breaks = np.diff(every, prepend=every[0] - 1) != 1
        follows = at - np.maximum.accumulate(np.where(breaks, at, 0))
        tail = int(follows[-1]) + 1
        keep = min(hold, tail)
        self._before = (int(every[-1]) - keep + 1, octets[len(octets) - keep :].copy())
        frames = octets.reshape(len(octets) * 256, 16, -1)
        late = octets.copy().reshape(frames.shape)
        late[self.shift :, 1:] = frames[: len(frames) - self.shift, 1:]
        good = np.flatnonzero(follows[len(held) :] >= hold)
        moved = late.reshape(octets.shape)[len(held) :][good]
        return times[good], moved, after[good]

    # --- what the node changes all the time -----------------------------------------------------------------

    def _learn(self) -> list[OctetDifference]:
        pieces, self._learning = self._learning, []
        times, before, after = (np.concatenate([piece[i] for piece in pieces]) for i in range(3))
        table = self._table(before, after)
        unlike = (before != after).reshape(len(times), -1)
        # What a damage does for a while is not in both halves.
        half = min(len(times), LEARNING_HYPERFRAMES) // 2
        shares = [unlike[part].mean(axis=0) for part in (slice(0, half or 1), slice(half, 2 * half or 1))]
        share = np.minimum(*shares)
        own = share >= _OWN_SHARE
        width = self.option.word_octets
        columns = share.reshape(256, 16, width)[:, 1:].mean(axis=0) >= _OWN_IQ_SHARE
        own.reshape(256, 16, width)[:, 1:] = columns
        self._own = own
        # Reserved octets are to be sent as 0, whatever was received in them.
        zero = ~after[:LEARNING_HYPERFRAMES].any(axis=0).reshape(-1) & (table == _NUMBER[Plane.RESERVED])
        self._zero = np.flatnonzero(zero)
        own &= ~(zero | np.isin(table, [_NUMBER[plane] for plane in _FRAMES]))
        moves = (np.diff(before.reshape(len(times), -1), axis=0) != 0).any(axis=0)
        for plane, state in self._planes.items():
            here = table == _NUMBER[plane]
            state.own, state.places = int(np.count_nonzero(own & here)), int(np.count_nonzero(here))
            state.moved = bool((moves & here & ~own).any()) or bool(
                before.reshape(len(times), -1)[:, here].any()
            )
        return self._differences(times, before, after)

    def _table(self, before: U8, after: U8) -> U8:
        """Index into COMPARED_PLANES of each octet; not compared where it is another plane's at the second point."""
        one, two = (cw.l1_fields(part[:, :, 0, :]) for part in (before, after))
        codes = [int(np.bincount(v).argmax()) for v in (one.pointer, one.rate, two.pointer, two.rate)]
        key = (codes[0], codes[1], codes[2], codes[3])
        if self._maps is None or self._maps[0] != key:
            here, there = plane_map(self.option, *key[:2]), plane_map(self.option, *key[2:])
            table = np.where(here == there, here, _NOT_COMPARED).astype(np.uint8)
            table[~np.isin(table, list(_NUMBER.values()))] = _NOT_COMPARED
            self._maps = (key, table)
        return self._maps[1]

    # --- comparison -----------------------------------------------------------------------------------------

    def _differences(self, times: I64, before: U8, after: U8) -> list[OctetDifference]:
        assert self._own is not None
        n = len(times)
        self.hyperframes += n
        table = self._table(before, after)
        here = np.ascontiguousarray(before).reshape(n, -1)
        there = np.ascontiguousarray(after).reshape(n, -1)
        for plane in _FRAMES:
            self._watch_relaying(plane, table, here, there)
        for plane, state in self._planes.items():
            places = int(np.count_nonzero((table == _NUMBER[plane]) & ~self._own))
            state.compared += n * places if self._compares(plane) else 0
        rows = np.flatnonzero((here.view(np.uint64) != there.view(np.uint64)).any(axis=1))
        if not len(rows):
            return []
        here, there, numbers = here[rows], there[rows], times[rows].tolist()
        zero = self._zero
        here[:, zero] = np.where(here[:, zero] == there[:, zero], here[:, zero], 0)
        unlike = here != there
        unlike &= ~(self._own | (table == _NOT_COMPARED))
        found: list[OctetDifference] = []
        for plane in FORWARDED_PLANES:
            if not self._compares(plane):
                unlike[:, table == _NUMBER[plane]] = False
        for at in np.flatnonzero(unlike.any(axis=1)).tolist():
            columns = np.flatnonzero(unlike[at])
            for number in np.unique(table[columns]).tolist():
                part = columns[table[columns] == number]
                found.append(
                    self._difference(numbers[at], COMPARED_PLANES[number], part, here[at], there[at])
                )
        return found

    def _difference(self, time: int, plane: Plane, columns: I64, old: U8, new: U8) -> OctetDifference:
        state = self._planes[plane]
        state.differing += len(columns)
        old, new = old[columns], new[columns]
        kept = slice(0, PLACES_KEPT)
        places = zip(columns[kept].tolist(), old[kept].tolist(), new[kept].tolist(), strict=True)
        flips = old ^ new
        return OctetDifference(
            time, plane, len(columns), int(np.bitwise_count(flips).sum()), tuple(places),
            hash((columns.tobytes(), flips.tobytes())), not old.any(),
        )  # fmt: skip

    def passes(self, plane: Plane) -> bool:
        """Whether a C&M channel's octets pass as they are."""
        return plane in self._relaying and self._relaying[plane].decided is Forwarding.IDENTICAL

    def _compares(self, plane: Plane) -> bool:
        if plane is Plane.IQ and self.shift is None:
            return False
        relaying = self._relaying.get(plane)
        return relaying is None or relaying.decided is Forwarding.IDENTICAL

    def _watch_relaying(self, plane: Plane, table: U8, here: U8, there: U8) -> None:
        state = self._relaying[plane]
        if state.decided is Forwarding.RELAYED:
            return
        columns = np.flatnonzero(table == _NUMBER[plane])
        if not len(columns):
            return
        one, two = here[:, columns], there[:, columns]
        last = one[:1] if state.last is None or state.last.shape != one[0].shape else state.last[None]
        moves = (one != np.concatenate((last, one[:-1]))).any(axis=1)
        state.last = one[-1].copy()
        same = (one == two).all(axis=1)
        moving = int(np.count_nonzero(moves))
        agree = int(np.count_nonzero(same[moves]))
        if state.decided is Forwarding.UNKNOWN:
            state.moving += moving
            state.same += agree
            if state.moving >= _MOVING_ROWS:
                share = state.same / state.moving
                state.decided = Forwarding.IDENTICAL if share >= 0.8 else Forwarding.RELAYED
        elif moving >= _MOVING_ROWS and agree < moving / 2:
            state.decided = Forwarding.RELAYED

    # --- result ---------------------------------------------------------------------------------------------

    def planes(self) -> dict[Plane, PlaneForwarding]:
        """How each plane passed."""
        result = {}
        for plane, state in self._planes.items():
            if plane in self._relaying:
                kind = self._relaying[plane].decided
            elif self._own is None or not state.places:
                kind = Forwarding.UNKNOWN
            elif plane is Plane.IQ and self.shift is None:
                kind = Forwarding.NOT_COMPARED
            elif not state.own:
                kind = Forwarding.IDENTICAL
            else:
                kind = Forwarding.NOT_FORWARDED if not state.moved else Forwarding.CHANGED
            result[plane] = PlaneForwarding(kind, state.compared, state.differing, state.own)
        return result
