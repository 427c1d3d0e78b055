"""Serial lines without hardware: pseudo-terminals, sockets and pyserial's loop."""

from __future__ import annotations

import os
import random
import re
import socket
import threading
import time
from contextlib import suppress
from pathlib import Path
from types import SimpleNamespace

import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st
from serial import rfc2217

pytest.importorskip("tty", reason="no pseudo-terminals on this system")

from decoders.line_coding.characters import CHARACTER_FORMS, LineForm
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings, SenderSettings
from monitor.boards import serial_port
from monitor.boards.console import ConsoleReader
from monitor.boards.line import APART, LineSink, OctetQueue
from monitor.boards.serial_dump import SerialDumpSource
from monitor.boards.serial_port import SerialLine, port_lines
from monitor.emulation.line_writer import LineWriter
from monitor.emulation.sender import EmulatedSender
from monitor.errors import InputError
from monitor.formats.ffcap import CaptureRecordType
from monitor.formats.ffcap_reader import CaptureReader
from monitor.recording.recorder import open_recording
from monitor.sources.log import Log
from tests.support.lines import KeepingSink, pty_pair


@pytest.fixture(autouse=True)
def quick_back_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serial_port, "BACK_OFF_S", (0.05, 0.2))


def write_all(fd: int, data: bytes) -> None:
    while data:
        data = data[os.write(fd, data[:65536]) :]


def test_everything_comes_and_goes_in_order() -> None:
    master, slave, name = pty_pair()
    line, sink = SerialLine(name), KeepingSink()
    line.start(sink)
    sent = random.Random(1).randbytes(3_000_000)
    write_all(master, sent)
    sink.wait(lambda s: len(s.data) == len(sent))
    assert sink.data == sent and line.octets == len(sent)
    line.write(b"\0\x11\x13\r\n\xff")  # nothing is taken for flow control or line ends
    assert os.read(master, 100) == b"\0\x11\x13\r\n\xff"
    line.close()
    assert sink.said == ["ended: "]
    for fd in (master, slave):
        os.close(fd)


def test_the_second_open_says_who_may_hold_it() -> None:
    master, slave, name = pty_pair()
    line = SerialLine(name)
    with pytest.raises(InputError, match="another program holds it"):
        SerialLine(name)
    line.close()
    SerialLine(name).close()
    for fd in (master, slave):
        os.close(fd)


@pytest.mark.parametrize(
    ("url", "says"),
    [
        ("/dev/ttyFF-not-there", "watch --ports"),
        ("socket://127.0.0.1", "not socket://HOST:PORT"),
        ("socket://127.0.0.1:99999", "not socket://HOST:PORT"),
        ("nonsense://x", "nonsense"),
    ],
)
def test_what_cannot_be_opened_is_one_line(url: str, says: str) -> None:
    with pytest.raises(InputError, match=says) as caught:
        SerialLine(url)
    assert "\n" not in str(caught.value)


def test_nobody_listening_is_said() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        number = server.getsockname()[1]
    with pytest.raises(InputError, match="nothing listens there"):
        SerialLine(f"socket://127.0.0.1:{number}")


def test_unplugged_and_plugged_in_again(tmp_path: Path) -> None:
    port = tmp_path / "port"
    master, slave, name = pty_pair()
    port.symlink_to(name)
    line, sink = SerialLine(str(port)), KeepingSink()
    line.start(sink)
    write_all(master, b"before")
    sink.wait(lambda s: len(s.data) == 6)
    os.close(slave)
    os.close(master)  # the device is gone
    sink.wait(lambda s: s.said)
    assert sink.said[0].startswith("broken: ")
    with pytest.raises(InputError, match="nothing was sent"):
        line.write(b"x")
    time.sleep(0.2)
    master, slave, name = pty_pair()
    port.unlink()
    port.symlink_to(name)
    sink.wait(lambda s: len(s.said) == 2)
    assert sink.said[1] == "opened" and line.breaks == 1
    write_all(master, b" after")
    sink.wait(lambda s: s.data == b"before after")
    line.close()
    for fd in (master, slave):
        os.close(fd)


def test_without_reconnect_the_line_ends(tmp_path: Path) -> None:
    master, slave, name = pty_pair()
    line, sink = SerialLine(name, reconnect=False), KeepingSink()
    line.start(sink)
    os.close(slave)
    os.close(master)
    sink.wait(lambda s: len(s.said) == 2)
    assert sink.said[1] == "ended: "
    line.close()


