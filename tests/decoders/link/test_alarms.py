"""LOS by count of characters in error, and Z.130.0 of the far end (CPRI V7.0 clauses 4.2.7.6 and 4.2.10).

16 in one hyperframe set LOS; that one clean hyperframe clears it, and the ten hyperframes of a reset request,
are from memory.
"""

from __future__ import annotations

import pytest

from decoders.events import Alarm, AlarmCleared, AlarmRaised, Event, L1Changed, Origin, ResetRequested
from decoders.link.alarms import LOS_THRESHOLD, REMOTE_DEFECTS, RESET_HYPERFRAMES, LosDetector, RemoteAlarms


def _los(windows: list[int]) -> list[bool | None]:
    detector = LosDetector()
    return [detector.window(errors) for errors in windows]


@pytest.mark.parametrize(
    ("windows", "said"),
    [
        ([15], [None]),
        ([16], [True]),
        ([8, 8], [None, None]),
        ([15, 15, 15], [None, None, None]),
        ([16, 16], [True, None]),
        ([16, 0], [True, False]),
        ([16, 1, 0], [True, None, False]),
        ([4096, 1, 15, 0, 0, 16], [True, None, None, False, None, True]),
    ],
)
def test_los_windows(windows: list[int], said: list[bool | None]) -> None:
    assert LOS_THRESHOLD == 16
    assert _los(windows) == said


def test_los_threshold_is_a_setting() -> None:
    detector = LosDetector(threshold=2)
    assert detector.window(1) is None
    assert detector.window(2) is True
    assert detector.active


def _remote(octets: list[int], needed: int = RESET_HYPERFRAMES) -> tuple[list[Event], int, int]:
    alarms = RemoteAlarms(needed)
    events: list[Event] = []
    changes = requests = 0
    for hyperframe, octet in enumerate(octets):
        found, changed, requested = alarms.receive(hyperframe, octet)
        events += found
        changes += changed
        requests += requested
    return events, changes, requests


@pytest.mark.parametrize(("hyperframes", "requests"), [(1, 0), (9, 0), (10, 1), (11, 1), (40, 1)])
def test_reset_is_a_request_at_the_tenth(hyperframes: int, requests: int) -> None:
    events, changes, counted = _remote([0, *[1] * hyperframes, 0])
    assert counted == requests
    asked = [event.hyperframe for event in events if isinstance(event, ResetRequested)]
    assert asked == [10] * requests  # hyperframe 1 is the first with the bit
    assert changes == 2


def test_reset_runs_do_not_add_up() -> None:
    assert _remote([*[1] * 9, 0, *[1] * 9])[2] == 0
    assert _remote([*[1] * 10, 0, *[1] * 10])[2] == 2
    assert _remote([1] * 5, needed=5)[2] == 1


@pytest.mark.parametrize(
    ("octet", "alarm"),
    [(0x01, Alarm.RESET), (0x02, Alarm.RAI), (0x04, Alarm.SDI), (0x08, Alarm.LOS), (0x10, Alarm.LOF)],
)
def test_each_bit_is_its_alarm(octet: int, alarm: Alarm) -> None:
    events, changes, _ = _remote([0, octet, octet, 0])
    assert changes == 2
    assert events == [
        L1Changed(1, "alarms", 0, octet),
        AlarmRaised(1, alarm, Origin.REMOTE),
        L1Changed(3, "alarms", octet, 0),
        AlarmCleared(3, alarm, Origin.REMOTE),
    ]


def test_all_bits_at_once() -> None:
    events, changes, _ = _remote([0x1F])
    assert changes == 5
    assert [e.alarm.value for e in events if isinstance(e, AlarmRaised)] == [
        "reset",
        "rai",
        "sdi",
        "los",
        "lof",
    ]


def test_remote_defects_are_those_of_its_receiver() -> None:
    assert REMOTE_DEFECTS == 0x02 | 0x08 | 0x10


@pytest.mark.parametrize(
    "octets", [[0] * 30, [1] * 30, [2] * 30, [0, 1, 1] * 10, [3] * 12 + [2] * 5 + [3] * 12]
)
@pytest.mark.parametrize("piece", [1, 2, 5, 11, 30])
def test_steady_octets_may_be_taken_in_one_step(octets: list[int], piece: int) -> None:
    """`steady` and `receive` mixed give what `receive` alone gives."""
    expected = _remote(octets)
    alarms = RemoteAlarms()
    events: list[Event] = []
    changes = requests = 0
    for start in range(0, len(octets), piece):
        part = octets[start : start + piece]
        if len(set(part)) == 1 and alarms.steady(part[0], len(part)):
            continue
        for i, octet in enumerate(part):
            found, changed, requested = alarms.receive(start + i, octet)
            events += found
            changes += changed
            requests += requested
    assert (events, changes, requests) == expected
