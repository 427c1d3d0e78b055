"""Two boards joined by a cable as one source: faults go in at one, line data come from the other.

The boards count hyperframes apart, so places are carried over by BFN and HFN: those that the sending board says, or
else the distance that a marker has measured. What the sending board itself receives is read beside it.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Set
from dataclasses import dataclass, replace
from typing import Protocol

from decoders.linerates import BFN_MODULUS, HYPERFRAMES_PER_FRAME
from decoders.link.decoder import HyperframeBlock
from decoders.link.hyperframe_sync import SyncState

from ..errors import InputError, RefusedError
from ..faults.catalogue import parse_fault
from ..protocol.records import Status, TrafficPlane
from ..sources.source import Chunk, Injection
from .live_link import PATIENCE_S, LiveLink, LiveSource, Place, Trial

__all__ = ["CYCLE", "BoardEnd", "End", "TwoEnds", "apart", "timing_of"]

CYCLE = BFN_MODULUS * HYPERFRAMES_PER_FRAME
"""Hyperframes until BFN and HFN come again: 40.96 s."""


class BoardEnd(LiveSource, Protocol):
    """A board at one end of the cable."""

    @property
    def waiting(self) -> bool:
        """Whether a chunk, or the end of the line, is there to be taken at once."""
        ...

    @property
    def status(self) -> Status | None: ...

    def ask_status(self) -> Status: ...

    def send_frame(self, plane: TrafficPlane, frame: bytes) -> int: ...


@dataclass(frozen=True, slots=True)
class End:
    """A board, and the name it has in the command."""

    name: str
    source: BoardEnd

    @property
    def description(self) -> str:
        return f"{self.name} at {self.source.description}"


def apart(one: int, other: int) -> int:
    """Hyperframes from `other` to `one`, both counted in BFN and HFN; the shorter way around."""
    return (one - other + CYCLE // 2) % CYCLE - CYCLE // 2


def timing_of(trial: Trial) -> tuple[int, int]:
    """The last hyperframe that a receiver read: its number in the stream, and its BFN and HFN as one count."""
    receiver = trial.receiver
    number = trial.origin + receiver.hyperframes + receiver.hyperframes_missed - 1
    last = receiver.planes.last
    return number, last.bfn * HYPERFRAMES_PER_FRAME + last.hfn


class TwoEnds:
    """A LiveSource whose line data are what `far` receives, and whose faults `near` transmits.

    `near_trial` and `far_trial` are the receivers on both streams (`begin` makes them anew); `shift` is the distance
    of what `far` receives from what `near` receives, in hyperframes by BFN and HFN, once a marker has shown it;
    `direct`, that no other node stands between.
    InputError names the end that is silent or gone.
    """

    def __init__(self, near: End, far: End, *, patience_s: float = PATIENCE_S) -> None:
        self.near = near
        self.far = far
        self.near_link = LiveLink(near.source, patience_s=patience_s)
        self.near_trial = Trial(self.near_link)
        self.far_trial: Trial | None = None
        self.shift: int | None = None
        self.says_place = False
        self.direct = False
        self._patience_s = patience_s
        self._heard = time.monotonic()
        self._asked: dict[int, int] = {}
        self.last_near = 0
        self._far_octets = 0

    # ------------------------------------------------------------------------------------------ a LiveSource

    @property
    def description(self) -> str:
        return self.far.description

    @property
    def form(self) -> str:
        return self.far.source.form

    @property
    def option(self) -> str:
        return self.far.source.option

    @property
    def warnings(self) -> list[str]:
        return self.far.source.warnings

    @property
    def control_only(self) -> bool:
        return self.far.source.control_only

    @property
    def fec(self) -> bool:
        return self.far.source.fec

    @property
    def hyperframes_missing(self) -> int:
        return self.far.source.hyperframes_missing + self.near.source.hyperframes_missing

    @property
    def octets_dropped(self) -> int:
        return self.far.source.octets_dropped + self.near.source.octets_dropped

    def chunks(self) -> Iterator[Chunk]:
        """The line data of `far`; what `near` has received meanwhile is read before each."""
        for chunk in self.far.source.chunks():
            self._read_near()
            self._far_octets += len(chunk.data)
            yield chunk

    def close(self) -> None:
        try:
            self.near.source.close()
        finally:
            self.far.source.close()

    def _read_near(self) -> None:
        now = time.monotonic()
        if self.near.source.waiting:
            self._heard = now
        elif now - self._heard > self._patience_s:
            raise InputError(
                f"{self.near.description}: no line data for {self._patience_s:g} s",
                hint=next(reversed(self.near.source.warnings), "tell SOURCE status says what it sends"),
            )
        while self.near.source.waiting:
            self.near_trial.feed()

    # ------------------------------------------------------------------------------------------ both streams

    def begin(
        self,
        far_trial: Trial,
        near_own: Set[Place] = frozenset(),
        on_block: Callable[[HyperframeBlock], None] | None = None,
    ) -> Trial:
        """A fresh receiver on what `near` receives, beside `far_trial`."""
        self.far_trial = far_trial
        self.near_trial = Trial(self.near_link, near_own, on_block)
        self._heard = time.monotonic()
        self._asked.clear()
        return self.near_trial

    def inject(self, text: str) -> Injection:
        """Let `near` transmit a fault; the place is a hyperframe of the stream of `far`.

        RefusedError where the board refuses, and where faults that belong together cannot be in one hyperframe.
        """
        fault = parse_fault(text)
        wanted = fault.hyperframe
        again = wanted in self._asked
        if wanted is not None:
            fault = replace(fault, hyperframe=self._asked[wanted] if again else self._near_number(wanted))
        done = self.near.source.inject(fault.text)
        at = self._far_number(done)
        if again and at != wanted:
            raise RefusedError(
                f"{self.near.name} did not place the fault in the same hyperframe as the one before"
            )
        assert self.far_trial is not None
        if at < self.far_trial.hyperframe:
            raise InputError(
                f"{self.near.name} says that the fault is in a hyperframe that {self.far.name} has received already",
                hint="check how the board counts hyperframes",
            )
        self._asked[at] = self.last_near = done.hyperframe
        return replace(done, hyperframe=at)

    def inject_far(self, text: str) -> Injection:
        """Let `far` transmit a fault; the place is a hyperframe of the stream of `near`."""
        done = self.far.source.inject(text)
        if done.sent is None and self.shift is None:
            raise InputError(f"{self.far.description}: no marker has shown yet where its faults arrive")
        assert self.far_trial is not None
        number, count = timing_of(self.far_trial)
        count += done.hyperframe - number - (self.shift or 0)
        if done.sent is not None:
            count = done.sent[0] * HYPERFRAMES_PER_FRAME + done.sent[1]
        number, last = timing_of(self.near_trial)
        return replace(done, hyperframe=number + apart(count, last))

    def send_frame(self, plane: TrafficPlane, frame: bytes) -> int:
        """Let `near` send a C&M frame; the hyperframe of the stream of `far` from which on it may begin."""
        self.near.source.send_frame(plane, frame)
        return self._far_octets // self.near_link.hyperframe_octets

    def _near_number(self, far: int) -> int:
        """The hyperframe of the stream of `near` that goes with one of `far`."""
        assert self.far_trial is not None and self.shift is not None
        number, count = timing_of(self.far_trial)
        wanted = count + far - number - self.shift
        number, count = timing_of(self.near_trial)
        return number + apart(wanted, count)

    def _far_number(self, done: Injection) -> int:
        assert self.far_trial is not None
        number, count = timing_of(self.far_trial)
        return number + apart(self.count_of(done), count)

    def count_of(self, done: Injection) -> int:
        """BFN and HFN, as one count, with which the damage of an injection is sent."""
        if done.sent is not None:
            return done.sent[0] * HYPERFRAMES_PER_FRAME + done.sent[1]
        if self.shift is None:
            raise InputError(f"{self.near.description}: no marker has shown yet where its faults arrive")
        return self.near_count(done) + self.shift

    def near_count(self, done: Injection) -> int:
        """BFN and HFN, as one count, that `near` receives in the hyperframe of an injection."""
        number, count = timing_of(self.near_trial)
        return count + done.hyperframe - number

    @property
    def in_sync(self) -> bool:
        """Whether `near` receives a link in sync."""
        return self.near_trial.receiver.state is SyncState.HFNSYNC
