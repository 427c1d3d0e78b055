"""L1 inband octets as received and as accepted (CPRI clause 4.2.7.6); filter lengths are settings."""

from __future__ import annotations

import numpy as np

from decoders.counters import COUNTERS
from decoders.events import L1Accepted, L1Changed, SettingRejected
from decoders.frame_structure.controlwords import L1Fields
from decoders.linerates import option_named
from decoders.link.alarms import RemoteAlarms
from decoders.link.l1_inband import L1Inband, Stretch
from decoders.link.settings import PlaneSettings


def fields(pointer: list[int], rate: list[int] | None = None, version: list[int] | None = None) -> L1Fields:
    n = len(pointer)
    columns = (version or [1] * n, rate or [3] * n, [0] * n, pointer)
    return L1Fields(*(np.array(column, np.uint8) for column in columns))


def l1(settings: PlaneSettings | None = None) -> tuple[L1Inband, dict[str, int]]:
    counters = dict.fromkeys(COUNTERS, 0)
    settings = settings or PlaneSettings()
    return L1Inband(option_named("2"), settings, counters, RemoteAlarms()), counters


def test_two_of_the_first_three_decide() -> None:
    part, _ = l1()
    part.start(fields([20, 40, 40]))
    assert part.pointer.accepted == 40
    part.start(fields([20, 40, 41]))
    assert part.pointer.accepted == 20


def test_a_value_is_accepted_when_it_has_stood_for_four_hyperframes() -> None:
    part, _ = l1()
    part.start(fields([40] * 3))
    values = [40, 30, 30, 30, 40, 30, 30]
    assert part.accept(fields(values), 0) == ([], [Stretch(0, 7, 40, 3)])
    accepted, stretches = part.accept(fields([30, 30, 30]), 7)
    assert accepted == [L1Accepted(8, "pointer_p", 40, 30)]
    assert stretches == [Stretch(0, 1, 40, 3), Stretch(1, 3, 30, 3, new_pointer=True)]


def test_pointer_and_rate_accepted_in_one_hyperframe_make_one_stretch() -> None:
    part, _ = l1()
    part.start(fields([40] * 3))
    accepted, stretches = part.accept(fields([30] * 6, [2] * 6), 0)
    assert [event.field for event in accepted] == ["hdlc_rate_code", "pointer_p"]
    assert stretches == [Stretch(0, 3, 40, 3), Stretch(3, 6, 30, 2, new_pointer=True, new_rate=True)]


def test_a_fixed_pointer_stays() -> None:
    part, _ = l1(PlaneSettings(fixed_pointer_p=25))
    part.start(fields([40] * 3))
    accepted, stretches = part.accept(fields([30] * 5), 0)
    assert accepted == [L1Accepted(3, "pointer_p", 25, 30)]
    assert stretches == [Stretch(0, 5, 25, 3)]
    assert part.pointer.accepted == 25


def test_a_value_that_is_not_valid_counts_in_each_hyperframe_and_is_told_once() -> None:
    part, counters = l1()
    events = list(part.receive(fields([40, 5, 5, 6, 40, 5]), 10))
    rejected = [e for e in events if isinstance(e, SettingRejected)]
    assert rejected == [
        SettingRejected(11, "pointer_p", 5),
        SettingRejected(13, "pointer_p", 6),
        SettingRejected(15, "pointer_p", 5),
    ]
    assert counters["pointer_invalid"] == 4
    assert [e for e in part.receive(fields([5]), 16) if isinstance(e, SettingRejected)] == []
    assert counters["pointer_invalid"] == 5


def test_changes_are_told_against_the_hyperframe_before() -> None:
    part, _ = l1()
    assert list(part.receive(fields([40, 41]), 0)) == [L1Changed(1, "pointer", 40, 41)]
    assert list(part.receive(fields([42]), 2)) == [L1Changed(2, "pointer", 41, 42)]
    part.restart()
    assert list(part.receive(fields([43]), 3)) == []


def test_version_2_is_valid_where_there_is_scrambling() -> None:
    for option, unknown in (("2", 1), ("5", 0), ("7", 0), ("8", 1)):
        counters = dict.fromkeys(COUNTERS, 0)
        part = L1Inband(option_named(option), PlaneSettings(), counters, RemoteAlarms())
        list(part.receive(fields([40], version=[2]), 0))
        assert counters["version_unknown"] == unknown
