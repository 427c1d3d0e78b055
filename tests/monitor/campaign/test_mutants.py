"""Receivers with one thing wrong: the campaign must fail each in the rows that its mistake touches, and in no other.

Every mutant is LinkDecoder with one rule changed. The rows stated beside each follow from the rule of the clause
that is broken, not from a run.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import cache, partial

import numpy as np
import pytest

from decoders.cm_plane.ethernet import EthernetDecoder
from decoders.cm_plane.hdlc import HdlcDecoder, HdlcFrame
from decoders.events import Event, FrameStatus, HfnDiscontinuity, HfnInvalid, OctetsChanged, Plane
from decoders.frame_structure.controlwords import Places
from decoders.line_coding.characters import LineForm, open_reader
from decoders.line_coding.line_octets import LineOctets, Place
from decoders.link.decoder import LinkDecoder
from decoders.link.hyperframe_sync import FallBack
from decoders.link.octet_watch import OctetWatch
from decoders.link.parts import LinkParts
from decoders.link.settings import LinkSettings
from decoders.link.timing import TimingCheck
from monitor.campaign import campaign
from monitor.campaign.campaign import ReceiverFactory, run_campaign
from monitor.campaign.cases import BASELINE, Case
from monitor.campaign.conditions import LinkConditions
from monitor.campaign.transmission import Transmission, transmit
from monitor.faults.kinds import Fault
from monitor.faults.verdict import Verdict

ROWS = tuple(
    Case(tuple(name.split(" + ")))
    for name in (
        "line.flip", "line.flip:w=9,bit=9", "line.violation", "line.violation:count=15", "line.violation:count=16",
        "line.disparity", "line.k", "line.slip", "line.dark", "line.character",
        "sync.comma", "sync.comma:count=2", "sync.comma:count=3", "sync.filler", "sync.hfn", "sync.hfn:value=7",
        "sync.hfn_stuck", "sync.bfn", "sync.bfn:xor=0x400", "sync.jump",
        "l1.reset:hyperframes=10", "l1.rai", "l1.los", "l1.alarms", "l1.reserved", "l1.pointer", "l1.version",
        "l1.rate",
        "hdlc.fcs", "hdlc.fcs_order", "hdlc.abort", "hdlc.short", "hdlc.unaligned", "hdlc.stuffing",
        "hdlc.stuffing:ones=1", "hdlc.flag", "hdlc.join",
        "ethernet.fcs", "ethernet.code", "ethernet.delimiter", "ethernet.sfd", "ethernet.preamble",
        "ethernet.short", "ethernet.short:octets=5", "ethernet.size:octets=64",
        "vendor.value", "vendor.flip", "ctrl_axc.flip", "reserved.flip", "iq.flip",
        "hdlc.fcs + ethernet.fcs", "sync.comma + hdlc.abort", "line.disparity + vendor.value",
    )
)  # fmt: skip
CONDITIONS = LinkConditions(option="2", seed=3)


@pytest.fixture(scope="module", autouse=True)
def _sent_once() -> Iterator[None]:
    """Every mutant gets the same transmissions: they are made once."""

    @cache
    def made(length: int, texts: tuple[str, ...]) -> Transmission:
        faults = [campaign.parse_fault(text) for text in texts]
        return transmit(CONDITIONS, faults, length)

    def cached(conditions: LinkConditions, faults: Sequence[Fault], length: int) -> Transmission:
        assert conditions == CONDITIONS
        return made(length, tuple(fault.text for fault in faults))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(campaign, "transmit", cached)
        yield


def failing(receiver: ReceiverFactory) -> dict[str, Verdict]:
    """Rows that this receiver fails, with the word for each."""
    done = run_campaign(CONDITIONS, [Case(()), *ROWS], receiver=receiver)
    assert len(done.results) == 1 + len(ROWS)
    return {result.case.name: result.verdict for result in done.results if not result.passed}


def mutant(parts: dict[str, object] | None = None, **settings: object) -> ReceiverFactory:
    """The receiver with some of its parts, or some of its settings, replaced."""
    changed = replace(LinkParts(), **(parts or {}))  # type: ignore[arg-type]

    def make(given: LinkSettings) -> LinkDecoder:
        return LinkDecoder(replace(given, **settings), parts=changed)  # type: ignore[arg-type]

    return make


def slow(rule: Callable[[HdlcFrame], HdlcFrame | None]) -> dict[str, object]:
    """Judge every HDLC frame once more by another rule; None loses it."""

    class Changed(HdlcDecoder):
        def receive(self, octets: object) -> list[HdlcFrame]:
            frames = super().receive(octets)  # type: ignore[arg-type]
            return [again for frame in frames if (again := rule(frame)) is not None]

    return {"hdlc": Changed}


def wrong_polynomial(frame: HdlcFrame) -> HdlcFrame:
    """x^16 + x^15 + x^2 + 1 in place of x^16 + x^12 + x^5 + 1."""
    if frame.status not in (FrameStatus.GOOD, FrameStatus.FCS):
        return frame
    register = 0xFFFF
    for octet in frame.data:
        register ^= octet
        for _ in range(8):
            register = register >> 1 ^ 0xA001 * (register & 1)
    good = (register ^ 0xFFFF).to_bytes(2, "little") == frame.fcs
    return replace(frame, status=FrameStatus.GOOD if good else FrameStatus.FCS)


def unchecked(frame: HdlcFrame) -> HdlcFrame:
    return replace(frame, status=FrameStatus.GOOD) if frame.status is FrameStatus.FCS else frame


def no_abort(frame: HdlcFrame) -> HdlcFrame | None:
    return None if frame.status is FrameStatus.ABORT else frame


class WithoutDisparity:
    """A reader whose characters never have a disparity error."""

    def __init__(self, form: LineForm, hyperframe_octets: int) -> None:
        self._reader = open_reader(form, hyperframe_octets)

    def __getattr__(self, name: str) -> object:
        return getattr(self._reader, name)

    def read(self) -> LineOctets:
        found = self._reader.read()
        kept = {place: at for place, at in found.places.items() if place is not Place.DISPARITY_ERROR}
        return replace(found, places=kept)


class LowBfn(TimingCheck):
    """The high nibble of BFN is not looked at."""

    def receive(self, hfn: np.ndarray, bfn: np.ndarray, first: int) -> Iterator[Event]:
        return super().receive(hfn, bfn & 0xFF, first)


class AnyHfn(TimingCheck):
    """An HFN above 149 counts as a jump."""

    def receive(self, hfn: np.ndarray, bfn: np.ndarray, first: int) -> Iterator[Event]:
        for event in super().receive(hfn, bfn, first):
            if isinstance(event, HfnInvalid):
                self._counters["hfn_invalid"] -= 1
                self._counters["hfn_discontinuities"] += 1
                yield HfnDiscontinuity(event.hyperframe, 0, event.value)
            else:
                yield event


class WrongXs(OctetWatch):
    """Vendor specific octets of word index Xs are taken from Xs + 1."""

    def changes(
        self, plane: Plane, counter: str, places: Places, flat: np.ndarray, first: int
    ) -> Iterator[OctetsChanged]:
        if plane is Plane.VENDOR:
            a_word = len(places) // 4
            places = Places(np.roll(places.flat, -a_word), places.triples)
        return super().changes(plane, counter, places, flat, first)


RUNTS = {"ethernet": partial(EthernetDecoder, min_octets=4)}


class RemoteIsLocal(LinkDecoder):
    """What the far end reports counts as one's own loss of signal."""

    def receive(self, data: object, now: int = 0) -> list[Event]:
        events = super().receive(data, now)  # type: ignore[arg-type]
        told = sum(type(e).__name__ == "AlarmRaised" and e.origin == "remote" for e in events)  # type: ignore[attr-defined]
        self.counters["los_events"] += told
        return events


