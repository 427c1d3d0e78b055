"""Boards of a chain as processes: one is killed, one is stopped, and the others go on."""

from __future__ import annotations

import signal
import socket
import subprocess
import threading
from collections.abc import Iterator
from contextlib import ExitStack
from functools import partial
from pathlib import Path

import pytest

from monitor.boards.board import BoardSource
from monitor.boards.serial_port import SerialLine
from monitor.cli.main import main
from monitor.emulation.board import BoardSetup
from monitor.emulation.node_server import NodeServing, serve_node
from monitor.links.pipeline import Pipeline
from monitor.links.snapshot import Snapshot
from tests.support.boards import running_board
from tests.support.patience import patience, wait_until


def free_ports(count: int) -> list[str]:
    with ExitStack() as held:
        sockets = [held.enter_context(socket.socket()) for _ in range(count)]
        for each in sockets:
            each.bind(("127.0.0.1", 0))
        return [f"127.0.0.1:{each.getsockname()[1]}" for each in sockets]


class Watched:
    """What the host of one link sees."""

    def __init__(self, name: str) -> None:
        self.source = BoardSource(SerialLine(name, 115200), allow=True)
        self.pipeline = Pipeline(self.source)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self.pipeline.run, args=(self._stop,), daemon=True)
        self._thread.start()

    @property
    def now(self) -> Snapshot:
        return self.pipeline.snapshot()

    @property
    def well(self) -> bool:
        snapshot = self.now
        return snapshot.sync_state == "HFNSYNC" and not snapshot.los and not snapshot.remote_alarms

    def close(self) -> None:
        self._stop.set()
        self.source.close()
        self._thread.join(10)


class Bench:
    """REC-A, RE-1 and RE-2; `hosts` are those of REC-A, of RE-1 on both sides, and of RE-2."""

    def __init__(self, stack: ExitStack) -> None:
        self._stack = stack
        one, two, *self.ports = free_ports(6)
        self.words = {
            "REC-A": ("--downlink", one, "--tcp", self.ports[0]),
            "RE-1": ("--uplink", one, "--downlink", two, "--tcp", self.ports[1], "--tcp", self.ports[2]),
            "RE-2": ("--uplink", two, "--tcp", self.ports[3]),
        }
        self.boards: dict[str, subprocess.Popen[str]] = {}
        for name in self.words:
            self.start(name)
        names = ("REC-A", "RE-1", "RE-1 far", "RE-2")
        self.hosts = {n: self._host(f"socket://{p}") for n, p in zip(names, self.ports, strict=True)}

    def start(self, name: str) -> None:
        words = ("--name", name, "--option", "1", "--pace", "60", *self.words[name])
        source, self.boards[name] = self._stack.enter_context(running_board(*words))
        assert source.startswith("socket://127.0.0.1:")

    def _host(self, name: str) -> Watched:
        host = Watched(name)
        self._stack.callback(host.close)
        return host

    def well(self) -> bool:
        return all(host.well for host in self.hosts.values())


@pytest.fixture(scope="module")
def bench() -> Iterator[Bench]:
    with ExitStack() as stack:
        bench = Bench(stack)
        wait_until(bench.well)
        yield bench


@pytest.mark.slow
def test_a_fault_of_one_board_is_seen_behind_it_and_not_before(bench: Bench) -> None:
    before = {name: host.now.counters["ctrl_axc_changes"] for name, host in bench.hosts.items()}
    bench.hosts["RE-1 far"].source.inject("ctrl_axc.flip")

    def changed() -> dict[str, int]:
        now = {name: host.now.counters["ctrl_axc_changes"] for name, host in bench.hosts.items()}
        return {name: now[name] - before[name] for name in now if now[name] != before[name]}

    wait_until(lambda: changed().get("RE-2", 0) >= 2)
    assert changed() == {"RE-2": 2}


