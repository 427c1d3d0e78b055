"""The C99 side of the record protocol: strict compilation, and the same octets as the Python side."""

from __future__ import annotations

import random
import shutil
import subprocess
from pathlib import Path

import pytest

from monitor.protocol import records as r
from monitor.protocol.stream import RecordReader, RecordWriter

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
    assert len((C99 / "fray_record.c").read_text().splitlines()) < 400
