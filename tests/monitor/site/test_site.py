"""A site of several links: what each is doing, and three real boards of which one is killed, restarted, stopped."""

from __future__ import annotations

import os
import signal
import socket
import sys
from contextlib import ExitStack
from pathlib import Path

import pytest

from decoders.events import Plane
from monitor.opening import SourceRequest
from monitor.site.plan import SitePlan, parse_site_plan, plan_of_sources
from monitor.site.site import LinkState, Site, SiteLink
from monitor.site.worker_start import WorkerKind
from monitor.sources.names import Segment
from tests.hostile.behaviours import BEHAVIOURS
from tests.hostile.hostile_board import HostilePort
from tests.support.boards import running_board
from tests.support.patience import wait_until
from tests.support.sites import chain_plan, report, tree_plan, waiting_site

CAPTURES = Path(__file__).parents[3] / "captures"


def test_links_are_the_points_of_the_plan() -> None:
    site = waiting_site(tree_plan())
    assert [link.name for link in site.links] == ["RE-1>REC-A", "REC-A>RE-1", "RE-3>RE-1", "RE-1>RE-2"]
    assert [link.board for link in site.links] == ["REC-A", "RE-1", "RE-1", "RE-2"]
    link = site.named("RE-3>RE-1")
    assert link is not None and link.segment == Segment("RE-3", "RE-1")
    assert link.planned is not None and (link.planned.sender, link.planned.receiver) == ("RE-1", "RE-3")
    assert site.named("RE-9>RE-1") is None and site.name == "Saltmarsh"


@pytest.mark.parametrize(
    ("said", "state", "silent_s"),
    [
        ({}, LinkState.UP, None),
        ({"sync_state": "XACQ1"}, LinkState.NO_SYNC, None),
        ({"silent_s": 3.0}, LinkState.SILENT, 3.0),
        ({"silent_s": 4.0, "broken": True}, LinkState.DOWN, 4.0),
        ({"ended": True, "silent_s": 4.0}, LinkState.ENDED, None),
        ({"why": "no such file"}, LinkState.FAILED, pytest.approx(0.0, abs=5.0)),
        ({"why": "refused", "waiting": True}, LinkState.DOWN, pytest.approx(0.0, abs=5.0)),
    ],
)
def test_what_a_link_is_doing(said: dict[str, object], state: LinkState, silent_s: float | None) -> None:
    link = waiting_site(chain_plan(1)).links[0]
    assert link.state is LinkState.OPENING and not link.known and link.silent_s is None
    link.link.take(report(**said))  # type: ignore[arg-type]
    assert link.state is state and link.silent_s == silent_s and link.known
    assert link.why == said.get("why", "")


def test_errors_since_mark_by_plane() -> None:
    site = waiting_site(chain_plan(1))
    one, other = site.links
    one.link.take(report({"hdlc_fcs_errors": 2, "code_violations": 5, "hdlc_frames": 9}))
    other.link.take(report({"missed_sync_bytes": 1}))
    assert site.errors_since_mark == 8
    assert one.errors_by_plane == {Plane.HDLC: 2, Plane.LINE: 5}
    site.mark()
    assert site.errors_since_mark == 0 and one.errors_by_plane == {}
    one.link.take(report({"hdlc_fcs_errors": 3, "code_violations": 5}, delay_ns=812.5))
    assert site.errors_since_mark == one.errors_since_mark == 1 and other.errors_since_mark == 0
    assert one.delay_ns == 812.5 and other.delay_ns is None


def test_findings_are_asked_of_all_links() -> None:
    def find(links: object) -> list[str]:
        assert isinstance(links, tuple)
        return [f"{link.name} is clean" for link in links if not link.errors_since_mark]

    site = waiting_site(chain_plan(1), find)
    site.links[0].link.take(report({"code_violations": 5}))
    assert site.findings == ("REC-A>RE-1 is clean",) and waiting_site(chain_plan(1)).findings == ()


def test_what_the_plan_says_of_a_source_goes_first(tmp_path: Path) -> None:
    plan = parse_site_plan(
        '[[boards]]\nname = "A"\nsource = "a.octets"\nform = "octets"\noption = "1"\nbaud = 9600\n'
        '[[boards]]\nname = "B"\nsource = "b.bits"\n'
    )
    site = Site(plan, SourceRequest(source="", form="bits", option="2", baud=115200))
    first, second = (link.link.request for link in site.links)
    assert (first.source, first.form, first.option, first.baud) == ("a.octets", "octets", "1", 9600)
    assert (second.source, second.form, second.option, second.baud) == ("b.bits", "bits", "2", 115200)


