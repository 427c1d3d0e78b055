"""An emulated sender: traffic on every plane, faults where they are asked for, hyperframes out.

Seeded, so that the same settings give the same stream to the bit. `EmulatedSender.batch` makes a number of
hyperframes; `LineWriter` turns them into one of the raw forms. Neither reads a clock.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np

from decoders.arrays import I64, U8
from decoders.cm_plane.ethernet_encoder import EthernetDamage, SentEthernetFrame
from decoders.cm_plane.hdlc_encoder import SentHdlcFrame
from decoders.events import Plane
from decoders.line_coding.code_64b66b import START, TERMINATE
from decoders.linerates import BASIC_FRAMES_PER_HYPERFRAME, CHIP_RATE_HZ, LineRateOption
from decoders.link.encoder import LinkEncoder
from decoders.link.settings import D16_2, SenderSettings
from decoders.user_plane.axc_container import AxcContainer
from decoders.user_plane.iq_map import IqMap

from ..faults.injector import check_fault, cut_of, damage_octets, reach, symbol_position
from ..faults.kinds import Context, Fault, Layer
from ..faults.queues import CloseEthernetEncoder, RawHdlcEncoder, as_received, queue_ethernet, queue_hdlc
from .control_traffic import ControlWordTraffic
from .line_settings import LineSettings
from .sent import SentBatch, SentFault, SentFrame, fault_hyperframe
from .traffic import RE_1, REC_A, EthernetTraffic, HdlcTraffic, IqTraffic, Station, Tone, VendorPattern

__all__ = ["EmulatedSender", "iq_map_sent"]

TERMINATE_AT, START_AT = 7, 8
"""Octets Z.0.Y of /T/ and /S/ in the sync word that is sent."""
MIN_IDLE_GROUPS = 24
MEAN_FRAME_GROUPS = 440
"""Code groups of a frame of the emulated traffic, on the average."""
IQ_WIDTH = 15
IQ_SAMPLE_RATE_HZ = 4 * CHIP_RATE_HZ
"""The demo's containers: M = 15, 15.36 Msps (four samples a basic frame)."""
_MOST_AXCS = 4


