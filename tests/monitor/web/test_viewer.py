"""The process of one page: what it shows, what it leaves to the browser, and that it ends."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.commands.site_watch import plan_of_one
from monitor.opening import SourceRequest
from monitor.site.site import Site
from monitor.site.worker_start import WorkerKind
from monitor.web import viewer
from monitor.web.viewer import PageApp
from tests.support.patience import wait_until
from tests.support.screens import rows

ROOT = Path(__file__).parents[3]


async def test_a_page_of_one_link_opens_its_views_and_writes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    plan = plan_of_one("RE-1", str(ROOT / "captures" / "cm-faults.octets"))
    with Site(plan, SourceRequest(source=""), kind=WorkerKind.THREAD) as site:
        wait_until(lambda: site.links[0].snapshot.ended)
        app = PageApp(site, live=False)
        async with app.run_test(size=(100, 30)) as pilot:
            for _ in range(100):
                await pilot.pause(0.05)
                if app.view == 0:
                    break
            app.tick()
            assert app.view == 0 and app.panel.option == "1" and app.link.name == "RE-1"
            await pilot.press("2")
            await pilot.pause()
            app.tick()
            await pilot.press("up")
            await pilot.press("w")
            await pilot.pause()
            assert app.view == 1
            assert any("a page writes no files; y copies the event" in row for row in rows(app))
    assert list(tmp_path.iterdir()) == []


def test_without_a_site_there_is_no_page(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("FRAMEFRAY_HUB", raising=False)
    assert viewer.show_page() == 2
    monkeypatch.setenv("FRAMEFRAY_HUB", f"key {ROOT / 'none.socket'}")
    assert viewer.show_page() == 2
