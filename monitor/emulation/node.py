"""A node of a chain: REC, or a radio head that passes both directions on, or the last one.

Away from the REC is down, towards it is up. The downlink sets a radio head's time: what it sends down follows what it
receives by its through delay, and what it sends up follows by Toffset (CPRI clause 4.2.9). The uplink of the node
behind it waits in a frame buffer until its place in this node's uplink comes, so BFN and HFN of a hyperframe stay
with what it carries (N = 0 in the standard's term).

L1 inband is per hop (clause 4.2.10): a port reports LOS and LOF of its own receiver with RAI beside them. A node
without a downlink that can be used goes on sending frames by its own clock and count, IQ data and control words
empty, and says so with SDI down the chain, as it does where it receives SDI; up the chain SDI is not passed on, for
the link to the node itself can be used (common practice, no source). A reset request is passed on down the chain and
acknowledged up (clause 4.2.7.6.1; lengths from memory).
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from decoders.arrays import U16
from decoders.frame_structure.frame_numbers import NUMBER_MODULUS
from decoders.frame_structure.frames import ALARM_BITS
from decoders.link.alarms import RESET_HYPERFRAMES

from .node_output import NodeOutput
from .node_receiver import NodeReceiver, ReceivedHyperframe
from .node_sender import Outgoing
from .node_timing import ELASTIC_SYMBOLS, NodeTiming, Slot

__all__ = ["ACKNOWLEDGE_HYPERFRAMES", "FrameBuffer", "FrameQueue", "Node", "NodePorts", "UplinkBuffer"]

ACKNOWLEDGE_HYPERFRAMES = 5
"""How long a reset request is acknowledged (an implementation that cites the standard: at least 5)."""
_SDI, _RESET = ALARM_BITS["sdi"], ALARM_BITS["reset"]


@dataclass(slots=True)
class NodePorts:
    """What a node is made of: a receiver and a transmitter for each neighbour it has, None for none."""

    down_in: NodeReceiver | None = None
    down_out: NodeOutput | None = None
    up_in: NodeReceiver | None = None
    up_out: NodeOutput | None = None


@dataclass(frozen=True, slots=True)
class _Due:
    """An uplink hyperframe that is to follow a downlink one."""

    slot: Slot
    acknowledge: bool


class Node:
    """`timing` None makes it the REC, which begins with hyperframe `number` at symbol 0.

    `turn` symbols lie between the start of a hyperframe sent down and the same one sent up; `buffer` holds the uplink
    of the node behind. An alarm of the receiver that faces away from the REC is in the downlink `alarm_latency`
    symbols later.
    """

    def __init__(
        self,
        name: str,
        ports: NodePorts,
        *,
        timing: NodeTiming | None = None,
        number: int = 0,
        turn: int = 0,
        buffer: UplinkBuffer | None = None,
        alarm_latency: int = 0,
    ) -> None:
        self.name = name
        self.ports = ports
        self._timing = timing
        self._turn = turn
        self._buffer = buffer or FrameBuffer(0)
        self._latency = alarm_latency
        self._number = number
        self._start = 0
        self._due: deque[_Due] = deque()
        self._reset_down = self._reset_up = 0

    # --- downlink -----------------------------------------------------------------------------------------

    def send(self, n: int) -> U16:
        """The REC's next n hyperframes down the chain."""
        out = self.ports.down_out
        assert out is not None and self._timing is None
        size = out.sender.option.hyperframe_octets
        hyperframes = []
        for _ in range(n):
            hyperframes.append((0, Outgoing(self._number, self._facing_away(self._start))))
            self._number = (self._number + 1) % NUMBER_MODULUS
            self._start += size
        return out.send(hyperframes)

    def receive_down(self, symbols: U16) -> U16:
        """Symbols from the REC's side; what follows them down the chain, nothing from the last node."""
        receiver, timing = self.ports.down_in, self._timing
        assert receiver is not None and timing is not None
        slots = timing.receive(receiver.receive(symbols), receiver.progress)
        return self._send_down(slots, receiver)

    def _send_down(self, slots: Sequence[Slot], receiver: NodeReceiver) -> U16:
        hyperframes = []
        for slot in slots:
            content = slot.content
            if content is not None and content.reset_requested:
                self._reset_down, self._reset_up = RESET_HYPERFRAMES, ACKNOWLEDGE_HYPERFRAMES
            alarms = self._facing_away(slot.start)
            if content is None or content.alarms & _SDI or receiver.defects_at(slot.start):
                alarms |= _SDI
            if self._reset_down:
                alarms |= _RESET
            hyperframes.append((slot.gap, Outgoing(slot.number, alarms, content)))
            self._due.append(_Due(slot, self._reset_up > 0))
            self._reset_down, self._reset_up = max(0, self._reset_down - 1), max(0, self._reset_up - 1)
        out = self.ports.down_out
        return np.zeros(0, np.uint16) if out is None else out.send(hyperframes)

    def _facing_away(self, start: int) -> int:
        """Alarms of the receiver that faces away from the REC, for a hyperframe down the chain."""
        receiver = self.ports.up_in
        return 0 if receiver is None else receiver.defects_at(start - self._latency)

    # --- uplink -------------------------------------------------------------------------------------------

    def receive_up(self, symbols: U16) -> U16:
        """Symbols from the far side, none for the last node; what is sent towards the REC."""
        receiver = self.ports.up_in
        if receiver is not None:
            received = receiver.receive(symbols)
            if self.ports.up_out is None:
                return np.zeros(0, np.uint16)
            self._buffer.receive(received)
        hyperframes = []
        out, down = self.ports.up_out, self.ports.down_in
        assert out is not None and down is not None
        size = out.sender.option.hyperframe_octets
        while self._due:
            due = self._due[0]
            start = due.slot.start + self._turn
            content: ReceivedHyperframe | None = None
            if receiver is not None:
                content = self._buffer.take(start, size)
                if content is None and self._buffer.may_come(start, size, receiver.progress):
                    break
            self._due.popleft()
            alarms = down.defects_at(start) | _RESET * due.acknowledge
            hyperframes.append((due.slot.gap, Outgoing(due.slot.number, alarms, content)))
        return out.send(hyperframes)

    def reset(self, hyperframes: int) -> None:
        """The transceivers are reset: they send nothing for so many hyperframes, and look for sync anew."""
        for output in (self.ports.down_out, self.ports.up_out):
            if output is not None:
                output.line.go_dark(hyperframes)
        for receiver in (self.ports.down_in, self.ports.up_in):
            if receiver is not None:
                receiver.restart()


