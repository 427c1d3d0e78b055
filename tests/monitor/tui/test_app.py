"""The screen driven by keys: what it shows as text, at several sizes, with and without colour.

Golden texts lie in golden/; FRAMEFRAY_WRITE_GOLDEN=1 writes them anew, to be read before they are committed.
"""

from __future__ import annotations

import os
from collections.abc import Awaitable, Callable, Sequence

import pytest
from textual.pilot import Pilot

from monitor.links.pipeline import Pipeline
from monitor.tui.app import FrayApp, refreshes_per_second
from monitor.tui.line_pane import Line
from monitor.tui.pages import Page
from tests.support.screen_fakes import FakeFaultySource, FakeSource
from tests.support.screens import GOLDEN, SIZES, Show, advance, inject_two, rows, screen, text


async def _link(app: FrayApp, pilot: Pilot[int]) -> None:
    await pilot.press("e", "right", "down")


async def _events(app: FrayApp, pilot: Pilot[int]) -> None:
    await pilot.press("2", "v", "up")


PREPARE: dict[str, Callable[[FrayApp, Pilot[int]], Awaitable[None]]] = {
    "link": _link,
    "events": _events,
    "inject": inject_two,
}


@pytest.mark.parametrize("size", SIZES, ids=lambda s: f"{s[0]}x{s[1]}")
@pytest.mark.parametrize("view", PREPARE)
async def test_view_reads_as_kept(view: str, size: tuple[int, int]) -> None:
    source = FakeFaultySource(20) if view == "inject" else FakeSource()
    async with screen(source, size=size) as (app, pilot):
        await PREPARE[view](app, pilot)
        await pilot.pause()
        shown = text(app)
    kept = GOLDEN / f"{view}_{size[0]}x{size[1]}.txt"
    if os.environ.get("FRAMEFRAY_WRITE_GOLDEN"):
        kept.write_text(shown, encoding="utf-8")
    assert shown == kept.read_text(encoding="utf-8")


