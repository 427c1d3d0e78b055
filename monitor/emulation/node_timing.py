"""When a node of a chain sends its hyperframes, and which numbers they have.

A radio head runs by the clock it recovers from its downlink, and its hyperframes follow those it receives by a fixed
number of symbols. Between both clocks lies an elastic buffer of a few symbols: a received hyperframe that comes as
much earlier or later goes on at the old place. Where it comes elsewhere, after sync was lost and found, the node
begins anew there. Without sync it goes on by its own clock and count (flywheel; common practice, no source).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

from decoders.frame_structure.frame_numbers import NUMBER_MODULUS

from .node_receiver import ReceivedHyperframe

__all__ = ["ELASTIC_SYMBOLS", "NodeTiming", "Slot"]

ELASTIC_SYMBOLS = 4
"""How much earlier or later a hyperframe may come than the one before it said (half of the elastic buffer)."""


@dataclass(frozen=True, slots=True, eq=False)
class Slot:
    """A hyperframe to be sent: it begins with symbol `start`, `gap` symbols after the end of the one before.

    `number` is BFN * 150 + HFN; `content` the hyperframe to pass on, None where nothing was received.
    """

    start: int
    gap: int
    number: int
    content: ReceivedHyperframe | None


class NodeTiming:
    """`through` symbols lie between a hyperframe's start in and out; `first_start` is that of the first one out.

    BFN and HFN are counted; those received are taken over when two in a row have counted on otherwise.
    """

    def __init__(self, size: int, through: int, first_start: int, number: int) -> None:
        self.next_start = first_start
        self._size = size
        self._through = through
        self._number = number % NUMBER_MODULUS
        self._other: int | None = None
        self._waiting: deque[ReceivedHyperframe] = deque()

    def receive(self, hyperframes: Iterable[ReceivedHyperframe], progress: int) -> list[Slot]:
        """What is to be sent now; `progress` is the symbol up to which the receiver has judged."""
        self._waiting.extend(hyperframes)
        slots: list[Slot] = []
        while True:
            slot = self._next(progress)
            if slot is None:
                return slots
            slots.append(slot)

    def _next(self, progress: int) -> Slot | None:
        while self._waiting:
            first = self._waiting[0]
            late = first.start + self._through - self.next_start
            if abs(late) <= ELASTIC_SYMBOLS:
                return self._slot(0, self._waiting.popleft())
            in_step = (late + ELASTIC_SYMBOLS) % self._size <= 2 * ELASTIC_SYMBOLS
            if late < 0 or not (in_step or first.locked):
                self._waiting.popleft()  # its time is over, or it is at another place and not yet in HFNSYNC
            elif in_step or late >= self._size:
                return self._slot(0, None)
            else:
                return self._slot(late, self._waiting.popleft())
        if progress < self.next_start - self._through + self._size + ELASTIC_SYMBOLS:
            return None
        return self._slot(0, None)

    def _slot(self, gap: int, content: ReceivedHyperframe | None) -> Slot:
        if content is not None:
            self._follow(content.number)
        slot = Slot(self.next_start + gap, gap, self._number, content)
        self.next_start = slot.start + self._size
        self._number = (self._number + 1) % NUMBER_MODULUS
        return slot

    def _follow(self, received: int) -> None:
        if received == self._number:
            self._other = None
        elif received >= 0 and self._other is not None and received == (self._other + 1) % NUMBER_MODULUS:
            self._number, self._other = received, None
        elif received >= 0:
            self._other = received
