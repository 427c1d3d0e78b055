"""The faults that can be chosen."""

from __future__ import annotations

from decoders.linerates import option_named
from monitor.faults.catalogue import CATALOGUE, parse_fault
from monitor.tui.fault_list import FAULTS as EVERY_FAULT
from monitor.tui.fault_list import faults_for
from tests.support.screen_fakes import FakeFaultySource
from tests.support.screens import screen


async def test_plane_letters_jump_to_faults() -> None:
    async with screen(FakeFaultySource()) as (app, pilot):
        await pilot.press("3", "h")
        assert app.inject_view.faults.fault.name == "hdlc.fcs"
        await pilot.press("s", "down")
        assert app.inject_view.faults.fault.name == "sync.hfn"


def test_every_fault_of_the_catalogue_can_be_chosen() -> None:
    assert {fault.name for fault in EVERY_FAULT} == set(CATALOGUE)
    for fault in EVERY_FAULT:
        assert parse_fault(fault.text).kind.name == fault.name


def test_only_faults_that_are_valid_for_the_option_are_offered() -> None:
    eight, sixty_four = ({fault.name for fault in faults_for(option_named(name))} for name in ("2", "8"))
    assert "line.disparity" in eight - sixty_four
    assert "line.header" in sixty_four - eight
    assert "hdlc.fcs" in eight & sixty_four
