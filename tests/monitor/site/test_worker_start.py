"""Decoders as processes and as threads: they serve alike, end when told, and say how they ended."""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path

import pytest

from monitor.opening import SourceRequest
from monitor.site import worker_start
from monitor.site.link_worker import Ask, LinkReport, LinkSpec
from monitor.site.worker_start import WorkerGroup, WorkerKind, prepare_workers, start_workers
from tests.support.patience import wait_until

SPEC = LinkSpec("RE-1", SourceRequest(source=str(Path(__file__).parents[3] / "captures" / "clean.bits")))


@pytest.mark.parametrize("kind", WorkerKind)
def test_a_decoder_serves_and_ends_when_told(kind: WorkerKind) -> None:
    prepare_workers(kind)
    worker = start_workers(kind, [SPEC])[0]
    assert worker.kind is kind and (worker.pid not in (None, os.getpid())) is (kind is WorkerKind.PROCESS)
    snapshot = None

    def ended() -> bool:
        nonlocal snapshot
        worker.connection.send(Ask(0))
        report = worker.connection.recv()
        assert isinstance(report, LinkReport)
        snapshot = report.snapshot
        return snapshot is not None and snapshot.ended

    wait_until(ended)
    assert snapshot is not None and snapshot.hyperframes == 14, "captures/README.md"
    worker.close()
    assert worker.how_it_ended() == ("ended with exit status 0" if kind is WorkerKind.PROCESS else "ended")


@pytest.mark.skipif(sys.platform == "win32", reason="no signals")
def test_a_killed_decoder_says_so() -> None:
    worker = start_workers(WorkerKind.PROCESS, [SPEC])[0]
    assert worker.pid is not None
    os.kill(worker.pid, signal.SIGKILL)
    assert worker.how_it_ended() == "ended by SIGKILL"
    with pytest.raises((EOFError, OSError)):
        worker.connection.recv()
    worker.close()


def test_without_processes_it_is_a_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    class NoProcess:
        @staticmethod
        def Pipe() -> object:  # noqa: N802
            return worker_start.multiprocessing.Pipe()

        @staticmethod
        def Process(**_: object) -> object:  # noqa: N802
            raise OSError("no more processes")

    monkeypatch.setattr(worker_start, "_context", NoProcess)
    worker = start_workers(WorkerKind.PROCESS, [SPEC])[0]
    assert worker.kind is WorkerKind.THREAD and worker.pid is None
    worker.connection.send(Ask(0))
    assert isinstance(worker.connection.recv(), LinkReport)
    worker.close()


def test_links_of_one_group_share_what_starts_once() -> None:
    specs = [
        LinkSpec(f"{a}>{b}", SourceRequest(source=f"emulated:chain/{a}>{b}", hyperframes=20, option="1"))
        for a, b in (("REC-A", "RE-1"), ("RE-1", "REC-A"))
    ]
    group = WorkerGroup(WorkerKind.THREAD, specs)
    workers = [group.start(spec) for spec in specs]
    assert workers[0] is not workers[1] and group.start(specs[0]) is workers[0]
    for worker in workers:
        worker.ask_to_end()
    for worker in workers:
        worker.close()
        assert worker.how_it_ended() == "ended"
