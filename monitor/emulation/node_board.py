"""A board with a link on each side, so that boards make a chain: REC, radio heads in between, the last radio head.

Each of its links is a board to its host: the line data are what that link's receiver gets, the commands concern that
link's transmitter. The node between the links is that of the emulated chain. Other boards have clocks of their own,
and their data come when they come, so the uplink of the node behind is passed on in turn, not by its place in time.
Seeded; knows no port and no clock.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from decoders.arrays import U16
from decoders.linerates import EIGHT_TEN, option_named

from ..errors import InputError
from ..protocol import records as r
from .board import BoardSetup, RecordBoard
from .board_line import BoardSymbolLine
from .board_sender import BoardSender
from .line_settings import LineSettings
from .node import FrameQueue, Node, NodePorts
from .node_output import NodeOutput
from .node_receiver import NodeReceiver
from .node_sender import EndSender, RelaySender
from .node_timing import NodeTiming

__all__ = ["NodeBoard", "PortBoard"]

TOFFSET_CLOCKS = 416
THROUGH_CLOCKS = 96
_AT_ONCE = -(1 << 62)
"""Alarms of the other receiver go out as soon as they are known."""


class _EndBoardSender(EndSender, BoardSender):
    """An end of the chain: traffic of its own, each plane to be set."""


class _RelayBoardSender(RelaySender, BoardSender):
    """A node in between: C&M frames of its own beside those passed on."""


class PortBoard(RecordBoard):
    """One link of a board to its host; `receiver` is the node's on this link."""

    def __init__(self, setup: BoardSetup, receiver: NodeReceiver, *, relay: bool, uplink: bool) -> None:
        settings, seed = setup.sender_settings, setup.seed + uplink
        sender: _EndBoardSender | _RelayBoardSender
        if relay:
            sender = _RelayBoardSender(settings, seed, uplink=uplink)
        else:
            sender = _EndBoardSender(settings, seed, setup.load, uplink=uplink)
        super().__init__(replace(setup, loopback=r.Loopback.PAIR, towards_rec=uplink), sender)
        self.receiver = receiver
        self._relay = relay
        assert isinstance(self._line, BoardSymbolLine)
        self.output = NodeOutput(
            sender,
            self._line,
            bit_error_ratio=setup.bit_error_ratio,
            random=self._random,
            moved=self._alignment.move,
        )

    @property
    def up(self) -> bool:
        """Whether the other board is there."""
        return self._pair.up

    def transmit(self, symbols: U16) -> None:
        """Send to the other board; without one it is lost."""
        if len(symbols):
            self._pair.send(symbols)

    def arrived(self, data: bytes) -> U16:
        """Symbols of the other board in octets of the link; InputError where it is of another option."""
        symbols: U16 = self._pair.receive(data)
        return symbols

    def show(self, symbols: U16, *, room: bool) -> bytes:
        """Records for the host of what the receiver got."""
        return self._receive_line(symbols, room)

    def _obey(self, record: r.Record) -> tuple[r.Acknowledge | r.Refuse, r.BoardEvent | None]:
        why = ""
        if record.type == r.RecordType.SET_LOOPBACK:
            why = "a board of a chain has no loopback"
        elif record.type == r.RecordType.SET_TRAFFIC and self._relay:
            why = "this link carries what the board's other link receives"
        if why:
            return r.Refuse(record.sequence, record.type, r.Reason.NOT_SUPPORTED, why), None
        return super()._obey(record)

    def _reset(self, which: r.Transceiver) -> r.BoardEvent:
        if which & r.Transceiver.RECEIVER:
            self.receiver.restart()
        return super()._reset(which)


class NodeBoard:
    """`uplink`: there is a link towards the REC; `downlink`: one away from it. One of them at least.

    InputError for an option or a line that a chain does not have.
    """

    def __init__(self, setup: BoardSetup, *, uplink: bool, downlink: bool) -> None:
        option = option_named(setup.option)
        if option.line_code != EIGHT_TEN or setup.line != LineSettings():
            raise InputError(
                f"boards of a chain have 8B/10B without scrambling, not option {option.name} as asked",
                hint="choose option 1 to 7, without --fec and --scrambling",
            )
        self.setup = setup
        self.option = option
        self.alive = False
        """Whether the link away from the REC carries something that is worth waiting for."""
        relay = uplink and downlink
        self.towards = PortBoard(setup, NodeReceiver(option), relay=relay, uplink=True) if uplink else None
        self.away = PortBoard(setup, NodeReceiver(option), relay=relay, uplink=False) if downlink else None
        self.ports = [port for port in (self.towards, self.away) if port is not None]
        ports = NodePorts()
        if self.towards is not None:
            ports.down_in, ports.up_out = self.towards.receiver, self.towards.output
        if self.away is not None:
            ports.up_in, ports.down_out = self.away.receiver, self.away.output
        timing = None
        if uplink:
            timing = NodeTiming(option.hyperframe_octets, THROUGH_CLOCKS, THROUGH_CLOCKS, 0)
        self._node = Node(
            setup.name,
            ports,
            timing=timing,
            turn=TOFFSET_CLOCKS - THROUGH_CLOCKS,
            buffer=FrameQueue(self._wait_for_uplink),
            alarm_latency=_AT_ONCE,
        )

    def _wait_for_uplink(self) -> bool:
        away = self.away
        return self.alive and away is not None and away.up and not away.receiver.state.lof

    @property
    def is_rec(self) -> bool:
        """The board that gives the chain its time."""
        return self.towards is None

    @property
    def sent(self) -> int:
        """Hyperframes sent."""
        return self.ports[0].sender.next_hyperframe

    def advance(self, n: int) -> None:
        """The REC sends n hyperframes; a radio head sends when it receives."""
        if self.is_rec and self.away is not None:
            self.away.transmit(self._node.send(n))

    def receive(self, port: PortBoard, symbols: U16, *, room: bool = True) -> bytes:
        """What a link's receiver got goes on through the node; records for that link's host."""
        if port is self.towards:
            down = self._node.receive_down(symbols)
            if self.away is not None:
                self.away.transmit(down)
            port.transmit(self._node.receive_up(np.zeros(0, np.uint16)))
        else:
            up = self._node.receive_up(symbols)
            if self.towards is not None:
                self.towards.transmit(up)
        return port.show(symbols, room=room)

    def receive_nothing(self, port: PortBoard, hyperframes: int, *, room: bool = True) -> bytes:
        """As `receive`, for a time without a signal."""
        return self.receive(port, np.zeros(hyperframes * self.option.hyperframe_octets, np.uint16), room=room)