def test_a_socket_loses_nothing_of_what_was_sent_before_it_was_read() -> None:
    sent = random.Random(2).randbytes(2_000_000)
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            connection, _ = server.accept()
            connection.sendall(sent)
            assert connection.recv(10) == b"thanks"
            connection.close()

        thread = threading.Thread(target=serve)
        thread.start()
        line, sink = (
            SerialLine(f"socket://127.0.0.1:{server.getsockname()[1]}", reconnect=False),
            KeepingSink(),
        )
        time.sleep(0.1)
        line.start(sink)
        sink.wait(lambda s: len(s.data) == len(sent))
        assert sink.data == sent
        line.write(b"thanks")
        sink.wait(lambda s: "ended: " in s.said)
        assert sink.said[0] == "broken: the other end has closed the connection"
        line.close()
        thread.join(5)


def test_any_url_of_pyserial_will_do() -> None:
    line, sink = SerialLine("loop://"), KeepingSink()
    line.start(sink)
    line.write(b"round")
    sink.wait(lambda s: s.data == b"round")
    line.close()


def test_only_one_file_imports_pyserial() -> None:
    root = Path(serial_port.__file__).parents[2]
    files = [f for part in ("decoders", "monitor") for f in (root / part).rglob("*.py")]
    users = [
        f.name for f in files if re.search(r"^\s*(import serial|from serial)\b", f.read_text("utf-8"), re.M)
    ]
    assert users == ["serial_port.py"]


def test_ports_are_lines_of_text() -> None:
    assert all(isinstance(line, str) and "\n" not in line for line in port_lines())


# ---------------------------------------------------------------- the queue


def test_a_slow_consumer_slows_the_reader_and_loses_nothing() -> None:
    queue = OctetQueue(limit=1000)
    sent = [bytes([i]) * 100 for i in range(200)]

    def fill() -> None:
        for i, piece in enumerate(sent):
            assert queue.put(piece, i)
        queue.close()

    thread = threading.Thread(target=fill)
    thread.start()
    came = bytearray()
    most = 0
    while (taken := queue.take(1.0, most=100)) is not None:
        most = max(most, queue.held)
        came += b"".join(taken[0])
    thread.join()
    assert came == b"".join(sent) and queue.dropped == 0
    assert most <= 1000


def test_what_finds_no_room_in_time_is_counted() -> None:
    queue = OctetQueue(limit=100, patience_s=0.01)
    assert queue.put(bytes(100), 0)
    assert not queue.put(bytes(30), 1)
    assert queue.dropped == 30
    queue.elastic = True
    assert queue.put(bytes(99), 2)
    queue.elastic = False
    assert not queue.put(b"x", 3)


def test_a_break_in_the_queue_begins_a_piece_of_its_own() -> None:
    queue = OctetQueue()
    for data, tag in ((b"a", 0), (b"b", 1), (b"c", APART), (b"d", 2)):
        queue.put(data, tag)
    assert queue.take(0) == ([b"a", b"b"], 0)
    assert queue.take(0) == ([b"c", b"d"], APART)
    assert queue.take(0) == ([], 0)
    queue.close()
    assert queue.take(0) is None


@pytest.mark.filterwarnings("ignore:set:DeprecationWarning")
def test_a_serial_server_on_the_network() -> None:
    """Against the server side of RFC 2217 that pyserial has, with a looped port behind it."""
    server = socket.create_server(("127.0.0.1", 0))
    stop = threading.Event()

    def serve() -> None:
        connection, _ = server.accept()
        connection.settimeout(0.01)
        port = serial.serial_for_url("loop://", timeout=0)
        answers = SimpleNamespace(write=connection.sendall)
        manager = rfc2217.PortManager(port, answers)
        while not stop.is_set():
            with suppress(TimeoutError):
                port.write(b"".join(manager.filter(connection.recv(4096))))
            connection.sendall(b"".join(manager.escape(port.read(4096))))
        connection.close()

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    sent = bytes(range(256)) * 12 + b"\xff\xff\xf0"  # IAC among them
    line, sink = SerialLine(f"rfc2217://127.0.0.1:{server.getsockname()[1]}", 1_000_000), KeepingSink()
    line.start(sink)
    line.write(sent)
    sink.wait(lambda s: len(s.data) >= len(sent))
    assert sink.data == sent
    stop.set()
    thread.join(5)
    server.close()
    sink.wait(lambda s: s.said)
    assert sink.said[0].startswith("broken: ")
    line.close()


