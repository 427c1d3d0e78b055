"""Where /T/ and /S/ are and whether they are where they belong: the sync word of 64B/66B (CPRI Table 9A).

The layout is measured: which octet of its block /T/ is, and by the running HFN whether hyperframes begin with the
/T/ block or the /S/ block behind it. A hyperframe's sync word is in place where both stand there; what stands there
else counts as missed and as nothing else.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..arrays import I64, U8
from ..events import Event, SyncByteMissed, SyncWordDiffers, SyncWordFillerMismatch
from ..line_coding.code_64b66b import BLOCK_OCTETS, IDLE, START, TERMINATE
from ..linerates import HYPERFRAMES_PER_FRAME, LineRateOption
from .settings import D16_2, BlockSettings, BlockSyncWord
from .stream import LineStream
from .sync_places import SyncPlaces, SyncWordKnownBy, SyncWordReading

__all__ = ["BlockPlaces"]


def _terminate_block(terminate_at: int) -> U8:
    octets = np.full(BLOCK_OCTETS, IDLE, np.uint8)
    octets[:terminate_at], octets[terminate_at] = D16_2, TERMINATE
    return octets


_T_BLOCKS = [_terminate_block(place) for place in range(BLOCK_OCTETS)]
_S_BLOCK = np.array([START, *[D16_2] * 7], np.uint8)


class BlockPlaces(SyncPlaces):
    """Candidates are /T/ blocks with /S/ right behind; their kind is the octet of /T/."""

    kinds = BLOCK_OCTETS
    unseen = 2 * BLOCK_OCTETS

    def __init__(
        self, stream: LineStream, option: LineRateOption, settings: BlockSettings, *, flags: bool
    ) -> None:
        super().__init__(stream, option, flags=flags)
        self._chosen = settings.sync_word
        self._strict = settings.strict
        self.reading: SyncWordReading | None = None
        """None before the first hyperframe in sync."""
        self._told = False

    @property
    def _word(self) -> BlockSyncWord:
        return self.reading.word if self.reading else self._chosen or BlockSyncWord()

    def sync_blocks(self) -> tuple[int, int]:
        """First octets, in the hyperframe, of the /T/ and the /S/ block."""
        if self._word.start_first:
            return self._octets - BLOCK_OCTETS, 0
        return 0, BLOCK_OCTETS

    # --- hunting

    @property
    def needed(self) -> int:
        return 2 * BLOCK_OCTETS

    def candidates(self, cursor: int) -> I64:
        found = self._flagged() if self._flags else self._bare(cursor)
        if self._chosen is not None:
            found = found[found % self.kinds == self._chosen.terminate_at]
        return np.unique(found[found >= cursor * self.kinds])

    def _flagged(self) -> I64:
        buffer = self._buffer
        k, octets = buffer.k, buffer.octets[buffer.k]
        pair = np.flatnonzero((octets[:-1] == TERMINATE) & (octets[1:] == START))
        apart = k[pair + 1] - k[pair]
        pair, apart = pair[apart <= BLOCK_OCTETS], apart[apart <= BLOCK_OCTETS]
        start = k[pair + 1] - BLOCK_OCTETS
        found: I64 = start * self.kinds + (BLOCK_OCTETS - apart)
        unread = start[
            np.isin(start, buffer.unread)
        ]  # a block that could not be descrambled may have /T/ in any octet
        if len(unread):
            found = np.concatenate(
                (found, (unread[:, None] * self.kinds + np.arange(self.kinds)).reshape(-1))
            )
        return found

    def _bare(self, cursor: int) -> I64:
        octets, last = self._buffer.octets, len(self._buffer) - 1
        s = np.flatnonzero(octets[cursor + BLOCK_OCTETS :] == START) + cursor
        for place in range(1, BLOCK_OCTETS):
            at = s + BLOCK_OCTETS + place
            s = s[(octets[np.minimum(at, last)] == D16_2) | (at > last)]
        blocks = octets[s[:, None] + np.arange(BLOCK_OCTETS)]
        kinds = [s[(blocks == block).all(axis=1)] * self.kinds + kind for kind, block in enumerate(_T_BLOCKS)]
        return np.concatenate(kinds)

    def hfn_runs(self, starts: I64) -> NDArray[np.bool_]:
        """With the hyperframe beginning at the /T/ block, or at the /S/ block behind it."""
        found: NDArray[np.bool_] = super().hfn_runs(starts) | super().hfn_runs(starts + BLOCK_OCTETS)
        return found

    def begin(self, candidate: int) -> int:
        start, terminate_at = divmod(candidate, self.kinds)
        if self._chosen is not None:
            self.reading = SyncWordReading(self._chosen, SyncWordKnownBy.ASSUMED)
        else:
            self.reading = self._measured(start, terminate_at)
        return start + BLOCK_OCTETS * self._word.start_first

    def _measured(self, start: int, terminate_at: int) -> SyncWordReading:
        """The origin by the running HFN; where that does not decide it stays as it was."""
        before, known_by = self.reading, SyncWordKnownBy.ASSUMED
        from_t, from_s = (self._running(start + shift) for shift in (0, BLOCK_OCTETS))
        start_first = before is not None and before.word.start_first if from_t == from_s else from_s > from_t
        if from_t or from_s or (before is not None and before.known_by is SyncWordKnownBy.MEASURED):
            known_by = SyncWordKnownBy.MEASURED
        return SyncWordReading(BlockSyncWord(terminate_at, start_first), known_by)

    def _running(self, start: int) -> int:
        """How often HFN steps as it should in the hyperframes at hand that confirm sync."""
        hfn, known, step = self.hfn(start + np.arange(3) * self._octets)
        valid = known & (hfn < HYPERFRAMES_PER_FRAME)
        steps = (hfn[1:] - hfn[:-1] - step) % HYPERFRAMES_PER_FRAME == 0
        return int(np.count_nonzero(steps & valid[1:] & valid[:-1]))

    def difference(self, number: int) -> list[Event]:
        """Once: that the layout found is another than the usual one."""
        if self._told or self._word == BlockSyncWord():
            return []
        self._told = True
        return [SyncWordDiffers(number, self._word.layout, self._word.origin)]

    # --- in sync

    def in_place(self, hyperframes: int) -> NDArray[np.bool_]:
        octets = self._buffer.octets
        starts = np.arange(hyperframes, dtype=np.int64) * self._octets
        good = np.ones(hyperframes, np.bool_)
        t_block, s_block = self.sync_blocks()
        for place, octet in ((t_block + self._word.terminate_at, TERMINATE), (s_block, START)):
            good &= octets[starts + place] == octet
            if self._flags:
                good &= np.isin(starts + place, self._buffer.k, assume_unique=True)
        if self._strict:
            good &= self._usual(hyperframes)
        return good

    def _sync_octets(self, hyperframes: int) -> U8:
        """The sixteen octets of each sync word, /T/ block first, (n, 16)."""
        rows = self._buffer.octets[: hyperframes * self._octets].reshape(hyperframes, self._octets)
        return np.concatenate([rows[:, at : at + BLOCK_OCTETS] for at in self.sync_blocks()], axis=1)

    def _usual(self, hyperframes: int) -> NDArray[np.bool_]:
        """Whether the octets beside /T/ and /S/ are as they are to be sent; yes where not descrambled."""
        right = np.concatenate((_T_BLOCKS[self._word.terminate_at], _S_BLOCK))
        same = self._sync_octets(hyperframes) == right
        for position in self._buffer.unread.tolist():
            index, at = divmod(position, self._octets)
            if index < hyperframes and at == self.sync_blocks()[0]:
                same[index, :BLOCK_OCTETS] = True
        usual: NDArray[np.bool_] = same.all(axis=1)
        return usual

    def filler_mismatches(self, good: NDArray[np.bool_], first: int) -> list[Event]:
        wrong = np.flatnonzero(good & ~self._usual(len(good))).tolist()
        octets = self._sync_octets(len(good)) if wrong else None
        return [SyncWordFillerMismatch(first + i, octets[i].tobytes()) for i in wrong if octets is not None]

    def missed(self, number: int, index: int) -> SyncByteMissed:
        at = index * self._octets + self.sync_blocks()[0] + self._word.terminate_at
        return SyncByteMissed(number, int(self._buffer.octets[at]), TERMINATE)

    def misplaced(self, hyperframes: int) -> I64:
        k = self._buffer.k[: np.searchsorted(self._buffer.k, hyperframes * self._octets)]
        block = k % self._octets // BLOCK_OCTETS * BLOCK_OCTETS
        elsewhere: I64 = k[~np.isin(block, self.sync_blocks())]
        return elsewhere
