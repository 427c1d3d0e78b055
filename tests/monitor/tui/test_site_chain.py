"""The drawing of a site: its rows from the REC down, and each direction of a segment in the cells it has."""

from __future__ import annotations

import pytest

from decoders.frame_structure.frames import ALARM_BITS
from monitor.site.plan import parse_site_plan, plan_of_sources
from monitor.site.site import SiteLink
from monitor.tui.line_pane import cells, line_text
from monitor.tui.palette import Look
from monitor.tui.site_chain import ChainRow, chain_rows, delay_text, lane_lines, remote_alarms, row_lines
from tests.support.sites import chain_plan, healthy, report, tree_plan, waiting_site

LOOK = Look(False)


def link_that(**said: object) -> SiteLink:
    link = waiting_site(chain_plan(1)).links[0]
    link.link.take(report(**said))  # type: ignore[arg-type]
    return link


def lane(link: SiteLink | None, width: int = 27, rows: int = 1) -> list[str]:
    lines = lane_lines(link, width, rows, LOOK, chosen=False)
    assert len(lines) == rows and all(cells(line) == width for line in lines)
    return [line_text(line).rstrip() for line in lines]


def told(rows: tuple[ChainRow, ...]) -> list[str]:
    out = []
    for row in rows:
        names = ["-" if link is None else link.name for link in row.lanes]
        out.append(" ".join([row.board, *names, *(["branch"] if row.branch else [])]))
    return out


def test_a_chain_and_a_tree_from_the_rec_down() -> None:
    assert told(chain_rows(waiting_site(chain_plan(2)))) == [
        "REC-A",
        "RE-1 REC-A>RE-1 RE-1>REC-A",
        "RE-1",
        "RE-2 RE-1>RE-2 RE-2>RE-1",
        "RE-2",
    ]
    assert told(chain_rows(waiting_site(tree_plan()))) == [
        "REC-A",
        "RE-1 REC-A>RE-1 RE-1>REC-A",
        "RE-1",
        "RE-2 RE-1>RE-2 -",
        "RE-2",
        "RE-1 branch",
        "RE-3 - RE-3>RE-1",
        "RE-3",
    ]
    alone = chain_rows(waiting_site(plan_of_sources([("A", "a.bits"), ("B", "b.bits")])))
    assert told(alone) == ["A A", "B B"] and all(row.sole for row in alone)


@pytest.mark.parametrize(
    ("said", "text"),
    [
        ({}, " + in sync  no errors"),
        ({"errors": {"code_violations": 3, "hdlc_aborts": 1}}, " + in sync  K3 H1"),
        ({"errors": {"code_violations": 1234567}}, " + in sync  K1.23M"),
        ({"sync_state": "XACQ2"}, " ! LOF  no errors"),
        ({"sync_state": "XACQ2", "los": True}, " ! LOS LOF  no errors"),
        ({"remote_alarms": ALARM_BITS["rai"]}, " + in sync remote RAI  0"),
        ({"silent_s": 12.4}, " ? no data 12 s  no errors"),
        ({"silent_s": 200.0, "broken": True}, " ! line down 3 min  0"),
        ({"ended": True}, " - ended  no errors"),
        ({"ended": True, "sync_state": "XACQ1"}, " - ended, LOF  no errors"),
        ({"why": "broken"}, " ! failed  no errors"),
    ],
)
def test_one_direction_in_one_line(said: dict[str, object], text: str) -> None:
    assert lane(link_that(**said)) == [text]


def test_errors_of_many_planes_are_summed_where_there_is_no_room() -> None:
    errors = {"code_violations": 3, "missed_sync_bytes": 2, "hdlc_aborts": 1, "ethernet_fcs_errors": 4}
    link = link_that(errors=errors)
    assert lane(link, 27) == [" + in sync  K3 S2 H1 E4"]
    assert lane(link, 22) == [" + in sync  10 errors"]
    many = link_that(
        errors=errors, sync_state="XACQ1", los=True, remote_alarms=ALARM_BITS["sdi"] | ALARM_BITS["rai"]
    )
    assert lane(many, 27) == [" ! LOS LOF remote !2 10 err"]
    assert lane(link_that(delay_ns=812.5), 40, 3)[2] == "   delay 812.5 ns  decoded 120"
    assert lane(link, 40, 3) == [" + in sync", "   K3 S2 H1 E4", "   decoded 120"]


def test_what_is_not_known_is_not_said_to_be_good() -> None:
    opening = waiting_site(chain_plan(1)).links[0]
    assert lane(opening) == [" - opening  errors -"]
    searching = link_that(control=None, sync_state="XACQ1")
    assert lane(searching) == [" - no sync yet  errors -"]
    assert lane(None) == ["   not watched"]


def test_a_row_of_any_width_is_full() -> None:
    site = waiting_site(chain_plan(2))
    site.links[0].link.take(report({"code_violations": 99}, remote_alarms=0x1F))
    for width in (80, 81, 100, 120, 200):
        for rows in (1, 2, 3):
            for row in chain_rows(site):
                lines = row_lines(row, width, rows, LOOK, 0)
                assert len(lines) == (rows if row.lanes else 1)
                assert all(cells(line) <= width for line in lines)
                assert not row.lanes or all(cells(line) == width for line in lines)


def test_the_middle_tells_option_length_and_delay() -> None:
    site = waiting_site(chain_plan(1))
    row = chain_rows(site)[1]
    one = line_text(row_lines(row, 80, 1, LOOK, None)[0])
    # 120 m of fibre: 587 ns with a group index of 1.468 (ITU-T G.652 fibre at 1310 nm, a usual data sheet value).
    assert "v| opt 2  120 m  587 ns |^" in one
    for link in site.links:
        link.link.take(report(option="3"))
    two = [line_text(line) for line in row_lines(row, 80, 2, LOOK, None)]
    assert "option 3 !plan 2" in two[0] and "120 m  587 ns" in two[1]
    assert "opt 3 !plan 2  120 m" in line_text(row_lines(row, 80, 1, LOOK, None)[0])
    site.links[0].link.take(report())
    assert "!plan" in line_text(row_lines(row, 80, 2, LOOK, None)[0])
    bare = parse_site_plan(
        '[[boards]]\nname = "A"\nsource = "x"\n[[boards]]\nname = "B"\n[[segments]]\nfrom = "A"\nto = "B"\n'
    )
    assert "option -" in line_text(row_lines(chain_rows(waiting_site(bare))[1], 80, 1, LOOK, None)[0])


def test_names_too_long_are_cut() -> None:
    name = "R" * 40
    plan = parse_site_plan(
        f'[[boards]]\nname = "{name}"\nsource = "x"\n[[boards]]\nname = "B"\n'
        f'[[segments]]\nfrom = "{name}"\nto = "B"\n'
    )
    lines = [row_lines(row, 80, 1, LOOK, None)[0] for row in chain_rows(waiting_site(plan))]
    assert "R>" in line_text(lines[0]) and all(cells(line) <= 80 for line in lines)


def test_remote_alarms_and_delays_in_words() -> None:
    assert remote_alarms(healthy()) == []
    assert remote_alarms(link_that(remote_alarms=0x1F).snapshot) == ["LOS", "LOF", "RAI", "SDI", "RESET"]
    assert [delay_text(value) for value in (587.4, 9999.0, 97893.0)] == ["587 ns", "9999 ns", "97.9 µs"]
