"""A board on the other end: the source that speaks to it, the emulated board, and one in C."""

from __future__ import annotations

import json
import os
import random
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

pytest.importorskip("tty", reason="no pseudo-terminals on this system")

from decoders.frame_structure.frames import ALARM_BITS
from decoders.line_coding.characters import LineForm
from decoders.linerates import OPTIONS
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings, SenderSettings
from monitor.boards.board import BoardSource
from monitor.boards.command_words import parse_command
from monitor.boards.delay import BoardDelay
from monitor.boards.hyperframes import Hyperframes
from monitor.boards.line import LineSink
from monitor.boards.serial_port import SerialLine
from monitor.emulation.board import BoardSetup, RecordBoard
from monitor.emulation.host_port import address_of
from monitor.emulation.line_writer import LineWriter
from monitor.emulation.sender import EmulatedSender
from monitor.errors import InputError
from monitor.formats.forms import Form
from monitor.links.pipeline import Pipeline
from monitor.protocol import records as r
from monitor.protocol.stream import RecordReader, RecordWriter
from monitor.sources.file import open_file_source
from monitor.sources.names import is_serial
from monitor.sources.source import FaultySource
from monitor.tui.reset_run import Resets, live_board_of
from tests.monitor.protocol.test_protocol_c import compile_c
from tests.support.boards import ROOT, BoardLine, running_board
from tests.support.lines import Relay


def open_board(
    setup: BoardSetup | None = None, *, allow: bool = True, **settings: object
) -> tuple[BoardLine, BoardSource]:
    line = BoardLine(RecordBoard(setup))
    return line, BoardSource(line, allow=allow, answer_s=0.05, **settings)  # type: ignore[arg-type]


def taken(source: BoardSource) -> bytes:
    """All line data that have come by now."""
    assert isinstance(source, BoardSource)
    source.channel.ended("")
    return b"".join(bytes(chunk.data) for chunk in source.chunks())