class Fragile(LinkDecoder):
    """Gives up at a frame that is too short."""

    def receive(self, data: object, now: int = 0) -> list[Event]:
        events = super().receive(data, now)  # type: ignore[arg-type]
        if self.counters["hdlc_too_short"]:
            raise IndexError("no control field")
        return events


LOSING_SYNC = ("line.violation:count=16", "sync.comma:count=3", "line.slip", "line.character", "line.dark")
SLIPPED = ("line.slip", "line.character")

MUTANTS: dict[str, tuple[ReceiverFactory, set[str]]] = {
    # ISO/IEC 13239: FCS-16; a lost flag shows by it, too.
    "HDLC FCS never checked": (
        mutant(slow(unchecked)),
        {"hdlc.fcs", "hdlc.fcs_order", "hdlc.flag", "hdlc.fcs + ethernet.fcs"},
    ),
    # ISO/IEC 13239: seven ones; a frame without one stuffed zero may end in them too.
    "no HDLC abort": (
        mutant(slow(no_abort)),
        {"hdlc.abort", "hdlc.stuffing:ones=1", "sync.comma + hdlc.abort"},
    ),
    # CPRI clause 4.2.10.2: 16 in one hyperframe.
    "LOS from 17 on": (mutant(los_threshold=17), {"line.violation:count=16"}),
    # CPRI clause 4.2.9: one missed sync byte is no loss; where three are declared only one is left to count.
    "one missed sync byte loses sync": (
        mutant(fall_back=FallBack.TO_START),
        {"sync.comma", "sync.comma:count=2", "sync.comma:count=3", "sync.comma + hdlc.abort", "line.dark",
         "line.character"},
    ),
    # CPRI clause 4.2.7.3: BFN has 12 bits, four of them in Z.192.0.
    "high nibble of BFN ignored": (mutant({"timing": LowBfn}), {"sync.bfn:xor=0x400"}),
    # CPRI clause 4.2.7.3: 150 to 255 are invalid, not a jump.
    "HFN above 149 taken for a jump": (mutant({"timing": AnyHfn}), {"sync.hfn"}),
    # IEEE 802.3 clause 36.2.4.4.
    "disparity never checked": (
        mutant({"reader": WithoutDisparity}),
        {"line.flip", "line.flip:w=9,bit=9", "line.disparity", "line.disparity + vendor.value"},
    ),
    # IEEE 802.3 clause 4.4.2: 64 octets.
    "Ethernet runts accepted": (mutant(RUNTS), {"ethernet.short", "ethernet.short:octets=5"}),
    # CPRI clause 4.2.7.7.3, X = Ns + 64 Xs: the count is right, the place is not.
    "vendor octets from the next Xs": (
        mutant({"octet_watch": WrongXs}),
        {"vendor.value", "vendor.flip", "line.disparity + vendor.value"},
    ),
    # CPRI clause 4.2.10: LOS is what one's own receiver finds. Read out of step, Z.130.0 may hold anything.
    "remote alarm taken for a local one": (
        RemoteIsLocal,
        {"l1.reset:hyperframes=10", "l1.rai", "l1.los", "l1.alarms", *SLIPPED},
    ),
    "gives up at a short frame": (Fragile, {"hdlc.short"}),
}  # fmt: skip


