"""Text, words, verdicts and counters of the screen, without a screen."""

from __future__ import annotations

import dataclasses

import pytest

from decoders import events as ev
from decoders.counters import COUNTERS, plane_of, plane_of_counter
from monitor.faults.verdict import Verdict
from monitor.links.judgement import PATIENCE_HYPERFRAMES, SETTLE_HYPERFRAMES, live_judgement
from monitor.links.pipeline import Pipeline
from monitor.links.snapshot import BoardSaid, InjectedFault, Snapshot, SourceWarning
from monitor.tui.event_words import event_in_words, is_bad
from monitor.tui.feed import Feed
from monitor.tui.repeater import Repeater
from tests.support.screen_fakes import FakeSource

SAMPLES: list[tuple[ev.Event, ev.Plane, bool]] = [
    (ev.CodeErrors(3, 1, 2, 77), ev.Plane.LINE, True),
    (ev.AlignmentChanged(None, 13, 3), ev.Plane.LINE, False),
    (ev.BlockErrors(3, 2, 1, 0, 77), ev.Plane.LINE, True),
    (ev.CodewordErrors(3, 0, 0, 1, 0, 77), ev.Plane.LINE, True),
    (ev.CodewordErrors(3, 2, 5, 0, 0, 77), ev.Plane.LINE, False),
    (ev.SyncWordDiffers(3, "T3_S4", "S"), ev.Plane.SYNC, False),
    (ev.SyncWordFillerMismatch(3, bytes(16)), ev.Plane.SYNC, True),
    (ev.ScramblingSeedChanged(3, 1, 0x12345678), ev.Plane.SYNC, False),
    (ev.ScramblingUnreliable(3, 1), ev.Plane.SYNC, True),
    (ev.UnexpectedK(3, 1, 2, 3, 0, 0xBC), ev.Plane.LINE, True),
    (ev.HyperframesNotReceived(3, 40), ev.Plane.LINE, False),
    (ev.HyperframesNotReceived(3, None), ev.Plane.LINE, True),
    (BoardSaid(3, "PLL locked \x1b[2J"), ev.Plane.LINE, False),
    (SourceWarning(3, "the line broke: gone\x1b[2J"), ev.Plane.LINE, True),
    (SourceWarning(None, "taken as option 2"), ev.Plane.LINE, False),
    (ev.PossibleInversion(0), ev.Plane.LINE, True),
    (ev.SyncStateChanged(None, "XACQ1", "XACQ2"), ev.Plane.SYNC, False),
    (ev.SyncStateChanged(9, "HFNSYNC", "XSYNC2"), ev.Plane.SYNC, True),
    (ev.SyncByteMissed(3, 0x50), ev.Plane.SYNC, True),
    (ev.FillerMismatch(3, b"\x00"), ev.Plane.SYNC, True),
    (ev.HfnInvalid(3, 200), ev.Plane.SYNC, True),
    (ev.HfnDiscontinuity(3, 4, 9), ev.Plane.SYNC, True),
    (ev.BfnDiscontinuity(3, 4, 9), ev.Plane.SYNC, True),
    (ev.AlarmRaised(3, ev.Alarm.LOS, ev.Origin.LOCAL), ev.Plane.LINE, True),
    (ev.AlarmRaised(3, ev.Alarm.LOF, ev.Origin.LOCAL), ev.Plane.SYNC, True),
    (ev.AlarmRaised(3, ev.Alarm.RAI, ev.Origin.REMOTE), ev.Plane.L1, True),
    (ev.AlarmCleared(3, ev.Alarm.RAI, ev.Origin.REMOTE), ev.Plane.L1, False),
    (ev.L1Changed(3, "alarms", 0, 2), ev.Plane.L1, False),
    (ev.L1Accepted(3, "pointer_p", 0, 40), ev.Plane.L1, False),
    (ev.SettingRejected(3, "pointer_p", 5), ev.Plane.L1, True),
    (ev.ResetRequested(3), ev.Plane.L1, False),
    (ev.StartupStateChanged(3, "A", "C"), ev.Plane.L1, False),
    (ev.OctetsChanged(3, ev.Plane.VENDOR, bytes(18), bytes(6), bytes(6)), ev.Plane.VENDOR, False),
    (
        ev.FrameReceived(3, 1, 2, ev.Plane.HDLC, ev.FrameStatus.GOOD, b"hello", b"\x01\x02"),
        ev.Plane.HDLC,
        False,
    ),
    (ev.FrameReceived(3, 1, 2, ev.Plane.ETHERNET, ev.FrameStatus.CODE, b"", b""), ev.Plane.ETHERNET, True),
]


