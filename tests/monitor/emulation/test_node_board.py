"""Boards of a chain joined octet by octet: what goes through them, and what their hosts may ask."""

from __future__ import annotations

import pytest

from decoders.frame_structure.frames import ALARM_BITS
from monitor.emulation.board import BoardSetup
from monitor.emulation.line_settings import LineSettings
from monitor.emulation.node_board import NodeBoard, PortBoard
from monitor.errors import InputError
from monitor.protocol import records as r
from monitor.protocol.stream import RecordReader, RecordWriter

SDI, LOS = ALARM_BITS["sdi"], ALARM_BITS["los"]


class Joined:
    """REC-A, RE-1 and RE-2 on a bench: `run` makes hyperframes pass, `cut` unplugs a link."""

    def __init__(self, **setup: object) -> None:
        ends = (("REC-A", False, True), ("RE-1", True, True), ("RE-2", True, False))
        self.boards = [
            NodeBoard(BoardSetup(name=n, option="1", seed=i, **setup), uplink=u, downlink=d)  # type: ignore[arg-type]
            for i, (n, u, d) in enumerate(ends)
        ]
        self.cut: set[int] = set()
        self.joined: set[int] = set()

    def _links(self) -> list[tuple[NodeBoard, PortBoard, NodeBoard, PortBoard]]:
        out = []
        for near, far in zip(self.boards, self.boards[1:], strict=False):
            assert near.away is not None and far.towards is not None
            out.append((near, near.away, far, far.towards))
        return out

    @property
    def ports(self) -> dict[str, PortBoard]:
        near, middle, last = self.boards
        assert near.away and middle.towards and middle.away and last.towards
        return {"REC-A": near.away, "RE-1": middle.towards, "RE-1 far": middle.away, "RE-2": last.towards}

    def run(self, hyperframes: int, step: int = 10) -> None:
        links = self._links()
        for i, (near, away, _, towards) in enumerate(links):
            up = i not in self.cut
            if up != (i in self.joined):
                away.link_changed(up)
                towards.link_changed(up)
                self.joined ^= {i}
            near.alive = up
        for _ in range(0, hyperframes, step):
            self.boards[0].advance(step)
            for i, (near, away, far, towards) in enumerate(links):
                sent = away.to_link()
                if i in self.cut:
                    far.receive_nothing(towards, step)
                    near.receive_nothing(away, step)
                elif sent:
                    far.receive(towards, towards.arrived(sent))
            for i, (near, away, _, towards) in reversed(list(enumerate(links))):
                sent = towards.to_link()
                if i not in self.cut and sent:
                    near.receive(away, away.arrived(sent))

    def moved(self) -> dict[str, dict[str, int]]:
        """Counters of each receiver that are not 0, good frames and alarm bits left out."""
        return {
            name: {
                c: v
                for c, v in port.decoder.counters.items()
                if v and c not in ("hdlc_frames", "ethernet_frames", "l1_alarm_changes", "vendor_changes")
            }
            for name, port in self.ports.items()
        }

    def remote(self) -> dict[str, int]:
        return {name: port.decoder.planes.remote.octet for name, port in self.ports.items()}


def ask(port: PortBoard, command: r.Message) -> list[r.Message]:
    return [
        r.parse_message(item)
        for item in RecordReader(r.MAX_PAYLOAD).feed(port.receive(RecordWriter().message(command)))
        if isinstance(item, r.Record)
    ]


def test_boards_in_a_row_are_in_sync_and_without_alarm() -> None:
    bench = Joined(load=0.6)
    bench.run(100)
    assert bench.moved() == {name: {} for name in bench.ports} and set(bench.remote().values()) == {0}
    for port in bench.ports.values():
        assert port.decoder.state.value == "HFNSYNC" and port.decoder.hyperframes > 95
        assert port.decoder.counters["ethernet_frames"] > 15
    ends = [bench.ports[name].decoder.planes.last for name in ("RE-1", "RE-2")]
    assert (ends[0].bfn, ends[0].hfn) == (ends[1].bfn, ends[1].hfn)


def test_a_link_that_is_cut_is_lost_on_both_its_ends_and_told_behind() -> None:
    bench = Joined()
    bench.run(60)
    bench.cut = {0}
    bench.run(40)
    alarms = bench.remote()
    assert alarms["RE-2"] == SDI and alarms["RE-1 far"] == 0
    los = {name: port.decoder.los.active for name, port in bench.ports.items()}
    assert los == {"REC-A": True, "RE-1": True, "RE-1 far": False, "RE-2": False}
    bench.cut = set()
    bench.run(60)
    assert set(bench.remote().values()) == {0}
    assert all(port.decoder.state.value == "HFNSYNC" for port in bench.ports.values())


