"""Mutants of vendor specific, Ctrl_AxC and reserved octets, of IQ and of counters."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from decoders.events import Event, OctetsChanged, Plane
from decoders.frame_structure.controlwords import Places, subchannel_places
from decoders.link.octet_watch import OctetWatch

from .declaration import Mutant, counting, iq, parts

VENDOR, AXC, RESERVED, IQ = "CPRI 4.2.7.7.3", "CPRI 4.2.7.4 (from memory)", "CPRI 4.2.7.4", "CPRI 4.2.7.2.2"


def places(plane: Plane, keep: Any) -> Any:
    """Places of one plane, of which only those are looked at for which `keep` (of ns, xs, y arrays) holds."""

    class Changed(OctetWatch):
        def changes(
            self, of: Plane, counter: str, given: Places, flat: Any, first: int
        ) -> Iterator[OctetsChanged]:
            if of is plane and len(given):
                ns, xs, y = given.triples.T
                chosen = keep(ns, xs, y)
                given = Places(given.flat[chosen], given.triples[chosen])
            yield from super().changes(of, counter, given, flat, first)

    return parts(octet_watch=Changed)


def octets(plane: Plane, change: Any) -> Any:
    """Octets (n, all) of the control words of one plane changed before they are compared."""

    class Changed(OctetWatch):
        def changes(
            self, of: Plane, counter: str, given: Places, flat: Any, first: int
        ) -> Iterator[OctetsChanged]:
            yield from super().changes(
                of, counter, given, change(flat, given) if of is plane else flat, first
            )

        def receive(self, control: Any, pointer_p: int, rate_code: int, first: int) -> Iterator[Event]:
            yield from super().receive(control, pointer_p, rate_code, first)

    return parts(octet_watch=Changed)


class Watch(OctetWatch):
    """Knows the counters it moves."""

    def __init__(self, option: Any, counters: dict[str, int], **settings: Any) -> None:
        super().__init__(option, counters, **settings)
        self.option = option
        self.counted = counters


class OnceAHyperframe(Watch):
    def changes(
        self, of: Plane, counter: str, given: Places, flat: Any, first: int
    ) -> Iterator[OctetsChanged]:
        for event in super().changes(of, counter, given, flat, first):
            self.counted[counter] -= len(event) - 1
            yield replace(event, places=event.places[:3], old=event.old[:1], new=event.new[:1])


class OldForNew(Watch):
    def changes(
        self, of: Plane, counter: str, given: Places, flat: Any, first: int
    ) -> Iterator[OctetsChanged]:
        for event in super().changes(of, counter, given, flat, first):
            yield replace(event, old=event.new, new=event.old)


class NextXs(Watch):
    """The octet is told one word too late."""

    def changes(
        self, of: Plane, counter: str, given: Places, flat: Any, first: int
    ) -> Iterator[OctetsChanged]:
        if of is Plane.VENDOR:
            given = Places(np.roll(given.flat, -(len(given) // 4)), given.triples)
        yield from super().changes(of, counter, given, flat, first)


class ForgetsAtFrame(Watch):
    """Nothing is compared across HFN 0."""

    def receive(self, control: Any, pointer_p: int, rate_code: int, first: int) -> Iterator[Event]:
        starts = [i for i, hfn in enumerate(control[:, 64, 0].tolist()) if hfn == 0 and i]
        for a, b in zip([0, *starts], [*starts, len(control)], strict=True):
            if control[a, 64, 0] == 0:
                self.restart()
            yield from super().receive(control[a:b], pointer_p, rate_code, first + a)


class PointerIgnored(Watch):
    """Subchannels 16 to 63 are watched whatever p is."""

    def receive(self, control: Any, pointer_p: int, rate_code: int, first: int) -> Iterator[Event]:
        yield from super().receive(control, 0, rate_code, first)


class NoAxc(Watch):
    def changes(
        self, of: Plane, counter: str, given: Places, flat: Any, first: int
    ) -> Iterator[OctetsChanged]:
        if of is not Plane.CTRL_AXC:
            yield from super().changes(of, counter, given, flat, first)


class AxcIsReserved(Watch):
    def changes(
        self, of: Plane, counter: str, given: Places, flat: Any, first: int
    ) -> Iterator[OctetsChanged]:
        if of is Plane.CTRL_AXC:
            of, counter = Plane.RESERVED, "reserved_changes"
        yield from super().changes(of, counter, given, flat, first)


class WatchesHdlc(Watch):
    """All of subchannel 1 is taken for reserved."""

    def changes(
        self, of: Plane, counter: str, given: Places, flat: Any, first: int
    ) -> Iterator[OctetsChanged]:
        if of is Plane.RESERVED:
            more = subchannel_places(self.option.name, 1, 2)
            given = Places(
                np.concatenate((given.flat, more.flat)), np.concatenate((given.triples, more.triples))
            )
        yield from super().changes(of, counter, given, flat, first)


class MissesSecond(Watch):
    """A change in the hyperframe after a change is not seen."""

    last = -2

    def changes(
        self, of: Plane, counter: str, given: Places, flat: Any, first: int
    ) -> Iterator[OctetsChanged]:
        for event in super().changes(of, counter, given, flat, first):
            at = event.hyperframe or 0
            if of is Plane.VENDOR and at == self.last + 1:
                self.counted[counter] -= len(event)
                continue
            if of is Plane.VENDOR:
                self.last = at
            yield event


def low_nibble(flat: Any, given: Places) -> Any:
    return flat & 0x0F


def without_top_bit(flat: Any, given: Places) -> Any:
    return flat & 0x7F


def reversed_bits(block: Any) -> Any:
    return np.packbits(
        np.unpackbits(block[:, 1:, :, None], axis=3, bitorder="little"), axis=3, bitorder="big"
    )


def i_and_q(block: Any) -> Any:
    """Neighbouring bits exchanged: I and Q follow each other bit by bit."""
    octets = block[:, 1:, :]
    return (octets & 0x55) << 1 | (octets & 0xAA) >> 1


def one_bit_late(block: Any) -> Any:
    bits = np.unpackbits(block[:, 1:, :].reshape(256, -1), axis=1, bitorder="little")
    return np.packbits(np.roll(bits, 1, axis=1), axis=1, bitorder="little")


def without_lowest_bit(block: Any) -> Any:
    return block[:, 1:, :] & 0xFE


def last_basic_frame_again(block: Any) -> Any:
    out = block[:, 1:, :].copy()
    out[255] = out[254]
    return out


def counters_of_eight_bits(counters: dict[str, int]) -> None:
    for name in counters:
        counters[name] &= 0xFF


def doubled(*names: str) -> Any:
    def change(counters: dict[str, int]) -> None:
        for name in names:
            counters[name] *= 2

    return counting(change)


def exchanged(a: str, b: str) -> Any:
    def change(counters: dict[str, int]) -> None:
        counters[a], counters[b] = counters[b], counters[a]

    return counting(change)


def stuck(*names: str) -> Any:
    def change(counters: dict[str, int]) -> None:
        for name in names:
            counters[name] = 0

    return counting(change)


def lost_as_aborts(counters: dict[str, int]) -> None:
    counters["hdlc_aborts"] += counters["hdlc_lost_sync"]


def bad_frames_as_good(counters: dict[str, int]) -> None:
    counters["hdlc_frames"] += counters["hdlc_fcs_errors"]


def one_error_at_most(counters: dict[str, int]) -> None:
    for name in ("code_violations", "missed_sync_bytes", "l1_alarm_changes"):
        counters[name] = min(counters[name], 1)


COUNT = "contract of counters"
CHANGES = ("vendor.*", "known:places_2_3")
OCTETS = [
    Mutant("rest of subchannel 1 not looked at", "reserved", "what slow C&M leaves of subchannel 1 is reserved",
           "CPRI Table 11", ("reserved.flip, subchannel 1*", "reserved.flip, what rate code 1*"),
           places(Plane.RESERVED, lambda ns, xs, y: ns != 1)),
    Mutant("vendor octets of Y = 0 only", "vendor", "all octets Y of a word", VENDOR, CHANGES,
           places(Plane.VENDOR, lambda ns, xs, y: y == 0)),
    Mutant("last vendor subchannel missed", "vendor", "subchannels 16 to p - 1", VENDOR, CHANGES,
           places(Plane.VENDOR, lambda ns, xs, y: ns < ns.max())),
    Mutant("first vendor subchannel missed", "vendor", "subchannels 16 to p - 1", VENDOR, CHANGES,
           places(Plane.VENDOR, lambda ns, xs, y: ns > 16)),
    Mutant("vendor words of Xs = 3 missed", "vendor", "four words a subchannel", VENDOR, CHANGES,
           places(Plane.VENDOR, lambda ns, xs, y: xs < 3)),
    Mutant("vendor octets one word late", "vendor", "X = Ns + 64 Xs", VENDOR, CHANGES, parts(octet_watch=NextXs)),
    Mutant("pointer not looked at for vendor octets", "vendor", "subchannels 16 to p - 1", VENDOR,
           ("baseline", "known:places_*"), parts(octet_watch=PointerIgnored)),
    Mutant("several changes count as one", "vendor", "each octet that changes counts", VENDOR,
           ("vendor.*", "known:code_groups_8b10b"), parts(octet_watch=OnceAHyperframe)),
    Mutant("old and new value exchanged", "vendor", "old value, new value", VENDOR, CHANGES,
           parts(octet_watch=OldForNew)),
    Mutant("a change right after a change missed", "vendor",
           "each hyperframe is compared with the one before", VENDOR,
           ("vendor.*", "known:places_*"), parts(octet_watch=MissesSecond)),
    Mutant("nothing compared across HFN 0", "vendor", "each hyperframe is compared with the one before", VENDOR,
           ("baseline", "vendor.*"), parts(octet_watch=ForgetsAtFrame)),
    Mutant("low nibble of vendor octets compared", "vendor", "all bits of an octet", VENDOR, CHANGES,
           octets(Plane.VENDOR, low_nibble)),
    Mutant("top bit of vendor octets not compared", "vendor", "all bits of an octet", VENDOR, CHANGES,
           octets(Plane.VENDOR, without_top_bit)),
    Mutant("Ctrl_AxC not watched", "ctrl_axc", "subchannels 4 to 7", AXC, ("ctrl_axc.*", "known:places_2_3"),
           parts(octet_watch=NoAxc)),
    Mutant("subchannel 7 no Ctrl_AxC", "ctrl_axc", "subchannels 4 to 7", AXC, ("ctrl_axc.*", "known:places_2_3"),
           places(Plane.CTRL_AXC, lambda ns, xs, y: ns < 7)),
    Mutant("subchannel 4 no Ctrl_AxC", "ctrl_axc", "subchannels 4 to 7", AXC, ("ctrl_axc.*", "known:places_2_3"),
           places(Plane.CTRL_AXC, lambda ns, xs, y: ns > 4)),
    Mutant("Ctrl_AxC of Y = 0 only", "ctrl_axc", "all octets Y of a word", AXC, ("ctrl_axc.*", "known:places_2_3"),
           places(Plane.CTRL_AXC, lambda ns, xs, y: y == 0)),
    Mutant("Ctrl_AxC taken for reserved", "ctrl_axc", "subchannels 4 to 7", AXC, ("ctrl_axc.*", "known:places_2_3"),
           parts(octet_watch=AxcIsReserved)),
    Mutant("subchannel 15 not reserved", "reserved", "subchannels 3 and 8 to 15", RESERVED,
           ("reserved.*", "known:places_2_3"), places(Plane.RESERVED, lambda ns, xs, y: ns != 15)),
    Mutant("subchannel 3 not reserved", "reserved", "subchannels 3 and 8 to 15", RESERVED,
           ("reserved.*", "known:places_2_3"), places(Plane.RESERVED, lambda ns, xs, y: ns != 3)),
    Mutant("reserved octets of Y = 0 only", "reserved", "all octets Y of a word", RESERVED,
           ("reserved.*", "known:places_2_3"), places(Plane.RESERVED, lambda ns, xs, y: y == 0)),
    Mutant("rest of subchannels 0 and 2 not reserved", "reserved", "Y > 0 of Z.64, Z.128, Z.192 and subchannel 2",
           RESERVED, ("known:places_2_3",), places(Plane.RESERVED, lambda ns, xs, y: (ns != 0) & (ns != 2))),
    Mutant("slow C&M taken for reserved", "reserved", "what HDLC leaves of subchannel 1", RESERVED,
           ("baseline", "known:places_2_3"), parts(octet_watch=WatchesHdlc)),
    # ---- IQ
    Mutant("IQ data block from W = 0", "iq", "W = 1 to 15", IQ, ("baseline", "known:places_2_3", "iq.*"),
           iq(lambda block: block[:, :15, :])),
    Mutant("IQ octets of a word out of order", "iq", "Y ascending", IQ, ("baseline", "known:places_2_3", "iq.*"),
           iq(lambda block: block[:, 1:, ::-1])),
    Mutant("IQ words of a basic frame out of order", "iq", "W ascending", IQ,
           ("baseline", "known:places_2_3", "iq.*"), iq(lambda block: block[:, :0:-1, :])),
    Mutant("IQ bits highest first", "iq", "lowest bit first", IQ, ("baseline", "known:places_2_3", "iq.*"),
           iq(reversed_bits)),
    Mutant("I and Q exchanged", "iq", "I before Q, bit by bit", "CPRI 4.2.7.2.2",
           ("baseline", "known:places_2_3", "iq.*"), iq(i_and_q)),
    Mutant("IQ one bit late", "iq", "the first container begins with bit 0", IQ,
           ("baseline", "known:places_2_3", "iq.*"), iq(one_bit_late)),
    Mutant("lowest IQ bit missing", "iq", "samples are delivered exactly", IQ,
           ("baseline", "known:places_2_3", "iq.*"), iq(without_lowest_bit)),
    Mutant("IQ of the last basic frame missing", "iq", "256 basic frames", IQ,
           ("baseline", "known:places_2_3", "iq.*"), iq(last_basic_frame_again)),
    # ---- counters
    Mutant("counters of eight bits", "line", "counters do not wrap", "common practice, no source",
           ("line.dark*",), counting(counters_of_eight_bits)),
    Mutant("good frames counted twice", "hdlc", "a frame counts once", COUNT,
           ("baseline", "known:places_2_3"), doubled("hdlc_frames", "ethernet_frames")),
    Mutant("FCS errors of both channels exchanged", "hdlc", "each plane has its own counters", COUNT,
           ("hdlc.fcs*", "known:check_sequences"), exchanged("hdlc_fcs_errors", "ethernet_fcs_errors")),
    Mutant("frames with a wrong FCS count as good as well", "hdlc", "a frame counts under one heading", COUNT,
           ("hdlc.fcs*", "known:check_sequences"), counting(bad_frames_as_good)),
    Mutant("frames cut by LOF count as aborts", "hdlc", "a frame cut by LOF has its own counter", COUNT,
           ("line.violation:count=16",), counting(lost_as_aborts)),
    Mutant("missed sync bytes not counted", "sync", "each bad sync byte counts", COUNT, ("sync.comma*",),
           stuck("missed_sync_bytes")),
    Mutant("LOF not counted", "sync", "each loss of frame counts", COUNT, ("sync.comma*",), stuck("lof_events")),
    Mutant("realignments not counted", "line", "each realignment counts", COUNT, ("line.slip*", "delay.step*"),
           stuck("realignments")),
    Mutant("flags in place of counters", "line", "each error counts", COUNT,
           ("line.violation*", "sync.comma*", "l1.*"), counting(one_error_at_most)),
]  # fmt: skip
