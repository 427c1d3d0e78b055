"""The board side in Verilog, simulated: what leaves it is what the project's reader and writer of records say.

- cobs (PyPI) and zlib stand behind `RecordWriter`, which is the other side here; the line data are crafted captures.
- encdec8b10b (PyPI): the line code of the simulated board.
- IEEE 1364-2001 and the lint of two simulators: the sources compile without a warning.
"""

from __future__ import annotations

import functools
import random
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from decoders.arrays import U16
from decoders.events import FrameReceived, FrameStatus
from decoders.line_coding.characters import LineForm
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings
from monitor.cli.main import main
from monitor.faults.catalogue import CATALOGUE
from monitor.protocol.records import LineData, RecordFlag, RecordType, parse_data
from monitor.protocol.stream import Record, RecordReader, RecordWriter
from tests.support.patience import patience

HERE = Path(__file__).parent
SOURCES = sorted((HERE.parents[1] / "monitor" / "protocol" / "verilog").glob("*.v"))
BENCHES = HERE / "board"
TOPS = ("fray_tap", "fray_inject", "fray_uart", "fray_board")
OCTETS = 4096
"""Of a hyperframe of option 1."""
HYPERFRAMES = 10

needs_icarus = pytest.mark.skipif(
    shutil.which("iverilog") is None, reason="needs iverilog (apt-get install iverilog)"
)
needs_verilator = pytest.mark.skipif(
    shutil.which("verilator") is None, reason="needs verilator (apt-get install)"
)


