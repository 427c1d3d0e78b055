"""Scalar reference of the sync control word: K28.5 with its fillers, or a /T/ and an /S/ block.

CPRI V7.0 Tables 9 and 9A. What stands there can be seen in the flags of the characters; in plain octets the values
beside it and a running HFN must do. At 64B/66B it is measured which octet of its block /T/ is, and whether the
hyperframe begins with the /T/ or the /S/ block.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Protocol

from decoders.linerates import LineRateOption

from .block_code import BAD_HEADER, UNREAD
from .keystream import fits_some_seed, keystream_bits, seed_of
from .line_code import K_FLAG, VIOLATION, Characters

__all__ = ["SyncBlocks", "SyncByte", "SyncWord"]

_COMMA = 0xBC
_FILLERS_1 = (0x50, 0xC5)
_FILLER = 0x50
_HFN_COUNT = 150
_T, _S, _IDLE = 0xFD, 0xFB, 0x07


class SyncWord(Protocol):
    """The sync word of one stream of characters, which may grow."""

    chars: Characters

    def candidates(self, start: int) -> Iterator[int]:
        """Positions from `start` on where a hyperframe may begin."""

    def could_be(self, at: int) -> bool:
        """Whether a hyperframe may begin there, out of sync."""

    def alike(self, places: Sequence[int]) -> bool:
        """Whether the sync words at these places are of one layout, as far as that is known."""

    def runs(self, places: Sequence[int]) -> bool:
        """Whether HFN is valid and counts on in the hyperframes at `places`, as far as it is at hand."""

    def lock(self, places: Sequence[int]) -> int:
        """Sync is found at these places; octets by which hyperframes begin later than there."""

    def in_place(self, at: int) -> bool:
        """Whether the sync word is there, in sync."""

    def specials_expected(self, at: int) -> Sequence[range]:
        """Where, in the hyperframe at `at`, special characters belong to the sync word."""

    def fillers_right(self, at: int, frame: bytes) -> bool:
        """Whether the octets beside the special ones are right; `frame` is the hyperframe at `at`, plain."""


def _counts_on(values: Sequence[int]) -> bool:
    runs = all(b == (a + 1) % _HFN_COUNT for a, b in pairwise(values))
    return runs and all(value < _HFN_COUNT for value in values)


class SyncByte:
    """K28.5 at Z.0.0."""

    def __init__(self, option: LineRateOption, chars: Characters, flags_known: bool) -> None:
        self.chars = chars
        self._option = option
        self._flags_known = flags_known
        self._scrambled = option.name in ("5", "6", "7")

    def candidates(self, start: int) -> Iterator[int]:
        octets = self.chars.octets
        at = octets.find(_COMMA, start)
        while at >= 0:
            if self.could_be(at):
                yield at
            at = octets.find(_COMMA, at + 1)

    def could_be(self, at: int) -> bool:
        if not self.in_place(at):
            return False
        return self._flags_known or self._word_fits(at)

    def in_place(self, at: int) -> bool:
        if self.chars.octets[at] != _COMMA:
            return False
        return not self._flags_known or self.chars.flags[at] & (K_FLAG | VIOLATION) == K_FLAG

    def _word_fits(self, at: int) -> bool:
        """The fillers as far as they are at hand; scrambled ones are those of one seed."""
        word = self.chars.octets[at : at + self._option.word_octets]
        if len(word) > 1 and word[1] not in _FILLERS_1:
            return False
        if self._scrambled and len(word) == self._option.word_octets:
            return fits_some_seed(word)
        return self._scrambled or all(octet == _FILLER for octet in word[2:])

    def alike(self, places: Sequence[int]) -> bool:
        return True

    def runs(self, places: Sequence[int]) -> bool:
        octets, step = self.chars.octets, 64 * self._option.basic_frame_octets
        values = []
        for at in places:
            if at + step < len(octets):
                values.append(octets[at + step] ^ self._key(at, step))
        return _counts_on(values)

    def _key(self, at: int, place: int) -> int:
        """What scrambling puts on octet `place` of the hyperframe at `at`."""
        if not self._scrambled:
            return 0
        word = self.chars.octets[at : at + self._option.word_octets]
        return keystream_bits(seed_of(word), 8 * place + 8) >> 8 * place

    def lock(self, places: Sequence[int]) -> int:
        return 0

    def specials_expected(self, at: int) -> Sequence[range]:
        return (range(1),)

    def fillers_right(self, at: int, frame: bytes) -> bool:
        flags = self.chars.flags
        return all(
            frame[i] in (_FILLERS_1 if i == 1 else (_FILLER,)) and not flags[at + i] & VIOLATION
            for i in range(1, self._option.control_octets)
        )


class SyncBlocks:
    """/T/ in the first block, /S/ in octet 0 of the second; positions are those of the /T/ block until `lock`."""

    def __init__(self, option: LineRateOption, chars: Characters, flags_known: bool) -> None:
        self.chars = chars
        self._option = option
        self._flags_known = flags_known
        self._place = 7
        self._start_first = False
        self.known_by = "assumed"

    @property
    def described(self) -> dict[str, str]:
        return {
            "layout": f"T{self._place}_S0",
            "origin": "S" if self._start_first else "T",
            "known_by": self.known_by,
        }

    def _special(self, at: int, octet: int) -> bool:
        chars = self.chars
        if not 0 <= at < len(chars.octets) or chars.octets[at] != octet:
            return False
        return not self._flags_known or bool(chars.flags[at] & K_FLAG)

    def _terminates_at(self, at: int) -> int | None:
        """Which octet of the block at `at` is /T/; -1 for a block that is not known but a control block."""
        if self._flags_known and self.chars.flags[at] & UNREAD:
            return -1 if self._special(at + 7, _T) else None
        for place in range(8):
            if self._special(at + place, _T):
                return place
        return None

    def _block(self, place: int) -> bytes:
        return bytes([_FILLER] * place + [_T] + [_IDLE] * (7 - place))

    def candidates(self, start: int) -> Iterator[int]:
        octets = self.chars.octets
        at = octets.find(_S, start + 8)
        while at >= 0:
            if self.could_be(at - 8):
                yield at - 8
            at = octets.find(_S, at + 1)

    def could_be(self, at: int) -> bool:
        if not self._special(at + 8, _S):
            return False
        place = self._terminates_at(at)
        if place is None or self._flags_known:
            return place is not None
        octets = self.chars.octets
        rest = octets[at + 9 : at + 16]
        return octets[at : at + 8] == self._block(place) and rest == bytes([_FILLER] * len(rest))

    def _hfn_from(self, places: Sequence[int], later: int) -> list[int]:
        step = 64 * self._option.basic_frame_octets + later
        octets = self.chars.octets
        return [octets[at + step] for at in places if at + step < len(octets)]

    def alike(self, places: Sequence[int]) -> bool:
        return len({self._terminates_at(at) for at in places} - {-1}) < 2

    def runs(self, places: Sequence[int]) -> bool:
        return any(_counts_on(self._hfn_from(places, later)) for later in (0, 8))

    def lock(self, places: Sequence[int]) -> int:
        """The origin is the one with more steps of a running HFN; without a difference it stays as it was."""
        seen = [self._terminates_at(at) for at in places]
        self._place = next((place for place in seen if place is not None and place >= 0), 7)
        from_t, from_s = (self._steps(self._hfn_from(places[:3], later)) for later in (0, 8))
        if from_t != from_s:
            self._start_first = from_s > from_t
        if from_t or from_s:
            self.known_by = "measured"
        return 8 * self._start_first

    @staticmethod
    def _steps(values: Sequence[int]) -> int:
        """How often HFN counts on by one."""
        return sum(_counts_on(pair) for pair in pairwise(values))

    def _blocks(self, at: int) -> tuple[int, int]:
        """First octets of the /T/ and the /S/ block of the hyperframe at `at`; /T/ ends it where /S/ begins it."""
        return (at + self._option.hyperframe_octets - 8, at) if self._start_first else (at, at + 8)

    def in_place(self, at: int) -> bool:
        terminate, start = self._blocks(at)
        if not self._special(start, _S) or terminate + 8 > len(self.chars.octets):
            return False
        chars = self.chars
        if self._flags_known and (chars.flags[terminate] | chars.flags[start]) & BAD_HEADER:
            return False
        return self._terminates_at(terminate) in (self._place, -1)

    def specials_expected(self, at: int) -> Sequence[range]:
        size = self._option.hyperframe_octets
        return (range(8), range(size - 8, size)) if self._start_first else (range(16),)

    def fillers_right(self, at: int, frame: bytes) -> bool:
        octets, (terminate, start) = self.chars.octets, self._blocks(at)
        if not self.in_place(at):
            return True
        unread = self._flags_known and bool(self.chars.flags[terminate] & UNREAD)
        right = unread or octets[terminate : terminate + 8] == self._block(self._place)
        return right and octets[start + 1 : start + 8] == bytes([_FILLER] * 7)
