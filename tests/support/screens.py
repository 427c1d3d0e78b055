"""The screen over a fake source, stepped by hand, and what it shows as text."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path

from textual.pilot import Pilot

from monitor.links.pipeline import Pipeline
from monitor.tui.app import FrayApp
from monitor.tui.fault_list import FaultChoice
from monitor.tui.line_pane import Line
from tests.support.screen_fakes import FakeSource

GOLDEN = Path(__file__).parents[1] / "monitor" / "tui" / "golden"
SIZES = ((80, 24), (120, 40), (200, 60))
FAULTS = tuple(
    FaultChoice(name, f"what {name} does")
    for name in (
        "line.flip",
        "sync.comma",
        "sync.hfn",
        "hdlc.fcs",
        "hdlc.abort",
        "ethernet.fcs",
        "vendor.value",
    )
)
Run = tuple[FrayApp, Pilot[int]]
Show = Callable[[Sequence[Line]], None]


@asynccontextmanager
async def screen(
    source: FakeSource | None = None,
    *,
    size: tuple[int, int] = (80, 24),
    steps: int = 6,
    colour: bool | None = None,
) -> AsyncIterator[Run]:
    pipeline = Pipeline(FakeSource() if source is None else source)
    app = FrayApp(pipeline, live=False, colour=colour, faults=FAULTS)
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        advance(app, steps)
        await pilot.pause()
        yield app, pilot


def advance(app: FrayApp, steps: int) -> None:
    for _ in range(steps):
        app.pipeline.step()
        app.tick()


def rows(app: FrayApp) -> list[str]:
    return [strip.text.rstrip() for strip in app.screen._compositor.render_strips()]


def open_page(app: FrayApp) -> object:
    """The page that lies over the views, or the screen with the views itself."""
    return app.screen


def text(app: FrayApp) -> str:
    return "\n".join(rows(app)) + "\n"


async def inject_two(app: FrayApp, pilot: Pilot[int]) -> None:
    """Inject a fault that is detected, and one of which the source only says that it was done; then mark."""
    await pilot.press("3")
    names = [fault.name for fault in app.inject_view.faults.faults]
    for name in ("ethernet.fcs", "sync.hfn"):
        app.inject_view.faults.index = names.index(name)
        await pilot.press("enter")
        await pilot.pause()
        advance(app, 4)
    await pilot.press("m")
    advance(app, 2)
