"""The C99 side of the record protocol: strict compilation, and the same octets as the Python side."""

from __future__ import annotations

import random
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from decoders.link.hyperframe_sync import SyncState
from monitor.protocol import records as r
from monitor.protocol.stream import RecordReader, RecordWriter
from tests.support.records import mutate

HERE = Path(__file__).parent / "c99"
C99 = Path(r.__file__).parent / "c99"
STRICT = ("-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic")

Item = tuple[int, int, int, int, bytes]


def compile_c(driver: str, out: Path) -> Path:
    """Compile a driver with fray_record.c, warnings as errors; skip where there is no compiler."""
    compiler = shutil.which("cc")
    if compiler is None:
        pytest.skip("no C compiler here (cc)")
    sources = [str(HERE / driver), str(C99 / "fray_record.c")]
    command = [compiler, *STRICT, "-O1", "-I", str(C99), *sources, "-o", str(out)]
    result = subprocess.run(command, capture_output=True, text=True, check=False)
    assert result.returncode == 0, result.stderr
    return out


@pytest.fixture(scope="module")
def codec(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return compile_c("codec.c", tmp_path_factory.mktemp("c") / "codec")


def run(codec: Path, *words: str, data: bytes) -> tuple[bytes, str]:
    done = subprocess.run([codec, *words], input=data, capture_output=True, check=True)
    return done.stdout, done.stderr.decode()


def plain(items: list[Item]) -> bytes:
    return b"".join(
        bytes([kind])
        + flags.to_bytes(2, "little")
        + sequence.to_bytes(4, "little")
        + time_ns.to_bytes(8, "little")
        + len(payload).to_bytes(4, "little")
        + payload
        for kind, flags, sequence, time_ns, payload in items
    )


def framed(items: list[Item]) -> bytes:
    return b"".join(
        RecordWriter(sequence).encode(kind, payload, flags=flags, time_ns=time_ns)
        for kind, flags, sequence, time_ns, payload in items
    )


def some_items(count: int, seed: int) -> list[Item]:
    """Records with runs of zeros, runs without, and lengths about the limits of COBS pieces."""
    rng = random.Random(seed)
    items: list[Item] = []
    for _ in range(count):
        size = rng.choice(
            (rng.randrange(20), rng.randrange(230, 300), rng.randrange(490, 530), rng.randrange(3000))
        )
        alphabet = rng.choice((b"\0", b"\1\2\xff", bytes(range(256)), b"\0" + b"\xa5" * 300))
        payload = bytes(rng.choices(alphabet, k=size))
        items.append(
            (rng.randrange(256), rng.getrandbits(16), rng.getrandbits(32), rng.getrandbits(64), payload)
        )
    items += [(1, 0, 0, 0, fill * r.MAX_PAYLOAD) for fill in (b"\0", b"\xa5")]
    return items


def test_c_sends_what_python_sends(codec: Path) -> None:
    items = some_items(10_000, 1)
    line, _ = run(codec, "encode", data=plain(items))
    assert line == framed(items)


def test_c_takes_what_python_sends(codec: Path) -> None:
    items = some_items(10_000, 2)
    out, counts = run(codec, "decode", data=framed(items))
    assert out == plain(items)
    assert counts.split() == [str(len(items)), "0"]


def test_every_length_about_a_full_cobs_piece(codec: Path) -> None:
    items: list[Item] = [(0x12, 0xFFFF, 2**32 - 1, 2**64 - 1, b"\x55" * n) for n in range(1100)]
    line, _ = run(codec, "encode", data=plain(items))
    assert line == framed(items)
    assert run(codec, "decode", data=line)[0] == plain(items)


def test_c_drops_what_python_drops(codec: Path) -> None:
    rng = random.Random(5)
    items = some_items(3000, 6)
    line = bytearray(framed(items))
    for _ in range(1500):
        line[rng.randrange(len(line))] = rng.randrange(256)
    out, counts = run(codec, "decode", data=bytes(line))
    reader = RecordReader()
    came = []
    for item in reader.feed(bytes(line) + b"\0"):
        if isinstance(item, r.Record):
            came.append((item.type, item.flags, item.sequence, item.time_ns, item.payload))
    # C hands on types it does not know: refusing them is the board's business.
    known = {int(kind) for kind in r.RecordType}
    from_c = []
    while out:
        size = int.from_bytes(out[15:19], "little")
        kind, flags, sequence, time_ns = (
            int.from_bytes(out[a:b], "little") for a, b in ((0, 1), (1, 3), (3, 7), (7, 15))
        )
        if kind in known:
            from_c.append((kind, flags, sequence, time_ns, out[19 : 19 + size]))
        out = out[19 + size :]
    assert from_c == came
    good, bad = map(int, counts.split())
    assert good == reader.counters.records + reader.counters.unknown_type
    assert bad == reader.counters.bad_records > 500


def test_a_small_buffer_drops_long_records_and_goes_on(codec: Path) -> None:
    writer = RecordWriter()
    line = (
        writer.message(r.InjectFault("a" * 256))
        + writer.encode(0x44, bytes(257))
        + writer.message(r.AskStatus())
    )
    out, counts = run(codec, "decode", str(16 + 256 + 4), data=line)
    assert counts.split() == ["2", "1"]
    assert out[19:275] == b"a" * 256 and out[275] == r.RecordType.ASK_STATUS


def test_reference_is_small_and_needs_little() -> None:
    text = (C99 / "fray_record.c").read_text() + (C99 / "fray_record.h").read_text()
    headers = {line.split()[1].strip('<>"') for line in text.splitlines() if line.startswith("#include")}
    assert headers == {"string.h", "stdint.h", "stddef.h", "fray_record.h"}
    assert "malloc(" not in text
    assert len((C99 / "fray_record.c").read_text().splitlines()) < 410


# ---------------------------------------------------------------- a full line, retries, the header


def test_an_aborted_record_is_dropped_for_certain_and_the_next_data_say_lost(codec: Path) -> None:
    """A record of 1000 octets that has room for only some of its octets, for every such number."""
    enough = 2000
    budgets = [n for cut in range(0, 1060) for n in (cut, enough)]
    line, said = run(codec, "tight", data=b"".join(n.to_bytes(2, "little") for n in budgets))
    taken, aborted = said.split()
    reader = RecordReader()
    came = [item for item in reader.feed(line) if isinstance(item, r.Record)]
    assert [record.time_ns for record in came] == [n for n, word in enumerate(taken) if word == "1"]
    assert int(aborted) == taken.count("0") > 1000
    assert all(taken[n] == "1" for n in range(1, len(taken), 2)), "a record with room behind an aborted one"
    first = r.RecordFlag.FIRST | r.RecordFlag.LOST
    assert came[0].flags == first
    after_abort = {n for n in range(1, len(taken)) if taken[n - 1] == "0"}
    lost = {record.time_ns for record in came if record.flags & r.RecordFlag.LOST}
    assert lost == after_abort & {record.time_ns for record in came}
    assert {len(record.payload) for record in came} == {1016}
    # Those after the first one that came are missing by their sequence numbers.
    assert reader.counters.records_lost == taken.lstrip("0").count("0")
    assert reader.counters.bad_crc == 0, "the rest of an aborted record is left to the CRC alone"


def test_a_command_that_comes_again_gets_its_answer_again(codec: Path) -> None:
    writer = RecordWriter(2**32 - 2)
    sent = [
        writer.message(message)
        for message in (r.AskStatus(), r.SelectData(2), r.SetLoopback(r.Loopback.PAIR))
    ]
    line, _ = run(codec, "answer", data=sent[0] * 3 + sent[1] + sent[2] * 2 + sent[0])
    answers = [r.parse_message(item) for item in RecordReader().feed(line) if isinstance(item, r.Record)]
    done = [(type(a).__name__, getattr(a, "command", None), getattr(a, "text", "")) for a in answers]
    assert done == [
        *[("Acknowledge", 2**32 - 2, "done 1")] * 3,
        ("Acknowledge", 2**32 - 1, "done 2"),
        *[("Refuse", 0, "done 3")] * 2,
        ("Acknowledge", 2**32 - 2, "done 4"),  # one answer is kept, as the page says
    ]
    assert answers[5] == r.Refuse(0, r.RecordType.SET_LOOPBACK, r.Reason.NOT_NOW, "done 3")


CODES = {
    "fray_type": r.RecordType,
    "fray_flag": r.RecordFlag,
    "fray_event": r.EventCode,
    "fray_reason": r.Reason,
    "fray_loopback": r.Loopback,
    "fray_status_flag": r.StatusFlag,
    "fray_line_code_flag": r.LineCodeFlag,
    "fray_transceiver": r.Transceiver,
    "fray_plane": r.TrafficPlane,
    "fray_sync_state": None,
}


@pytest.mark.parametrize("name", CODES)
def test_header_has_the_codes_of_the_host(name: str) -> None:
    """Every code of the protocol stands in the header, with the same value."""
    header = re.sub(r"/\*.*?\*/", "", (C99 / "fray_record.h").read_text(), flags=re.DOTALL)
    (body,) = re.findall(rf"enum {name} {{(.*?)}}", header, flags=re.DOTALL)
    in_c = {word: int(value, 0) for word, value in re.findall(r"FRAY_(\w+) = (\w+)", body)}
    in_c = {
        (word.removeprefix("LOOPBACK_") if name == "fray_loopback" else word): value
        for word, value in in_c.items()
        if word != "BOTH"
    }
    kind = CODES[name]
    here = (
        {state.name: number for number, state in enumerate(SyncState)}
        if kind is None
        else {member.name: int(member) for member in kind if int(member) or kind is r.Loopback}
    )
    assert in_c == here


def test_header_serves_cpp(tmp_path: Path) -> None:
    compiler = shutil.which("c++")
    if compiler is None:
        pytest.skip("no C++ compiler here (c++)")
    (tmp_path / "board.cpp").write_text(
        '#include "fray_record.h"\nint main() { return fray_crc32(0, nullptr, 0) == 0 ? 0 : 1; }\n'
    )
    (tmp_path / "record.o").write_bytes(b"")
    cc = compile_c_object(tmp_path / "record.o")
    command = [compiler, "-Wall", "-Wextra", "-Werror", "-I", str(C99), str(tmp_path / "board.cpp"), str(cc)]
    subprocess.run([*command, "-o", str(tmp_path / "board")], check=True)
    subprocess.run([tmp_path / "board"], check=True)


def compile_c_object(out: Path) -> Path:
    compiler = shutil.which("cc")
    if compiler is None:
        pytest.skip("no C compiler here (cc)")
    subprocess.run([compiler, *STRICT, "-c", str(C99 / "fray_record.c"), "-o", str(out)], check=True)
    return out


def test_the_c_side_gives_the_layout_of_the_host(tmp_path: Path) -> None:
    """Status and line code of an option 8 board: the octets of the C side are those of the Python side."""
    (tmp_path / "driver.c").write_text(
        "#include <stdio.h>\n"
        '#include "fray_record.h"\n'
        "static int put(void *c, const uint8_t *o, size_t n) { (void)c; return fwrite(o, 1, n, stdout) == n; }\n"
        "int main(void) {\n"
        "  struct fray_encoder e;\n"
        "  struct fray_status s = {8, FRAY_BLOCKS, FRAY_HFNSYNC, FRAY_LOOPBACK_INTERNAL, 0x3C, 37, 12, 6510, 150,\n"
        '    0, 0, 0, 0, 1, 0, 0, "RE-2"};\n'
        "  struct fray_line_code l = {1, FRAY_FEC_LOCK | FRAY_PHASE_KNOWN, 5279, 0x12345678, 1, 2, 3, 4, 5, 6, 7};\n"
        "  fray_encoder_init(&e, put, 0); e.begun = 1; e.sequence = 9;\n"
        "  fray_send_status(&e, 10000000, &s); fray_send_line_code(&e, 10000000, &l);\n"
        "  return 0;\n}\n"
    )
    compiler = shutil.which("cc")
    if compiler is None:
        pytest.skip("no C compiler here (cc)")
    sources = [str(tmp_path / "driver.c"), str(C99 / "fray_record.c")]
    subprocess.run([compiler, *STRICT, "-I", str(C99), *sources, "-o", str(tmp_path / "driver")], check=True)
    line = subprocess.run([tmp_path / "driver"], capture_output=True, check=True).stdout
    writer = RecordWriter(9)
    flags = (
        r.StatusFlag.TRANSMITTER_ON | r.StatusFlag.RECEIVER_READY | r.StatusFlag.FEC | r.StatusFlag.BLOCK_LOCK
    )
    status = r.Status(
        "8", 4, SyncState.HFNSYNC, r.Loopback.INTERNAL, flags, 37, 12, 6510, 150, 0, 0, 0, 0, 1, 0, 0, "RE-2"
    )  # fmt: skip
    state = r.LineCodeStatus(
        1, r.LineCodeFlag.FEC_LOCK | r.LineCodeFlag.PHASE_KNOWN, 5279, 0x12345678, 1, 2, 3, 4, 5, 6, 7
    )
    assert line == writer.message(status, time_ns=10**7) + writer.message(state, time_ns=10**7)


def test_damage_never_leaves_the_memory_of_the_c_side(tmp_path: Path) -> None:
    """Damaged records and noise through the C side with the compiler's own watch over memory and arithmetic."""
    compiler = shutil.which("cc")
    if compiler is None:
        pytest.skip("no C compiler here (cc)")
    sources = [str(HERE / "codec.c"), str(C99 / "fray_record.c")]
    watch = ["-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-g"]
    command = [compiler, *STRICT, *watch, "-I", str(C99), *sources, "-o", str(tmp_path / "codec")]
    if subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("this compiler has no sanitizers")
    rng = random.Random(9)
    line = bytearray()
    for item in some_items(400, 10)[:400]:
        piece = framed([item])
        line += rng.choice(
            (piece, mutate(rng, piece), rng.randbytes(rng.randrange(900)), b"\xff" * 300 + b"\0")
        )
    for size in (20, 21, 276, 66_000):
        done = subprocess.run(
            [tmp_path / "codec", "decode", str(size)], input=bytes(line), capture_output=True, check=False
        )
        assert done.returncode == 0, done.stderr.decode()[-2000:]
    budgets = b"".join(rng.randrange(1200).to_bytes(2, "little") for _ in range(600))
    commands = b"".join(framed([(0x40 + n % 8, 0, n // 3, 0, rng.randbytes(n % 257))]) for n in range(600))
    for words, data in (("tight", budgets), ("answer", commands), ("encode", plain(some_items(100, 11)))):
        done = subprocess.run([tmp_path / "codec", words], input=data, capture_output=True, check=False)
        assert done.returncode == 0, done.stderr.decode()[-2000:]


FRAMES = [
    (r.SendFrame(r.TrafficPlane.HDLC, bytes.fromhex("FF0341")), "0 2 FF0341"),
    (r.SendFrame(r.TrafficPlane.HDLC, bytes.fromhex("0541")), "0 2 0541"),
    (r.SendFrame(r.TrafficPlane.ETHERNET, bytes(range(14))), f"0 3 {bytes(range(14)).hex().upper()}"),
    (r.SendFrame(r.TrafficPlane.HDLC, b"\x05"), f"{r.Reason.MALFORMED}"),
    (r.SendFrame(r.TrafficPlane.ETHERNET, bytes(13)), f"{r.Reason.MALFORMED}"),
    (r.SendFrame(r.TrafficPlane.VENDOR, bytes(20)), f"{r.Reason.OUT_OF_RANGE}"),
    (r.SendFrame(r.TrafficPlane.ETHERNET, bytes(r.MAX_SENT_FRAME)), f"0 3 {'00' * r.MAX_SENT_FRAME}"),
]


def test_c_reads_the_frame_that_it_is_to_send(tmp_path: Path) -> None:
    (tmp_path / "driver.c").write_text(
        "#include <stdio.h>\n"
        '#include "fray_record.h"\n'
        "int main(void) {\n"
        "  static uint8_t room[FRAY_COMMAND_OCTETS];\n"
        "  struct fray_decoder d; struct fray_record c; const uint8_t *octets; uint8_t plane; size_t n, i; int o;\n"
        "  fray_decoder_init(&d, room, sizeof room);\n"
        "  while ((o = getchar()) != EOF) {\n"
        "    if (!fray_receive(&d, (uint8_t)o, &c) || c.type != FRAY_SEND_FRAME) { continue; }\n"
        '    o = fray_frame_to_send(&c, &plane, &octets, &n); printf("%d", o);\n'
        '    if (o == 0) { printf(" %u ", plane); for (i = 0; i < n; i++) { printf("%02X", octets[i]); } }\n'
        '    printf("\\n");\n'
        "  }\n"
        "  return 0;\n"
        "}\n"
    )
    compiler = shutil.which("cc")
    if compiler is None:
        pytest.skip("no C compiler here (cc)")
    sources = [str(tmp_path / "driver.c"), str(C99 / "fray_record.c")]
    subprocess.run([compiler, *STRICT, "-I", str(C99), *sources, "-o", str(tmp_path / "driver")], check=True)
    writer = RecordWriter()
    line = b"".join(writer.message(message) for message, _ in FRAMES) + writer.encode(0x46, b"\x02")
    done = subprocess.run([tmp_path / "driver"], input=line, capture_output=True, check=True)
    assert done.stdout.decode().split("\n")[:-1] == [*(text for _, text in FRAMES), f"{r.Reason.MALFORMED}"]
