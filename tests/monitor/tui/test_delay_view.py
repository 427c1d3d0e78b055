"""The view of the delay through resets, driven by keys, as text; what it says is compared with the run itself.

Golden texts lie in golden/; FRAMEFRAY_WRITE_GOLDEN=1 writes them anew, to be read before they are committed.
"""

from __future__ import annotations

import asyncio
import os
import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from textual.pilot import Pilot

from decoders.link_delay.delay import Compensation
from monitor.delay.run import DelayRun
from monitor.emulation.emulated_link import EmulatedSource
from monitor.emulation.transceiver import BoardSettings, EmulatedBoard
from monitor.links.pipeline import Pipeline
from monitor.sources.source import Source
from monitor.tui.app import FrayApp
from monitor.tui.delay_view import chart_lines
from monitor.tui.line_pane import cells, line_text
from monitor.tui.palette import Look
from monitor.tui.reset_run import Resets, settings_of
from tests.support.screen_fakes import FakeSource

GOLDEN = Path(__file__).parent / "golden"
Run = tuple[FrayApp, Pilot[int]]


@asynccontextmanager
async def delay_view(
    source: Source, size: tuple[int, int] = (80, 24), *, live: bool = False
) -> AsyncIterator[Run]:
    app = FrayApp(Pipeline(source), live=live, fps=20)
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        if not live:
            for _ in range(2):
                app.pipeline.step()
                app.tick()
        await pilot.press("4")
        await pilot.pause()
        yield app, pilot


def emulated(*, pair: bool = False, option: str = "2") -> EmulatedSource:
    return EmulatedSource(option=option, pair=pair, seed=3, limit=100)


def reset(app: FrayApp, times: int) -> None:
    for _ in range(times):
        app.delay_view.resets.step()
    app.tick()


def text(app: FrayApp) -> str:
    return "\n".join(strip.text.rstrip() for strip in app.screen._compositor.render_strips()) + "\n"


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (200, 60)], ids=lambda s: f"{s[0]}x{s[1]}")
async def test_view_reads_as_kept(size: tuple[int, int]) -> None:
    async with delay_view(emulated(pair=True), size) as (app, pilot):
        await pilot.press("c", "left", "enter")
        reset(app, 30)
        await pilot.pause()
        shown = text(app)
    kept = GOLDEN / f"delay_{size[0]}x{size[1]}.txt"
    if os.environ.get("FRAMEFRAY_WRITE_GOLDEN"):
        kept.write_text(shown, encoding="utf-8")
    assert shown == kept.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "size", [(80, 24), (80, 40), (109, 24), (110, 24), (120, 40), (200, 60), (40, 10), (2, 5)]
)
@pytest.mark.parametrize("option", ["1", "2", "7"])
async def test_every_size_is_drawn(size: tuple[int, int], option: str) -> None:
    async with delay_view(emulated(pair=True, option=option), size) as (app, pilot):
        await pilot.press("c", "enter")
        reset(app, 12)
        await pilot.pause()
        width = size[0]
        assert all(cells(line) <= max(width, 80) for line in app.delay_view.pane.lines)
        if size >= (80, 24):
            assert "! VARIES" in text(app)
            assert "alignment offset is not compensated" in text(app)


async def test_keys_go_stop_go_on_and_begin_anew() -> None:
    async with delay_view(emulated()) as (app, pilot):
        assert "0 of 100 resets" in text(app)
        await pilot.press("left", "left", "enter")
        reset(app, 4)
        assert "resetting" in text(app)
        assert "- constant so far" in text(app)
        await pilot.press("space")
        assert not app.delay_view.resets.step()
        await pilot.pause()
        assert "stopped  4 of 10 resets" in text(app)
        assert "! INCOMPLETE" in text(app) and "steady" not in text(app).lower()
        await pilot.press("enter")
        reset(app, 20)
        await pilot.pause()
        assert "done  10 of 10 resets" in text(app)
        assert "+ CONSTANT" in text(app)
        status = app.delay_view.resets.look()
        assert status is not None
        board = EmulatedBoard(BoardSettings(option="2", seed=3))
        run = DelayRun(board, 10)
        while not run.done:
            run.step()
        assert status == run.status()
        await pilot.press("enter")
        reset(app, 10)
        assert app.delay_view.resets.look() == status


