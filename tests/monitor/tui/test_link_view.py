"""The hyperframe beside its details, above them, or the IQ data in its place."""

from __future__ import annotations

from tests.support.screen_fakes import FakeSource
from tests.support.screens import screen


async def test_details_lie_beside_or_below_and_the_iq_data_take_the_whole_place() -> None:
    async with screen(FakeSource(4, option="7")) as (app, pilot):
        view = app.link_view
        assert (view.stacked, view.beside.region.x > view.matrix.region.x) == (False, True)
        assert len(view.matrix.lines) == 20 and view.owner is view.matrix
        await pilot.resize_terminal(200, 60)
        await pilot.pause()
        await pilot.pause()
        assert (view.stacked, view.beside.region.y > view.matrix.region.y) == (True, True)
        labels = [line[0].text.strip() for line in view.matrix.lines if line]
        assert labels[:6] == ["Ns", "Xs0", "Y1", "Y2", "Y3", "Y4"], "with room, more octets of each word"
        await pilot.press("i")
        await pilot.pause()
        assert (view.owner.id, view.matrix.display, view.beside.display) == ("iq", False, False)
        assert view.hints[0] == ("left/right", "AxC")
        await pilot.press("i")
        await pilot.pause()
        assert (view.owner.id, view.matrix.display) == ("matrix", True)
