"""One table for events and counters: whole, and the same as what a decode counts."""

from __future__ import annotations

from collections import Counter

import pytest

from decoders import events as ev
from decoders.counters import (
    COUNTERS,
    COUNTERS_OF_PLANE,
    ERROR_COUNTERS,
    counters_of,
    is_damage,
    plane_of,
    plane_of_counter,
)
from decoders.line_coding.characters import LineForm
from decoders.link.settings import LinkSettings
from tests.support.streams import crafted, decode

HEARD = (
    "sync.comma@20", "sync.filler@24", "sync.hfn@28", "sync.bfn@32", "line.k@36", "line.violation@40",
    "line.disparity@44", "l1.rai@48:hyperframes=2", "l1.reset@54:hyperframes=12", "l1.version@72:hyperframes=2",
    "l1.rate@80:hyperframes=2,value=7", "hdlc.fcs@88", "ethernet.code@96", "vendor.flip@104", "reserved.flip@108",
    "ctrl_axc.flip@112", "line.violation@120:count=16",
)  # fmt: skip


def test_every_counter_stands_under_one_plane() -> None:
    names = [name for names in COUNTERS_OF_PLANE.values() for name in names]
    assert sorted(names) == sorted(COUNTERS)
    assert all(
        plane_of_counter(name) is plane for plane, names in COUNTERS_OF_PLANE.items() for name in names
    )
    assert plane_of_counter("of_another_program") is ev.Plane.LINE
    assert set(COUNTERS) > ERROR_COUNTERS


def test_the_events_of_a_decode_name_the_counters_that_moved() -> None:
    """An event that counts one stands for one; code errors, stray K and octets say their own number."""
    data, _ = crafted("2", LineForm.SYMBOLS, HEARD, hyperframes=160)
    done = decode(data, LinkSettings(option="2", form=LineForm.SYMBOLS))
    told: Counter[str] = Counter()
    for event in done.events:
        for name in counters_of(event):
            match event:
                case ev.CodeErrors():
                    told[name] += getattr(event, name)
                case ev.UnexpectedK():
                    told[name] += event.count
                case ev.OctetsChanged():
                    told[name] += len(event)
                case _:
                    told[name] += 1
    assert len(done.moved) >= 15
    # A value that is not valid is told once, and counted in each hyperframe it stands.
    counted = dict(done.moved)
    for name in ("version_unknown", "hdlc_rate_invalid"):
        assert counted.pop(name) >= told.pop(name) >= 1
    assert counted.pop("hdlc_lost_sync") == 1  # a frame that is cut has no event
    assert told == counted
    for event in done.events:
        assert all(plane_of_counter(name) is plane_of(event) for name in counters_of(event))


@pytest.mark.parametrize(
    ("event", "damage"),
    [
        (ev.AlarmRaised(3, ev.Alarm.RAI, ev.Origin.REMOTE), True),
        (ev.AlarmRaised(3, ev.Alarm.LOF, ev.Origin.LOCAL), True),
        (ev.AlarmCleared(3, ev.Alarm.LOS, ev.Origin.LOCAL), False),
        (ev.SyncStateChanged(3, "HFNSYNC", "XSYNC2"), True),
        (ev.SyncStateChanged(3, "XSYNC2", "HFNSYNC"), False),
        (ev.HyperframesNotReceived(3, None), True),
        (ev.HyperframesNotReceived(3, 4), False),
        (ev.PossibleInversion(3), True),
        (ev.L1Changed(3, "pointer", 40, 30), False),
        (ev.AlignmentChanged(3, 17, 7), False),
    ],
)
def test_what_is_damage(event: ev.Event, damage: bool) -> None:
    assert is_damage(event) is damage


def test_a_change_of_the_pointer_moves_no_alarm_counter() -> None:
    """Z.130.0 has the alarms, Z.194.0 the pointer (clause 4.2.7.6)."""
    assert counters_of(ev.L1Changed(32, "pointer", 40, 30)) == ()
    assert counters_of(ev.AlarmRaised(12, ev.Alarm.RAI, ev.Origin.REMOTE)) == ("l1_alarm_changes",)
    assert counters_of(ev.AlarmCleared(12, ev.Alarm.LOS, ev.Origin.LOCAL)) == ()


def test_an_event_of_another_program_is_no_damage() -> None:
    event = ev.Event(4)
    assert (counters_of(event), plane_of(event), is_damage(event)) == ((), ev.Plane.LINE, False)