def test_every_kind_of_event_has_a_sample() -> None:
    kinds = {
        kind.__name__
        for kind in ev.Event.__subclasses__()
        if not kind.__module__.startswith("monitor.campaign")
    }
    assert kinds == {type(event).__name__ for event, _, _ in SAMPLES}


@pytest.mark.parametrize(("event", "plane", "bad"), SAMPLES, ids=lambda v: type(v).__name__)
def test_events_in_words(event: ev.Event, plane: ev.Plane, bad: bool) -> None:
    told = event_in_words(event)
    assert plane_of(event) is plane
    assert is_bad(event) is bad
    assert (told.glyph == "!") is bad
    assert told.word != "event" and len(told.word) <= 9
    assert told.text.isascii() and told.text.isprintable()


def test_addresses_are_those_of_the_standard() -> None:
    event = ev.OctetsChanged(60, ev.Plane.VENDOR, bytes((20, 1, 0)), b"\x00", b"\xa5")
    assert "#Z.84.0 00>A5" in event_in_words(event).text  # X = Ns + 64 * Xs


def test_the_expected_sync_byte_is_that_of_the_line_code() -> None:
    assert event_in_words(ev.SyncByteMissed(3, 0x50)).text == "observed 0x50, expected 0xBC (K28.5)"
    assert event_in_words(ev.SyncByteMissed(3, 0x50, 0xFD)).text == "observed 0x50, expected 0xFD (/T/)"


def test_what_fec_did_is_told_by_codewords() -> None:
    words = event_in_words(ev.CodewordErrors(3, 2, 5, 1, 0, 77))
    assert words.text.startswith("1 codeword not corrected, 2 codewords corrected, first at octet 77")


def _snapshot(steps: int = 4) -> Snapshot:
    pipeline = Pipeline(FakeSource())
    for _ in range(steps):
        pipeline.step()
    return pipeline.snapshot()


def _later(snapshot: Snapshot, hyperframes: int, **counters: int) -> Snapshot:
    return dataclasses.replace(snapshot, hyperframes=hyperframes, counters={**snapshot.counters, **counters})


def _fault(snapshot: Snapshot, text: str, **expected: int) -> InjectedFault:
    return InjectedFault(0, text, 100, expected, dict(snapshot.counters))


def test_verdicts() -> None:
    base = _snapshot()
    fault = _fault(base, "hdlc.fcs", hdlc_fcs_errors=1)
    settled, late = 100 + SETTLE_HYPERFRAMES, 100 + PATIENCE_HYPERFRAMES
    found = {"hdlc_fcs_errors": 1}
    assert live_judgement(fault, _later(base, settled - 1, **found)).verdict is Verdict.WAITING
    assert live_judgement(fault, _later(base, settled, **found)).verdict is Verdict.DETECTED
    assert live_judgement(fault, _later(base, settled)).verdict is Verdict.WAITING
    assert live_judgement(fault, _later(base, late)).verdict is Verdict.MISSED
    assert live_judgement(fault, _later(base, settled, **found, hdlc_aborts=1)).verdict is Verdict.SIDE_EFFECT
    assert (
        live_judgement(fault, _later(base, settled, **found, vendor_changes=999)).verdict is Verdict.DETECTED
    )
    ended = dataclasses.replace(_later(base, 110), ended=True)
    assert live_judgement(fault, ended).verdict is Verdict.CUT_SHORT
    broke = dataclasses.replace(_later(base, 110), breaks_of_unknown_length=1)
    assert live_judgement(fault, broke).verdict is Verdict.CUT_SHORT
    assert live_judgement(dataclasses.replace(fault, breaks=1), broke).verdict is Verdict.WAITING
    twice = _fault(base, "l1.rai:hyperframes=2", l1_alarm_changes=2)
    assert live_judgement(twice, _later(base, late, l1_alarm_changes=1)).verdict is Verdict.MISCOUNTED


