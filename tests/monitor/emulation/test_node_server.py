"""Boards of a chain as processes: one is killed, one is stopped, and the others go on."""

from __future__ import annotations

import signal
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, suppress
from functools import partial
from pathlib import Path

import pytest

from decoders.line_coding.characters import LineForm
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings
from monitor.boards.board import BoardSource
from monitor.boards.serial_port import SerialLine
from monitor.cli.main import main
from monitor.emulation.board import BoardSetup
from monitor.emulation.node_server import NodeServing, serve_node
from monitor.errors import InputError
from monitor.links.pipeline import Pipeline
from monitor.links.snapshot import Snapshot
from monitor.protocol import records as r
from monitor.protocol.stream import RecordReader
from tests.support.boards import running_board
from tests.support.patience import patience, wait_until


def free_ports(count: int) -> list[str]:
    with ExitStack() as held:
        sockets = [held.enter_context(socket.socket()) for _ in range(count)]
        for each in sockets:
            each.bind(("127.0.0.1", 0))
        return [f"127.0.0.1:{each.getsockname()[1]}" for each in sockets]


def opened(name: str) -> BoardSource:
    """The board, as soon as it answers."""
    found: list[BoardSource] = []

    def answers() -> bool:
        with suppress(InputError):
            found.append(BoardSource(SerialLine(name, 115200), allow=True))
        return bool(found)

    wait_until(answers)
    return found[0]


class Watched:
    """What the host of one link sees."""

    def __init__(self, name: str) -> None:
        self.source = opened(name)
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


class Served(threading.Thread):
    """A board in a thread of this process, and all that it says to the hosts of its links."""

    def __init__(
        self,
        setup: BoardSetup,
        serving: NodeServing,
        together: threading.Barrier,
        tell: Callable[[str], None] = lambda _: None,
    ) -> None:
        super().__init__(daemon=True)
        self._tell = tell
        self._together = together
        self.names: list[str] = []
        self.said: list[bytearray] = []
        self._setup, self._serving = setup, serving
        self._hosts: list[threading.Thread] = []
        self.start()

    def run(self) -> None:
        serve_node(self._setup, self._serving, ready=self._ready, tell=self._tell)

    def _ready(self, names: Sequence[str]) -> None:
        self.names = list(names)
        for name in names:
            host, _, port = name.removeprefix("socket://").partition(":")
            self.said.append(bytearray())
            listening = (socket.create_connection((host, int(port))), self.said[-1])
            self._hosts.append(threading.Thread(target=self._listen, args=listening, daemon=True))
            self._hosts[-1].start()
        self._together.wait(patience(60))

    @staticmethod
    def _listen(connection: socket.socket, said: bytearray) -> None:
        with connection, suppress(OSError):
            while data := connection.recv(1 << 16):
                said += data

    def decoded(self, link: int) -> LinkDecoder:
        """What a link's host makes of what it was told, once the board has ended."""
        self._hosts[link].join(patience(10))
        decoder = LinkDecoder(LinkSettings(option="1", form=LineForm.FLAGGED))
        for item in RecordReader(r.MAX_PAYLOAD).feed(bytes(self.said[link])):
            if isinstance(item, r.Record) and item.type == r.RecordType.FLAGGED:
                decoder.receive(r.parse_data(item).data)
        return decoder


def test_boards_in_one_process_make_a_chain_and_end_with_their_hyperframes() -> None:
    one, two, *ports = free_ports(6)
    chain = {
        "RE-2": NodeServing(uplink=two, tcp=ports[3:], pace=100, hyperframes=250),
        "RE-1": NodeServing(uplink=one, downlink=two, tcp=ports[1:3], pace=100, hyperframes=250),
        "REC-A": NodeServing(downlink=one, tcp=ports[:1], pace=100, hyperframes=250),
    }
    together = threading.Barrier(3)
    boards = {
        name: Served(BoardSetup(name=name, option="1", seed=len(name)), serving, together)
        for name, serving in chain.items()
    }
    for board in boards.values():
        board.join(patience(60))
    links = {name: [board.decoded(i) for i in range(len(board.names))] for name, board in boards.items()}
    assert not any(board.is_alive() for board in boards.values())
    assert boards["RE-1"].names == [f"socket://{port}" for port in ports[1:3]]
    for decoders in links.values():
        assert all(decoder.hyperframes > 20 for decoder in decoders)
    assert links["RE-1"][0].counters["ethernet_frames"] and links["RE-2"][0].counters["ethernet_frames"]


def test_a_neighbour_of_another_option_is_let_go_and_the_board_goes_on() -> None:
    link, *ports = free_ports(3)
    said: list[str] = []
    together = threading.Barrier(2)
    serving = NodeServing(downlink=link, tcp=ports[:1], pace=300, hyperframes=150)
    board = Served(BoardSetup(name="REC-A", option="1"), serving, together, said.append)
    other = NodeServing(uplink=link, tcp=ports[1:], pace=300, hyperframes=150)
    Served(BoardSetup(name="RE-1", option="2"), other, together, said.append).join(patience(60))
    board.join(patience(60))
    assert not board.is_alive() and board.names
    # Whoever reads first says it; the other one sees the link end.
    assert "the other board of the link is of option" in said[0] and len(said) <= 4


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
