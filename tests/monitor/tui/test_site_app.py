"""The screen of a site driven by keys: the drawing, a link opened and left again, marks, help; golden texts.

FRAMEFRAY_WRITE_GOLDEN=1 writes the golden texts anew, to be read before they are committed.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from decoders.frame_structure.frames import ALARM_BITS
from monitor.opening import SourceRequest
from monitor.site.plan import plan_of_sources
from monitor.site.remote_link import RemoteLink
from monitor.site.site import LinkState, Site
from monitor.site.worker_start import WorkerKind
from monitor.tui.pages import Page
from monitor.tui.site_app import SITE_VIEWS
from tests.support.patience import wait_until
from tests.support.screens import GOLDEN, rows, text
from tests.support.site_screens import settled, shown
from tests.support.sites import chain_plan, report, tree_plan, waiting_site

CAPTURES = Path(__file__).parents[3] / "captures"


@pytest.fixture(autouse=True)
def no_time_passes(monkeypatch: pytest.MonkeyPatch) -> None:
    """The seconds of a line that is down run; here they stand."""
    monkeypatch.setattr(RemoteLink, "failing_s", 0.0)


def eight_segments() -> Site:
    """REC-A and eight RE, watched both ways: every state there is."""
    found = ["vendor octets damaged on RE-2>RE-3 (hyperframe 120); clean at RE-2"]
    site = waiting_site(chain_plan(8), lambda links: found)
    told = {
        "REC-A>RE-1": report(delay_ns=812.5),
        "RE-1>REC-A": report(remote_alarms=ALARM_BITS["rai"]),
        "RE-1>RE-2": report({"hdlc_fcs_errors": 3, "ethernet_fcs_errors": 12}),
        "RE-2>RE-1": report({"code_violations": 123456, "missed_sync_bytes": 7}, option="3"),
        "RE-2>RE-3": report(
            {
                "code_violations": 12,
                "missed_sync_bytes": 4,
                "lof_events": 1,
                "hdlc_aborts": 2,
                "ethernet_code_errors": 3,
            },
            sync_state="XACQ1",
            los=True,
            remote_alarms=ALARM_BITS["sdi"] | ALARM_BITS["rai"],
        ),
        "RE-3>RE-2": report(silent_s=12.4),
        "RE-3>RE-4": report(silent_s=200.0, broken=True),
        "RE-4>RE-3": report(why="socket://127.0.0.1:4804: Connection refused", waiting=True),
        "RE-4>RE-5": report(ended=True),
        "RE-5>RE-4": report(why="the board is of option 3, not 2"),
        "RE-5>RE-6": report(),
        "RE-6>RE-5": report(),
    }
    for name, each in told.items():
        link = site.named(name)
        assert link is not None
        link.link.take(each)
    return site


GOLDENS: dict[str, tuple[Callable[[], Site], tuple[str, ...]]] = {
    "site_chain": (eight_segments, ("down", "down")),
    "site_tree": (lambda: waiting_site(tree_plan()), ("down", "down", "left")),
}


@pytest.mark.parametrize("size", [(80, 24), (120, 40)], ids=lambda s: f"{s[0]}x{s[1]}")
@pytest.mark.parametrize("name", GOLDENS)
async def test_site_reads_as_kept(name: str, size: tuple[int, int]) -> None:
    make, keys = GOLDENS[name]
    async with shown(make(), size) as (app, pilot):
        await settled(app, pilot, *keys)
        seen = text(app)
    kept = GOLDEN / f"{name}_{size[0]}x{size[1]}.txt"
    if os.environ.get("FRAMEFRAY_WRITE_GOLDEN"):
        kept.write_text(seen, encoding="utf-8")
    assert seen == kept.read_text(encoding="utf-8")


async def test_no_color_sends_the_same_text_without_colour(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    async with shown(eight_segments()) as (app, pilot):
        await settled(app, pilot, "down", "down")
        assert text(app) == (GOLDEN / "site_chain_80x24.txt").read_text(encoding="utf-8")
        styles = {
            s.style for strip in app.screen._compositor.render_strips() for s in strip if s.style is not None
        }
    assert {c.name for style in styles for c in (style.color, style.bgcolor) if c is not None} <= {"default"}
    assert any(style.reverse for style in styles), "the cursor"


async def test_all_eight_segments_stand_on_a_small_screen() -> None:
    async with shown(eight_segments()) as (app, _):
        seen = text(app)
    assert all(f"[ {name} ]" in seen for name in ("REC-A", *(f"RE-{i}" for i in range(1, 9))))
    assert "more lines" not in seen and "vendor octets damaged on RE-2>RE-3" in seen and "q quit" in seen
    assert all(len(line) <= 80 for line in seen.splitlines())


async def test_a_link_is_opened_and_left_again() -> None:
    site = eight_segments()
    async with shown(site) as (app, pilot):
        assert "[5 Site]" in rows(app)[0] and "16 links: " in rows(app)[1]
        await settled(app, pilot, "down", "enter")
        assert "[1 Link]" in rows(app)[0] and "RE-1>RE-2" in rows(app)[0] and app.link.name == "RE-1>RE-2"
        assert [link.name for link in site.links if link.link.whole] == ["RE-1>RE-2"]
        for key, name in (("2", "Events"), ("3", "Inject"), ("4", "Delay")):
            await settled(app, pilot, key)
            assert f"[{key} {name}]" in rows(app)[0] and "RE-1>RE-2" in rows(app)[0]
        await settled(app, pilot, "escape")
        assert "[5 Site]" in rows(app)[0]
        await settled(app, pilot, "right", "3")
        assert "[3 Inject]" in rows(app)[0] and "RE-2>RE-1" in rows(app)[0]
        await settled(app, pilot, "5")
        assert "[5 Site]" in rows(app)[0] and len(app.panels) >= 2


async def test_where_nothing_is_watched_nothing_is_opened() -> None:
    async with shown(waiting_site(tree_plan())) as (app, pilot):
        await settled(app, pilot, "end", "left", "enter")
        assert "[5 Site] nothing is watched there" in rows(app)[0]
        assert "RE-3: the plan of the site has no source for this direction" in text(app)
        await settled(app, pilot, "2")
        assert "[5 Site]" in rows(app)[0]


async def test_a_mark_is_of_all_links_or_of_the_open_one() -> None:
    site = eight_segments()
    async with shown(site) as (app, pilot):
        assert "since start" in rows(app)[2]
        await settled(app, pilot, "m")
        assert rows(app)[2].startswith(" ? 0 errors since mark, 8 of 16 links heard")
        link = site.named("RE-1>RE-2")
        assert link is not None
        link.link.take(report({"hdlc_fcs_errors": 4, "ethernet_fcs_errors": 12}))
        await settled(app, pilot)
        assert rows(app)[2].startswith(" ! 1 error since mark")
        await settled(app, pilot, "down", "enter", "m")
        assert link.errors_since_mark == 0 and "+ 0 errors since mark" in text(app)


async def test_nothing_known_reads_as_nothing_known() -> None:
    async with shown(waiting_site(chain_plan(3))) as (app, _):
        assert rows(app)[1:3] == [" ! 6 links: 6 opening", " - errors -"]
        assert "no errors" not in text(app)


async def test_a_failure_is_shown_with_its_link_and_goes_again() -> None:
    site = eight_segments()
    async with shown(site) as (app, pilot):
        assert not app.failure.display
        await settled(app, pilot, *["down"] * 3, "right", "enter")
        assert "Reading stopped: socket://127.0.0.1:4804: Connection refused" in text(app)
        app.link.link.take(report())
        await settled(app, pilot)
        assert "Reading stopped" not in text(app)


async def test_keys_are_in_the_help_and_none_has_two_meanings() -> None:
    async with shown(eight_segments()) as (app, pilot):
        keys = [k for b in (*app.BINDINGS, *app.site_view.pane.BINDINGS) for k in b.key.split(",")]  # type: ignore[union-attr]
        assert len(keys) == len(set(keys)) and len(SITE_VIEWS) == 5
        texts = {action.text for action in app.actions()}
        assert {
            "next segment",
            "open the views of this link; esc or 5 comes back",
            "back to the site",
        } <= texts
        await pilot.press("question_mark")
        await pilot.pause()
        assert isinstance(app.screen, Page)
        seen = text(app)
        for _ in range(12):
            await pilot.press("pagedown")
            await pilot.pause()
            seen += text(app)
        assert "5 Site" in seen and "its uplink" in seen and "previous segment" in seen


async def test_pause_stands_still() -> None:
    site = eight_segments()
    async with shown(site) as (app, pilot):
        await pilot.press("p")
        site.links[0].link.take(report({"code_violations": 99}))
        app.tick()
        await pilot.pause()
        assert "[PAUSED]" in rows(app)[0] and "K99" not in text(app)
        await settled(app, pilot, "p")
        assert "K99" in text(app)


async def test_hostile_text_stays_inert() -> None:
    site = waiting_site(chain_plan(1), lambda links: ["\x1b[31mred\u202e"])
    site.links[0].link.take(report(why="\x1b]0;x\x07[red]\U0001f600", waiting=True))
    async with shown(site) as (app, pilot):
        await settled(app, pilot, "right")
        seen = text(app)
    assert "\\x1b]0;x\\x07[red]" in seen and "\\x1b[31mred\\u202e" in seen
    assert set(seen) <= {chr(c) for c in range(32, 127)} | {"\n", "─", "µ"}


async def test_the_whole_way_from_captures_to_the_screen() -> None:
    names = ("clean.bits", "line-faults.bits")
    plan = plan_of_sources([(None, str(CAPTURES / name)) for name in names])
    with Site(plan, SourceRequest(source=""), rate=50, kind=WorkerKind.THREAD) as site:
        wait_until(lambda: all(link.state is LinkState.ENDED for link in site.links))
        async with shown(site) as (app, pilot):
            assert "- ended  no errors" in text(app) and "K988 S3 L1 H1 E1" in text(app)
            await settled(app, pilot, "down", "2")
            assert "link-2" in rows(app)[0] and "[ENDED]" in rows(app)[0]
            assert len(app.panel.events_view.list.rows) == site.links[1].snapshot.events