def test_verdicts_without_a_set_amount() -> None:
    base = dataclasses.replace(_snapshot(), form="flagged")
    flip = _fault(base, "line.flip:x=100,w=5,y=0,bit=3")
    settled, late = 100 + SETTLE_HYPERFRAMES, 100 + PATIENCE_HYPERFRAMES
    assert live_judgement(flip, _later(base, settled, code_violations=2)).verdict is Verdict.DETECTED
    assert live_judgement(flip, _later(base, late)).verdict is Verdict.MISSED
    octets = dataclasses.replace(base, form="octets")  # which carry no code errors
    assert live_judgement(flip, _later(octets, settled - 1)).verdict is Verdict.WAITING
    assert live_judgement(flip, _later(octets, settled)).verdict is Verdict.SILENT
    assert (
        live_judgement(flip, _later(octets, settled, vendor_changes=1, hdlc_fcs_errors=1)).verdict
        is Verdict.SIDE_EFFECT
    )
    silent = _fault(base, "iq.flip")
    assert live_judgement(silent, _later(base, settled)).verdict is Verdict.SILENT
    assert live_judgement(silent, _later(base, settled, hdlc_aborts=1)).verdict is Verdict.SIDE_EFFECT


def test_changes_beside_the_expected_counter_are_a_side_effect() -> None:
    """The link's own traffic moves vendor_changes a little; what is more comes from elsewhere."""
    base = _snapshot()
    fault = dataclasses.replace(
        _fault(base, "hdlc.fcs", hdlc_fcs_errors=1), own_traffic={"vendor_changes": 1, "ctrl_axc_changes": 0}
    )
    settled, vendor = 100 + SETTLE_HYPERFRAMES, base.counters["vendor_changes"]
    for more, verdict in ((0, Verdict.DETECTED), (1, Verdict.DETECTED), (5, Verdict.SIDE_EFFECT)):
        judged = live_judgement(fault, _later(base, settled, hdlc_fcs_errors=1, vendor_changes=vendor + more))
        assert judged.verdict is verdict
    assert [f.text for f in judged.findings] == ["vendor_changes: expected +0..+1, observed +5"]


def test_a_fault_of_a_pair_shows_at_the_other_board() -> None:
    base = _snapshot()
    fault = dataclasses.replace(_fault(base, "hdlc.fcs"), elsewhere=True)
    assert live_judgement(fault, _later(base, 100)).verdict is Verdict.WAITING
    assert live_judgement(fault, _later(base, 200)).verdict is Verdict.ELSEWHERE
    repeater = Repeater(lambda text: fault)
    feed = Feed(Pipeline(FakeSource()))
    repeater.start("hdlc.fcs", feed)
    repeater.tick(feed)
    feed.judged = [live_judgement(fault, _later(base, 200))]
    repeater.tick(feed)
    assert repeater.told.endswith(": 1 injected, observed at the other board")
    repeater.judged = repeater.passed = 1
    assert repeater.told.endswith(": 1 injected, observed at the other board, 1 of 1 as expected")


def test_every_counter_stands_under_a_plane() -> None:
    planes = {name: plane_of_counter(name) for name in COUNTERS}
    assert planes["hdlc_rate_invalid"] is ev.Plane.L1
    assert planes["hdlc_fcs_errors"] is ev.Plane.HDLC
    assert planes["lof_events"] is ev.Plane.SYNC
    assert {n for n, p in planes.items() if p is ev.Plane.LINE} >= {
        "code_violations",
        "disparity_errors",
        "los_events",
        "unexpected_k",
        "realignments",
    }
