"""The screen of a site, drawn when asked for."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from textual.pilot import Pilot

from monitor.site.site import Site
from monitor.tui.site_app import SiteApp
from tests.support.screens import FAULTS

__all__ = ["settled", "shown"]

Run = tuple[SiteApp, Pilot[int]]


@asynccontextmanager
async def shown(site: Site, size: tuple[int, int] = (80, 24), **more: object) -> AsyncIterator[Run]:
    app = SiteApp(site, live=False, faults=FAULTS, **more)  # type: ignore[arg-type]
    async with app.run_test(size=size) as pilot:
        await settled(app, pilot)
        yield app, pilot


async def settled(app: SiteApp, pilot: Pilot[int], *keys: str) -> None:
    """Press keys, and draw once what they have changed."""
    await pilot.press(*keys)
    await pilot.pause()
    app.tick()
    await pilot.pause()
