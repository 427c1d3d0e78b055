"""The replay's line and keys over a control that only notes what it is told; and once over a real one."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from textual.pilot import Pilot

from monitor.errors import InputError
from monitor.links.pipeline import Pipeline
from monitor.recording.random_access import open_replay
from monitor.recording.replay import ReplayControl, ReplaySource
from monitor.tui.app import FrayApp
from monitor.tui.pages import Page
from monitor.tui.replay_bar import ReplayBar, SeekPage
from tests.support.screen_fakes import FakeSource
from tests.support.screens import rows, text


class Errors:
    def __init__(self, *at: int) -> None:
        self.at = at

    def error_after(self, number: int) -> int | None:
        return next((at for at in self.at if at > number), None)


@dataclass
class FakeControl:
    """Notes calls; 300 hyperframes with errors in 50 and 200."""

    playing: bool = True
    at_end: bool = False
    speed: float = 1.0
    scanned: float = 1.0
    errors: int = 2
    at: int | None = 120
    timeline: Errors = field(default_factory=lambda: Errors(50, 200))
    calls: list[str] = field(default_factory=list)

    @property
    def position(self) -> SimpleNamespace:
        return SimpleNamespace(hyperframe=self.at, total=300)

    def toggle(self) -> None:
        self.playing = not self.playing

    def step(self, n: int = 1) -> None:
        self.calls.append(f"step {n}")

    def seek_text(self, text: str) -> int:
        if not text.isdecimal():
            raise InputError(f"{text!r} is no place")
        self.calls.append(f"seek {text}")
        return int(text)

    def next_error(self) -> int | None:
        return 200

    def previous_error(self) -> int | None:
        return None

    def close(self) -> None:
        self.calls.append("close")


async def started(app: FrayApp, pilot: Pilot[int]) -> None:
    for _ in range(6):
        app.pipeline.step()
        app.tick()
    await pilot.pause()
    await pilot.pause()


async def test_quitting_lets_a_replay_go_that_waits_for_a_key() -> None:
    control = FakeControl()
    app = FrayApp(Pipeline(FakeSource()), live=False, replay=control)
    async with app.run_test(size=(80, 24)) as pilot:
        await started(app, pilot)
        await pilot.press("q")
    assert control.calls == ["close"]


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
async def test_the_line_says_where_the_replay_is(size: tuple[int, int]) -> None:
    control = FakeControl()
    app = FrayApp(Pipeline(FakeSource()), live=False, replay=control)
    async with app.run_test(size=size) as pilot:
        await started(app, pilot)
        line = app.replay_bar.shown()[0]
        assert line.startswith(" play    x1   ") and " hf 120/300  ! 2 " in line
        track = line[line.index("|") + 1 : line.rindex("|")]
        size_of = len(track) / 300
        for mark, numbers in (("!", (50, 200)), ("#", (120,))):
            cells = [i for i, shown in enumerate(track) if shown == mark]
            assert len(cells) == len(numbers)
            assert all(abs(i + 0.5 - n * size_of) < 1.5 for i, n in zip(cells, numbers, strict=True))
        assert set(track) == set("-!#")
        regions = [w.region for w in (app.status, app.link_view.matrix, app.replay_bar) if w.display]
        assert not any(a.overlaps(b) for i, a in enumerate(regions) for b in regions[i + 1 :])
        assert app.link_view.matrix.size.height >= len(app.link_view.matrix.lines), (
            "the whole hyperframe stays on the screen"
        )
        if size == (80, 24):
            assert "space play  e next error  ? keys" in line and not app.keys.display
        await pilot.press("2")
        await pilot.pause()
        await pilot.pause()
        told = " ".join(text(app).split())
        assert "space play/pause left/right step pgup/pgdn jump up/down speed e/E next/previous error" in told
        assert "tab keys of the view" in told and "q quit" in told
        await pilot.press("tab")
        await pilot.pause()
        assert "f follow" in text(app) and "tab replay keys" in text(app)
        await pilot.press("1", "i")
        await pilot.pause()
        await pilot.pause()
        assert app.keys.display and "left/right AxC" in text(app) and "MHz" in text(app)


async def test_each_key_reaches_the_control() -> None:
    control = FakeControl()
    app = FrayApp(Pipeline(FakeSource()), live=False, replay=control)
    async with app.run_test(size=(80, 24)) as pilot:
        await started(app, pilot)
        await pilot.press("space", "left", "right", "right", "pageup", "pagedown")
        assert control.calls == ["step -1", "step 1", "step 1", "step -150", "step 150"]
        assert app.replay_bar.shown()[0].startswith(" paused")  # space was pressed once
        await pilot.press("p")
        assert (control.playing, app.paused) == (True, False), "pausing is that of the replay"
        await pilot.press("down")
        assert control.speed == 0.5
        await pilot.press("up", "up")
        assert control.speed == 2.0 and "replay speed x2" in rows(app)[0]
        await pilot.press("e")
        assert "error in hyperframe 200" in rows(app)[0]
        await pilot.press("E")
        assert "no error before this" in rows(app)[0]
        before = list(control.calls)
        await pilot.press("tab", "right", "down", "e", "space")  # they are the view's now
        assert (app.link_view.matrix.ns, app.link_view.matrix.xs) == (40, 1) and control.calls == before
        assert "tab replay keys" in app.replay_bar.shown()[0]
        control.speed, control.at_end, control.scanned = math.inf, True, 0.5
        app.tick()
        line = app.replay_bar.shown()[0]
        assert " END     max" in line and "/~300" in line and "?" in line


async def test_seek_asks_and_says_what_cannot_be() -> None:
    control = FakeControl()
    app = FrayApp(Pipeline(FakeSource()), live=False, replay=control)
    async with app.run_test(size=(80, 24)) as pilot:
        await started(app, pilot)
        await pilot.press("g")
        await pilot.pause()
        assert isinstance(app.screen, SeekPage)
        await pilot.press(*"217", "enter")
        await pilot.pause()
        assert control.calls == ["seek 217"] and app.view == 0
        await pilot.press("g")
        await pilot.pause()
        await pilot.press(*"qm?", "enter")
        await pilot.pause()
        assert "'qm?' is no place" in rows(app)[0]
        assert app.feed.marked_at == 0, "what is typed is no key"
        await pilot.press("g", "escape")
        await pilot.pause()
        assert len(app.screen_stack) == 1 and len(control.calls) == 1


async def test_replay_keys_are_actions_and_in_help_and_collide_with_none_of_everywhere() -> None:
    app = FrayApp(Pipeline(FakeSource()), live=False, replay=FakeControl())
    keys = [key for binding in ReplayBar.BINDINGS for key in binding.key.split(",")]  # type: ignore[union-attr]
    taken = {key for binding in app.BINDINGS for key in binding.key.split(",")}  # type: ignore[union-attr]
    assert not taken & set(keys) and len(keys) == len(set(keys))
    async with app.run_test(size=(80, 60)) as pilot:
        texts = {action.text for action in app.actions() if action.where == "replay: "}
        assert {binding.description for binding in ReplayBar.BINDINGS} == texts  # type: ignore[union-attr]
        await pilot.press("question_mark")
        await pilot.pause()
        await pilot.pause()
        assert isinstance(app.screen, Page)
        assert "left           one hyperframe back" in text(app)


async def test_a_screen_without_replay_has_neither_line_nor_keys() -> None:
    app = FrayApp(Pipeline(FakeSource()), live=False)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("g", "tab")
        await pilot.pause()
        assert not app.replay_bar.display and not isinstance(app.screen, SeekPage)
        assert not any(action.where == "replay: " for action in app.actions())


async def test_decoding_begun_anew_clears_marks_and_lines() -> None:
    pipeline = Pipeline(FakeSource())
    app = FrayApp(pipeline, live=False, replay=FakeControl())
    async with app.run_test(size=(80, 24)) as pilot:
        await started(app, pilot)
        await pilot.press("m", "2")
        assert app.feed.marked_at == 120 and len(app.events_view.list.rows) > 10
        pipeline.restart(500)
        app.tick()
        assert app.feed.marked_at == 0 and app.feed.errors_since_mark == 0
        assert len(app.events_view.list.rows) == 0
        pipeline.step()
        app.tick()
        assert app.events_view.list.rows[0].event.hyperframe in (None, 500, 501, 502, 503)


async def test_the_screen_over_a_real_replay(tmp_path: Path) -> None:
    """One damaged octet: the error is found by its key, a step comes after it, and the numbers stay those of it."""
    source = FakeSource(6)
    octets = np.concatenate([np.asarray(chunk.data).reshape(20, -1) for chunk in source.chunks()])
    octets[70, 64 * octets.shape[1] // 256] = 200  # Z.64.0, the HFN of hyperframe 70
    capture = tmp_path / "a.octets"
    capture.write_bytes(octets.tobytes())
    reader = open_replay(str(capture), "octets", "2")
    control = ReplayControl(reader, playing=False)
    replayed = ReplaySource(reader, control)
    app = FrayApp(Pipeline(replayed), replay=control, fps=30)
    async with app.run_test(size=(80, 24)) as pilot:

        async def until(hyperframe: int) -> None:
            for _ in range(100):
                await pilot.pause(0.03)
                if control.position.hyperframe == hyperframe and app.feed.elapsed == hyperframe + 1:
                    return
            raise AssertionError(control.position)

        control.timeline.wait_complete(5)
        assert control.position.hyperframe is None
        await pilot.press("e")
        await until(70)
        assert app.feed.snapshot.counters["hfn_invalid"] == 1
        await pilot.press("right")
        await until(71)
        await pilot.press("g")
        await pilot.pause()
        await pilot.press(*"18.40", "enter")  # BFN.HFN 17.140 is hyperframe 0
        await until(50)
        assert app.feed.snapshot.counters["hfn_invalid"] == 0
        await pilot.press("q")
