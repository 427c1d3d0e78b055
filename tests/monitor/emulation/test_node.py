"""Nodes of a chain: which alarm goes where, and that each link is kept when another one breaks."""

from __future__ import annotations

import pytest

from decoders.events import Alarm, AlarmCleared, AlarmRaised, Origin, ResetRequested
from monitor.emulation.chain import EmulatedChain
from monitor.sources.names import Segment
from tests.support.chains import WatchedChain

POINTS = ["REC-A>RE-1", "RE-1>RE-2", "RE-2>RE-3", "RE-3>RE-2", "RE-2>RE-1", "RE-1>REC-A"]


def alarms(watched: WatchedChain, point: str) -> dict[str, list[tuple[int, int]]]:
    """From and to which hyperframe each alarm stood, local ones in capitals."""
    out: dict[str, list[tuple[int, int]]] = {}
    since: dict[tuple[Alarm, Origin], int] = {}
    for event in watched.events[Segment.parse(point)]:
        if isinstance(event, AlarmRaised):
            since[event.alarm, event.origin] = event.hyperframe or 0
        elif isinstance(event, AlarmCleared):
            name = event.alarm.value.upper() if event.origin is Origin.LOCAL else event.alarm.value
            out.setdefault(name, []).append((since.pop((event.alarm, event.origin)), event.hyperframe or 0))
    assert not since
    return out


def broken(fault: str) -> dict[str, dict[str, list[tuple[int, int]]]]:
    watched = WatchedChain(EmulatedChain(option="1", pointer_p=60, load=0.3))
    watched.chain.inject(fault)
    watched.run(64)
    return {point: found for point in POINTS if (found := alarms(watched, point))}


def test_a_dark_downlink_comes_back_as_rai_on_its_hop_and_goes_on_as_sdi() -> None:
    # Dark from 23 to 27: LOS from the end of the first to the end of 28, a clean one; sync bytes again at 29 and 30.
    assert broken("line.dark@23:hyperframes=5,segment=REC-A>RE-1") == {
        "REC-A>RE-1": {"LOS": [(24, 24)], "LOF": [(24, 25)]},
        "RE-1>RE-2": {"sdi": [(24, 30)]},
        "RE-2>RE-3": {"sdi": [(24, 30)]},
        "RE-1>REC-A": {"rai": [(24, 30)], "los": [(24, 29)], "lof": [(24, 30)]},
    }


def test_a_dark_uplink_comes_back_on_its_hop_alone() -> None:
    # Dark from 21 to 25, and the first hyperframe down the chain that begins after the latency.
    late = EmulatedChain(option="1", pointer_p=60).alarm_latency_hyperframes + 1
    assert broken("line.dark@21:hyperframes=5,segment=RE-3>RE-2") == {
        "RE-3>RE-2": {"LOS": [(22, 22)], "LOF": [(22, 23)]},
        "RE-2>RE-3": {
            "rai": [(22 + late, 28 + late)],
            "los": [(22 + late, 27 + late)],
            "lof": [(22 + late, 28 + late)],
        },
    }


@pytest.mark.parametrize("hyperframes", [9, 10])
def test_a_reset_request_of_ten_hyperframes_is_passed_on_and_acknowledged(hyperframes: int) -> None:
    watched = WatchedChain(EmulatedChain(option="1", pointer_p=60, load=0.3))
    watched.chain.inject(f"l1.reset@20:hyperframes={hyperframes},segment=REC-A>RE-1")
    watched.run(64)
    asked = {
        p: [e.hyperframe for e in watched.events[Segment.parse(p)] if isinstance(e, ResetRequested)]
        for p in POINTS
    }
    found = {point: alarms(watched, point).get("reset", []) for point in POINTS}
    if hyperframes == 9:
        assert found == {p: [(20, 29)] if p == "REC-A>RE-1" else [] for p in POINTS}
        return
    assert [asked[p] for p in POINTS[:3]] == [[29], [38], [47]]
    assert found["RE-1>RE-2"] == [(29, 39)] and found["RE-2>RE-3"] == [(38, 48)]
    assert [found[p] for p in POINTS[3:]] == [[(47, 52)], [(38, 43)], [(29, 34)]]


def test_a_receiver_sdi_goes_down_the_chain_and_not_up() -> None:
    down = broken("l1.sdi@20:hyperframes=3,segment=REC-A>RE-1")
    assert down == {point: {"sdi": [(20, 23)]} for point in POINTS[:3]}
    assert broken("l1.sdi@20:hyperframes=3,segment=RE-3>RE-2") == {"RE-3>RE-2": {"sdi": [(20, 23)]}}
