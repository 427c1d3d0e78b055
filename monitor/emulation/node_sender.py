"""What the nodes of a chain send: their own traffic at its ends, what was received in between."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from decoders.arrays import I64, U8
from decoders.cm_plane.hdlc_encoder import FlagJoin
from decoders.events import FrameReceived, FrameStatus, Plane
from decoders.frame_structure import controlwords as cw
from decoders.frame_structure.frame_numbers import NUMBER_MODULUS
from decoders.linerates import HYPERFRAMES_PER_FRAME
from decoders.link.settings import SenderSettings

from ..errors import InputError
from ..faults.kinds import Fault, Layer
from .control_traffic import ControlWordTraffic
from .node_receiver import ReceivedHyperframe
from .sender import EmulatedSender
from .sent import SentBatch
from .traffic import VendorPattern

__all__ = ["CmRelay", "EndSender", "Outgoing", "RelaySender"]

_MOST_QUEUED_OCTETS = 64 << 10


class CmRelay(StrEnum):
    """How a node passes C&M on (common practice, no source: CPRI leaves it to the vendor)."""

    FRAMES = "frames"
    """Frames are received whole; those with an error are dropped (as IEEE 802.1D bridges do), others sent anew."""
    OCTETS = "octets"
    """The channel's octets are passed on as they are, errors and all."""


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A hyperframe to be sent: its BFN * 150 + HFN, its Z.130.0, and what is passed on in it (None: nothing)."""

    number: int
    alarms: int
    content: ReceivedHyperframe | None = None


class EndSender(EmulatedSender):
    """The sender at an end of the chain: traffic of its own, but numbers and alarms as it is told."""

    _outgoing: Sequence[Outgoing] = ()
    _outgoing_first = 0

    def send(self, outgoing: Sequence[Outgoing]) -> list[SentBatch]:
        """The batches of the next hyperframes."""
        self._outgoing, self._outgoing_first = outgoing, self.next_hyperframe
        batches = self.batch(len(outgoing))
        self.sent.clear()
        return batches

    def timing_of(self, hyperframe: int) -> tuple[int, int]:
        """(BFN, HFN) of a hyperframe as it was told; of those to come as they count on from the last."""
        outgoing, index = self._outgoing, hyperframe - self._outgoing_first
        if not outgoing:
            return super().timing_of(hyperframe)
        told = outgoing[min(max(index, 0), len(outgoing) - 1)].number
        number = (told + index - min(max(index, 0), len(outgoing) - 1)) % NUMBER_MODULUS
        return divmod(number, HYPERFRAMES_PER_FRAME)

    def _due(self, first: int, n: int) -> Sequence[Outgoing]:
        start = first - self._outgoing_first
        return self._outgoing[start : start + n]

    def _hyperframes(self, first: int, n: int) -> U8:
        octets = super()._hyperframes(first, n)
        self._stamp(octets, first)
        return octets

    def _stamp(self, octets: U8, first: int) -> None:
        due = self._due(first, len(octets))
        numbers: I64 = np.array([out.number for out in due], np.int64) % NUMBER_MODULUS
        bfn, hfn = np.divmod(numbers, HYPERFRAMES_PER_FRAME)
        octets[:, cw.X_HFN, 0, 0] = hfn
        octets[:, cw.X_BFN_LOW, 0, 0] = bfn & 0xFF
        octets[:, cw.X_BFN_HIGH, 0, 0] = bfn >> 8
        octets[:, cw.X_ALARMS, 0, 0] = [out.alarms for out in due]


class RelaySender(EndSender):
    """The sender of a node in between: it passes on IQ data, vendor specific octets, Ctrl_AxC and C&M.

    Sync, timing and L1 inband are its own; reserved octets are sent as 0 (CPRI clause 4.2.7). With `own_vendor` the
    vendor specific octets are its own, too.
    """

    def __init__(
        self,
        settings: SenderSettings,
        seed: int,
        *,
        uplink: bool,
        relay: CmRelay = CmRelay.FRAMES,
        own_vendor: bool = False,
    ) -> None:
        super().__init__(settings, seed, load=1.0, uplink=uplink)
        self.relay = relay
        self.frames_dropped = 0
        self._frames: list[FrameReceived] = []
        name, p = self.option.name, settings.pointer_p
        planes = [cw.subchannel_places(name, 4, 8).flat]
        if not own_vendor:
            planes.append(cw.vendor_places(name, p).flat)
        if relay is CmRelay.OCTETS:
            planes += [cw.hdlc_places(name, settings.hdlc_rate_code).flat, cw.ethernet_places(name, p).flat]
        self._passed_on = np.concatenate(planes)
        self._own = (VendorPattern(constants=b"\0"), ControlWordTraffic(seed, p)) if own_vendor else None

    def check(self, fault: Fault) -> None:
        super().check(fault)
        if self.relay is CmRelay.OCTETS and fault.kind.layer is Layer.CHANNEL:
            raise InputError(
                f"fault {fault.kind.name}: a node that passes C&M octets on queues no frames",
                hint="choose a segment that begins at an end of the chain, or cm_relay frames",
            )

    def _hyperframes(self, first: int, n: int) -> U8:
        due = self._due(first, n)
        octets = np.concatenate([self._stretch(first + a, due[a:b]) for a, b in self._stretches(due)])
        self._stamp(octets, first)
        return octets

    def _stretches(self, due: Sequence[Outgoing]) -> list[tuple[int, int]]:
        """Hyperframes that are built at once: frames are sent after the hyperframe in which they ended."""
        cuts = [i + 1 for i, out in enumerate(due[:-1]) if out.content is not None and out.content.frames]
        return list(zip([0, *cuts], [*cuts, len(due)], strict=True))

    def _stretch(self, first: int, due: Sequence[Outgoing]) -> U8:
        self._queue()
        octets = self.encoder.encode(len(due))
        control = octets[:, :, 0, :]
        if self._own is not None:
            vendor, words = self._own
            at = first + self._vendor_offset
            places = cw.vendor_places(self.option.name, self.settings.pointer_p)
            words.fill(octets, at)
            flat = control.reshape(len(due), -1)
            flat[:, places.flat[:2]] = vendor.octets(at, len(due), 2)
            control[:] = flat.reshape(control.shape)
        for i, out in enumerate(due):
            if out.content is not None:
                octets[i, :, 1:] = out.content.octets[:, 1:]
                x, y = np.divmod(self._passed_on, self.option.word_octets)
                octets[i, x, 0, y] = out.content.octets[x, 0, y]
        last = due[-1].content
        self._frames = [] if last is None or self.relay is CmRelay.OCTETS else last.frames
        return octets

    def _queue(self) -> None:
        """Send what has been received whole; a damaged frame is dropped, and so is one that finds no room."""
        for frame in self._frames:
            slow = frame.plane is Plane.HDLC
            room = self.encoder.hdlc_octets if slow else self.encoder.ethernet_octets
            waiting = self.encoder.hdlc.pending_octets if slow else self.encoder.ethernet.pending_octets
            if frame.status is not FrameStatus.GOOD or not room or waiting > _MOST_QUEUED_OCTETS:
                self.frames_dropped += 1
            elif slow:
                self.encoder.hdlc.send(frame.data, join=FlagJoin.SHARED)
            else:
                self.encoder.ethernet.send(frame.data)
        self._frames = []
