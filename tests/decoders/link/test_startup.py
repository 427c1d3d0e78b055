"""Start-up states A..G as one direction shows them (CPRI V7.0 clause 4.5; the conditions from memory)."""

from __future__ import annotations

import pytest

from decoders.link.startup import StartupState, StartupView


def _operating() -> StartupView:
    view = StartupView(in_sync=True, frames_good=True, quiet_since=100)
    view.accept("version", 1)
    view.accept("hdlc_rate_code", 3)
    view.accept("pointer_p", 40)
    return view


def test_operation_after_one_quiet_frame() -> None:
    view = _operating()
    assert view.quiet_until == 250
    assert view.state_at(100) is StartupState.E
    assert view.state_at(249) is StartupState.E
    assert view.state_at(250) is StartupState.F


def test_nothing_seen_is_l1_synchronisation() -> None:
    assert StartupView().state_at(0) is StartupState.B


@pytest.mark.parametrize(
    ("field", "value", "state"),
    [
        ("in_sync", False, StartupState.B),
        ("remote_defect", True, StartupState.B),
        ("version_known", False, StartupState.C),
        ("frames_good", False, StartupState.D),
    ],
)
def test_what_takes_operation_back(field: str, value: bool, state: StartupState) -> None:
    view = _operating()
    setattr(view, field, value)
    assert view.state_at(1000) is state


def test_rows_apply_in_order() -> None:
    view = _operating()
    view.remote_defect = True
    view.accept("version", 3)
    assert view.state_at(1000) is StartupState.B
    view.remote_defect = False
    assert view.state_at(1000) is StartupState.C
    view.accept("version", 2)
    view.frames_good = False
    assert view.state_at(1000) is StartupState.D


def test_no_channel_is_a_passive_link() -> None:
    view = _operating()
    view.accept("hdlc_rate_code", 0)
    assert view.state_at(1000) is StartupState.F
    view.accept("pointer_p", 0)
    assert view.state_at(1000) is StartupState.G


@pytest.mark.parametrize(("version", "known"), [(0, False), (1, True), (2, True), (3, False), (255, False)])
def test_known_versions(version: int, known: bool) -> None:
    view = _operating()
    view.accept("version", version)
    assert view.version_known is known


def test_every_state_has_a_meaning() -> None:
    assert [state.value for state in StartupState] == list("ABCDEFG")
    assert len({state.meaning for state in StartupState}) == 7
