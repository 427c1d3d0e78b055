"""The pane of a site: a cursor over both directions of each segment, and what is told of the chosen link."""

from __future__ import annotations

from monitor.site.plan import plan_of_sources
from monitor.tui.line_pane import line_text
from monitor.tui.palette import Look
from monitor.tui.site_view import SitePane, site_lines
from tests.support.site_screens import shown
from tests.support.sites import chain_plan, report, tree_plan, waiting_site

LOOK = Look(False)


def test_the_cursor_moves_over_segments_and_directions() -> None:
    pane = SitePane(LOOK, waiting_site(tree_plan()))

    def chosen() -> str:
        return "-" if pane.chosen is None else pane.chosen.name

    assert chosen() == "REC-A>RE-1"
    pane.action_lane(1)
    assert chosen() == "RE-1>REC-A"
    pane.action_step(1)
    assert chosen() == "-", "RE-2 has no source on the uplink"
    pane.action_lane(0)
    assert chosen() == "RE-1>RE-2"
    pane.action_step(1000)
    assert chosen() == "-"
    pane.action_step(-1000)
    assert chosen() == "REC-A>RE-1"
    pane.choose("RE-3>RE-1")
    assert chosen() == "RE-3>RE-1"
    pane.choose("nothing")
    assert chosen() == "RE-3>RE-1"


def test_the_site_in_two_lines() -> None:
    site = waiting_site(chain_plan(1))
    first, second = (line_text(line) for line in site_lines(site, LOOK, 80))
    assert (first, second) == (" ! 2 links: 2 opening", " - errors -")
    for link in site.links:
        link.link.take(report())
    assert [line_text(line) for line in site_lines(site, LOOK, 80)] == [
        " + 2 links: 2 in sync",
        " + 0 errors since start",
    ]
    site.links[0].link.take(report({"code_violations": 3}, silent_s=4.0))
    first, second = (line_text(line) for line in site_lines(site, LOOK, 80))
    assert first == " ! 2 links: 1 no data, 1 in sync"
    assert second == " ! 3 errors since start, 1 of 2 links heard  line code 3"


async def test_a_long_chain_scrolls_with_the_cursor() -> None:
    async with shown(waiting_site(chain_plan(20))) as (app, pilot):
        pane = app.site_view.pane
        assert "more lines" in pane.shown()[0] and "[ REC-A ]" in pane.shown()[1]
        await pilot.press("end")
        await pilot.pause()
        assert any("[ RE-20 ]" in line for line in pane.shown())
        assert any(line.startswith(">") for line in pane.shown())
        await pilot.press(*["up"] * 10)
        await pilot.pause()
        assert any(line.startswith(">") for line in pane.shown())
        await pilot.press("home")
        await pilot.pause()
        assert "[ REC-A ]" in pane.shown()[1]


async def test_details_of_the_chosen_link() -> None:
    site = waiting_site(chain_plan(2))
    site.links[1].link.take(report({"hdlc_aborts": 2}, delay_ns=812.5, los=True, sync_state="XACQ1"))
    async with shown(site, (120, 40)) as (app, _):
        seen = " ".join(line.strip() for line in app.site_view.pane.shown())
    assert "REC-A>RE-1  board" in seen and "local LOS LOF, remote no alarm" in seen
    assert "the board counts 812.5 ns" in seen and "cable 587 ns one way by its length" in seen
    assert "slow C&M (HDLC) 2 errors since start" in seen


async def test_a_board_of_another_name_is_told() -> None:
    site = waiting_site(chain_plan(1))
    for link in site.links:
        link.link.take(report(name=link.board))
    assert not any(link.other_name for link in site.links)
    site.links[1].link.take(report(name="RE-\x1b[7m"))
    assert line_text(site_lines(site, LOOK, 80)[0]).startswith(" ! 2 links")
    async with shown(site) as (app, _):
        seen = "\n".join(app.site_view.pane.shown())
    assert ">! in sync as RE-\\x1b>" in seen
    assert "! the board calls itself RE-\\x1b[7m, the plan RE-1: the wrong cable?" in seen
    loose = waiting_site(plan_of_sources([("A", "socket://127.0.0.1:1")]))
    loose.links[0].link.take(report(name="RE-1"))
    assert not loose.links[0].other_name