@pytest.mark.parametrize("view", PREPARE)
async def test_no_color_sends_the_same_text_without_colour(
    view: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    source = FakeFaultySource(20) if view == "inject" else FakeSource()
    async with screen(source) as (app, pilot):
        await PREPARE[view](app, pilot)
        await pilot.pause()
        assert text(app) == (GOLDEN / f"{view}_80x24.txt").read_text(encoding="utf-8")
        strips = app.screen._compositor.render_strips()
        styles = {segment.style for strip in strips for segment in strip if segment.style is not None}
    seen = {c for style in styles for c in (style.color, style.bgcolor) if c is not None}
    assert {c.name for c in seen} <= {"default"}
    assert any(style.reverse for style in styles)


@pytest.mark.parametrize(
    ("size", "option"),
    [
        ((80, 24), "1"),
        ((80, 24), "7"),
        ((100, 30), "2"),
        ((101, 24), "2"),
        ((120, 40), "7"),
        ((196, 50), "4"),
        ((200, 60), "7"),
    ],
)
async def test_nothing_overlaps_and_keys_stay_on_the_screen(size: tuple[int, int], option: str) -> None:
    async with screen(FakeSource(4, 8, option=option), size=size, steps=3) as (app, pilot):
        for view, panes in (
            ("1", [app.link_view.matrix, app.link_view.inspector, app.link_view.levels]),
            ("2", [app.events_view.list]),
            ("3", [app.inject_view.counters, app.inject_view.faults, app.inject_view.verdicts]),
        ):
            await pilot.press(view)
            await pilot.pause()
            await pilot.pause()
            app.tick()
            await pilot.pause()
            panes = [app.status, *panes, app.keys]
            regions = [pane.region for pane in panes]
            for i, region in enumerate(regions):
                assert region.area > 0, panes[i]
                assert app.screen.region.contains_region(region)
                assert not any(region.overlaps(other) for other in regions[i + 1 :])
            for pane in panes:
                widths = [sum(len(s.text) for s in line) for line in pane.lines]
                assert all(w <= pane.size.width for w in widths), (pane, max(widths), pane.size)
            if view == "1":
                assert len(app.link_view.matrix.lines) <= app.link_view.matrix.size.height
                assert any("changed" in line for line in app.link_view.inspector.shown())
            assert "q quit" in text(app)


async def test_mark_counts_anew() -> None:
    async with screen() as (app, pilot):
        assert app.feed.since_mark("ethernet_frames") > 0
        await pilot.press("m")
        assert app.feed.since_mark("ethernet_frames") == 0
        assert "+ 0 errors since mark at 120" in text(app)


async def test_keys_work_while_a_page_is_open() -> None:
    async with screen() as (app, pilot):
        await pilot.press("question_mark")
        await pilot.pause()
        await pilot.press("m", "p")
        advance(app, 1)
        assert app.feed.marked_at == 120 and app.paused
        await pilot.press("p", "3")
        await pilot.pause()
        assert app.view == 2 and not isinstance(app.screen, Page)


async def test_panes_draw_before_they_have_a_size() -> None:
    pipeline = Pipeline(FakeFaultySource())
    for _ in range(6):
        pipeline.step()
    app = FrayApp(pipeline, live=False)
    snapshot = app.feed.snapshot
    app.link_view.inspector.update(snapshot, 2, 1)
    app.link_view.plane_table.update(app.feed)
    app.link_view.levels.update(snapshot)
    app.link_view.matrix.update(snapshot)
    app.events_view.list.update()
    app.inject_view.counters.update(app.feed)
    app.inject_view.faults.update(True)
    app.inject_view.verdicts.update(
        app.feed, app.inject_view.faults.fault, "a problem", app.inject_view.repeater
    )
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.pause()
        assert "decoded 120" in text(app)


async def test_a_new_size_is_filled_also_when_paused() -> None:
    async with screen() as (app, pilot):
        await pilot.press("p")
        await pilot.resize_terminal(120, 40)
        await pilot.pause()
        await pilot.pause()
        assert len([line for line in app.link_view.levels.shown() if "dBFS" in line]) == 2
        assert "planes of this link" in text(app)
        await pilot.resize_terminal(80, 24)
        await pilot.pause()
        await pilot.pause()
        assert "planes of this link" not in text(app)
        assert [line[:4] for line in rows(app)[3:23:5]] == ["  Ns"] * 4


async def test_pause_stands_still_and_says_so() -> None:
    async with screen() as (app, pilot):
        await pilot.press("p")
        advance(app, 1)
        await pilot.pause()
        assert "[PAUSED] fake link" in rows(app)[0] and "decoded 120 " in rows(app)[0]
        await pilot.press("p")
        app.tick()
        await pilot.pause()
        assert "decoded 140 " in rows(app)[0]


async def test_end_of_source_stays_and_says_so() -> None:
    async with screen(FakeSource(4), steps=6) as (app, _):
        assert "[ENDED] fake link" in rows(app)[0]


async def test_failure_is_shown_in_words_and_inert() -> None:
    source = FakeSource(breaks_at=3)
    pipeline = Pipeline(source)
    app = FrayApp(pipeline)
    async with app.run_test(size=(80, 24)) as pilot:
        for _ in range(60):
            await pilot.pause(0.05)
            if app.failure.display:
                break
        await pilot.pause()
        shown = text(app)
    assert "[FAILED]" in shown
    assert "Reading stopped: the board \\x1b[31mwent away at offset 4096" in shown
    assert source.closed


async def test_thread_and_timer_read_a_whole_source() -> None:
    pipeline = Pipeline(FakeSource(6))
    app = FrayApp(pipeline, fps=30)
    async with app.run_test(size=(80, 24)) as pilot:
        for _ in range(60):
            await pilot.pause(0.05)
            if "[ENDED]" in text(app):
                break
        assert "decoded 120 " in rows(app)[0]
        await pilot.press("q")
    assert app.return_value == 0


@pytest.mark.parametrize("view", ["1", "2", "3"])
async def test_hostile_text_stays_inert(view: str) -> None:
    source = FakeSource(hostile=True, description="\x1b]0;x\x07[red]na\u202eme\U0001f600e\u0301")
    async with screen(source) as (app, pilot):
        await pilot.press(view)
        await pilot.pause()
        shown = [text(app)]
        if view == "2":
            for keys in (("e", "r", "v", "enter"), ("escape", "a", "h", "v", "up", "enter")):
                await pilot.press(*keys)
                await pilot.pause()
                await pilot.pause()
                shown.append(text(app))
            assert "\\x1b" in shown[1] and "octets in line order" in shown[1]
    allowed = {chr(c) for c in range(32, 127)} | {"\n", "─"}
    for page in shown:
        assert set(page) <= allowed, set(page) - allowed


async def test_every_key_is_in_help_and_an_action_and_none_collides() -> None:
    async with screen() as (app, pilot):
        forbidden = {"ctrl+a", "ctrl+b", "ctrl+s", "ctrl+q"}
        everywhere = [k for b in app.BINDINGS for k in b.key.split(",")]  # type: ignore[union-attr]
        for number, owner in (
            ("1", app.link_view.matrix),
            ("2", app.events_view.list),
            ("3", app.inject_view.faults),
        ):
            keys = [k for b in type(owner).BINDINGS for k in b.key.split(",")]  # type: ignore[union-attr]
            both = everywhere + keys
            assert len(both) == len(set(both)), sorted(both)
            assert not forbidden & set(both)
            assert not any(k.startswith(("alt+", "f1")) for k in both)
            await pilot.press(number)
            texts = {action.text for action in app.actions()}
            for binding in (*app.BINDINGS, *type(owner).BINDINGS):
                assert binding.description in texts or not binding.show  # type: ignore[union-attr]
        await pilot.press("question_mark")
        await pilot.pause()
        await pilot.pause()
        page, at = app.screen, ""
        assert isinstance(page, Page)
        seen = text(app)
        while at != seen:
            at = seen
            await pilot.press("pagedown")
            await pilot.pause()
            seen = text(app)
        assert "Marks" in seen and "150 000 hyperframes" in seen
        await pilot.press("1")
        await pilot.pause()
        assert not isinstance(app.screen, Page)


def test_refresh_rate() -> None:
    assert refreshes_per_second(None, {}) == 10
    assert refreshes_per_second(None, {"SSH_CONNECTION": "192.0.2.1 5 192.0.2.2 22"}) == 4
    assert refreshes_per_second(25, {"SSH_CONNECTION": "x"}) == 25


async def test_quiet_refreshes_repaint_nothing() -> None:
    """With nothing new, a refresh must not mark any line dirty but the change marks it takes away."""
    async with screen() as (app, pilot):
        app.tick()
        await pilot.pause()
        calls = []
        for pane in (app.status, app.link_view.matrix, app.link_view.inspector, app.link_view.levels):
            pane.refresh = lambda *a, **k: calls.append(a)  # type: ignore[method-assign,assignment]
        app.tick()
        assert calls == []


@pytest.mark.parametrize(("view", "drawn"), [("1", 10), ("2", 8), ("3", 15)])
async def test_a_view_with_much_that_changes_is_refreshed_seldom(
    view: str, drawn: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ten ticks a second; the status lines are drawn at each, what lies below as often as can be read."""
    async with screen(FakeFaultySource(40)) as (app, pilot):
        await pilot.press(view)
        await pilot.pause()
        await pilot.pause()
        app.sparing = True
        counts = {"status": 0, "pane": 0}
        panes = {
            "status": app.status,
            "pane": (app.link_view.matrix, app.events_view.list, app.inject_view.counters)[int(view) - 1],
        }
        for name, pane in panes.items():

            def noting(lines: Sequence[Line], name: str = name, show: Show = pane.show) -> None:
                counts[name] += 1
                show(lines)

            monkeypatch.setattr(pane, "show", noting)
        advance(app, 30)
        assert counts == {"status": 30, "pane": drawn}
