"""Files, pipes and standard input as sources: whole streams, front cuts, bad input, .ffcap."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from monitor.errors import InputError
from monitor.formats.ffcap import CaptureHeader, CaptureRecordType
from monitor.formats.ffcap_writer import CaptureWriter
from monitor.sources.file import open_file_source
from monitor.sources.source import Source

ROOT = Path(__file__).parents[3]
H2 = 8192  # octets of a hyperframe at option 2 (CPRI V7.0 Table 3: 256 basic frames of 16 words of 2 octets)


def octets_of_option_2(hyperframes: int) -> bytes:
    data = np.random.default_rng(4).integers(0, 256, (hyperframes, H2), dtype=np.uint8)
    data[:, 0], data[:, 1] = 0xBC, 0x50
    data[:, H2 // 4] = np.arange(hyperframes) % 150
    return data.tobytes()


def flagged_of_option_2(hyperframes: int) -> bytes:
    words = np.frombuffer(octets_of_option_2(hyperframes), np.uint8).astype("<u2")
    words[::H2] |= 0x100
    return words.tobytes()


def drain(source: Source) -> bytes:
    data = b"".join(bytes(chunk.data) for chunk in source.chunks())
    source.close()
    return data


def test_a_file_comes_whole_and_in_time(tmp_path: Path) -> None:
    path = tmp_path / "a.octets"
    data = octets_of_option_2(40)
    path.write_bytes(data)
    source = open_file_source(path, chunk_octets=100_000)
    assert (source.form, source.option, source.description) == ("octets", "2", str(path))
    at = 0
    for chunk in source.chunks():
        assert bytes(chunk.data) == data[at : at + len(chunk.data)]
        assert chunk.offset == at
        assert chunk.time_ns == at * 1_000_000_000 // (H2 * 15_000)
        at += len(chunk.data)
        assert len(chunk.data) <= 100_000
    assert at == len(data)
    assert source.warnings == []
    assert list(source.chunks()) == []
    source.close()


def test_a_file_longer_than_the_head(tmp_path: Path) -> None:
    path = tmp_path / "a.flagged"
    data = flagged_of_option_2(160)
    path.write_bytes(data)
    assert len(data) > 2 << 20
    assert drain(open_file_source(path, chunk_octets=1_000_002)) == data


def test_a_chunk_outlives_the_next(tmp_path: Path) -> None:
    path = tmp_path / "a.octets"
    data = octets_of_option_2(10)
    path.write_bytes(data)
    source = open_file_source(path, chunk_octets=9000)
    last = b""
    view = memoryview(b"")
    for chunk in source.chunks():
        assert bytes(view) == last
        assert isinstance(chunk.data, memoryview)
        view, last = chunk.data, bytes(chunk.data)


@pytest.mark.parametrize("cut", [1, 2, 777, 16_385])
@pytest.mark.parametrize("tail", [0, 1])
def test_words_cut_at_the_front_and_the_end(tmp_path: Path, cut: int, tail: int) -> None:
    data = flagged_of_option_2(5)[cut:]
    data = data[: len(data) - tail]
    path = tmp_path / "a.flagged"
    path.write_bytes(data)
    source = open_file_source(path, chunk_octets=1000)
    chunks = [(bytes(c.data), c.offset) for c in source.chunks()]
    assert all(len(c) % 2 == 0 for c, _ in chunks)
    skip = cut % 2
    whole = (len(data) - skip) & ~1
    assert b"".join(c for c, _ in chunks) == data[skip : skip + whole]
    assert chunks[0][1] == skip
    wanted = ["1 byte skipped at the start: the first 16-bit word is not whole"] * skip
    wanted += [f"1 byte left over at offset {len(data) - 1}"] * tail
    assert source.warnings == wanted


def test_hex_becomes_octets(tmp_path: Path) -> None:
    data = octets_of_option_2(12)
    lines = [f"{i:08x}: {data[i : i + 16].hex(' ')}\r\n" for i in range(0, len(data), 16)]
    path = tmp_path / "a.hex"
    path.write_text("# REC-A\n" + "".join(lines), newline="")
    source = open_file_source(path, chunk_octets=5000)
    assert (source.form, source.option) == ("octets", "2")
    assert drain(source) == data
    text = path.read_bytes()[70:]
    path.write_bytes(text)
    source = open_file_source(path)
    assert drain(source) in (data[16:], data[32:])
    path.write_bytes(text + b"11 22 x 33\n")
    with pytest.raises(InputError) as error:
        drain(open_file_source(path, "hex", "2"))
    assert str(path) in str(error.value)
    assert error.value.where == len(text) + 6


def test_hex_that_goes_wrong_late_gives_what_came_before(tmp_path: Path) -> None:
    data = octets_of_option_2(130)
    path = tmp_path / "a.hex"
    good = "".join(f"{data[i : i + 32].hex(' ')}\n" for i in range(0, len(data), 32))
    path.write_text(good + "oops\n" + good)
    source = open_file_source(path)
    found = b""
    with pytest.raises(InputError, match=f"'oops'.*line {len(data) // 32 + 1}, column 1") as error:
        for chunk in source.chunks():
            found += bytes(chunk.data)
    assert found == data
    assert error.value.where == len(good)


def test_bad_files(tmp_path: Path) -> None:
    (tmp_path / "empty.bits").write_bytes(b"")
    (tmp_path / "noise.octets").write_bytes(np.random.default_rng(1).bytes(90_000))
    (tmp_path / "notes.txt").write_text("What was said at Saltmarsh,\nand by whom.\n" * 10)
    for name, form, option, what in (
        ("none.octets", None, None, "No such file"),
        ("", None, None, "Is a directory"),
        ("empty.bits", "bits", "2", "is empty"),
        ("noise.octets", None, None, "no hyperframe sync found in 90000 bytes"),
        ("notes.txt", None, None, "text file"),
        ("notes.txt", "octets", "2", "text file"),
        ("notes.txt", "hex", "2", "'said' is not|'and' is not"),
        ("noise.octets", "words", "2", "form 'words' does not exist; choose one of octets, "),
        ("noise.octets", "octets", "12", "option '12' does not exist; choose one of 1, 2"),
        ("noise.octets", "blocks", "2", "form blocks is not valid for option 2; it is for options 7A, 8"),
        ("noise.octets", "symbols", "8", "form symbols is not valid for option 8"),
        ("noise.octets", "ffcap", None, "is not an .ffcap capture"),
        ("\0", None, None, "null"),
    ):
        with pytest.raises(InputError, match=what) as error:
            drain(open_file_source(tmp_path / name, form, option))
        assert "\n" not in str(error.value)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_that_may_not_be_read(tmp_path: Path) -> None:
    path = tmp_path / "a.octets"
    path.write_bytes(b"x")
    path.chmod(0)
    with pytest.raises(InputError, match="Permission denied"):
        open_file_source(path)


def test_said_form_and_option_are_taken_where_nothing_speaks_against(tmp_path: Path) -> None:
    path = tmp_path / "a.dat"
    for data in (bytes(50_000), np.random.default_rng(1).bytes(50_000)):
        path.write_bytes(data)
        for form in ("octets", "flagged", "SYMBOLS", "bits"):
            source = open_file_source(path, form, "3")
            assert (source.form, source.option) == (form.lower(), "3")
            assert drain(source) == data
    path.write_bytes(octets_of_option_2(6))
    with pytest.raises(InputError, match="is option 2, not option 3"):
        open_file_source(path, "octets", "3")


PROGRAM = """
import sys, zlib
from monitor.errors import InputError
from monitor.sources.file import open_file_source
try:
    source = open_file_source("-", *[a or None for a in sys.argv[1:]])
    crc = size = 0
    for chunk in source.chunks():
        crc, size = zlib.crc32(chunk.data, crc), size + len(chunk.data)
    print(source.form, source.option, size, crc, len(source.warnings))
