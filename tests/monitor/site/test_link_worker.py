"""The decoder behind a connection: what it reports, what it does when asked, and how it ends."""

from __future__ import annotations

import multiprocessing
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection
from pathlib import Path

from decoders.counters import ERROR_COUNTERS
from monitor.opening import SourceRequest
from monitor.site.link_worker import Ask, Call, LinkReport, LinkSpec, Reply, serve_link
from tests.support.patience import patience, wait_until

CAPTURES = Path(__file__).parents[3] / "captures"


@contextmanager
def served(source: str, **more: object) -> Iterator[Connection]:
    ours, theirs = multiprocessing.Pipe()
    request = SourceRequest(source=source, **more)  # type: ignore[arg-type]
    thread = threading.Thread(target=serve_link, args=(theirs, LinkSpec("RE-1", request)), daemon=True)
    thread.start()
    try:
        yield ours
    finally:
        ours.close()
        thread.join(patience(10))
        assert not thread.is_alive(), "it ends with the connection"


def asked(connection: Connection, ask: Ask) -> LinkReport:
    connection.send(ask)
    report = connection.recv()
    assert isinstance(report, LinkReport)
    return report


def until_ended(connection: Connection, ask: Ask) -> LinkReport:
    report = LinkReport()

    def ended() -> bool:
        nonlocal report
        report = asked(connection, ask)
        return bool(report.why) or (report.snapshot is not None and report.snapshot.ended)

    wait_until(ended, every=0.02)
    return report


def test_a_capture_to_its_end() -> None:
    with served(str(CAPTURES / "cm-faults.octets")) as connection:
        report = until_ended(connection, Ask(0))
        snapshot = report.snapshot
        assert snapshot is not None and snapshot.hyperframes == 36 and snapshot.option == "1"
        # captures/README.md says what is in this file.
        errors = {n: v for n, v in snapshot.counters.items() if v and n in ERROR_COUNTERS}
        assert errors == {
            "hdlc_fcs_errors": 1,
            "hdlc_aborts": 1,
            "ethernet_fcs_errors": 1,
            "ethernet_code_errors": 1,
        }
        assert [entry.number for entry in report.entries] == list(range(snapshot.events))
        assert snapshot.control is not None and snapshot.change_counts is None and snapshot.iq_octets is None
        whole = asked(connection, Ask(snapshot.events, whole=True))
        assert whole.entries == () and whole.snapshot is not None
        assert whole.snapshot.change_counts is not None and whole.snapshot.iq_octets is not None
        assert not whole.can_inject and not whole.guarded and not whole.resettable and whole.emulated is None
        connection.send(Call(7, "reset"))
        reply = connection.recv()
        assert isinstance(reply, Reply) and reply.number == 7
        assert reply.refused == "RE-1: this source has no board that could be reset"


def test_what_cannot_be_opened_is_said() -> None:
    with served("nothere.bits") as connection:
        report = until_ended(connection, Ask(0))
        assert report.why == "nothere.bits: No such file or directory" and not report.waiting
        connection.send(Call(1, "inject", "hdlc.fcs"))
        assert connection.recv().refused == "RE-1: nothere.bits: No such file or directory"
    with served("socket://127.0.0.1:9") as connection:  # a port that nobody listens on
        report = until_ended(connection, Ask(0))
        assert "refused" in report.why and report.waiting


def test_a_fault_is_injected_where_the_source_can() -> None:
    with served("emulated", hyperframes=400, pace=0.0) as connection:
        while (report := asked(connection, Ask(0))).snapshot is None:
            time.sleep(0.02)
        assert report.can_inject and report.emulated is not None and not report.emulated.pair
        connection.send(Call(3, "inject", "hdlc.nothing"))
        assert "hdlc.nothing" in connection.recv().refused
        connection.send(Call(4, "inject", "hdlc.fcs"))
        reply = connection.recv()
        assert reply.number == 4 and not reply.refused and reply.value.text.startswith("hdlc.fcs")
        assert reply.report.snapshot.injected[-1] == reply.value


def test_another_decoder_goes_on_counting() -> None:
    name = str(CAPTURES / "cm-faults.octets")
    with served(name) as connection:
        first = until_ended(connection, Ask(0)).snapshot
    assert first is not None
    ours, theirs = multiprocessing.Pipe()
    spec = LinkSpec("RE-1", SourceRequest(source=name), first)
    threading.Thread(target=serve_link, args=(theirs, spec), daemon=True).start()
    second = until_ended(ours, Ask(0))
    ours.close()
    assert second.snapshot is not None
    assert second.snapshot.hyperframes == 2 * first.hyperframes
    assert {n: 2 * v for n, v in first.counters.items()} == dict(second.snapshot.counters)
    assert second.snapshot.breaks_of_unknown_length == 1 and second.snapshot.events == 2 * first.events
    assert second.entries[0].number == first.events