def test_captures_side_by_side() -> None:
    names = ("clean.bits", "cm-faults.octets", "line-faults.bits", "frame-end.ffcap")
    plan = plan_of_sources([(None, str(CAPTURES / name)) for name in names])
    with Site(plan, SourceRequest(source=""), rate=50, kind=WorkerKind.THREAD) as site:
        wait_until(lambda: all(link.state is LinkState.ENDED for link in site.links))
        assert [link.snapshot.hyperframes for link in site.links] == [14, 36, 27, 17], "captures/README.md"
        assert [link.snapshot.counters["code_violations"] for link in site.links] == [0, 0, 549, 0]
    assert all(not _alive(link) for link in site.links)


def _alive(link: SiteLink) -> bool:
    return link.link._thread.is_alive()


# --- real boards, each a process, and a decoder for each, too --------------------------------------------------

WORDS = ("--option", "1", "--pace", "30", "--data", "flagged")


def host(port: int) -> str:
    return f"127.0.0.1:{port}"


@pytest.fixture
def ports() -> list[int]:
    """Six that nobody listens on."""
    with ExitStack() as stack:
        sockets = [stack.enter_context(socket.socket()) for _ in range(6)]
        for each in sockets:
            each.bind(("127.0.0.1", 0))
        return [each.getsockname()[1] for each in sockets]


def steady(link: SiteLink, least: int) -> bool:
    """In sync with at least so many hyperframes, and without an error since the mark."""
    return link.state is LinkState.UP and link.snapshot.hyperframes >= least and not link.errors_since_mark


def cable_words(ports: list[int]) -> tuple[tuple[str, ...], ...]:
    """REC-A, RE-1 and RE-2 on a cable: two ports for the links between them, four for their hosts."""
    first, second, *hosts = (host(port) for port in ports)
    return (
        ("--name", "REC-A", "--downlink", first, "--tcp", hosts[0], *WORDS),
        (
            "--name",
            "RE-1",
            "--uplink",
            first,
            "--downlink",
            second,
            "--tcp",
            hosts[1],
            "--tcp",
            hosts[2],
            *WORDS,
        ),
        ("--name", "RE-2", "--uplink", second, "--tcp", hosts[3], *WORDS),
    )


def cable_plan(ports: list[int]) -> SitePlan:
    rec, re_1, re_1_far, re_2 = (f"socket://{host(port)}" for port in ports[2:])
    return parse_site_plan(
        f'''
        name = "Saltmarsh"
        [[boards]]
        name = "REC-A"
        source = "{rec}"
        [[boards]]
        name = "RE-1"
        source = "{re_1}"
        [boards.sources]
        RE-2 = "{re_1_far}"
        [[boards]]
        name = "RE-2"
        source = "{re_2}"
        [[segments]]
        from = "REC-A"
        to = "RE-1"
        [[segments]]
        from = "RE-1"
        to = "RE-2"
        '''
    )


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGSTOP")
def test_a_board_is_killed_restarted_and_stopped_and_the_other_goes_on(ports: list[int]) -> None:
    """Two boards, each by itself; on a cable the same takes longer."""
    words = [("--tcp", host(port), "--name", f"RE-{i + 1}", *WORDS) for i, port in enumerate(ports[:2])]
    plan = plan_of_sources([(f"RE-{i + 1}", f"socket://{host(port)}") for i, port in enumerate(ports[:2])])
    with ExitStack() as stack:
        boards = [stack.enter_context(running_board(*each))[1] for each in words]
        site = stack.enter_context(Site(plan, SourceRequest(source=""), rate=20))
        first, second = site.links
        wait_until(lambda: all(steady(link, 8) for link in site.links))
        assert {link.link.worker.kind for link in site.links if link.link.worker} == {WorkerKind.PROCESS}

        boards[1].kill()
        wait_until(lambda: second.state is LinkState.DOWN)
        before, kept = first.snapshot.hyperframes, second.snapshot.hyperframes
        wait_until(lambda: steady(first, before + 8))
        assert second.state is LinkState.DOWN and (second.silent_s or 0) > 0 and kept >= 8

        stack.enter_context(running_board(*words[1]))
        wait_until(lambda: steady(second, kept + 8))
        assert second.snapshot.breaks_of_unknown_length >= 1, "counted on, not anew"

        os.kill(boards[0].pid, signal.SIGSTOP)
        try:
            wait_until(lambda: first.state is LinkState.SILENT)
            before, kept = second.snapshot.hyperframes, first.snapshot.hyperframes
            wait_until(lambda: steady(second, before + 8))
            assert (first.silent_s or 0) >= 2.0 and first.snapshot.hyperframes == kept
        finally:
            os.kill(boards[0].pid, signal.SIGCONT)
        wait_until(lambda: steady(first, kept + 8))
    assert all(not _alive(link) for link in site.links)


