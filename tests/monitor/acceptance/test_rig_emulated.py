"""Emulated rigs: what they send is known, and settings that cannot be are refused."""

from __future__ import annotations

import pytest

from decoders.events import Plane
from monitor.acceptance.opening_rigs import open_rig
from monitor.acceptance.plan import parse_acceptance_plan
from monitor.acceptance.results import NotObservable
from monitor.acceptance.rig_emulated import EmulatedRig
from monitor.errors import InputError
from tests.support.acceptance import short_plan


def test_streams_of_a_pair_come_in_turns() -> None:
    with open_rig(short_plan("quiet", source="emulated:pair")).watch() as streams:
        turns = [i for _, (i, _) in zip(range(4), streams.read(), strict=False)]
    assert [point.name for point in streams.points] == ["REC-A>RE-1", "RE-1>REC-A"] and turns == [0, 1, 0, 1]


def test_the_same_plan_gives_the_same_line() -> None:
    def line() -> bytes:
        with open_rig(short_plan("quiet")).watch() as streams:
            return bytes(next(streams.read())[1].data)

    assert line() == line()


@pytest.mark.parametrize(
    "text", ['option = "1"\nhdlc_rate_code = 6', "pointer_p = 10", '[emulated]\nfaults = ["no.such"]']
)
def test_settings_that_cannot_be(text: str) -> None:
    with pytest.raises(InputError):
        EmulatedRig(parse_acceptance_plan(f'source = "emulated"\n{text}\n'))


def test_known_traffic_takes_no_fault() -> None:
    rig = open_rig(short_plan("cm_integrity"))
    with rig.numbered(("hdlc",), 5) as frames:
        assert frames.sent(Plane.HDLC) == 0 and frames.sent(Plane.ETHERNET) is None and frames.modulus == 0
        with pytest.raises(NotObservable):
            frames.streams.inject("line.flip")
    assert rig.touches == {} and rig.hyperframes_per_second() > 0
