"""Mutants that come from habits of other links and from state that is kept too long or too short.

A filter that belongs above the link, a check that cancels out, a queue of one place, a count that begins anew with
the 10 ms frame: each is right nearly always, so only a case of its own shows it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np

from decoders.cm_plane.ethernet import EthernetFrame
from decoders.cm_plane.hdlc import HdlcFrame
from decoders.events import BfnDiscontinuity, Event, FrameStatus, HfnInvalid, OctetsChanged, Plane
from decoders.frame_structure.controlwords import L1Fields, Places
from decoders.line_coding.code_8b10b import CodedBlock
from decoders.link.hyperframe_sync import SyncMachine, SyncState
from decoders.link.l1_inband import L1Inband
from decoders.link.planes import HyperframePlanes
from decoders.link.settings import LinkSettings
from decoders.link.timing import TimingCheck
from monitor.campaign.receivers import Receiver, ReceiverFactory

from .declaration import (
    K28_5,
    ChangedReader,
    Mutant,
    block_of,
    fast_frames,
    parts,
    reading,
    slow_frames,
    telling,
)
from .l1 import Alarms
from .octets import Watch
from .serial_hdlc import HdlcRules, SerialHdlc

HDLC, MAC, L1 = "ISO/IEC 13239", "IEEE 802.3 clause 3.2", "CPRI 4.2.7.6 (from memory)"
VENDOR, SYNC, NUMBERS = "CPRI 4.2.7.7.3", "CPRI 4.2.9, Fig. 26", "CPRI 4.2.7.3"
_GOOD = FrameStatus.GOOD
_OCTETS_OF_RATE_3 = 8
_MOST_STUFFED = 120
_ROOM = 16


# ---- frames -------------------------------------------------------------------------------------------------


def lost_if(change: Any, wrong: Callable[[bytes], bool]) -> ReceiverFactory:
    """Good frames of these data are lost."""

    def seen(frame: Any) -> Any:
        return None if frame.status is _GOOD and wrong(frame.data) else frame

    made: ReceiverFactory = change(seen)
    return made


def repeated_lost(change: Any) -> ReceiverFactory:
    """A frame like the one before it is taken for a retransmission."""

    def make(given: LinkSettings) -> Receiver:
        last: list[bytes] = [b""]

        def seen(frame: HdlcFrame | EthernetFrame) -> Any:
            if frame.status is not _GOOD:
                return frame
            again, last[0] = frame.data == last[0], frame.data
            return None if again else frame

        made: Receiver = change(seen)(given)
        return made

    return make


def without_escapes(frame: HdlcFrame) -> HdlcFrame:
    """7D and the octet behind it stand for one octet, as on an asynchronous line."""
    out, escaped = bytearray(), False
    for octet in frame.data:
        if not escaped and octet == 0x7D:
            escaped = True
            continue
        out.append(octet ^ 0x20 if escaped else octet)
        escaped = False
    return replace(frame, data=bytes(out)) if frame.status is _GOOD else frame


def as_text(frame: HdlcFrame) -> HdlcFrame:
    """The information ends at its first zero octet."""
    text = frame.data[:2] + frame.data[2:].split(b"\0")[0]
    return replace(frame, data=text) if frame.status is _GOOD else frame


def much_stuffed(data: bytes) -> bool:
    bits = "".join(f"{octet:08b}"[::-1] for octet in data)
    return bits.count("11111") > _MOST_STUFFED


class StuffedAtTheEnd(SerialHdlc):
    """A stuffed zero right before the closing flag is kept."""

    _at = -1

    def _zero(self) -> Any:
        if self._ones == 5:
            self._at = len(self._bits)
        elif self._ones == 6 and self._at > 0 and self._at == len(self._bits) - 7:
            self._bits.insert(self._at, 0)
        return super()._zero()


class ClosedByAbort(SerialHdlc):
    """A frame whose FCS is right is good, whatever closes it."""

    def _one(self) -> Any:
        before = self._bits[:-6]
        told = super()._one()
        if told is not None and told[0] is FrameStatus.ABORT:
            whole = self._judge(before)
            return whole if whole is not None and whole[0] is _GOOD else told
        return told


class OneMailbox(SerialHdlc):
    """Of the frames that end in one hyperframe the last one is told."""

    def receive(self, octets: Any) -> list[HdlcFrame]:
        frames = super().receive(octets)
        last = {frame.end_octet // _OCTETS_OF_RATE_3: frame for frame in frames}
        return [frame for frame in frames if last[frame.end_octet // _OCTETS_OF_RATE_3] is frame]


def serial(kind: type[SerialHdlc]) -> ReceiverFactory:
    return parts(hdlc=lambda **given: kind(HdlcRules()))


# ---- L1 -----------------------------------------------------------------------------------------------------


class Interrupted(Alarms):
    """Another alarm bit that changes begins the ten hyperframes of a reset anew."""

    def receive(self, hyperframe: int, octet: int) -> tuple[list[Event], int, int]:
        if (octet ^ self.octet) & 0x1E:
            self.run = 0
        return super().receive(hyperframe, octet)


def anew_with_hfn_0(forget: Callable[[L1Inband], None]) -> ReceiverFactory:
    """Something that is counted begins anew with each 10 ms frame."""

    class Planes(HyperframePlanes):
        def receive(self, view: Any, first: int, ahead: Any) -> list[Event]:
            hfn = view[:, 64, 0, 0].tolist()
            starts = [0, *(i for i, number in enumerate(hfn) if not number and i), len(view)]
            events: list[Event] = []
            for a, b in pairwise(starts):
                if not hfn[a]:
                    forget(self._l1)
                events += super().receive(view[a:b], first + a, ahead[a:])
            return events

    return parts(planes=Planes)


def forget_reset(l1: L1Inband) -> None:
    l1.remote.restart()


def forget_filters(l1: L1Inband) -> None:
    for value in (l1.version, l1.rate, l1.pointer):
        value._run = 0


class OneSettingAtATime(L1Inband):
    """While another p is looked at, the rate code is not."""

    def accept(self, given: L1Fields, first: int) -> Any:
        other = given.pointer != self.pointer.accepted
        rate = np.where(other, self.rate.accepted or 0, given.rate).astype(given.rate.dtype)
        return super().accept(replace(given, rate=rate), first)


# ---- octets -------------------------------------------------------------------------------------------------


class Summed(Watch):
    """Octets are compared only where a check over all of them has changed."""

    @staticmethod
    def check(octets: Any, ns: Any) -> Any:
        """(n, k) octets to a row of checks each, one for each octet."""
        return np.repeat(octets.astype(np.int64).sum(axis=1)[:, None], octets.shape[1], axis=1)

    def changes(
        self, of: Plane, counter: str, given: Places, flat: Any, first: int
    ) -> Iterator[OctetsChanged]:
        if of is Plane.VENDOR and len(given):
            before = flat[0] if self._before is None else self._before
            octets = np.concatenate((before[None], flat))[:, given.flat]
            checks = self.check(octets, given.triples[:, 0])
            for i in range(1, len(octets)):
                octets[i] = np.where(checks[i] == checks[i - 1], octets[i - 1], octets[i])
            flat = flat.copy()
            flat[:, given.flat] = octets[1:]
        yield from super().changes(of, counter, given, flat, first)


class Parity(Summed):
    """The check is the exclusive or of the octets of a subchannel."""

    @staticmethod
    def check(octets: Any, ns: Any) -> Any:
        out = np.zeros(octets.shape, np.int64)
        for number in np.unique(ns):
            mine = ns == number
            out[:, mine] = np.bitwise_xor.reduce(octets[:, mine], axis=1)[:, None]
        return out


class ShortQueue(Watch):
    """There is room for so many changes of a hyperframe."""

    def changes(
        self, of: Plane, counter: str, given: Places, flat: Any, first: int
    ) -> Iterator[OctetsChanged]:
        for event in super().changes(of, counter, given, flat, first):
            self.counted[counter] -= max(0, len(event) - _ROOM)
            yield replace(
                event, places=event.places[: 3 * _ROOM], old=event.old[:_ROOM], new=event.new[:_ROOM]
            )


# ---- line and sync ------------------------------------------------------------------------------------------


def last_basic_frame_clean(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
    """Code violations are counted up to basic frame 254."""
    inside = reader.within(block.violations, first) < reader.hyperframe - reader.hyperframe // 256
    return block_of(block, violations=block.violations[inside])


def lane_0_alone(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
    """The running disparity is looked at in the lane of Y = 0."""
    lane = reader.within(block.disparity_errors, first) % (reader.hyperframe // 4096)
    return block_of(block, disparity_errors=block.disparity_errors[lane == 0])


def freewheeling(reader: ChangedReader, block: CodedBlock, first: int) -> CodedBlock:
    """A word that is no code group, where the sync byte belongs, is taken for it."""
    at = block.violations[reader.within(block.violations, first) == 0]
    if not len(at) or reader.origin is None:
        return block
    octets = block.octets.copy()
    octets[at] = K28_5
    return block_of(block, octets=octets, k_positions=np.union1d(block.k_positions, at))


class SlowBack(SyncMachine):
    """From XSYNC2 two right sync bytes lead back to HFNSYNC."""

    _right = 0

    def step(self, good: bool) -> SyncState:
        if self.state is SyncState.HFNSYNC and not good:
            self._right = 1
        elif good and self.state is SyncState.XSYNC2 and self._right:
            self._right -= 1
            return self.state
        return super().step(good)

    def lose(self) -> None:
        self._right = 0
        super().lose()


class BfnOnceAFrame(TimingCheck):
    """BFN is compared with HFN 0 only."""

    def receive(self, hfn: Any, bfn: Any, first: int) -> Iterator[Event]:
        for event in super().receive(hfn, bfn, first):
            if not isinstance(event, BfnDiscontinuity) or not hfn[(event.hyperframe or 0) - first]:
                yield event


def hfn_254_is_unknown(event: Event) -> Event | None:
    return None if isinstance(event, HfnInvalid) and event.value == 254 else event


def of_group(data: bytes) -> bool:
    return bool(data[0] & 1) and data[:6] != b"\xff" * 6


def of_bridges(data: bytes) -> bool:
    return data[:5] == bytes.fromhex("0180C20000")


HABITS = [
    Mutant("a repeated HDLC frame taken for a retransmission", "hdlc", "every frame is delivered", HDLC,
           ("hdlc.content:octets=24,frames=3",), repeated_lost(slow_frames)),
    Mutant("HDLC octets 7D taken for escapes", "hdlc", "any data is transparent", HDLC,
           ("hdlc.content:octet=0x7D",), slow_frames(without_escapes)),
    Mutant("HDLC information ends at a zero octet", "hdlc", "any data is transparent", HDLC,
           ("hdlc.content:octet=0", "known:hdlc_delimiters"), slow_frames(as_text)),
    Mutant("HDLC null address lost", "hdlc", "a frame to any address is delivered", HDLC,
           ("hdlc.content:octet=0",), lost_if(slow_frames, lambda data: data[0] == 0)),
    Mutant("HDLC all-station address lost", "hdlc", "a frame to any address is delivered", HDLC,
           ("hdlc.content:octet=255*", "known:check_sequences"), lost_if(slow_frames, lambda data: data[0] == 255)),
    Mutant("HDLC frames of other control fields lost", "hdlc", "a frame of any control field is delivered", HDLC,
           ("hdlc.content:octet=0x7E",), lost_if(slow_frames, lambda data: data[1] != 3)),
    Mutant("room for 120 stuffed zeros", "hdlc", "any data is transparent", HDLC,
           ("hdlc.content:octet=255,octets=300",), lost_if(slow_frames, much_stuffed)),
    Mutant("stuffed zero before the closing flag kept", "hdlc", "a zero behind five ones is taken away", HDLC,
           ("hdlc.content:octet=3,octets=15",), serial(StuffedAtTheEnd)),
    Mutant("an abort closes a frame", "hdlc", "seven ones abort a frame wherever they come", HDLC,
           ("hdlc.abort_close",), serial(ClosedByAbort)),
    Mutant("one HDLC frame a hyperframe", "hdlc", "every frame is delivered", HDLC,
           ("hdlc.content:octets=4,frames=8", "known:hdlc_delimiters"), serial(OneMailbox)),
    Mutant("a repeated Ethernet frame lost", "ethernet", "every frame is delivered", MAC,
           ("ethernet.content:frames=3*",), repeated_lost(fast_frames)),
    Mutant("Ethernet frames to groups lost", "ethernet", "a frame to any address is delivered", f"{MAC}.3",
           ("ethernet.content",), lost_if(fast_frames, of_group)),
    Mutant("Ethernet frames that bridges keep lost", "ethernet", "a frame to any address is delivered", f"{MAC}.3",
           ("ethernet.content:to=3",), lost_if(fast_frames, of_bridges)),
    Mutant("another alarm interrupts a reset request", "l1", "ten hyperframes with the reset bit are a request", L1,
           ("l1.reset, another alarm within",), parts(remote_alarms=Interrupted)),
    Mutant("reset request begins anew with HFN 0", "l1", "ten hyperframes with the reset bit are a request", L1,
           ("l1.reset over HFN 149 to 0",), anew_with_hfn_0(forget_reset)),
    Mutant("filters begin anew with HFN 0", "l1", "four hyperframes of one value are taken over", L1,
           ("l1.pointer over*", "l1.rate over*"), anew_with_hfn_0(forget_filters)),
    Mutant("p and rate code not taken over together", "l1", "each setting has its own filter", L1,
           ("l1.pointer and l1.rate together",), parts(l1_inband=OneSettingAtATime)),
    Mutant("vendor octets compared by their sum", "vendor", "each octet that changes counts", VENDOR,
           ("vendor.value, from one octet to another",), parts(octet_watch=Summed)),
    Mutant("vendor subchannels compared by parity", "vendor", "each octet that changes counts", VENDOR,
           ("vendor.flip, the same bit*", "known:code_groups_8b10b"), parts(octet_watch=Parity)),
    Mutant("sixteen changes a hyperframe", "vendor", "each octet that changes counts", VENDOR,
           ("vendor.flip, 28 in one hyperframe", "known:code_groups_8b10b"), parts(octet_watch=ShortQueue)),
    Mutant("violations of basic frame 255 not counted", "line", "code errors of all words count",
           "IEEE 802.3 clause 36.2.4", ("line.violation:x=255*",), reading(last_basic_frame_clean)),
    Mutant("disparity of lane Y = 0 alone", "line", "code errors of all words count", "IEEE 802.3 clause 36.2.4",
           ("line.disparity",), reading(lane_0_alone)),
    Mutant("a violation taken for the sync byte", "sync", "the sync byte is K28.5", SYNC, ("line.dark*",),
           reading(freewheeling)),
    Mutant("two right sync bytes back to HFNSYNC", "sync", "a good sync byte leads up by one state", SYNC,
           ("sync.comma",), parts(sync=SlowBack)),
    Mutant("BFN compared once a frame", "sync", "BFN changes with HFN 0 only", NUMBERS, ("sync.bfn*",),
           parts(timing=BfnOnceAFrame)),
    Mutant("HFN 254 taken for unknown", "sync", "HFN 150 to 255 are invalid", NUMBERS,
           ("sync.hfn, values that are none",), telling(hfn_254_is_unknown)),
]  # fmt: skip
