"""The IQ page: numbers computed from tones, pictures from points, and what the keys show."""

from __future__ import annotations

import os

import numpy as np
import pytest
from numpy.typing import NDArray

from decoders.linerates import option_named
from decoders.user_plane.iq_map import IqMap
from monitor.commands.headless import iq_map_text
from monitor.emulation.emulated_link import EmulatedSource
from monitor.emulation.sender import EmulatedSender, iq_map_sent
from monitor.errors import InputError
from monitor.links.pipeline import Pipeline
from monitor.tui.app import FrayApp
from monitor.tui.iq_view import IqPage, braille, columns_db, dots, spectrum_db
from tests.support.screen_fakes import FakeSource
from tests.support.screens import GOLDEN, rows, text


def tone(cycles: float, amplitude: float, n: int = 256) -> NDArray[np.int16]:
    phase = 2 * np.pi * cycles * np.arange(n) / n
    return np.round(amplitude * np.stack((np.cos(phase), np.sin(phase)), axis=1)).astype(np.int16)


@pytest.mark.parametrize("cycles", [-100, -1, 0, 3, 127])
def test_a_tone_stands_at_its_frequency_with_its_level(cycles: int) -> None:
    """Amplitude 2^12 of 2^14: 20 log10(1/4) = -12.04 dBFS, computed; the Hann window spreads it to +-1 bin."""
    bins = spectrum_db(tone(cycles, 4096), 15)
    assert int(np.argmax(bins)) == 128 + cycles
    assert bins.max() == pytest.approx(-12.04, abs=0.02)
    beyond = np.abs((np.arange(256) - 128 - cycles + 128) % 256 - 128) > 1
    assert bins[beyond].max() < -85


def test_columns_keep_the_strongest_bin() -> None:
    bins = np.full(1024, -90.0)
    bins[700] = -10.0
    columns = columns_db(bins, 40)
    assert len(columns) == 40 and np.flatnonzero(columns > -20).tolist() == [700 * 40 // 1024]
    assert len(columns_db(bins[:16], 40)) == 40


def test_dots_stand_where_i_and_q_say() -> None:
    corners = np.array([[-16384, 16383], [16383, -16384], [0, 0]], np.int16)
    grid = dots(corners, 15, 1, 8)
    assert [tuple(at) for at in np.argwhere(grid).tolist()] == [(0, 0), (3, 4), (7, 7)]
    assert dots(np.array([[4096, 0]], np.int16), 15, 2, 8)[3].tolist() == [False] * 6 + [True, False]


def test_braille_of_dots() -> None:
    """Unicode block 2800: dots 1 2 3 7 are the left column from the top, 4 5 6 8 the right one."""
    grid = np.zeros((4, 6), np.bool_)
    grid[0, 0] = grid[3, 0] = grid[1, 3] = True
    assert braille(grid) == ["\u2841\u2810 "]


async def test_i_shows_the_page_and_the_hyperframe_again() -> None:
    app = FrayApp(Pipeline(FakeSource()), live=False)
    async with app.run_test(size=(80, 24)) as pilot:
        for _ in range(6):
            app.pipeline.step()
            app.tick()
        await pilot.press("i")
        await pilot.pause()
        await pilot.pause()
        shown = text(app)
        kept = GOLDEN / "iq_80x24.txt"
        if os.environ.get("FRAMEFRAY_WRITE_GOLDEN"):
            kept.write_text(shown, encoding="utf-8")
        assert shown == kept.read_text(encoding="utf-8")
        assert "AxC A0 (1 of 8) assumed  M 15  3.84 Msps" in shown
        assert "level  -18.3 dBFS" in shown
        await pilot.press("right", "right")
        assert "AxC A2 (3 of 8)" in text(app) and " silent" in text(app)
        await pilot.press("left")
        assert "AxC A1 (2 of 8)" in text(app)
        await pilot.press("i")
        await pilot.pause()
        await pilot.pause()
        assert app.link_view.matrix.display and not app.link_view.iq_page.display and "Ns " in rows(app)[3]


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (120, 40), (200, 60), (50, 12)])
@pytest.mark.parametrize("iq_map", [None, "M=4,fs=30.72", "M=15,fs=99", "M=16,fs=1.92,n=3", "M=4,fs=0.0004"])
async def test_whatever_map_and_size_the_page_fits(size: tuple[int, int], iq_map: str | None) -> None:
    app = FrayApp(Pipeline(FakeSource()), live=False, iq_map=iq_map)
    async with app.run_test(size=size) as pilot:
        for _ in range(4):
            app.pipeline.step()
            app.tick()
        await pilot.press("i")
        await pilot.pause()
        await pilot.pause()
        pane = app.link_view.iq_page
        assert len(pane.lines) <= pane.size.height
        assert all(sum(len(s.text) for s in line) <= pane.size.width for line in pane.lines)
        assert not pane.region.overlaps(app.keys.region) and pane.shown()[0]


async def test_actions_tell_of_the_page() -> None:
    app = FrayApp(Pipeline(FakeSource()), live=False)
    async with app.run_test(size=(80, 24)) as pilot:
        assert any("IQ data: level" in action.text for action in app.actions())
        await pilot.press("i")
        texts = {action.text for action in app.actions() if action.where == "Link: "}
        assert {b.description for b in IqPage.BINDINGS} == texts  # type: ignore[union-attr]


@pytest.mark.parametrize("option", ["1", "2", "7"])
def test_the_map_that_the_emulation_sends(option: str) -> None:
    line = option_named(option)
    sent = EmulatedSender(EmulatedSource(option=option)._settings, 1)._iq.map
    said = IqMap.parse(line, iq_map_sent(line))
    assert [a.start_bit for a in said.axcs] == [a.start_bit for a in sent.axcs]
    assert [a.bits for a in said.axcs] == [a.bits for a in sent.axcs]


def test_where_the_map_comes_from() -> None:
    assert iq_map_text(None, "2", emulated=True) == "M=15,fs=15.36,n=2"
    assert iq_map_text("M=16,fs=7.68", "2", emulated=True) == "M=16,fs=7.68"
    assert iq_map_text(None, "2", emulated=False) is None
    with pytest.raises(InputError, match="--iq M=99"):
        iq_map_text("M=99,fs=7.68", "2", emulated=False)