def plain_stream(form: LineForm, hyperframes: int, option: str = "2", rate: int = 3) -> bytes:
    sender = EmulatedSender(SenderSettings(option=option, hdlc_rate_code=rate), 1, load=0.5)
    return LineWriter(form, sender.option).write(
        batch for _ in range(hyperframes // 10) for batch in sender.batch(10)
    )


# ---------------------------------------------------------------- the stream


@pytest.mark.parametrize(
    ("kind", "form"), [(r.RecordType.FLAGGED, "flagged"), (r.RecordType.OCTETS, "octets")]
)
def test_line_data_are_what_the_board_received(kind: r.RecordType, form: str) -> None:
    line, source = open_board(BoardSetup(data_type=kind))
    for _ in range(4):
        line.pump(10)
    assert (source.form, source.option) == (form, "2")
    assert source.description == "test board (REC-A)"
    twin = RecordBoard(BoardSetup(data_type=kind)).sender
    writer = LineWriter(LineForm(form), twin.option)
    assert taken(source) == b"".join(writer.write(twin.batch(10)) for _ in range(4))
    assert source.warnings == []


def test_wide_hyperframes_go_in_pieces() -> None:
    # A flagged hyperframe of option 7 is 131,072 octets: two records filled to the last one.
    setup = BoardSetup(option="7")
    line, source = open_board(setup)
    line.pump(3)
    assert len(taken(source)) == 3 * 2 * OPTIONS["7"].hyperframe_octets
    frames = Hyperframes(OPTIONS["7"], Form.FLAGGED)
    data = random.Random(1).randbytes(131072)
    assert frames.take(r.LineData(5, 0, "7", data[:40000], r.RecordType.FLAGGED)) == b""
    assert frames.take(r.LineData(5, 40000, "7", data[40000:], r.RecordType.FLAGGED)) == data
    records = [
        i for i in RecordReader().feed(line.board.advance(2)) if isinstance(i, r.Record) and i.type == 2
    ]
    assert [(d.hyperframe, d.offset) for d in map(r.parse_data, records)] == [
        (3, 0),
        (3, 65536),
        (4, 0),
        (4, 65536),
    ]


def test_control_words_alone_carry_every_plane_but_iq() -> None:
    line, source = open_board(BoardSetup(data_type=r.RecordType.CONTROL))
    line.pump(300)
    control = LinkDecoder(LinkSettings("2", LineForm.FLAGGED))
    control.receive(taken(source))
    control.finish()
    whole = LinkDecoder(LinkSettings("2", LineForm.FLAGGED))
    sender = RecordBoard().sender
    whole.receive(LineWriter(LineForm.FLAGGED, sender.option).write(sender.batch(300)))
    whole.finish()
    assert control.counters == whole.counters and whole.counters["hdlc_frames"] > 10
    assert source.warnings == [
        "the board sends control words only, no IQ data: neither they nor their errors show"
    ]
    with pytest.raises(InputError, match="control words only, it would not show"):
        source.inject("line.flip")
    assert source.inject("vendor.flip").expected == {"vendor_changes": 2}
    assert Pipeline(source).snapshot().iq_octets is None


def test_pieces_that_are_lost_take_their_hyperframe_and_no_more() -> None:
    option = OPTIONS["1"]
    size = option.hyperframe_octets
    rng = random.Random(3)
    hyperframes = [rng.randbytes(size) for _ in range(50)]
    frames = Hyperframes(option, Form.OCTETS)
    came = []
    lost = {(7, 1000), (12, 0), (20, 3000), (21, 0)}
    for number, data in enumerate(hyperframes):
        for at in range(0, size, 1000):
            if (number, at) not in lost:
                whole = frames.take(r.LineData(number, at, "1", data[at : at + 1000]))
                if whole:
                    came.append(whole)
    assert came == [data for number, data in enumerate(hyperframes) if number not in (7, 12, 20, 21)]
    assert (frames.missing, frames.cut) == (4, 2)


def test_lost_records_are_missing_hyperframes_and_said() -> None:
    line, source = open_board()
    line.pump(10)
    line.change = lambda data: b""
    line.pump(4)
    line.change = lambda data: data
    line.pump(3)
    assert len(taken(source)) == 13 * 16384
    assert source.hyperframes_missing == 4
    assert source.reader.counters.records_lost == 4
    assert source.warnings == [
        "records lost on the line: 4 so far",
        "hyperframes not received: 4 so far",
    ]


def test_a_board_without_room_says_what_it_left_out() -> None:
    line, source = open_board()
    line.board.advance(5, room=False)
    line.pump(2)
    assert source.line_data.board_lost == 1 and source.hyperframes_missing == 0
    assert source.ask_status().data_lost == 5


def test_other_line_data_are_left_out_and_counted() -> None:
    line, source = open_board()
    writer = RecordWriter(line.board.writer.sequence)
    for kind, payload in (
        (r.RecordType.OCTETS, r.data_payload(0, 0, "2", bytes(8192))),
        (r.RecordType.FLAGGED, r.data_payload(0, 0, "3", bytes(8))),
        (r.RecordType.FLAGGED, b"no head"),
        (r.RecordType.FLAGGED, r.data_payload(0, 0, "2", bytes(3))),
    ):
        line.give(writer.encode(kind, payload))
    assert (source.line_data.other_form, sum(source.channel.unreadable.counts.values())) == (2, 2)
    assert taken(source) == b""


def test_console_events_and_log_become_lines() -> None:
    line, source = open_board()
    line.give(b"clock locked\r\n")
    line.give(RecordWriter(line.board.writer.sequence).message(r.LogText("hot\x1b[2J")))
    line.board.writer.sequence += 1
    texts = [entry.text for entry in source.log.since(0)[0]]
    assert texts[0] == "started at hyperframe 0"
    assert texts[-2:] == ["clock locked", r"hot\x1b[2J"]


def test_limit_ends_the_stream() -> None:
    line, source = open_board(limit=7)
    line.pump(20)
    assert sum(len(bytes(chunk.data)) for chunk in source.chunks()) == 7 * 16384


def test_no_board_is_one_line() -> None:
    class Deaf(BoardLine):
        def write(self, data: bytes) -> None:
            self.give(b"U-Boot 1.0\r\n")

        def start(self, sink: LineSink) -> None:
            self.sink = sink

    with pytest.raises(InputError, match=r"4 lines of text only, the last: U-Boot 1\.0; is it the console"):
        BoardSource(Deaf(RecordBoard()), answer_s=0.01)


def test_a_looped_plug_is_no_board() -> None:
    class Looped(BoardLine):
        def write(self, data: bytes) -> None:
            self.give(data)

        def start(self, sink: LineSink) -> None:
            self.sink = sink

    with pytest.raises(InputError, match="the line is looped: commands come back"):
        BoardSource(Looped(RecordBoard()), answer_s=0.01)


def test_an_option_that_the_board_does_not_have_is_refused() -> None:
    with pytest.raises(InputError, match="test board: the board is of option 3, not 2") as refused:
        open_board(BoardSetup(option="3"), option="2")
    assert refused.value.hint == "leave --option out"
    assert open_board(BoardSetup(option="3"), option="3")[1].option == "3"


def test_a_tcp_board_serves_one_host_and_the_next_at_once(start_board: Callable[..., str]) -> None:
    name = start_board("--tcp", "0", "--option", "1")
    for _ in range(20):
        BoardSource(SerialLine(name, reconnect=False)).close()
    source = BoardSource(SerialLine(name, reconnect=False))
    with pytest.raises(InputError, match="text of the board: this board serves one host at a time"):
        BoardSource(SerialLine(name, reconnect=False))
    assert source.ask_status().name == "REC-A"
    source.close()


def test_a_third_board_on_a_link_is_let_go(start_board: Callable[..., str], tmp_path: Path) -> None:
    link = ("--link", str(tmp_path / "link"), "--option", "1")
    names = [start_board("--tcp", "0", *link, "--seed", str(seed)) for seed in (1, 2, 3)]
    sources = [BoardSource(SerialLine(name)) for name in names]
    end = time.monotonic() + 10
    while time.monotonic() < end and any(source.ask_status().sync_state.lof for source in sources[:2]):
        pass
    assert [source.ask_status().sync_state.lof for source in sources] == [False, False, True]
    # One of the pair leaves, and the third takes its place: it was not left to wait for ever.
    pids = Path(f"/proc/self/task/{threading.get_native_id()}/children").read_text().split()
    second = next(pid for pid in pids if b"--seed\x002" in Path(f"/proc/{pid}/cmdline").read_bytes())
    os.kill(int(second), signal.SIGKILL)
    while time.monotonic() < end and sources[2].ask_status().sync_state.lof:
        pass
    assert not sources[2].ask_status().sync_state.lof
    for source in sources:
        source.close()


# ---------------------------------------------------------------- commands


def test_every_command_is_acknowledged() -> None:
    line, source = open_board()
    for act in (
        lambda: source.set_loopback(r.Loopback.CABLE),
        lambda: source.set_traffic(r.TrafficPlane.HDLC, 0),
        lambda: source.reset_transceiver(r.Transceiver.RECEIVER),
        lambda: source.command(r.SelectData(3)),
    ):
        assert isinstance(act(), r.Acknowledge)
    line.pump(10)
    status = source.ask_status()
    assert (status.loopback, status.resets, status.data_type, status.name) == (
        r.Loopback.CABLE,
        1,
        3,
        "REC-A",
    )
    assert status.clock_period_ps == 8138  # 10 bits at 1228.8 Mbit/s: 8.138 ns (CPRI V7.0 Table 3)


def test_traffic_stops_and_starts_by_plane() -> None:
    def frames(commands: list[tuple[r.TrafficPlane, int]]) -> dict[str, int]:
        line, source = open_board()
        for command in commands:
            source.set_traffic(*command)
        line.pump(200)
        decoder = LinkDecoder(LinkSettings("2", LineForm.FLAGGED))
        iq = 0

        def look(block: object) -> None:
            nonlocal iq
            iq += int(block.octets[:, :, 1:].any())  # type: ignore[attr-defined]

        decoder = LinkDecoder(LinkSettings("2", LineForm.FLAGGED), on_block=look)
        decoder.receive(taken(source))
        decoder.finish()
        return {**decoder.counters, "iq": iq}

    usual = frames([])
    assert usual["hdlc_frames"] and usual["ethernet_frames"] and usual["vendor_changes"] and usual["iq"]
    planes = r.TrafficPlane
    assert frames([(planes.HDLC, 0)])["hdlc_frames"] == 0
    assert frames([(planes.HDLC, 100)])["hdlc_frames"] > 1.5 * usual["hdlc_frames"]
    assert frames([(planes.ETHERNET, 0)])["ethernet_frames"] == 0
    assert frames([(planes.VENDOR, 0)])["vendor_changes"] == 0
    assert frames([(planes.IQ, 0)])["iq"] == 0
    assert frames([(planes.IQ, 0), (planes.IQ, 100)])["iq"] == usual["iq"]


@pytest.mark.parametrize(
    ("message", "reason"),
    [
        (r.InjectFault("no.such"), r.Reason.NOT_SUPPORTED),
        (r.InjectFault("no.such@9:value=1"), r.Reason.NOT_SUPPORTED),
        (r.InjectFault("nonsense"), r.Reason.MALFORMED),
        (r.InjectFault("sync.hfn@x"), r.Reason.MALFORMED),
        (r.InjectFault("sync.hfn:value"), r.Reason.MALFORMED),
        (r.InjectFault("sync.hfn:value=zzz"), r.Reason.MALFORMED),
        (r.InjectFault("sync.hfn:level=1"), r.Reason.OUT_OF_RANGE),
        (r.InjectFault("sync.hfn:value=256"), r.Reason.OUT_OF_RANGE),
        (r.InjectFault("line.slip:bits=2"), r.Reason.OUT_OF_RANGE),
        (r.InjectFault("hdlc.fcs@3"), r.Reason.OUT_OF_RANGE),
        (r.SetTraffic(r.TrafficPlane.IQ, 101), r.Reason.OUT_OF_RANGE),
        (r.ResetTransceiver(r.Transceiver(0)), r.Reason.OUT_OF_RANGE),
        (r.SelectData(9), r.Reason.OUT_OF_RANGE),
    ],
)
def test_what_cannot_be_is_refused(message: r.Message, reason: r.Reason) -> None:
    board = RecordBoard()
    board.advance(10)
    (answer,) = RecordReader().feed(board.receive(RecordWriter(5).message(message)))
    assert isinstance(answer, r.Record)
    refused = r.parse_message(answer)
    assert isinstance(refused, r.Refuse)
    assert (refused.command, refused.reason) == (5, reason)


def test_malformed_and_unknown_commands() -> None:
    board = RecordBoard()
    items = RecordReader().feed(board.receive(RecordWriter(1).encode(0x41, b"\x09")))
    assert r.parse_message(items[0]).reason is r.Reason.MALFORMED  # type: ignore[arg-type,union-attr]
    assert board.receive(RecordWriter(2).encode(0x10, bytes(60))) == b""  # a status is no command
    assert board.receive(b"\0\x05noise\0" * 5) == b""
    assert board.reader.counters.bad_records + board.reader.counters.text_lines == 5


def test_commands_that_transmit_need_leave() -> None:
    line, source = open_board(allow=False)
    written = line.written
    for act in (
        lambda: source.inject("hdlc.fcs"),
        source.reset_transceiver,
        lambda: source.set_loopback(r.Loopback.NONE),
        lambda: source.set_traffic(r.TrafficPlane.IQ, 0),
    ):
        with pytest.raises(InputError, match="--yes"):
            act()
    assert line.written == written
    assert source.ask_status().resets == 0


def test_a_command_lost_on_the_way_is_sent_again_and_done_once() -> None:
    line, source = open_board()
    line.lose_commands = 2
    source.reset_transceiver()
    assert source.ask_status().resets == 1
    assert line.board.reader.counters.bad_records == 2
    # Now the answers are lost: the board must know the command again.
    answers = iter([b"", b"", None])

    def lose(data: bytes) -> bytes:
        kept = next(answers, None)
        return data if kept is None else kept

    line.change = lose
    source.reset_transceiver()
    assert source.ask_status().resets == 2
    line.change = lambda data: b""
    with pytest.raises(InputError, match="asked 4 times for a reset, no answer"):
        source.reset_transceiver()
    assert line.board.resets == 3


def test_a_status_lost_behind_its_answer_is_asked_for_again() -> None:
    line, source = open_board()
    lost = iter([True])
    line.change = lambda data: data[: data.index(0, 1) + 1] if next(lost, False) else data
    line.written = 0
    assert source.ask_status().name == "REC-A" and line.written == 2


@pytest.mark.parametrize(
    "text", ["hdlc.fcs", "ethernet.code", "vendor.value:ns=20,value=0x5A", "sync.hfn", "line.disparity"]
)
def test_a_fault_injected_into_the_board_moves_its_counters(text: str) -> None:
    line, source = open_board()
    assert isinstance(source, FaultySource)
    pipeline = Pipeline(source)
    line.pump(100)
    pipeline.step()
    fault = pipeline.inject(text)
    assert fault.hyperframe == 100
    for _ in range(20):
        line.pump(50)
    source.channel.ended("")
    while pipeline.step():
        pass
    clean = LinkDecoder(LinkSettings("2", LineForm.FLAGGED))
    other_line, other = open_board()
    other_line.pump(1100)
    clean.receive(taken(other))
    clean.finish()
    moved = {
        name: value - clean.counters[name]
        for name, value in pipeline.decoder.counters.items()
        if value != clean.counters[name] and not name.endswith("_frames")
    }
    assert moved == dict(fault.expected) and moved


def test_a_fault_at_a_hyperframe_of_this_stream_comes_there() -> None:
    line = BoardLine(RecordBoard())
    line.board.advance(40)  # nobody reads yet
    source = BoardSource(line, allow=True, answer_s=0.05)
    line.pump(10)
    injection = source.inject("sync.hfn@30")
    assert (injection.hyperframe, injection.text) == (30, "sync.hfn@30:value=200")
    line.pump(30)
    octets = taken(source)
    hfn = [octets[16384 * n + 2 * 64 * 16 * 2] for n in range(40)]
    assert hfn.index(200) == 30
    with pytest.raises(InputError, match="is past"):
        source.channel.ended("")
        source._ended = False
        source.inject("sync.hfn@3")


def test_numbers_of_this_stream_hold_where_words_are_missing() -> None:
    """Each step takes nine bits and so one word; a comma takes it up, and the board finds the hyperframe anew."""
    line, source = open_board()
    # Behind a deserialiser nobody sees the word alignment change.
    expected = source.inject("delay.step:bits=3").expected
    assert expected == {"lof_events": 1, "los_events": 1, "missed_sync_bytes": 1}
    source.inject("delay.drift@5:bits=-9,steps=8,every=12")
    for _ in range(13):
        line.pump(10)
    assert source.inject("sync.hfn@140").hyperframe == 140
    line.pump(20)
    source.reset_transceiver(r.Transceiver.RECEIVER)  # four hyperframes do not come
    line.pump(10)
    assert source.inject("sync.hfn@158").hyperframe == 158
    line.pump(10)
    octets = taken(source)
    hfn = [octets[16384 * n - 2 * 8 + 2 * 64 * 16 * 2] for n in range(130, 166)]
    assert [i + 130 for i, value in enumerate(hfn) if value == 200] == [140, 158]
    assert source.hyperframes_missing == 4 and len(octets) == 166 * 16384 - 2 * 8


def test_resets_cut_the_receiver_and_darken_the_line() -> None:
    line, source = open_board(BoardSetup(loopback=r.Loopback.CABLE))
    line.pump(10)
    source.reset_transceiver(r.Transceiver.TRANSMITTER)
    line.pump(20)
    status = source.ask_status()
    assert status.code_violations >= 4 * 8192 and status.los_events == 1
    texts = [entry.text.split(" at ")[0] for entry in source.log.since(0)[0]]
    assert "transceiver reset 1" in texts and "los raised" in texts and "sync lost" in texts
    offsets = set()
    for _ in range(40):
        source.reset_transceiver(r.Transceiver.RECEIVER)
        line.pump(10)
        status = source.ask_status()
        assert status.alignment_bits is not None
        offsets.add(status.alignment_bits)
        # Counted delay and offset together are the cable and the pipeline, 1237 + 240 bits, to half a clock.
        assert abs(status.delay_clocks * 10 + status.alignment_bits - 1477) <= 5
    assert offsets == set(range(10))


def test_the_same_seed_is_the_same_board_to_the_bit() -> None:
    setups = [BoardSetup(loopback=r.Loopback.CABLE, bit_error_ratio=1e-6, seed=seed) for seed in (5, 5, 6)]
    outs = []
    for setup in setups:
        board = RecordBoard(setup)
        outs.append(board.start() + board.advance(50) + board.status())
    assert outs[0] == outs[1] != outs[2]
    decoder = LinkDecoder(LinkSettings("2", LineForm.FLAGGED))
    line, source = open_board(setups[0])
    line.pump(50)
    decoder.receive(taken(source))
    assert decoder.counters["code_violations"] + decoder.counters["disparity_errors"] > 0


def status_in(records: bytes) -> r.Status:
    (record,) = [item for item in RecordReader().feed(records) if isinstance(item, r.Record)]
    message = r.parse_message(record)
    assert isinstance(message, r.Status)
    return message


def test_two_boards_on_one_link() -> None:
    near = RecordBoard(BoardSetup(loopback=r.Loopback.PAIR))
    far = RecordBoard(BoardSetup(name="RE-1", loopback=r.Loopback.PAIR, seed=9))
    for board in (near, far):
        board.link_changed(True)
    out = bytearray()
    for _ in range(30):
        near.advance(5)
        far.advance(5)
        far.from_link(near.to_link())
        out += near.from_link(far.to_link())
    assert near.decoder.state.value == far.decoder.state.value == "HFNSYNC"
    assert near.decoder.counters["ethernet_frames"] > 0
    data = [item for item in RecordReader().feed(bytes(out)) if isinstance(item, r.Record) and item.type == 2]
    assert len(data) == 150
    # RE-1 loses its signal; its uplink says so to REC-A (Z.130.0, CPRI V7.0 clause 4.2.7.6.1).
    far.decoder.los.active = True
    far.advance(5)
    near.from_link(far.to_link())
    assert near.decoder.planes.remote.octet & ALARM_BITS["los"]
    # The other board is switched off: no signal, and so no sync.
    before = near.decoder.counters["los_events"]
    near.link_changed(False)
    near.advance(20)
    flags = status_in(near.status()).flags
    assert flags & r.StatusFlag.LOS and flags & r.StatusFlag.LOF
    assert near.decoder.counters["los_events"] == before + 1
    far.link_changed(True)
    near.link_changed(True)
    for _ in range(10):
        far.advance(5)
        near.from_link(far.to_link())
    flags = status_in(near.status()).flags
    assert not flags & (r.StatusFlag.LOS | r.StatusFlag.LOF)
    assert near.decoder.state.value == "HFNSYNC"
    with pytest.raises(
        InputError, match="the other board of the link is of option 3, this one is of option 2"
    ):
        near.link_changed(True)
        near.from_link(RecordBoard(BoardSetup(option="3")).to_link())


def test_a_receiver_without_a_loopback_hears_nothing() -> None:
    board = RecordBoard(BoardSetup())
    board.advance(20)
    assert not status_in(board.status()).flags & r.StatusFlag.LOS
    board.loopback = r.Loopback.NONE
    kinds = {item.type for item in RecordReader().feed(board.advance(20)) if isinstance(item, r.Record)}
    assert kinds == {r.RecordType.EVENT}
    status = status_in(board.status())
    assert status.flags & r.StatusFlag.LOS and status.flags & r.StatusFlag.LOF
    assert status.sync_state.lof


# ---------------------------------------------------------------- over terminals, damaged both ways


class Damaging:
    """Changes an octet in about one of `every` octets; what it did is counted."""

    def __init__(self, every: int, seed: int) -> None:
        self.every = every
        self.random = random.Random(seed)
        self.count = 0
        self.on = True

    def __call__(self, data: bytes) -> bytes:
        out = bytearray(data)
        at = int(self.random.expovariate(1 / self.every))
        while self.on and at < len(out):
            out[at] ^= self.random.randrange(1, 256)
            self.count += 1
            at += 1 + int(self.random.expovariate(1 / self.every))
        return bytes(out)


@pytest.fixture
def c_board(tmp_path: Path) -> Path:
    return compile_c("board.c", tmp_path / "board")


@pytest.mark.slow
def test_a_board_in_c_over_a_terminal_with_damage_both_ways(c_board: Path, tmp_path: Path) -> None:
    """The C side sends emulated hyperframes in pieces and console text; one octet in 100,000 is hit, and one in
    150 of what goes to the board."""
    size = 2 * OPTIONS["1"].hyperframe_octets
    sent = plain_stream(LineForm.FLAGGED, 120, "1", 2)
    (tmp_path / "frames").write_bytes(sent)
    down, up = Damaging(100_000, 1), Damaging(150, 2)
    relay = Relay(b_to_a=down, a_to_b=up)
    board = subprocess.Popen([c_board, relay.b, str(tmp_path / "frames"), str(size)])
    try:
        source = BoardSource(SerialLine(relay.a), allow=True, answer_s=1.0)
        assert (source.description, source.option) == (f"{relay.a} (RE-1 in C)", "1")
        came: list[bytes] = []
        total = 0
        for chunk in source.chunks():
            came.append(bytes(chunk.data))
            total += len(came[-1])
            if total > 600 * size:
                break
        injection = source.inject("vendor.value:ns=20,xs=1,value=0xA5")
        assert injection.hyperframe > 400 and injection.expected == {"vendor_changes": 1}
        assert "value=165" in injection.text
        with pytest.raises(InputError, match="refuses another loopback: not on this board"):
            source.set_loopback(r.Loopback.CABLE)
        for _ in range(10):
            source.ask_status()
        down.on = up.on = False
        status = source.ask_status()
        assert status.resets == 1  # this board counts faults there: one, however often it was asked
    finally:
        board.kill()
        board.wait()
        source.close()
        relay.close()
    stream = b"".join(came)
    whole = {sent[i : i + size] for i in range(0, len(sent), size)}
    assert len(stream) % size == 0
    assert all(stream[i : i + size] in whole for i in range(0, len(stream), size)), (
        "a damaged hyperframe came"
    )
    counters = source.reader.counters
    assert counters.bad_records > 10 and down.count > 10 and up.count >= 1
    assert counters.records_lost > 0 and source.hyperframes_missing > 0
    assert sum(entry.text == "tick" for entry in source.log.since(0)[0]) > 100


# ---------------------------------------------------------------- as a process


@pytest.fixture
def start_board() -> Iterator[Callable[..., str]]:
    with ExitStack() as running:
        yield lambda *words: running.enter_context(running_board(*words))[0]


@pytest.mark.parametrize("words", [("--pty",), ("--tcp", "127.0.0.1:0")])
def test_the_command_serves_a_source(start_board: Callable[..., str], words: tuple[str, ...]) -> None:
    name = start_board(*words, "--pace", "0", "--option", "1")
    assert is_serial(name)
    source = BoardSource(SerialLine(name), allow=True, limit=400)
    pipeline = Pipeline(source)
    pipeline.step()
    fault = pipeline.inject("vendor.value:ns=20,xs=1,value=0xA5,hyperframes=3")
    thread = threading.Thread(target=pipeline.run, args=(threading.Event(),))
    thread.start()
    thread.join(60)
    assert pipeline.failure is None and pipeline.decoder.hyperframes == 400
    assert 0 <= fault.hyperframe < 400
    assert pipeline.decoder.counters["vendor_changes"] >= 2 + 1
    assert source.reader.counters.records_lost == 0


def test_a_host_may_come_again(start_board: Callable[..., str]) -> None:
    name = start_board("--tcp", "0", "--pace", "0", "--option", "1")
    for _ in range(2):
        source = BoardSource(SerialLine(name), limit=50)
        decoder = LinkDecoder(LinkSettings("1", LineForm.FLAGGED))
        for chunk in source.chunks():
            decoder.receive(chunk.data)
        source.close()
        assert decoder.hyperframes == 50


def test_a_board_that_goes_and_comes_again(
    start_board: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.boards.serial_port.BACK_OFF_S", (0.05, 0.2))
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = str(server.getsockname()[1])
    words = ("--tcp", port, "--option", "1", "--pace", "0")
    name = start_board(*words, "--hyperframes", "300")
    source = BoardSource(SerialLine(name), allow=True)
    decoder = LinkDecoder(LinkSettings("1", LineForm.FLAGGED))
    again = False
    for chunk in source.chunks():
        decoder.receive(chunk.data)
        if not again and any("line down" in warning for warning in source.warnings):
            again = True
            start_board(*words)
        if decoder.hyperframes > 1000:
            break
    assert source.inject("hdlc.fcs").hyperframe >= decoder.hyperframes - 300
    source.close()
    assert [warning.split(" after")[0] for warning in source.warnings[:2]] == [
        "line down: the other end has closed the connection",
        "line up",
    ]
    assert decoder.hyperframes > 1000 and decoder.counters["hfn_discontinuities"] <= 2
    assert decoder.counters["code_violations"] == 0


def test_two_processes_make_a_pair(start_board: Callable[..., str], tmp_path: Path) -> None:
    link = str(tmp_path / "link")
    one = start_board("--tcp", "0", "--link", link, "--option", "1", "--pace", "1500")
    two = start_board(
        "--tcp", "0", "--link", link, "--option", "1", "--pace", "1500", "--name", "RE-1", "--seed", "4"
    )
    for name in (one, two):  # dark until the other is there
        waiting = BoardSource(SerialLine(name))
        while waiting.ask_status().sync_state.lof:
            pass
        waiting.close()
    sources = [BoardSource(SerialLine(name), allow=True, limit=900) for name in (one, two)]
    sources[0].inject("line.violation:count=3")
    assert "this board receives what another one sends: its faults show at that one" in sources[0].warnings
    decoders = []
    for source in sources:
        decoder = LinkDecoder(LinkSettings("1", LineForm.FLAGGED))
        for chunk in source.chunks():
            decoder.receive(chunk.data)
        decoders.append(decoder)
        source.close()
    assert [d.state.value for d in decoders] == ["HFNSYNC", "HFNSYNC"]
    assert [d.counters["code_violations"] for d in decoders] == [0, 3]


def tell(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "monitor", "tell", *words]
    return subprocess.run(
        command, capture_output=True, text=True, cwd=ROOT, check=False, stdin=subprocess.DEVNULL, timeout=60
    )


def test_a_board_is_told_from_the_command_line(start_board: Callable[..., str]) -> None:
    name = start_board("--tcp", "0", "--option", "1", "--data", "control")
    before = json.loads(tell(name, "status", "--json").stdout)
    assert (before["schema"], before["name"], before["loopback"]) == ("framefray.tell/1", "REC-A", "internal")
    refused = tell(name, "reset")
    assert refused.returncode == 2 and "--yes" in refused.stderr and not refused.stdout
    done = json.loads(tell(name, "reset", "receiver", "--yes", "--json").stdout)
    assert (before["resets"], done["resets"]) == (0, 1)
    assert "loopback          cable" in tell(name, "loopback", "cable", "--yes").stdout
    assert json.loads(tell(name, "data", "octets", "--json").stdout)["data"] == "octets"
    assert json.loads(tell(name, "data", "none", "--json").stdout)["data"] == "none"
    assert json.loads(tell(name, "status", "--json").stdout)["data"] == "none"
    assert "is no command" in tell(name, "reset", "everything", "--yes").stderr
    assert tell("capture.bits", "status").returncode == 2


def test_the_screen_resets_a_board_while_its_line_data_come(start_board: Callable[..., str]) -> None:
    name = start_board("--pty", "--loopback", "cable")
    assert live_board_of(object()) is None
    source = BoardSource(SerialLine(name), allow=True)
    pipeline, ended = Pipeline(source), threading.Event()
    reader = threading.Thread(target=pipeline.run, args=(ended,))
    reader.start()
    try:
        resets = Resets(None, wanted=10, live=live_board_of(source))
        assert resets.can_reset and resets.start()
        steps = 0
        while resets.step() and steps < 4:
            steps += 1
        assert resets.failure is None
        status = resets.look()
        assert (
            status is not None
            and status.resets == 5
            and not status.findings
            and status.verdict == "incomplete"
        )
        before = pipeline.decoder.hyperframes
        status_now = source.ask_status()
        assert status_now.resets == 5 and status_now.data_type == r.RecordType.FLAGGED
        while pipeline.decoder.hyperframes == before:
            time.sleep(0.01)
    finally:
        ended.set()
        reader.join(30)
        source.close()
    assert pipeline.failure is None
    # Each reset holds four hyperframes back, which is no fault of the link.
    assert pipeline.decoder.hyperframes_not_received >= 4 * 4
    assert pipeline.decoder.counters["hfn_discontinuities"] == 0


def test_the_delay_of_a_board_through_resets(start_board: Callable[..., str]) -> None:
    name = start_board("--tcp", "0", "--option", "2", "--loopback", "cable")
    words = [sys.executable, "-m", "monitor", "delay", name, "--resets", "40", "--json"]
    asked = subprocess.run(words, capture_output=True, text=True, cwd=ROOT, check=False)
    assert asked.returncode == 2 and "--yes" in asked.stderr
    done = subprocess.run(
        [*words, "--yes"], capture_output=True, text=True, cwd=ROOT, check=False, timeout=120
    )
    assert done.returncode in (0, 1), done.stderr
    assert json.loads(done.stdout)["schema"] == "framefray.delay/1"
    line = BoardSource(SerialLine(name), allow=True)
    board = BoardDelay(line)
    offsets = set()
    for _ in range(25):
        board.reset()
        sample = board.measure()
        offsets.add(sample.alignment_offset)
        # 1237 bits of cable and 240 of pipeline at 1228.8 Mbit/s, to half a clock of 10 bits.
        assert abs(sample.compensated_ns - 1477 / 1.2288) <= 5 / 1.2288 + 0.1
    board.close()
    assert len(offsets) > 5


def test_a_recording_of_a_board_decodes_as_the_board_does(
    start_board: Callable[..., str], tmp_path: Path
) -> None:
    name = start_board("--tcp", "0", "--option", "1", "--pace", "0")
    words = ["record", name, str(tmp_path / "board.ffcap"), "--limit", "200hf"]
    done = subprocess.run(
        [sys.executable, "-m", "monitor", *words],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=False,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    source = open_file_source(tmp_path / "board.ffcap")
    decoder = LinkDecoder(LinkSettings("1", LineForm(source.form)))
    for chunk in source.chunks():
        decoder.receive(chunk.data)
    decoder.finish()
    assert (source.form, source.option, decoder.hyperframes) == ("flagged", "1", 200)
    assert decoder.counters["code_violations"] == 0 and decoder.counters["ethernet_frames"] > 0


def test_words_become_commands() -> None:
    assert parse_command(["traffic", "HDLC", "30"]) == r.SetTraffic(r.TrafficPlane.HDLC, 30)
    assert parse_command(["reset"]) == r.ResetTransceiver(r.Transceiver(3))
    assert parse_command(["data", "none"]) == r.SelectData(0)
    for words in (
        ["traffic", "hdlc", "101"],
        ["traffic", "sync", "1"],
        ["loopback"],
        ["status", "now"],
        ["x"],
    ):
        with pytest.raises(InputError, match="is no command"):
            parse_command(words)


def test_only_the_loopback_unless_told() -> None:
    assert address_of("5001", False) == ("127.0.0.1", 5001)
    assert address_of("localhost:0", False) == ("localhost", 0)
    assert address_of("[::1]:7", False) == ("::1", 7)
    for text in ("0.0.0.0:5001", "192.168.1.5:5001", "host.example:1"):
        with pytest.raises(InputError, match="--listen-any"):
            address_of(text, False)
        assert address_of(text, True)[1] == int(text.split(":")[1])
    for text in ("127.0.0.1:", "127.0.0.1:x", "127.0.0.1:70000"):
        with pytest.raises(InputError, match="HOST:PORT"):
            address_of(text, False)


def test_what_is_a_serial_source(tmp_path: Path) -> None:
    assert is_serial("socket://127.0.0.1:5001") and is_serial("loop://") and is_serial("/dev/ttyUSB0")
    master, slave = os.openpty()
    (tmp_path / "port").symlink_to(os.ttyname(slave))
    assert is_serial(str(tmp_path / "port"))
    assert not is_serial("capture.octets") and not is_serial("-") and not is_serial("/dev/null")
    os.close(master)
    os.close(slave)


def test_a_busy_port_is_said() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        number = server.getsockname()[1]
        done = subprocess.run(
            [sys.executable, "-m", "monitor", "board", "--tcp", f"127.0.0.1:{number}"],
            capture_output=True,
            text=True,
            cwd=ROOT,
            check=False,
        )
    assert done.returncode == 2 and done.stderr.count("\n") == 1 and str(number) in done.stderr