@pytest.mark.parametrize("name", MUTANTS)
def test_a_mutant_fails_where_it_is_wrong_and_nowhere_else(name: str) -> None:
    receiver, rows = MUTANTS[name]
    assert set(failing(receiver)) == rows


def test_the_receiver_itself_fails_nowhere() -> None:
    assert failing(LinkDecoder) == {}


def test_the_word_tells_what_is_wrong() -> None:
    assert failing(mutant({"octet_watch": WrongXs}))["vendor.flip"] is Verdict.MISPLACED
    assert failing(Fragile)["hdlc.short"] is Verdict.CRASHED
    assert failing(mutant(RUNTS))["ethernet.short"] is Verdict.MISSED
    assert failing(RemoteIsLocal)["l1.los"] is Verdict.SIDE_EFFECT


def test_a_wrong_polynomial_shows_without_any_fault() -> None:
    """ISO/IEC 13239: every frame reads as bad, in the baseline too.

    So a row fails exactly where the number of whole frames, good or bad by the right polynomial, differs from the
    baseline's by another number than that of the wrong check sequences which the row declares.
    """
    due = set()
    for result in run_campaign(CONDITIONS, [Case(()), *ROWS]).results[1:]:
        assert result.declared is not None
        frames = result.moved.get("hdlc_frames", 0) + result.moved.get("hdlc_fcs_errors", 0)
        expectation = result.declared.expectation
        least, most = expectation.allowed.get("hdlc_fcs_errors", (0, 0))
        tolerated = "hdlc_fcs_errors" in expectation.tolerated
        if not tolerated and (frames < least or (most is not None and frames > most)):
            due.add(result.case.name)
    rows = failing(mutant(slow(wrong_polynomial)))
    assert rows.pop(BASELINE) is Verdict.DIRTY
    assert set(rows) == due
    assert {"hdlc.fcs", "hdlc.fcs_order", "hdlc.flag", "hdlc.fcs + ethernet.fcs"} <= due
    assert not {name for name in due if name.startswith(("ethernet", "vendor", "l1", "iq"))}
