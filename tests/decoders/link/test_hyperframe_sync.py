"""The sync machine: its table is complete, and the walks of CPRI V7.0 Fig. 26 lead where they lead.

States and conditions are the standard's; the arcs back by one state are one reading (medium confidence).
"""

from __future__ import annotations

from itertools import product

import pytest

from decoders.link.hyperframe_sync import CONFIRMING_SYNC_BYTES, TRANSITIONS, FallBack, SyncMachine, SyncState


def _walk(text: str, fall_back: FallBack = FallBack.ONE) -> list[str]:
    """g = sync byte in its place, b = anything else, L = LOS."""
    machine = SyncMachine(fall_back)
    states = [machine.state]
    for step in text:
        if step == "L":
            machine.lose()
        else:
            machine.step(step == "g")
        states.append(machine.state)
    return [state.value for state in states]


def test_table_is_complete() -> None:
    assert set(TRANSITIONS) == set(FallBack)
    for table in TRANSITIONS.values():
        assert set(table) == set(product(SyncState, (True, False)))
        assert set(table.values()) == set(SyncState)


def test_lof_in_the_two_acquisition_states_only() -> None:
    assert [s.value for s in SyncState if s.lof] == ["XACQ1", "XACQ2"]


def test_four_sync_bytes_reach_hfnsync() -> None:
    assert CONFIRMING_SYNC_BYTES == 4
    assert _walk("gggg") == ["XACQ1", "XACQ2", "XSYNC1", "XSYNC2", "HFNSYNC"]
    assert _walk("ggggg")[-1] == "HFNSYNC"


@pytest.mark.parametrize(
    ("steps", "end"),
    [
        ("b", "XACQ1"),
        ("gb", "XACQ1"),
        ("ggb", "XACQ1"),
        ("gggb", "XSYNC1"),
        ("ggggb", "XSYNC2"),
        ("ggggbg", "HFNSYNC"),
        ("ggggbb", "XSYNC1"),
        ("ggggbbg", "XSYNC2"),
        ("ggggbbb", "XACQ1"),
        ("ggggbgbgbg", "HFNSYNC"),
    ],
)
def test_back_by_one_state(steps: str, end: str) -> None:
    assert _walk(steps)[-1] == end


def test_one_miss_is_no_loss_and_three_are() -> None:
    states = [SyncState(s) for s in _walk("gggg" + "bbb")[5:]]
    assert [s.lof for s in states] == [False, False, True]


@pytest.mark.parametrize("start", ["", "g", "gg", "ggg", "gggg"])
def test_any_miss_to_the_start(start: str) -> None:
    assert _walk(start + "b", FallBack.TO_START)[-1] == "XACQ1"


@pytest.mark.parametrize("fall_back", FallBack)
@pytest.mark.parametrize("start", ["", "g", "gg", "ggg", "gggg", "ggggb"])
def test_los_has_priority_in_every_state(start: str, fall_back: FallBack) -> None:
    assert _walk(start + "L", fall_back)[-1] == "XACQ1"
    assert _walk(start + "Lgggg", fall_back)[-1] == "HFNSYNC"