async def test_resets_shown_are_those_made() -> None:
    async with delay_view(emulated(pair=True), (120, 40)) as (app, pilot):
        await pilot.press("left", "left", "enter")
        reset(app, 10)
        await pilot.pause()
        status = app.delay_view.resets.look()
        assert status is not None
        row = r"^ +(\d+) +(\d) +(\d) +([\d.]+) +([\d.]+) +([+-][\d.]+)"
        rows = re.findall(row, text(app), re.MULTILINE)
        assert len(rows) == 10
        first = status.samples[0].compensated_ns
        for (number, k, far, raw, delay, deviation), sample in zip(rows, status.samples, strict=True):
            assert (int(k), int(far)) == (sample.alignment_offset, sample.far_alignment_offset), number
            assert float(raw) == pytest.approx(sample.raw_clocks, abs=0.006)
            assert float(delay) == pytest.approx(sample.compensated_ns, abs=0.0006)
            assert float(deviation) == pytest.approx(sample.compensated_ns - first, abs=0.0006)
        for name, covered in zip(("REC-A", "RE-1"), status.coverage, strict=True):
            seen = re.search(rf"^ {name} ([ .\d]+)  ", text(app), re.MULTILINE)
            assert seen is not None
            assert [int(n.replace(".", "0")) for n in seen[1].split()] == list(covered.counts)
        assert "CONSTANT" in text(app)
        assert "VARIES" not in text(app)


async def test_other_sources_are_told_that_resets_need_a_board() -> None:
    async with delay_view(FakeSource()) as (app, pilot):
        await pilot.press("enter", "c", "space", "up", "right")
        await pilot.pause()
        assert "Resets need a board; this source is read as it is." in " ".join(text(app).split())
        assert app.delay_view.resets.look() is None
        assert not app.delay_view.resets.going


async def test_a_thread_resets_while_the_link_goes_on() -> None:
    source = EmulatedSource(seed=3, hyperframes_per_second=600)
    async with delay_view(source, live=True) as (app, pilot):
        before = app.pipeline.snapshot().hyperframes
        await pilot.press("left", "left", "enter", "space", "enter")
        for _ in range(200):
            await asyncio.sleep(0.05)
            if not app.delay_view.resets.going:
                break
        await pilot.pause(0.2)
        assert "done  10 of 10 resets" in text(app)
        assert app.pipeline.snapshot().hyperframes > before


async def test_a_failure_is_shown_and_the_screen_goes_on() -> None:
    async with delay_view(emulated()) as (app, pilot):
        await pilot.press("enter")
        reset(app, 2)
        run = app.delay_view.resets._run
        assert run is not None
        run.board.measure = lambda: 1 / 0  # type: ignore[method-assign,assignment,return-value]
        reset(app, 1)
        await pilot.pause()
        assert "FAILED" in text(app) and "! INCOMPLETE" in text(app)
        assert "division by zero" in text(app)
        assert not app.delay_view.resets.going


@pytest.mark.parametrize("kind", Compensation)
def test_chart_has_each_value_on_its_row(kind: Compensation) -> None:
    resets = Resets(settings_of(EmulatedSource(option="1", seed=5)), wanted=30)
    resets.compensation = kind
    resets.start()
    while resets.step():
        pass
    status = resets.look()
    assert status is not None
    lines = [line_text(line) for line in chart_lines(status, 80, 22, Look(False))]
    assert len(lines) == 22
    names = {line[:16].strip(): at for at, line in enumerate(lines[1:], 1) if line[:16].strip()}
    assert list(names) == ["clock +16.28", "Tc/32 +8.14", "0", "Tc/32 -8.14", "clock -16.28"]
    first = status.samples[0].compensated_ns
    per_row = (names["clock -16.28"] - names["clock +16.28"]) / (2 * status.clock_period_ns)
    for column, sample in enumerate(status.samples):
        at = [row for row, line in enumerate(lines[1:], 1) if line[17 + column] in "▄▀█"]
        assert len(at) == 1
        wanted = names["0"] - (sample.compensated_ns - first) * per_row
        assert abs(at[0] - wanted) <= 1.0


async def test_without_colour_the_text_is_the_same_and_the_verdict_stands_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    async with delay_view(emulated(pair=True)) as (app, pilot):
        await pilot.press("c", "left", "enter")
        reset(app, 30)
        await pilot.pause()
        assert text(app) == (GOLDEN / "delay_80x24.txt").read_text(encoding="utf-8")
        segments = [
            s for strip in app.screen._compositor.render_strips() for s in strip if s.style is not None
        ]
    styles = [s.style for s in segments if s.style is not None]
    colours = {c.name for style in styles for c in (style.color, style.bgcolor) if c is not None}
    assert colours <= {"default"}
    reverse = {s.text for s in segments if s.style is not None and s.style.reverse}
    assert {"[4 Delay]", "! VARIES"} <= reverse