def test_the_last_board_unplugged_changes_nothing_before() -> None:
    bench = Joined()
    bench.run(60)
    bench.cut = {1}
    bench.run(60)
    moved = bench.moved()
    assert moved["REC-A"].keys() <= {"ctrl_axc_changes"} and moved["RE-1"] == {}
    assert bench.ports["RE-1 far"].decoder.los.active and bench.ports["RE-2"].decoder.los.active
    assert bench.remote()["REC-A"] == bench.remote()["RE-1"] == 0


@pytest.mark.parametrize(
    ("port", "seen"),
    [
        ("REC-A", {"RE-1", "RE-2"}),
        ("RE-1 far", {"RE-2"}),
        ("RE-2", {"RE-1 far", "REC-A"}),
        ("RE-1", {"REC-A"}),
    ],
)
def test_a_fault_asked_for_at_a_link_is_in_what_that_link_sends(port: str, seen: set[str]) -> None:
    bench = Joined()
    bench.run(40)
    (answer, *_) = ask(bench.ports[port], r.InjectFault("ctrl_axc.flip"))
    assert isinstance(answer, r.Acknowledge)
    bench.run(40)
    assert {name for name, moved in bench.moved().items() if moved == {"ctrl_axc_changes": 2}} == seen


def test_a_reset_of_a_link_darkens_what_it_sends_and_all_recovers() -> None:
    bench = Joined()
    bench.run(40)
    (answer, *_) = ask(bench.ports["RE-1 far"], r.ResetTransceiver(r.Transceiver.TRANSMITTER))
    assert isinstance(answer, r.Acknowledge)
    bench.run(80)
    moved = bench.moved()
    assert moved["RE-2"]["los_events"] == 1 and moved["RE-1"] == {} and "los_events" not in moved["RE-1 far"]
    assert all(port.decoder.state.value == "HFNSYNC" for port in bench.ports.values())
    status = ask(bench.ports["RE-1 far"], r.AskStatus())[1]
    assert isinstance(status, r.Status) and status.resets == 1 and status.loopback is r.Loopback.PAIR
    assert status.alignment_bits is not None and status.name == "RE-1"


def test_a_link_away_from_the_rec_counts_the_way_there_and_back() -> None:
    bench = Joined()
    bench.run(40)
    counts = {}
    for name, port in bench.ports.items():
        status = ask(port, r.AskStatus())[1]
        assert isinstance(status, r.Status)
        counts[name] = status.delay_clocks
    assert counts["RE-1"] == counts["RE-2"] == 416  # Toffset
    assert (
        counts["REC-A"] > 416 + 200 and counts["RE-1 far"] > 416 + 200
    )  # two cables of 1 237 bits and Toffset


@pytest.mark.parametrize(
    ("port", "command", "why"),
    [
        ("REC-A", r.SetLoopback(r.Loopback.CABLE), "has no loopback"),
        ("RE-1", r.SetTraffic(r.TrafficPlane.IQ, 0), "carries what the board's other link receives"),
    ],
)
def test_what_a_board_of_a_chain_refuses(port: str, command: r.Message, why: str) -> None:
    (answer,) = ask(Joined().ports[port], command)
    assert isinstance(answer, r.Refuse) and answer.reason is r.Reason.NOT_SUPPORTED and why in answer.text


def test_traffic_of_an_end_can_be_set() -> None:
    bench = Joined(load=0.9)
    assert isinstance(ask(bench.ports["REC-A"], r.SetTraffic(r.TrafficPlane.ETHERNET, 0))[0], r.Acknowledge)
    bench.run(60)
    frames = {name: port.decoder.counters["ethernet_frames"] for name, port in bench.ports.items()}
    assert frames["RE-1"] == frames["RE-2"] == 0 and frames["REC-A"] > 10


@pytest.mark.parametrize("setup", [{"option": "8"}, {"option": "5", "line": LineSettings(scrambling=7)}])
def test_lines_that_a_chain_does_not_have(setup: dict[str, object]) -> None:
    with pytest.raises(InputError, match="choose option 1 to 7"):
        NodeBoard(BoardSetup(**setup), uplink=True, downlink=False)  # type: ignore[arg-type]


def test_a_board_of_another_option_is_refused() -> None:
    one = NodeBoard(BoardSetup(option="1"), uplink=False, downlink=True)
    two = NodeBoard(BoardSetup(option="2"), uplink=True, downlink=False)
    assert one.away is not None and two.towards is not None
    one.away.link_changed(True)
    two.towards.link_changed(True)
    one.advance(1)
    with pytest.raises(InputError, match="of option 1, this one is of option 2"):
        two.towards.arrived(one.away.to_link())
    assert one.receive_nothing(one.away, 0) == b""