@pytest.mark.slow
@pytest.mark.timeout(180)
@pytest.mark.skipif(sys.platform == "win32", reason="no SIGSTOP")
def test_three_boards_on_a_cable_killed_restarted_and_stopped(ports: list[int]) -> None:
    """The site says which segment it is, the others go on, and counters are kept."""
    with ExitStack() as stack:
        words = cable_words(ports)
        boards = [stack.enter_context(running_board(*each))[1] for each in words]
        site = stack.enter_context(Site(cable_plan(ports), SourceRequest(source=""), rate=20))
        links = {link.name: link for link in site.links}
        up, down = links["RE-1>REC-A"], links["REC-A>RE-1"]
        far_up, far_down = links["RE-2>RE-1"], links["RE-1>RE-2"]
        wait_until(lambda: all(link.state is LinkState.UP for link in site.links), 60)
        site.mark()
        assert {link.link.worker.kind for link in site.links if link.link.worker} == {WorkerKind.PROCESS}

        boards[2].kill()
        wait_until(lambda: far_down.state is LinkState.DOWN and far_up.state is LinkState.NO_SYNC)
        assert far_up.snapshot.los and far_up.errors_since_mark, "RE-1 hears nothing from RE-2"
        assert (far_down.silent_s or 0) > 0
        kept, before = far_down.snapshot, down.snapshot.hyperframes
        wait_until(lambda: steady(down, before + 8) and up.state is LinkState.UP)

        boards[2] = stack.enter_context(running_board(*words[2]))[1]
        wait_until(lambda: far_down.state is LinkState.UP and far_up.state is LinkState.UP, 60)
        wait_until(lambda: far_down.snapshot.hyperframes >= kept.hyperframes + 5)
        assert all(far_down.snapshot.counters[name] >= count for name, count in kept.counters.items())

        os.kill(boards[1].pid, signal.SIGSTOP)
        try:
            wait_until(lambda: down.state is LinkState.SILENT and far_up.state is LinkState.SILENT)
            counted = down.snapshot.hyperframes
            wait_until(lambda: (down.silent_s or 0) > 2.5)
            assert up.state is not LinkState.SILENT and far_down.state is not LinkState.SILENT
            assert down.snapshot.hyperframes == counted
        finally:
            os.kill(boards[1].pid, signal.SIGCONT)
        wait_until(lambda: down.state is LinkState.UP and down.snapshot.hyperframes > counted, 60)
    assert all(not _alive(link) for link in site.links)


QUICK = ("noise", "a flood of log", "pieces without an end", "says nothing")


def good_among_hostile(names: list[str], port: int, many: int) -> None:
    """A good board among these: it loses nothing, and what the others do is said in words."""
    with ExitStack() as stack:
        stack.enter_context(running_board("--tcp", host(port), "--name", "RE-1", *WORDS))
        hostile = []
        for behaviour in BEHAVIOURS:
            if behaviour.name in names:
                each = HostilePort(behaviour)
                each.many = many
                stack.callback(each.close)
                hostile.append(each)
        assert len(hostile) == len(names)
        sources = [
            ("RE-1", f"socket://127.0.0.1:{port}"),
            *((f"H-{i}", p.name) for i, p in enumerate(hostile)),
        ]
        site = stack.enter_context(Site(plan_of_sources(sources), SourceRequest(source=""), rate=20))
        good, *bad = site.links
        wait_until(lambda: steady(good, 8))
        wait_until(lambda: all(link.state is not LinkState.OPENING for link in bad))
        at = good.snapshot.hyperframes
        wait_until(lambda: steady(good, at + 30))
        assert good.snapshot.hyperframes_missed == 0 and good.link.deaths == 0
        assert all(link.link.deaths == 0 for link in bad), "a hostile board ends no decoder"
        assert all("\x1b" not in link.why and "\n" not in link.why for link in bad)


def test_hostile_boards_do_not_disturb_a_good_one(ports: list[int]) -> None:
    good_among_hostile(list(QUICK), ports[0], 1)


@pytest.mark.slow
def test_no_hostile_board_disturbs_a_good_one(ports: list[int]) -> None:
    names = [behaviour.name for behaviour in BEHAVIOURS]
    for start in range(0, len(names), 16):
        good_among_hostile(names[start : start + 16], ports[0], 5)