class UplinkBuffer(ABC):
    """Uplink hyperframes of the node behind that wait for their place in this node's uplink."""

    def __init__(self) -> None:
        self._waiting: deque[ReceivedHyperframe] = deque()

    def receive(self, hyperframes: Sequence[ReceivedHyperframe]) -> None:
        self._waiting.extend(hyperframes)

    @abstractmethod
    def take(self, start: int, size: int) -> ReceivedHyperframe | None:
        """The hyperframe of `size` symbols for the place `start`; None where there is none yet."""

    @abstractmethod
    def may_come(self, start: int, size: int, progress: int) -> bool:
        """Whether one for the place `start` may still come; the receiver has judged up to symbol `progress`."""


class FrameBuffer(UplinkBuffer):
    """By time: `least` symbols is the shortest wait. It is set anew where a hyperframe in HFNSYNC comes elsewhere."""

    def __init__(self, least: int) -> None:
        super().__init__()
        self._least = self._wait = least

    def take(self, start: int, size: int) -> ReceivedHyperframe | None:
        while self._waiting:
            first = self._waiting[0]
            late = first.start + self._wait - start
            if abs(late) <= ELASTIC_SYMBOLS:
                return self._waiting.popleft()
            in_step = (late + ELASTIC_SYMBOLS) % size <= 2 * ELASTIC_SYMBOLS
            if first.locked and not in_step:
                least = self._least - ELASTIC_SYMBOLS
                self._wait = least + (start - first.start - least) % size
            elif late > 0:
                return None
            else:
                self._waiting.popleft()  # its time is over
        return None

    def may_come(self, start: int, size: int, progress: int) -> bool:
        return not self._waiting and progress < start - self._wait + size + ELASTIC_SYMBOLS


class FrameQueue(UplinkBuffer):
    """In turn, for links whose symbols do not come at the same time; `alive` says whether one is to be waited for.

    Where too many wait, all but the latest are dropped.
    """

    def __init__(self, alive: Callable[[], bool], most: int = 256) -> None:
        super().__init__()
        self._alive, self._most = alive, most

    def receive(self, hyperframes: Sequence[ReceivedHyperframe]) -> None:
        super().receive(hyperframes)
        if len(self._waiting) > self._most:
            self._waiting = deque([self._waiting[-1]])

    def take(self, start: int, size: int) -> ReceivedHyperframe | None:
        return self._waiting.popleft() if self._waiting else None

    def may_come(self, start: int, size: int, progress: int) -> bool:
        return not self._waiting and self._alive()
