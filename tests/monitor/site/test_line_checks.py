"""Signs that the receiver at a point counts by itself."""

from __future__ import annotations

import pytest

from decoders import events as ev
from decoders.counters import counters_of, is_damage
from decoders.events import Alarm, Origin, Plane
from monitor.site.line_checks import line_signs

LOCAL: list[ev.Event] = [
    ev.CodeErrors(4, 2, 1, 77),
    ev.BlockErrors(4, 1, 1, 1, 0),
    ev.CodewordErrors(4, 0, 0, 1, 1, 0),
    ev.UnexpectedK(4, 1, 100, 5, 0, 0xBC),
    ev.PossibleInversion(4),
    ev.AlarmRaised(4, Alarm.LOS, Origin.LOCAL),
    ev.AlarmRaised(4, Alarm.LOF, Origin.LOCAL),
    ev.SyncByteMissed(4, 0x50),
    ev.FillerMismatch(4, b"\x01"),
    ev.HfnInvalid(4, 200),
    ev.HfnDiscontinuity(4, 3, 9),
    ev.BfnDiscontinuity(4, 3, 9),
    ev.ScramblingUnreliable(4, 5),
    ev.SettingRejected(4, "pointer_p", 12),
]


@pytest.mark.parametrize("event", LOCAL, ids=lambda event: type(event).__name__)
def test_damage_that_a_receiver_tells_has_a_sign_of_its_plane(event: ev.Event) -> None:
    assert is_damage(event)
    signs = list(line_signs(event))
    assert signs and all(sign.count >= 1 for sign in signs)


def test_signs_are_named_like_the_counters_where_there_is_one() -> None:
    for event in LOCAL[:2] + LOCAL[5:8] + LOCAL[9:12]:
        assert {sign.kind for sign in line_signs(event)} == set(counters_of(event))


def test_alarms_of_the_remote_end_are_of_l1_and_local_ones_of_the_line() -> None:
    [remote] = line_signs(ev.AlarmRaised(4, Alarm.LOS, Origin.REMOTE))
    [local] = line_signs(ev.AlarmRaised(4, Alarm.LOS, Origin.LOCAL))
    assert (remote.plane, remote.outage, remote.key) == (Plane.L1, False, (Alarm.LOS,))
    assert (local.plane, local.outage, local.key) == (Plane.LINE, True, ())


def test_what_is_no_damage_has_no_sign() -> None:
    for event in (
        ev.AlarmCleared(4, Alarm.LOS, Origin.REMOTE),
        ev.CodewordErrors(4, 3, 5, 0, 0, 0),
        ev.L1Changed(4, "alarms", 0, 2),
        ev.HyperframesNotReceived(4, 3),
    ):
        assert list(line_signs(event)) == []