except InputError as error:
    print(error)
"""


def from_stdin(data: bytes, *arguments: str) -> str:
    run = subprocess.run(
        [sys.executable, "-c", PROGRAM, *arguments], input=data, capture_output=True, cwd=ROOT, check=True
    )
    return run.stdout.decode().strip()


def test_standard_input() -> None:
    import zlib

    data = flagged_of_option_2(150)
    wanted = f"flagged 2 {len(data)} {zlib.crc32(data)} 0"
    assert from_stdin(data) == wanted
    assert from_stdin(data, "flagged", "2") == wanted
    assert from_stdin(data[1:]) == f"flagged 2 {len(data) - 2} {zlib.crc32(data[2:])} 1"
    assert from_stdin(b"") == "standard input: is empty"
    assert "no hyperframe sync" in from_stdin(bytes(3 << 20))


def test_a_slow_pipe_is_not_waited_for(tmp_path: Path) -> None:
    """With form and option said, four hyperframes are enough to begin with; without, as many as it takes."""
    fifo = tmp_path / "fifo"
    os.mkfifo(fifo)
    data = octets_of_option_2(24)
    for arguments, sent in ((("octets", "2"), 4 * H2), ((None, None), 8 * H2)):
        more = threading.Event()
        waited: list[bool] = []

        def feed(sent: int = sent, more: threading.Event = more, waited: list[bool] = waited) -> None:
            with fifo.open("wb", buffering=0) as pipe:
                pipe.write(data[:sent])
                waited.append(more.wait(5))
                pipe.write(data[sent:])

        thread = threading.Thread(target=feed)
        thread.start()
        source = open_file_source(fifo, *arguments)
        chunks = source.chunks()
        first = bytes(next(chunks).data)
        assert first == data[: len(first)]
        more.set()
        assert first + b"".join(bytes(c.data) for c in chunks) == data
        thread.join()
        assert waited == [True]
        source.close()


# ---------------------------------------------------------------- .ffcap


def make_capture(path: Path, header: CaptureHeader, stream: bytes, size: int = 10_000) -> None:
    with CaptureWriter(path, header) as writer:
        writer.append(CaptureRecordType.NOTE, b"RE-1 on the bench", 0)
        for i, at in enumerate(range(0, len(stream), size)):
            writer.append(header.record_type, stream[at : at + size], 1000 * i)
        writer.append(CaptureRecordType.MARK, b"end", 10**9)


def test_ffcap_gives_its_line_data(tmp_path: Path) -> None:
    path = tmp_path / "a.ffcap"
    for form, data in (("octets", octets_of_option_2(9)), ("flagged", flagged_of_option_2(9))):
        make_capture(path, CaptureHeader("2", form), data)
        source = open_file_source(path)
        assert (source.form, source.option) == (form, "2")
        chunks = list(source.chunks())
        assert b"".join(bytes(c.data) for c in chunks) == data
        assert [c.time_ns for c in chunks] == [1000 * i for i in range(len(chunks))]
        assert path.read_bytes()[chunks[3].offset :][:4] == b"\xa5ffR"
        assert source.warnings == []
        source.close()


def test_ffcap_option_from_the_header_the_user_or_the_data(tmp_path: Path) -> None:
    path = tmp_path / "a.ffcap"
    data = octets_of_option_2(9)
    make_capture(path, CaptureHeader("", "octets"), data)
    assert open_file_source(path).option == "2"
    assert open_file_source(path, "ffcap", "2").option == "2"
    with pytest.raises(InputError, match="is option 2, not option 3"):
        open_file_source(path, None, "3")
    make_capture(path, CaptureHeader("3", "octets"), data)
    with pytest.raises(InputError, match=r"wrong option in the header.*give --option 2"):
        open_file_source(path)
    source = open_file_source(path, None, "2")
    assert source.warnings == ["the header has option 3; decoded as option 2"]
    assert drain(source) == data
    make_capture(path, CaptureHeader("8", "octets"), data)
    with pytest.raises(InputError, match="option 2, not option 8"):
        open_file_source(path)
    make_capture(path, CaptureHeader("", "octets"), bytes(30_000))
    with pytest.raises(InputError, match="no hyperframe sync found in 30000 bytes as octets; give --option"):
        open_file_source(path)
    make_capture(path, CaptureHeader("2", "octets"), b"")
    with pytest.raises(InputError, match="holds no line data"):
        open_file_source(path)


def test_ffcap_damage_is_left_out_and_said(tmp_path: Path) -> None:
    path = tmp_path / "a.ffcap"
    data = octets_of_option_2(9)
    make_capture(path, CaptureHeader("2", "octets"), data)
    whole = bytearray(path.read_bytes())
    where = next(c.offset for i, c in enumerate(open_file_source(path).chunks()) if i == 3)
    whole[where + 500] ^= 4
    path.write_bytes(whole[:-10])
    source = open_file_source(path)
    assert drain(source) == data[:30_000] + data[40_000:]
    assert len(source.warnings) == 2
    assert f"at offset {where}" in source.warnings[0]
    assert "ends inside a record" in source.warnings[1]
    assert from_stdin(bytes(whole)).startswith(f"octets 2 {len(data) - 10_000} ")
    assert from_stdin(bytes(whole), "", "2").startswith(f"octets 2 {len(data) - 10_000} ")


def test_ffcap_cut_anywhere(tmp_path: Path) -> None:
    path = tmp_path / "a.ffcap"
    stream = octets_of_option_2(2)
    make_capture(path, CaptureHeader("2", "octets"), stream, size=400)
    data = path.read_bytes()
    for length in [*range(0, 120), *range(120, len(data), 97)]:
        path.write_bytes(data[:length])
        try:
            found = drain(open_file_source(path, None, "2"))
        except InputError as error:
            assert length < 40 + 32 + 17 + 32 + 400, length
            assert str(path) in str(error)
        else:
            assert stream.startswith(found)
            assert len(found) >= (length - 89) // 432 * 400


def test_ffcap_records_of_another_form(tmp_path: Path) -> None:
    path = tmp_path / "a.ffcap"
    data = octets_of_option_2(3)
    with CaptureWriter(path, CaptureHeader("2", "octets")) as writer:
        writer.append(CaptureRecordType.OCTETS, data, 0)
        writer.append(CaptureRecordType.BITS, b"123", 0)
    source = open_file_source(path)
    assert drain(source) == data
    assert source.warnings == ["records of another form than octets left out: 1"]