@pytest.mark.slow
def test_a_board_that_is_killed_is_lost_on_its_link_alone(bench: Bench) -> None:
    wait_until(bench.well)
    before = bench.hosts["RE-1 far"].now
    bench.boards["RE-2"].send_signal(signal.SIGKILL)
    far = bench.hosts["RE-1 far"]
    wait_until(lambda: far.now.los and far.now.sync_state == "XACQ1")
    assert bench.hosts["REC-A"].well and bench.hosts["RE-1"].well
    bench.start("RE-2")
    wait_until(bench.well)
    assert far.now.counters["los_events"] > before.counters["los_events"]


def _remote(host: Watched, alarm: str) -> bool:
    return host.now.remote(alarm)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("stopped", "dark", "told"),
    [
        ("REC-A", ["RE-1"], {"RE-2": "sdi"}),
        ("RE-1", ["REC-A", "RE-2"], {}),
        ("RE-2", ["RE-1 far"], {}),
    ],
)
def test_a_board_that_is_stopped_is_no_signal_until_it_goes_on(
    stopped: str, dark: list[str], told: dict[str, str], bench: Bench
) -> None:
    wait_until(bench.well)
    bench.boards[stopped].send_signal(signal.SIGSTOP)
    try:
        wait_until(lambda: all(bench.hosts[name].now.los for name in dark))
        for name, alarm in told.items():
            wait_until(partial(_remote, bench.hosts[name], alarm))
            assert bench.hosts[name].now.sync_state == "HFNSYNC"
    finally:
        bench.boards[stopped].send_signal(signal.SIGCONT)
    wait_until(bench.well)


def test_boards_in_one_process_make_a_chain_and_end_with_their_hyperframes() -> None:
    one, two, *ports = free_ports(6)
    chain = {
        "REC-A": NodeServing(downlink=one, tcp=ports[:1], pace=400, hyperframes=300),
        "RE-1": NodeServing(uplink=one, downlink=two, tcp=ports[1:3], pace=400, hyperframes=240),
        "RE-2": NodeServing(uplink=two, tcp=ports[3:], pace=400, hyperframes=200),
    }
    ready: dict[str, list[str]] = {}

    def run(name: str, serving: NodeServing) -> None:
        setup = BoardSetup(name=name, option="1", seed=len(name))
        serve_node(setup, serving, ready=lambda names: ready.update({name: list(names)}), tell=lambda _: None)

    threads = [threading.Thread(target=run, args=item, daemon=True) for item in chain.items()]
    for thread in threads:
        thread.start()
    wait_until(lambda: len(ready) == 3)
    assert ready["RE-1"] == [f"socket://{port}" for port in ports[1:3]]
    hosts = [Watched(ready["REC-A"][0]), Watched(ready["RE-2"][0])]
    try:
        wait_until(lambda: all(host.well for host in hosts))
        assert [host.source.status.name for host in hosts if host.source.status] == ["REC-A", "RE-2"]
        for thread in threads:
            thread.join(patience(30))
            assert not thread.is_alive()
    finally:
        for host in hosts:
            host.close()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--uplink", "./a", "--loopback", "cable"), "no --loopback and no --link"),
        (("--uplink", "./a", "--downlink", "./a"), "need two paths or ports"),
        (("--uplink", "./a", "--option", "8"), "choose option 1 to 7"),
        (("--uplink", "./a", "--tcp", "127.0.0.1:0", "--tcp", "127.0.0.1:0"), "the board has 1 link"),
        (("--tcp", "127.0.0.1:0", "--tcp", "127.0.0.1:0"), "a board has one port"),
        (("--uplink", "here"), "no path of a socket either"),
        (("--downlink", "192.0.2.1:7000"), "not this machine's loopback"),
    ],
)
def test_what_does_not_go_together_is_one_line(
    words: tuple[str, ...],
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["board", *words]) == 2
    error = capsys.readouterr().err
    assert said in error and error.count("\n") == 1
