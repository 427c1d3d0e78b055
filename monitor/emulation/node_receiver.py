"""A node's receiver in a chain: symbols in, whole hyperframes out, each with its place in time.

It works as hardware does, hyperframe by hyperframe: a K28.5 begins the acquisition (CPRI Fig. 26), LOS is judged at
the end of each hyperframe, and what has passed is not decoded later. In sync it deframes on through single sync bytes
that are wrong. The machines and the decoders of the planes are those of `decoders`.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field

import numpy as np

from decoders.arrays import I64, U8, U16
from decoders.counters import COUNTERS
from decoders.events import FrameReceived, ResetRequested
from decoders.frame_structure import controlwords as cw
from decoders.frame_structure.frame_numbers import line_numbers
from decoders.frame_structure.frames import ALARM_BITS
from decoders.line_coding.code_8b10b import K28_5, SymbolDecoder
from decoders.linerates import LineRateOption
from decoders.link.alarms import LosDetector
from decoders.link.hyperframe_sync import SyncMachine, SyncState
from decoders.link.planes import HyperframePlanes
from decoders.link.settings import PlaneSettings

__all__ = ["NodeReceiver", "ReceivedHyperframe"]

_HISTORY = 4096
"""Changes of the alarms that are remembered."""


@dataclass(frozen=True, slots=True, eq=False)
class ReceivedHyperframe:
    """One hyperframe as received: `start` is the symbol at which its sync byte came.

    `octets` uint8 (256, 16, T/8). `number` is BFN * 150 + HFN as received, -1 where HFN is not valid; `alarms` is
    Z.130.0; `frames` are the C&M frames that ended in it; `locked`: the receiver was in HFNSYNC.
    """

    start: int
    octets: U8
    number: int
    alarms: int
    locked: bool
    frames: list[FrameReceived] = field(default_factory=list)
    reset_requested: bool = False


class NodeReceiver:
    """Symbols are counted from the first one received. With `first_start` the receiver is in sync from there on."""

    def __init__(
        self, option: LineRateOption, settings: PlaneSettings | None = None, *, first_start: int | None = None
    ) -> None:
        self.option = option
        self.counters: dict[str, int] = dict.fromkeys(COUNTERS, 0)
        self.los = LosDetector()
        self.hyperframes = 0
        self._size = option.hyperframe_octets
        self._settings = settings or PlaneSettings()
        self._line = SymbolDecoder()
        self._machine = SyncMachine()
        self._planes = HyperframePlanes(option, self._settings, self.counters)
        self._octets: U8 = np.zeros(0, np.uint8)
        self._sync_bytes: I64 = np.zeros(0, np.int64)
        self._errors: I64 = np.zeros(0, np.int64)
        self._done = 0
        self._in_frame = first_start is not None
        self._skip = first_start or 0
        if self._in_frame:
            while self._machine.step(True) is not SyncState.HFNSYNC:
                pass
        self._times = [0]
        self._defects = [self._own_defects()]

    @property
    def state(self) -> SyncState:
        return self._machine.state

    @property
    def progress(self) -> int:
        """Symbols that have been judged; what comes begins there."""
        return self._done + self._skip

    @property
    def remote_alarms(self) -> int:
        """Z.130.0 as received last."""
        return self._planes.remote.octet

    def defects_at(self, time: int) -> int:
        """Bits of Z.130.0 that tell of this receiver: RAI with LOS or LOF, as they stood at a symbol."""
        return self._defects[max(0, bisect_right(self._times, time) - 1)]

    def receive(self, symbols: U16) -> list[ReceivedHyperframe]:
        """The hyperframes that are whole with these symbols."""
        if self._skip:
            skipped = min(self._skip, len(symbols))
            self._skip -= skipped
            self._done += skipped
            symbols = symbols[skipped:]
        if len(symbols):
            self._append(symbols)
        out: list[ReceivedHyperframe] = []
        while self._step(out):
            pass
        return out

    def restart(self) -> None:
        """The transceiver was reset: no sync, and what is held is gone."""
        self._drop(len(self._octets))
        self._line = SymbolDecoder()
        self._lose(self._done, signal=True)

    def _append(self, symbols: U16) -> None:
        coded = self._line.decode(symbols)
        base = self._done + len(self._octets)
        sync = coded.k_positions[coded.octets[coded.k_positions] == K28_5]
        errors = np.union1d(coded.violations, coded.disparity_errors)
        self._octets = np.concatenate((self._octets, coded.octets)) if len(self._octets) else coded.octets
        self._sync_bytes = np.concatenate((self._sync_bytes, sync + base))
        self._errors = np.concatenate((self._errors, errors + base))

    def _drop(self, count: int) -> None:
        self._octets = self._octets[count:]
        self._done += count
        self._sync_bytes = self._sync_bytes[np.searchsorted(self._sync_bytes, self._done) :]
        self._errors = self._errors[np.searchsorted(self._errors, self._done) :]

    def _step(self, out: list[ReceivedHyperframe]) -> bool:
        """Judge what is whole at hand; False where more symbols are needed."""
        n = len(self._octets) // self._size
        if self._in_frame:
            return n > 0 and self._framed(n, out)
        return self._hunt()

    def _windows(self, n: int) -> tuple[I64, I64]:
        """(1 where a hyperframe begins with its sync byte, characters in error) of the next n, int64 (n,)."""
        size = self._size
        at = self._sync_bytes - self._done
        good = np.zeros(n, np.int64)
        starts = at[(at % size == 0) & (at < n * size)] // size
        good[starts] = 1
        errors = np.bincount((self._errors - self._done) // size, minlength=n)[:n]
        return good, errors

    def _framed(self, n: int, out: list[ReceivedHyperframe]) -> bool:
        good, errors = self._windows(n)
        steady = self.state is SyncState.HFNSYNC and not self.los.active
        if steady and good.all() and errors.max() < self.los.threshold:
            self._decode([True] * n, out)
            return True
        locked: list[bool] = []
        for i in range(n):
            state = self._machine.step(bool(good[i]))
            start = self._done + i * self._size
            if state is SyncState.XACQ1:
                self._decode(locked, out)
                self._lose(start, signal=True)
                return True
            self._note(start)
            raised = self.los.window(int(errors[i]))
            if state.lof:  # not yet confirmed: nothing is read of it
                self._drop(self._size)
                if raised:
                    self._lose(self._done, signal=False)
                return True
            locked.append(state is SyncState.HFNSYNC)
            if raised:
                self._decode(locked, out)
                self._lose(self._done, signal=False)
                return True
        self._decode(locked, out)
        return True

    def _decode(self, locked: list[bool], out: list[ReceivedHyperframe]) -> None:
        """Read the next hyperframes, one for each of `locked`."""
        n = len(locked)
        if not n:
            return
        view = self._octets[: n * self._size].reshape(n, 256, 16, -1)
        first = self.hyperframes
        events = self._planes.receive(view, first, view)
        numbers = line_numbers(view).tolist()
        alarms = (view[:, cw.X_ALARMS, 0, 0] & 0x1F).tolist()
        frames: list[list[FrameReceived]] = [[] for _ in range(n)]
        requests = [False] * n
        for event in events:
            index = (event.hyperframe or 0) - first
            if isinstance(event, FrameReceived):
                frames[min(max(index, 0), n - 1)].append(event)
            elif isinstance(event, ResetRequested):
                requests[index] = True
        for i in range(n):
            start = self._done + i * self._size
            out.append(
                ReceivedHyperframe(start, view[i], numbers[i], alarms[i], locked[i], frames[i], requests[i])
            )
        self.hyperframes += n
        self._drop(n * self._size)

    def _lose(self, time: int, *, signal: bool) -> None:
        """No sync from here on; without `signal` because of too many characters in error."""
        self._machine.lose()
        self._in_frame = False
        self.counters["los_events"] += not signal
        self.counters["lof_events"] += not self._defects[-1] & ALARM_BITS["lof"]
        self._note(time)
        self._planes.lost(self.hyperframes)

    def _hunt(self) -> bool:
        """Look for a K28.5, which begins a hyperframe; for a hyperframe's time of symbols that is judged for LOS."""
        size = self._size
        if not self.los.active and len(self._sync_bytes):
            self._drop(int(self._sync_bytes[0]) - self._done)
            self._in_frame = True
            return True
        if len(self._octets) < size:
            return False
        change = self.los.window(int(np.count_nonzero(self._errors < self._done + size)))
        self.counters["los_events"] += bool(change)
        self._drop(size)
        self._note(self._done)
        return True

    def _own_defects(self) -> int:
        bits = ALARM_BITS["los"] * self.los.active | ALARM_BITS["lof"] * self.state.lof
        return bits | ALARM_BITS["rai"] * bool(bits)

    def _note(self, time: int) -> None:
        """Remember the alarms from `time` on."""
        now = self._own_defects()
        if now == self._defects[-1]:
            return
        self._times.append(time)
        self._defects.append(now)
        if len(self._times) > 2 * _HISTORY:
            del self._times[:_HISTORY], self._defects[:_HISTORY]