class EmulatedSender:
    """One direction of an emulated link; see SenderSettings for what it announces.

    `load` is the share of each C&M channel that is filled with frames, 0 to 1. `following` in batch() tells
    the faults how much stream comes after them. With `every_plane` vendor specific, Ctrl_AxC and reserved words have
    traffic, too; without it only a counter in the vendor's first two octets moves. `line`: how the hyperframes go on
    the line, which decides what version is announced. C&M frames go between REC-A and `radio_head`.
    """

    def __init__(
        self,
        settings: SenderSettings,
        seed: int = 1,
        *,
        load: float = 1.0,
        uplink: bool = False,
        every_plane: bool = False,
        line: LineSettings | None = None,
        radio_head: Station = RE_1,
    ) -> None:
        self.line = line or LineSettings()
        if self.line.scrambling is not None:
            settings = replace(settings, version=self.line.version)
        self.encoder = LinkEncoder(settings)
        self.line.check(self.encoder.option)
        self.settings = settings
        self.option = self.encoder.option
        self.load = load
        # A channel that is not full has its frames spread: longer idle after each.
        gap = MIN_IDLE_GROUPS + (round(MEAN_FRAME_GROUPS * (1 / load - 1)) if 0 < load < 1 else 0)
        self._fast = CloseEthernetEncoder(lsb_first=settings.planes.ethernet_lsb_first, min_idle_groups=gap)
        self.encoder.ethernet = self._fast
        self._slow = RawHdlcEncoder(lsb_first=settings.planes.hdlc_lsb_first)
        self.encoder.hdlc = self._slow
        sender, peers = (radio_head, (REC_A,)) if uplink else (REC_A, (radio_head,))
        self._hdlc = HdlcTraffic(seed, sender=sender, peers=peers)
        self._ethernet = EthernetTraffic(seed + 1, sender=sender, peers=peers)
        self._vendor = VendorPattern(constants=b"\0")
        self._vendor_offset = settings.hfn
        self._words = ControlWordTraffic(seed, settings.pointer_p) if every_plane else None
        self._iq = _IqPlane(self.option, seed)
        self._waiting: list[Fault] = []
        self._lasting: list[SentFault] = []
        self._on_the_way: dict[tuple[Plane, int], SentFault] = {}
        self._damages: dict[int, EthernetDamage] = {}
        self.placed: list[SentFault] = []
        self.sent: list[SentFrame] = []
        self.next_hyperframe = 0

    def check(self, fault: Fault) -> None:
        """InputError where a fault has no place here."""
        settings, line = self.settings, self.line
        codes = settings.pointer_p, settings.hdlc_rate_code
        check_fault(fault, self.option, *codes, fec=line.fec, version=settings.version)

    def schedule(self, fault: Fault) -> None:
        """Put a fault in at its hyperframe, or at the next one; InputError where it has no place here."""
        self.check(fault)
        bisect.insort(self._waiting, fault, key=fault_hyperframe)

    def batch(self, n: int, following: int | None = None) -> list[SentBatch]:
        """The next n hyperframes, cut where a fault begins."""
        batches: list[SentBatch] = []
        end = self.next_hyperframe + n
        while self.next_hyperframe < end:
            start = self.next_hyperframe
            due = bisect.bisect_right(self._waiting, start, key=fault_hyperframe)
            now, self._waiting = self._waiting[:due], self._waiting[due:]
            stop = min(end, fault_hyperframe(self._waiting[0])) if self._waiting else end
            left = None if following is None else following + end - stop
            batches.append(self._piece(stop - start, now, left))
        return batches

    def _sync_characters(self, octets: U8) -> I64:
        """Places of the special characters of n hyperframes, whose sync word is put there at 64B/66B (Table 9A)."""
        starts: I64 = np.arange(len(octets), dtype=np.int64) * self.option.hyperframe_octets
        if self.option.line_code == "8b10b":
            return starts
        octets[:, 0, 0, :16] = D16_2
        octets[:, 0, 0, TERMINATE_AT], octets[:, 0, 0, START_AT] = TERMINATE, START
        places: I64 = starts[:, None] + np.array([TERMINATE_AT, START_AT])
        return places.reshape(-1)

    def timing_of(self, hyperframe: int) -> tuple[int, int]:
        """(BFN, HFN) of a hyperframe by its number from the first one sent."""
        return self.encoder.timing_of(hyperframe)

    def _context(self, following: int | None) -> Context:
        settings, first = self.settings, self.next_hyperframe
        hfn = self.timing_of(first)[1]
        codes = (settings.pointer_p, settings.hdlc_rate_code, settings.version)
        line = self.line
        return Context(
            self.option, following, first, hfn, True, *codes, fec=line.fec, scrambling=line.scrambling
        )

    def _piece(self, n: int, faults: Sequence[Fault], following: int | None) -> SentBatch:
        first = self.next_hyperframe
        context = self._context(None if following is None else following + n - 1)
        placed = [SentFault(f, first, None, f.expected(context), context) for f in faults]
        self.placed += placed
        for place in placed:
            if place.fault.kind.layer is Layer.CHANNEL:
                self._queue_damaged(place)
            else:
                self._lasting.append(place)
        octets = self._hyperframes(first, n)
        self._collect()
        batch = SentBatch(first, octets, self._sync_characters(octets), np.zeros(0, np.int64))
        if self.line.scrambling is not None:
            batch.seeds = np.full(n, self.line.scrambling, np.int64)
        for place in self._lasting:
            self._damage(place, batch)
        self._lasting = [p for p in self._lasting if self._left(p, first + n)]
        batch.inversions.sort()
        batch.cuts.sort(key=lambda cut: (cut.hyperframe, cut.at))
        self.next_hyperframe += n
        return batch

    def _hyperframes(self, first: int, n: int) -> U8:
        """The next n hyperframes with everything in them, before they are damaged."""
        self._feed(n)
        encoder = self.encoder
        vendor = self._vendor.octets(first + self._vendor_offset, n, encoder.vendor_octets)
        octets = encoder.encode(n, vendor=vendor, iq=self._iq.octets(first, n))
        if self._words is not None:
            self._words.fill(octets, first + self._vendor_offset)
        return octets

    @staticmethod
    def _left(place: SentFault, hyperframe: int) -> bool:
        """Whether a fault goes on in that hyperframe."""
        last = reach(place.fault)
        return last is None or hyperframe - place.hyperframe < last

    def _damage(self, place: SentFault, batch: SentBatch) -> None:
        """Do to a batch what one fault of octets, symbols or bits does to its hyperframes."""
        fault, size = place.fault, self.option.hyperframe_octets
        layer, began = fault.kind.layer, place.hyperframe
        for i in range(len(batch.octets)):
            number = batch.first + i
            if not self._left(place, number):
                break
            at: int | None = None
            if layer is Layer.OCTETS:
                before = batch.octets[i].copy() if number == began else None
                done = damage_octets(fault, batch.octets[i], number - began)
                at = done.first
                if before is not None and fault.kind.name == "vendor.value":
                    place.changes = not np.array_equal(before, batch.octets[i])
                lost, gained = (i * size + np.array(k, np.int64) for k in (done.loses, done.gains))
                batch.k_positions = np.union1d(np.setdiff1d(batch.k_positions, lost), gained)
            elif layer is Layer.SYMBOLS:
                at = symbol_position(fault, self.option)
                if fault.kind.name == "line.disparity":
                    step = self.option.basic_frame_octets
                    every = (at + step * np.arange(fault.values["count"])) % size
                    batch.inversions = np.append(batch.inversions, i * size + every)
                elif fault.kind.name == "scrambling.seed":
                    assert batch.seeds is not None
                    batch.seeds[i] = fault.values["seed"]
                else:
                    batch.symbol_faults.append((i, fault))
            else:
                cut = cut_of(fault, number, number - began, self.option)
                if cut is not None:
                    batch.cuts.append(cut)
                    at = cut.first_octet
            if number == began and at is not None:
                place.offset_octets = began * size + at

    def _queue_damaged(self, place: SentFault) -> None:
        place.sent = False
        if place.fault.kind.plane == "hdlc":
            place.sequence = queue_hdlc(place.fault, self._slow, self._hdlc)
        else:
            place.sequence, damage = queue_ethernet(place.fault, self._fast, self._ethernet)
            self._damages[place.sequence] = damage
        self._on_the_way[Plane(place.fault.kind.plane), place.sequence] = place

    def _feed(self, n: int) -> None:
        encoder = self.encoder
        if encoder.hdlc_octets:
            wanted = n * encoder.hdlc_octets * self.load
            while encoder.hdlc.pending_octets < wanted:
                encoder.hdlc.send(next(self._hdlc))
        if encoder.ethernet_octets:
            wanted = n * encoder.ethernet_octets if self.load else 0
            while encoder.ethernet.pending_octets < wanted:
                encoder.ethernet.send(next(self._ethernet))

    def _collect(self) -> None:
        """Take over what has left the C&M queues."""
        done = [(Plane.HDLC, f, self.encoder.hdlc_octets) for f in self.encoder.hdlc.sent()]
        fast: list[tuple[Plane, SentHdlcFrame | SentEthernetFrame, int]] = [
            (Plane.ETHERNET, f, self.encoder.ethernet_octets) for f in self.encoder.ethernet.sent()
        ]
        for plane, frame, octets in [*done, *fast]:
            at = frame.end_octet // octets
            data, fcs = frame.data, frame.fcs
            if plane is Plane.ETHERNET and frame.sequence in self._damages:
                data, fcs = as_received(self._damages.pop(frame.sequence), data, fcs)
            self.sent.append(SentFrame(plane, at, frame.sequence, frame.status, data, fcs))
            place = self._on_the_way.pop((plane, frame.sequence), None)
            if place is not None:
                place.sent = True