def run(words: Sequence[str | Path], folder: Path | None = None) -> str:
    done = subprocess.run(
        [str(word) for word in words],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=patience(200),
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout + done.stderr


def simulate(folder: Path, top: str, benches: Sequence[str], *plus: str, **parameters: int) -> str:
    sets = [f"-P{top}.{name}={value}" for name, value in parameters.items()]
    files = [*(BENCHES / f"{name}.v" for name in benches), *SOURCES]
    run(["iverilog", "-g2005", "-o", "bench", "-s", top, *sets, *files], folder)
    return run(["vvp", "bench", *plus], folder)


def octets_out(folder: Path) -> bytes:
    return bytes.fromhex("".join((folder / "out.hex").read_text().split()))


# --- the sources --------------------------------------------------------------------------------------------


@needs_icarus
@pytest.mark.parametrize("top", TOPS)
def test_icarus_has_no_warning(top: str) -> None:
    assert run(["iverilog", "-g2001", "-Wall", "-o", "/dev/null", "-s", top, *SOURCES]) == ""


@needs_verilator
@pytest.mark.parametrize("octets", [1, 2, 4, 8])
@pytest.mark.parametrize("top", ["fray_tap", "fray_board"])
def test_verilator_has_no_warning(top: str, octets: int) -> None:
    assert "Warning" not in run(
        ["verilator", "--lint-only", "-Wall", f"-GOCTETS={octets}", "--top-module", top, *SOURCES]
    )


def crc_16(text: str) -> int:
    """CRC-16, polynomial 1021, preset 1D0F, as in fray_fault."""
    value = 0x1D0F
    for octet in text.encode():
        value ^= octet << 8
        for _ in range(8):
            value = (value << 1 ^ 0x1021 if value & 0x8000 else value << 1) & 0xFFFF
    return value


def test_no_two_names_of_the_catalogue_meet() -> None:
    names = list(CATALOGUE)
    keys = {p.name for kind in CATALOGUE.values() for p in kind.parameters}
    assert len({crc_16(name) for name in names}) == len(names)
    assert len({crc_16(key) for key in keys}) == len(keys)


def test_the_numbers_of_the_names_are_those_of_the_catalogue() -> None:
    text = (SOURCES[0].parent / "fray_fault.v").read_text()
    known = {crc_16(name) for name in CATALOGUE} | {
        crc_16(p.name) for k in CATALOGUE.values() for p in k.parameters
    }
    numbers = {int(word[:4], 16) for word in text.split("16'h")[1:]}
    assert numbers - known <= {0x1D0F, 0x1021, 0xFFFF}


# --- records ------------------------------------------------------------------------------------------------


def payloads(count: int, seed: int) -> list[tuple[int, bytes]]:
    """Types and payloads; zeros, none, runs of 254 and what lies around it are among them."""
    chance = random.Random(seed)
    sizes = [1, 2, 229, 230, 231, 232, 233, 234, 235, 236, 237, 238, 254, 255, 486, 490, 508]
    made = [
        (kind % 4 + 1, bytes(size) if kind == 3 else b"\x55" * size) for size in sizes for kind in range(4)
    ]
    while len(made) < count:
        zeros = chance.choice([0.0, 0.05, 0.5])
        made.append(
            (
                chance.choice([1, 2, 3, 0x10, 0x20]),
                bytes(
                    0 if chance.random() < zeros else chance.randrange(256)
                    for _ in range(chance.randrange(1, 60))
                ),
            )
        )
    return made[:count]


def check_records(folder: Path, count: int, seed: int) -> None:
    wanted = payloads(count, seed)
    words = []
    for kind, payload in wanted:
        words.append(0x8000 | kind)
        words += [*payload[:-1], 0x4000 | payload[-1]]
    (folder / "in.hex").write_text("\n".join(f"{word:04x}" for word in words))
    simulate(folder, "record_bench", ["record_bench"], WORDS=len(words))
    writer = RecordWriter()
    expected = b"".join(
        writer.encode(
            kind, payload, flags=RecordFlag.FIRST if number == 0 else 0, time_ns=66667 * (number + 1)
        )
        for number, (kind, payload) in enumerate(wanted)
    )
    got = octets_out(folder)
    assert got.replace(b"\0\0", b"\0") == expected.replace(b"\0\0", b"\0")
    reader = RecordReader()
    records = [each for each in reader.feed(got) if isinstance(each, Record)]
    assert [(each.type, each.payload) for each in records] == wanted
    assert reader.counters.bad_records == 0 == reader.counters.records_lost


@needs_icarus
def test_records_are_those_of_the_host(tmp_path: Path) -> None:
    check_records(tmp_path, 120, 1)


@pytest.mark.slow
@needs_icarus
def test_ten_thousand_records_are_those_of_the_host(tmp_path: Path) -> None:
    check_records(tmp_path, 10_000, 2)


# --- tap ----------------------------------------------------------------------------------------------------


@functools.cache
def line_words(folder: Path, faults: tuple[str, ...], hyperframes: int = HYPERFRAMES) -> U16:
    """Flagged words of a crafted stream."""
    out = folder / "line.flagged"
    words = [word for fault in faults for word in ("--fault", fault)]
    arguments = [
        "craft",
        str(out),
        "--option",
        "1",
        "--hyperframes",
        str(hyperframes),
        "--seed",
        "3",
        "--force",
        *words,
    ]
    assert main(arguments) == 0
    return np.fromfile(out, "<u2")


def tapped(
    folder: Path, line: U16, skew: int, octets: int, *plus: str, fifo: int = 16
) -> tuple[list[LineData], str]:
    stream = np.concatenate([np.zeros(skew, np.uint16), line, np.zeros(16, np.uint16)])
    stream = stream[: len(stream) // 8 * 8]
    (folder / "in.hex").write_text("\n".join(f"{word:04x}" for word in stream))
    told = simulate(
        folder,
        "tap_bench",
        ["tap_bench"],
        f"+n={len(stream)}",
        *plus,
        OCTETS=octets,
        FIFO_LOG2=fifo,
        N=len(stream),
    )
    reader = RecordReader()
    records = [each for each in reader.feed(octets_out(folder)) if isinstance(each, Record)]
    assert reader.counters.bad_records == 0 == reader.counters.records_lost
    return [parse_data(record) for record in records], told


def hyperframe(line: U16, number: int, kind: RecordType) -> bytes:
    words = line[number * OCTETS : (number + 1) * OCTETS]
    if kind is RecordType.CONTROL:
        words = words.reshape(256, 16)[:, 0]
    return words.astype(np.uint8).tobytes() if kind is RecordType.OCTETS else words.tobytes()


@needs_icarus
@pytest.mark.parametrize(
    ("octets", "skew", "kind"),
    [
        (4, 5, RecordType.FLAGGED),
        pytest.param(1, 3, RecordType.OCTETS, marks=pytest.mark.slow),
        pytest.param(2, 1, RecordType.CONTROL, marks=pytest.mark.slow),
        pytest.param(8, 7, RecordType.CONTROL, marks=pytest.mark.slow),
    ],
)
def test_whole_hyperframes_leave_and_the_others_are_counted(
    tmp_path: Path, octets: int, skew: int, kind: RecordType
) -> None:
    line = line_words(tmp_path, ("line.violation@2", "line.k@3"))
    data, told = tapped(tmp_path, line, skew, octets, f"+sel={kind.value}", "+bp=4", fifo=14)
    assert data and all(each.data == hyperframe(line, each.hyperframe, kind) for each in data)
    assert all(each.type is kind and each.offset == 0 and each.option == "1" for each in data)
    numbers = [each.hyperframe for each in data]
    assert numbers == sorted(set(numbers)) and numbers[0] == 0
    lost = int(told.split("lost ")[1].split()[0])
    assert HYPERFRAMES <= len(numbers) + lost <= HYPERFRAMES + 1  # one more may have begun behind the end


@needs_icarus
def test_a_trigger_brings_what_lay_around_it(tmp_path: Path) -> None:
    line = line_words(tmp_path, ("hdlc.fcs@1",), 40)
    decoder = LinkDecoder(LinkSettings(option="1", form=LineForm.FLAGGED))
    events = decoder.receive(line.tobytes(), 0)
    wrong = next(
        event for event in events if isinstance(event, FrameReceived) and event.status is not FrameStatus.GOOD
    )
    data, _ = tapped(tmp_path, line, 3, 4, "+sel=3", "+armed=1", "+pre=3", "+post=2", "+src=16")
    assert [each.hyperframe for each in data] == [*range(wrong.hyperframe - 3, wrong.hyperframe + 3)]
    assert all(each.data == hyperframe(line, each.hyperframe, RecordType.CONTROL) for each in data)


# --- injector -----------------------------------------------------------------------------------------------


@needs_icarus
def test_an_idle_injector_changes_nothing_and_a_fault_only_its_bit(tmp_path: Path) -> None:
    benches = ["inject_bench", "link_sender"]
    assert simulate(tmp_path, "inject_bench", benches).startswith("wrong 0 changed 0")
    assert run(["vvp", "bench", "+fault"], tmp_path).startswith("wrong 2 changed 2 busy 0000")