# ---------------------------------------------------------------- raw dumps


class DirectLine:
    """A line whose octets the test hands over by itself."""

    description = "test line"

    def __init__(self, first: bytes) -> None:
        self.first = first
        self.sink: LineSink | None = None

    def start(self, sink: LineSink) -> None:
        self.sink = sink
        sink.receive(self.first, 0)

    def write(self, data: bytes) -> None: ...
    def close(self) -> None: ...


def stream(form: LineForm, hyperframes: int, option: str = "1") -> bytes:
    sender = EmulatedSender(SenderSettings(option=option, hdlc_rate_code=2), 3, load=0.5)
    return LineWriter(form, sender.option).write(sender.batch(hyperframes))


@pytest.mark.parametrize("form", CHARACTER_FORMS)
def test_a_raw_dump_over_a_terminal(form: LineForm) -> None:
    master, slave, name = pty_pair()
    data = stream(form, 40)
    thread = threading.Thread(target=write_all, args=(master, data))
    thread.start()
    source = SerialDumpSource(SerialLine(name), form.value, limit=30)
    assert (source.form, source.option) == (form.value, "1")
    decoder = LinkDecoder(LinkSettings("1", form))
    for chunk in source.chunks():
        decoder.receive(chunk.data, chunk.time_ns)
    decoder.finish()
    assert decoder.hyperframes >= 29 - (form is LineForm.BITS)
    assert decoder.counters["code_violations"] == decoder.counters["hdlc_fcs_errors"] == 0
    # What the source no longer takes must still find a reader, or the writer would hang.
    thread_reads = threading.Thread(target=lambda: os.read(slave, 1 << 20), daemon=True)
    source.close()
    while thread.is_alive():
        if not thread_reads.is_alive():
            thread_reads = threading.Thread(target=lambda: os.read(slave, 1 << 20), daemon=True)
            thread_reads.start()
        thread.join(0.05)
    os.close(master)
    os.close(slave)


def test_words_are_found_again_after_a_break() -> None:
    data = stream(LineForm.FLAGGED, 60)
    size = 2 * 4096
    line = DirectLine(data[: 20 * size + 1])
    source = SerialDumpSource(line, "flagged", "1")
    assert line.sink is not None
    chunks = source.chunks()
    decoder = LinkDecoder(LinkSettings("1", LineForm.FLAGGED))
    decoder.receive(next(chunks).data)
    line.sink.broken("unplugged")
    line.sink.opened(1.0)
    line.sink.receive(data[25 * size + 333 :], 0)
    line.sink.ended("")
    for chunk in chunks:
        decoder.receive(chunk.data)
    assert decoder.hyperframes >= 50
    assert decoder.counters["code_violations"] == 0
    assert source.warnings[-2:] == [
        "line down: unplugged",
        "line up after 1.0 s; line data were lost in between",
    ]


def test_a_silent_line_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.boards.serial_dump.SILENCE_S", 0.1)
    with pytest.raises(InputError, match="10 octets came, then nothing"):
        SerialDumpSource(DirectLine(bytes(10)), "flagged", "1")
    with pytest.raises(InputError, match=r"0 octets came, then nothing for 0.1 s; its last text: login:"):
        SerialDumpSource(DirectLine(b"boot 1.2\r\nlogin:\r\n"), "hex", "1")
    with pytest.raises(InputError, match="ffcap cannot come"):
        SerialDumpSource(DirectLine(b""), "ffcap", "1")


