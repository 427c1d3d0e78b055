"""The board that is reset for the screen: the one behind the source, or else an emulated one of its kind, apart.

Whoever draws reads `status`; a thread, or a test, calls `step`. A run that was stopped goes on where it was; one
that is done begins anew with the same seed, so it shows the same again. Draws nothing, reads no clock.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from decoders.link_delay.delay import Compensation

from ..boards.board import BoardSource
from ..boards.delay import BoardDelay
from ..delay.run import DelayRun, judge_delay
from ..delay.samples import DelayStatus, ResettableBoard
from ..emulation.emulated_link import EmulatedSource
from ..emulation.transceiver import BoardSettings, EmulatedBoard
from ..errors import InputError
from ..site.remote_link import RemoteSource

__all__ = ["RESET_COUNTS", "Resets", "live_board_of", "settings_of"]

RESET_COUNTS = (10, 30, 100, 300, 1000)
_COMPENSATIONS = tuple(Compensation)


def settings_of(source: object) -> BoardSettings | None:
    """The board to reset beside `source`; None where there is none, as for a file."""
    if isinstance(source, RemoteSource):
        return source.emulated
    if not isinstance(source, EmulatedSource):
        return None
    return BoardSettings(option=source.option, pair=source.pair, seed=source.seed)


def live_board_of(source: object) -> Callable[[], ResettableBoard] | None:
    """Makes the board behind `source` one to reset, its line data going on; None where there is none."""
    if isinstance(source, RemoteSource):
        return source.board if source.resettable else None
    if not isinstance(source, BoardSource):
        return None
    return lambda: BoardDelay(source, keep=True)


class Resets:
    """A run of resets that can be started, stopped and looked at; with neither `settings` nor `live` it cannot be."""

    def __init__(
        self,
        settings: BoardSettings | None,
        wanted: int = 100,
        live: Callable[[], ResettableBoard] | None = None,
    ) -> None:
        self.live = live
        self.wanted = wanted
        self.compensation = Compensation.CORRECT
        self.failure: Exception | None = None
        self.status: DelayStatus | None = None
        self._settings = settings
        self._run: DelayRun | None = None
        self._going = threading.Event()
        self._stepping = threading.Lock()

    @property
    def can_reset(self) -> bool:
        return self._settings is not None or self.live is not None

    @property
    def pair(self) -> bool:
        return self._settings is not None and self._settings.pair

    @property
    def going(self) -> bool:
        return self._going.is_set()

    def start(self) -> bool:
        """Go on, or begin; False where it goes already, or cannot."""
        if not self.can_reset or self.going:
            return False
        if self._run is None or self._run.done or self.failure is not None:
            self.failure = self.status = None
            try:
                self._run = DelayRun(self._board(), self.wanted)
            except InputError as problem:
                self.failure = problem
                return False
        self._going.set()
        return True

    def _board(self) -> ResettableBoard:
        if self.live is not None:
            return self.live()
        settings = self._settings
        assert settings is not None
        return EmulatedBoard(
            BoardSettings(
                option=settings.option, pair=settings.pair, seed=settings.seed, compensation=self.compensation
            )
        )

    def stop(self) -> None:
        self._going.clear()

    def forget(self) -> None:
        """Leave the run; the next start begins anew."""
        self.stop()
        self._run = self.status = self.failure = None

    def fewer(self) -> None:
        self._choose(-1)

    def more(self) -> None:
        self._choose(1)

    def next_compensation(self) -> None:
        """Another way for REC-A to compensate its offset; the run so far is left. A real board has its own way."""
        if self.live is not None:
            return
        at = (_COMPENSATIONS.index(self.compensation) + 1) % len(_COMPENSATIONS)
        self.compensation = _COMPENSATIONS[at]
        self.forget()

    def _choose(self, by: int) -> None:
        at = RESET_COUNTS.index(self.wanted) + by
        self.wanted = RESET_COUNTS[min(max(at, 0), len(RESET_COUNTS) - 1)]
        run = self._run
        if run is not None and len(run.samples) < self.wanted:
            run.resets = self.wanted

    def step(self) -> bool:
        """One reset and one measurement; False when stopped or done. What goes wrong is kept in `failure`."""
        run = self._run
        if run is None or not self.going:
            return False
        try:
            run.step()
        except Exception as failure:
            if run is self._run:
                self.failure = failure
                self.stop()
            return False
        if run is self._run and run.done:
            self.stop()
        return self.going

    def run(self, ended: threading.Event) -> None:
        """Step until stopped, done, or `ended` is set; a second thread waits until the first is through."""
        with self._stepping:
            while not ended.is_set() and self.step():
                pass

    def look(self) -> DelayStatus | None:
        """The run so far, judged anew if there is more of it; for one thread only."""
        run = self._run
        if run is None:
            return None
        samples = tuple(run.samples)
        if (
            self.status is None
            or self.status.resets != len(samples)
            or self.status.resets_wanted != run.resets
        ):
            board = run.board
            self.status = judge_delay(samples, board.description, board.option, board.names, run.resets)
        return self.status