def iq_map_sent(option: LineRateOption) -> str:
    """The map of the containers that are sent, as decoders.iq.IqMap.parse takes it."""
    one = AxcContainer("AxC0", IQ_WIDTH, IQ_SAMPLE_RATE_HZ)
    return f"M={IQ_WIDTH},fs={IQ_SAMPLE_RATE_HZ / 1e6:.10g},n={min(IqMap.capacity(option, one), _MOST_AXCS)}"


class _IqPlane:
    """Tones in as many packed containers as fit, four at most."""

    def __init__(self, option: LineRateOption, seed: int) -> None:
        one = AxcContainer("AxC0", IQ_WIDTH, IQ_SAMPLE_RATE_HZ)
        count = min(IqMap.capacity(option, one), _MOST_AXCS)
        self._names = [f"AxC{i}" for i in range(count)]
        self.map = IqMap.packed(option, [replace(one, name=name) for name in self._names])
        # Each carrier has a frequency of its own.
        frequencies = [100_000 * (2 * i + 1 + seed % 3) for i in range(count)]
        self._tones = [
            IqTraffic(Tone(float(frequency), -12.0, float(IQ_SAMPLE_RATE_HZ)), IQ_WIDTH)
            for frequency in frequencies
        ]
        per_hyperframe = IQ_SAMPLE_RATE_HZ // CHIP_RATE_HZ * BASIC_FRAMES_PER_HYPERFRAME
        turns = [Fraction(frequency * per_hyperframe, IQ_SAMPLE_RATE_HZ) for frequency in frequencies]
        # After so many hyperframes all tones have made whole turns, and everything comes again.
        self._period = math.lcm(*(turn.denominator for turn in turns)) if turns else 1
        self._octets = self._packed(self._period * per_hyperframe).reshape(self._period, -1)

    def _packed(self, samples: int) -> U8:
        return self.map.pack(
            {
                name: tone.samples(0, samples).astype(np.int16)
                for name, tone in zip(self._names, self._tones, strict=True)
            }
        )

    def octets(self, first_hyperframe: int, n: int) -> U8:
        """IQ octets of n hyperframes, as many rows."""
        octets: U8 = self._octets[(first_hyperframe + np.arange(n)) % self._period]
        return octets
