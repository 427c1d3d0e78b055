"""A link whose decoder runs elsewhere: reports kept, calls answered, an end said, counts kept over it."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from decoders.events import Event
from monitor.errors import InputError
from monitor.links.snapshot import LogEntry
from monitor.opening import SourceRequest
from monitor.site import link_worker, remote_link
from monitor.site.link_worker import LinkReport
from monitor.site.remote_link import HISTORY, RemoteLink
from monitor.site.worker_start import WorkerKind
from tests.support.boards import running_board
from tests.support.patience import wait_until
from tests.support.sites import healthy

CAPTURES = Path(__file__).parents[3] / "captures"


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(remote_link, "_RESTART_S", (0.1, 0.2))


def started(source: str, kind: WorkerKind = WorkerKind.THREAD, **more: object) -> RemoteLink:
    request = SourceRequest(source=source, **more)  # type: ignore[arg-type]
    link = RemoteLink("RE-1", request, interval_s=0.02, kind=kind)
    link.start()
    return link


@pytest.fixture
def emulated() -> Iterator[RemoteLink]:
    link = started("emulated", option="1", pace=200.0)
    wait_until(lambda: link.snapshot().hyperframes)
    yield link
    link.close()


def test_a_capture_is_read_and_stays() -> None:
    link = started(str(CAPTURES / "cm-faults.octets"))
    assert link.snapshot().hyperframes == 0 and link.snapshot().control is None
    wait_until(lambda: link.snapshot().ended)
    snapshot = link.snapshot()
    assert link.opened and link.failure is None and link.stuck_s is None and link.failing_s == 0
    assert snapshot.hyperframes == 36 and snapshot.counters["hdlc_fcs_errors"] == 1, "captures/README.md"
    wait_until(lambda: len(link.entries_since(0)) == snapshot.events)
    assert [entry.number for entry in link.entries_since(snapshot.events - 2)] == [
        snapshot.events - 2,
        snapshot.events - 1,
    ]
    assert link.entries_since(snapshot.events) == [] and not link.can_inject
    link.close()


def test_events_come_in_pieces_and_none_is_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(link_worker, "MOST_ENTRIES", 5)
    link = started(str(CAPTURES / "line-faults.bits"))
    wait_until(lambda: link.snapshot().ended)
    wait_until(lambda: len(link.entries_since(0)) > 40)
    numbers = [entry.number for entry in link.entries_since(0)]
    assert numbers == list(range(len(numbers))) and link.snapshot().events >= len(numbers)
    link.close()


def test_a_fault_is_injected_and_judged_there(emulated: RemoteLink) -> None:
    assert emulated.source.allow and emulated.source.emulated is not None and not emulated.source.resettable
    assert emulated.source.option == "1" and "REC-A" in emulated.source.description
    fault = emulated.inject("hdlc.fcs")
    assert emulated.snapshot().injected[-1] == fault
    wait_until(lambda: emulated.snapshot().counters["hdlc_fcs_errors"] == 1)
    with pytest.raises(InputError, match="no board that could be reset"):
        emulated.source.board().reset()
    with pytest.raises(InputError, match=r"nothing\.at\.all"):
        emulated.inject("nothing.at.all")


def test_what_the_views_of_one_link_need_comes_when_asked_for(emulated: RemoteLink) -> None:
    assert emulated.snapshot().change_counts is None
    emulated.whole = True
    wait_until(
        lambda: emulated.snapshot().change_counts is not None and emulated.snapshot().iq_octets is not None
    )


def test_a_source_that_cannot_be_opened_is_told() -> None:
    link = started("nothere.bits")
    wait_until(lambda: link.failure)
    assert str(link.failure) == "nothere.bits: No such file or directory"
    wait_until(lambda: link.failing_s > 0)
    with pytest.raises(InputError, match="No such file"):
        link.inject("hdlc.fcs")
    link.close()
    with pytest.raises(InputError):
        link.inject("hdlc.fcs")


def test_a_killed_decoder_is_started_again_and_counts_on() -> None:
    link = started("emulated", WorkerKind.PROCESS, option="1", pace=200.0)
    try:
        wait_until(lambda: link.snapshot().hyperframes > 20)
        link.inject("hdlc.fcs")
        wait_until(lambda: link.snapshot().counters["hdlc_fcs_errors"] == 1)
        first = link.worker
        assert first is not None and first.pid is not None
        os.kill(first.pid, signal.SIGKILL)
        wait_until(lambda: link.deaths == 1)
        before = link.snapshot()
        assert (
            "ended by SIGKILL; started again in 0.1 s, counters are kept" in str(link.failure)
            or not link.trouble
        )
        wait_until(lambda: link.snapshot().hyperframes > before.hyperframes + 20)
        after = link.snapshot()
        assert link.failure is None and link.worker is not first
        assert after.counters["hdlc_fcs_errors"] == 1 and after.events >= before.events
        assert after.breaks_of_unknown_length == 1, "what went by meanwhile is not known"
    finally:
        link.close()


def test_a_killed_decoder_of_a_capture_is_not_started_again(monkeypatch: pytest.MonkeyPatch) -> None:
    link = started(str(CAPTURES / "clean.bits"), WorkerKind.PROCESS)
    wait_until(lambda: link.snapshot().ended)
    assert link.worker is not None and link.worker.pid is not None
    os.kill(link.worker.pid, signal.SIGKILL)
    wait_until(lambda: link.trouble)
    assert link.trouble == "its decoder ended by SIGKILL; it is not read on"
    assert link.snapshot().hyperframes == 14 and not link.restarting
    link.close()


def test_a_decoder_that_stands_still_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(remote_link, "STUCK_S", 0.2)
    link = started("emulated", WorkerKind.PROCESS, option="1", pace=200.0)
    try:
        wait_until(lambda: link.snapshot().hyperframes)
        assert link.worker is not None and link.worker.pid is not None
        os.kill(link.worker.pid, signal.SIGSTOP)
        wait_until(lambda: link.stuck_s is not None)
        os.kill(link.worker.pid, signal.SIGCONT)
        wait_until(lambda: link.stuck_s is None)
        os.kill(link.worker.pid, signal.SIGSTOP)
    finally:
        link.close()
    assert link.worker.how_it_ended() == "ended by SIGKILL", "what does not answer is not waited for"


def test_the_log_is_bounded() -> None:
    link = RemoteLink("RE-1", SourceRequest(source="emulated"))
    for start in range(0, 3 * HISTORY, 500):
        entries = tuple(LogEntry(start + i, Event(None)) for i in range(500))
        link.take(LinkReport(healthy(), entries))
    assert len(link.entries_since(0)) == HISTORY
    assert link.entries_since(3 * HISTORY - 1)[0].number == 3 * HISTORY - 1


def test_a_board_is_reset_and_measured_there() -> None:
    with running_board("--tcp", "127.0.0.1:0", "--option", "1", "--pace", "100") as (name, _):
        link = started(name)
        try:
            wait_until(lambda: link.snapshot().hyperframes)
            source = link.source
            assert source.resettable and not source.allow and source.emulated is None
            board = source.board()
            with pytest.raises(InputError):
                board.reset()
            source.allow = True
            board.reset()
            sample = board.measure()
            assert sample.reset_counted and sample.raw_clocks > 0 and board.option == "1"
            wait_until(lambda: link.snapshot().board is not None and link.snapshot().board.delay_ns)
        finally:
            link.close()