@pytest.mark.parametrize("columns", [True, False])
def test_a_console_that_prints_hex(tmp_path: Path, columns: bool) -> None:
    """The octets are those printed, by a printer of the standard library; the words between are kept."""
    octets = stream(LineForm.OCTETS, 40)
    lines = [
        (f"{at:06x}: " if columns else "") + octets[at : at + 32].hex(" ") for at in range(0, len(octets), 32)
    ]
    words = {0: "boot 1.2", 700: "\x1b[31mtemperature 41", 701: "# face off", 2000: "deaf: no signal"}
    for at in sorted(words, reverse=True):
        lines.insert(at, words[at])
    text = "\r\n".join([*lines, "$ "]).encode()
    master, slave, name = pty_pair()
    line = SerialLine(name)  # opening throws away what has come before
    thread = threading.Thread(target=write_all, args=(master, text))
    thread.start()
    source = SerialDumpSource(line, "hex", limit=40)
    tap = open_recording(source, tmp_path / "a.ffcap")
    got = b"".join(bytes(chunk.data) for chunk in tap.chunks())
    tap.close()
    thread.join()
    assert (tap.form, tap.option) == ("octets", "1")
    assert got == octets
    heard = [line.text for line in source.log.since(0)[0]]
    assert heard == ["boot 1.2", "\\x1b[31mtemperature 41", "# face off", "deaf: no signal"]
    with CaptureReader(tmp_path / "a.ffcap") as reader:
        notes = [bytes(r.payload).decode() for r in reader.records() if r.type is CaptureRecordType.NOTE]
    assert notes == [f"board: {text}" for text in heard]
    for fd in (master, slave):
        os.close(fd)


@pytest.mark.parametrize("cut", [1, 3, 4095, 4096, 4097, 6001])
@pytest.mark.parametrize("between", ["", " "])
def test_a_console_with_a_hyperframe_on_one_line(cut: int, between: str) -> None:
    octets = random.Random(5).randbytes(4096 * 5)
    rows = [octets[at : at + 4096].hex(" ").replace(" ", between) for at in range(0, len(octets), 4096)]
    text = "".join(f"[{i}] a word\r\n{row}\r\n" for i, row in enumerate(rows)).encode()
    log = Log()
    reader = ConsoleReader(log)
    got = b"".join(reader.feed(text[at : at + cut]) for at in range(0, len(text), cut))
    assert got == octets
    assert [line.text for line in log.since(0)[0]] == [f"[{i}] a word" for i in range(5)]


@pytest.mark.parametrize("end", [b"\n\r", b"\r\n", b"\n", b"\r\r\n"])
def test_a_console_may_end_its_lines_as_it_likes(end: bytes) -> None:
    octets = random.Random(6).randbytes(640)
    rows = [f"{at:04x}: {octets[at : at + 16].hex(' ')}".encode() for at in range(0, 640, 16)]
    log = Log()
    assert ConsoleReader(log).feed(end.join([*rows, b""])) == octets and not log.count
    assert ConsoleReader(log).feed(b"spin |\rspin /\r00 11 22\r\n") == b"\x00\x11\x22"


def test_a_long_line_with_a_column_keeps_its_pairs() -> None:
    octets = random.Random(7).randbytes(4096)
    log = Log()
    assert ConsoleReader(log).feed(f"10:{octets.hex()}".encode()[:8000]) + b"" == octets[: 7996 // 2]
    assert not log.count


@pytest.mark.parametrize(
    "text", [b"123\r\n" * 50_000, b" " * 400_000 + b"\n", b"1 " * 200_000, b"a:" * 200_000]
)
def test_no_text_makes_a_console_slow(text: bytes) -> None:
    """Where the time grew with the square of the length, this would end by the limit that each test has."""
    assert ConsoleReader(Log()).feed(text) == b""


def test_words_that_look_like_hex() -> None:
    log = Log()
    text = b"12:34:56 up\nabc\n0x10: 01 02 # two\n# none\n\n10: 0\n00 1\nFF\n"
    assert ConsoleReader(log).feed(text) == b"\x01\x02\xff"
    assert [line.text for line in log.since(0)[0]] == ["12:34:56 up", "abc", "# none", "10: 0", "00 1"]


@given(
    data=st.binary(max_size=300), cuts=st.lists(st.integers(0, 900), max_size=6), junk=st.text(max_size=40)
)
def test_a_console_cut_anywhere(data: bytes, cuts: list[int], junk: str) -> None:
    """However the text comes in pieces, octets and words are those of the whole."""
    rows = [f"{at:04X}: {data[at : at + 16].hex(' ')}\n" for at in range(0, len(data), 16)]
    text = "".join([f"hello {junk}\n", *rows]).encode("utf-8", "replace")
    whole, log = Log(), Log()
    expected = ConsoleReader(whole).feed(text)
    assert expected.endswith(data)
    reader, at, out = ConsoleReader(log), 0, b""
    for cut in [*sorted(cuts), len(text)]:
        out += reader.feed(text[at : max(cut, at)])
        at = max(cut, at)
    assert out == expected
    assert [line.text for line in log.since(0)[0]] == [line.text for line in whole.since(0)[0]]
