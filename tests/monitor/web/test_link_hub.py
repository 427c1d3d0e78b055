"""Pages on one running site: they see what it sees, may not do what they may not, and end with it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing import AuthenticationError
from multiprocessing.connection import Client
from pathlib import Path
from typing import Any

import pytest

from monitor.commands.site_watch import plan_of_one
from monitor.errors import InputError
from monitor.opening import SourceRequest
from monitor.site.link_worker import Ask, Call, LinkReport
from monitor.site.site import Site
from monitor.site.worker_start import WorkerKind
from monitor.web import link_hub
from monitor.web.link_hub import BUSY, READING_ONLY, LinkHub, PageFacts, SharedLink, connection_to_hub
from monitor.web.viewer import HubWorkers
from tests.support.patience import patience, wait_until

CLEAN = Path(__file__).parents[3] / "captures" / "clean.bits"
REQUEST = SourceRequest(source="", pace=400.0)


@contextmanager
def hub(source: str = "emulated", *, control: bool = False) -> Iterator[tuple[Site, LinkHub]]:
    with Site(plan_of_one("RE-1", source), REQUEST, kind=WorkerKind.THREAD) as site:
        facts, links = PageFacts(site.plan, REQUEST, "x"), [each.link for each in site.links]
        made = LinkHub(links, facts, control=control, findings=lambda: ["first on RE-1>RE-2"])
        made.start()
        try:
            wait_until(lambda: site.links[0].snapshot.hyperframes > 10)
            yield site, made
        finally:
            made.close()


def answer(connection: Any, message: Ask | Call) -> Any:
    connection.send(message)
    assert connection.poll(patience(10))
    return connection.recv()


def test_two_pages_see_one_link_that_is_opened_once() -> None:
    with hub() as (site, _):
        worker = site.links[0].link.worker
        with connection_to_hub("RE-1") as one, connection_to_hub("RE-1") as other:
            for connection in (one, other):
                report = answer(connection, Ask(0))
                assert isinstance(report, LinkReport) and report.snapshot is not None
                assert report.snapshot.sync_state == "HFNSYNC" and report.entries[0].number == 0
                assert report.snapshot.hyperframes <= site.links[0].snapshot.hyperframes
            assert len(answer(one, Ask(report.entries[-1].number + 1)).entries) < len(report.entries)

            def whole() -> bool:
                snapshot = answer(one, Ask(0, whole=True)).snapshot
                return snapshot.change_counts is not None and snapshot.iq_octets is not None

            wait_until(whole)
        assert site.links[0].link.worker is worker and site.links[0].link.deaths == 0


def test_a_page_for_reading_only_does_nothing() -> None:
    with hub() as (site, _), connection_to_hub("RE-1") as page:
        report = answer(page, Ask(0))
        assert report.resettable and report.emulated is None and not report.guarded
        for number, what in enumerate(("inject", "reset", "measure")):
            reply = answer(page, Call(number, what, "hdlc.fcs", allow=True))
            assert (reply.number, reply.value, reply.refused) == (number, None, READING_ONLY)
        assert site.links[0].snapshot.injected == ()


def test_a_page_with_control_injects_what_is_then_counted() -> None:
    with hub(control=True) as (site, _), connection_to_hub("RE-1") as page:
        reply = answer(page, Call(1, "inject", "hdlc.fcs"))
        assert reply.refused == "" and reply.value.text.startswith("hdlc.fcs")
        wait_until(lambda: site.links[0].snapshot.counters["hdlc_fcs_errors"] == 1)
        assert "no board that could be reset" in answer(page, Call(2, "reset")).refused
        assert "does not exist" in answer(page, Call(3, "inject", "no.such")).refused


def test_a_capture_offers_no_reset_to_be_refused() -> None:
    with (
        Site(plan_of_one("RE-1", str(CLEAN)), REQUEST, kind=WorkerKind.THREAD) as site,
    ):
        link = site.links[0].link
        wait_until(lambda: link.snapshot().ended)
        report = SharedLink(link, link_hub._Resetting(), control=False).report(Ask(0))
        assert not report.resettable and not report.can_inject


def test_one_page_at_a_time_resets(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [100.0]
    monkeypatch.setattr(link_hub.time, "monotonic", lambda: now[0])
    resetting, one, other = link_hub._Resetting(), object(), object()
    resetting.claim(one)
    now[0] += link_hub._RESETS_S - 1
    resetting.claim(one)
    with pytest.raises(InputError, match=BUSY):
        resetting.claim(other)
    now[0] += link_hub._RESETS_S + 1
    resetting.claim(other)


def test_the_end_of_the_hub_is_that_of_its_pages() -> None:
    with hub() as (_, made):
        facts, link = connection_to_hub(""), connection_to_hub("RE-1")
        got = facts.recv()
        assert isinstance(got, PageFacts) and got.plan.points[0].name == "RE-1"
        facts.send(None)
        assert facts.recv() == ("first on RE-1>RE-2",)
        answer(link, Ask(0))
        made.close()
        for connection in (facts, link):
            assert connection.poll(patience(10))
            with pytest.raises((EOFError, OSError)):
                connection.recv()
            connection.close()
        assert link_hub._HUB not in os.environ


def test_only_who_has_the_key_is_let_in() -> None:
    with hub() as (_, made):
        for _ in range(3):
            with pytest.raises((AuthenticationError, OSError, EOFError)):
                Client(made._listener.address, authkey=b"guess").recv()
        with connection_to_hub("nobody") as page:
            assert page.poll(patience(10))
            with pytest.raises(EOFError):
                page.recv()
        with connection_to_hub("RE-1") as page:
            assert answer(page, Ask(0)).snapshot is not None


def test_a_site_of_a_page_is_what_the_running_one_is() -> None:
    with hub(control=True) as (site, _):
        copy = Site(site.plan, REQUEST, running=HubWorkers())
        with copy:
            wait_until(lambda: copy.links[0].snapshot.hyperframes > 10)
            fault = copy.links[0].link.inject("ethernet.fcs")
            assert fault.text.startswith("ethernet.fcs")
            wait_until(lambda: copy.links[0].snapshot.counters["ethernet_fcs_errors"] == 1)
            assert site.links[0].snapshot.counters["ethernet_fcs_errors"] == 1
