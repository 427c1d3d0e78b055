"""Points of the emulated chain decoded in one process: they share the chain, so one fault shows where it must."""

from __future__ import annotations

import multiprocessing
import threading
from collections.abc import Iterator
from multiprocessing.connection import Connection

import pytest

from monitor.opening import SourceRequest
from monitor.site.link_group import serve_links
from monitor.site.link_worker import Ask, Call, LinkReport, LinkSpec, Reply
from tests.support.patience import patience, wait_until

NAMES = ("REC-A>RE-1", "RE-1>RE-2", "RE-2>RE-3", "RE-3>RE-2", "RE-2>RE-1", "RE-1>REC-A")


def specs_of(*words: str, **more: object) -> list[LinkSpec]:
    return [
        LinkSpec(word, SourceRequest(source=f"emulated:chain/{word}", option="1", **more)) for word in words
    ]  # type: ignore[arg-type]


def serving(specs: list[LinkSpec]) -> tuple[list[Connection], threading.Thread]:
    pipes = [multiprocessing.Pipe() for _ in specs]
    thread = threading.Thread(target=serve_links, args=([theirs for _, theirs in pipes], specs), daemon=True)
    thread.start()
    return [ours for ours, _ in pipes], thread


def asked(connection: Connection) -> LinkReport:
    connection.send(Ask(0))
    report = connection.recv()
    assert isinstance(report, LinkReport)
    return report


@pytest.fixture
def chain() -> Iterator[dict[str, Connection]]:
    connections, thread = serving(specs_of(*NAMES, pace=250.0))
    yield dict(zip(NAMES, connections, strict=True))
    for connection in connections:
        connection.close()
    thread.join(patience(10))
    assert not thread.is_alive()


def test_a_fault_on_a_segment_shows_from_there_on_and_is_located(chain: dict[str, Connection]) -> None:
    def hyperframes(name: str) -> int:
        snapshot = asked(chain[name]).snapshot
        return 0 if snapshot is None else snapshot.hyperframes

    wait_until(lambda: all(hyperframes(name) > 350 for name in NAMES), every=0.2)
    assert asked(chain["RE-1>RE-2"]).findings == (), "no damage before the fault"
    chain["RE-1>RE-2"].send(Call(1, "inject", "hdlc.fcs"))
    reply = chain["RE-1>RE-2"].recv()
    assert isinstance(reply, Reply) and not reply.refused and "segment=RE-1>RE-2" in reply.value.text
    wait_until(lambda: asked(chain["REC-A>RE-1"]).findings, every=0.2)
    (finding,) = asked(chain["RE-3>RE-2"]).findings
    assert finding.startswith("! hdlc damaged on RE-1>RE-2 at BFN.HFN ") and "clean at REC-A>RE-1" in finding
    counts = {name: asked(chain[name]).snapshot.counters["hdlc_fcs_errors"] for name in NAMES}  # type: ignore[union-attr]
    assert counts["RE-1>RE-2"] == 1 and counts["REC-A>RE-1"] == counts["RE-1>REC-A"] == 0


def test_a_point_that_is_none_is_said() -> None:
    connections, thread = serving(specs_of("REC-A>RE-1", "REC-A>RE-9"))
    wait_until(lambda: all(asked(connection).why for connection in connections))
    assert "segment 'REC-A>RE-9' is not in the chain" in asked(connections[0]).why
    for connection in connections:
        connection.send(None)
    thread.join(patience(10))
    assert not thread.is_alive()
