"""Recording: the tap, its limits, what goes beside the data, signals, a full disk, and kills at any moment."""

from __future__ import annotations

import json
import os
import random
import resource
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from decoders.events import Event
from decoders.line_coding.characters import LineForm
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings
from monitor.commands.record import read_marks
from monitor.emulation.emulated_link import EmulatedSource
from monitor.errors import InputError, OutputError
from monitor.formats.ffcap import CaptureRecordType, Clock
from monitor.formats.ffcap_reader import CaptureReader
from monitor.links.pipeline import Pipeline
from monitor.recording.limits import Limit, LimitUnit, parse_limit
from monitor.recording.recorder import FaultyTap, open_recording
from monitor.sources.file import open_file_source
from monitor.sources.log import Log
from monitor.sources.source import UNKNOWN_GAP, Chunk, Source
from tests.support.patience import patience

ROOT = Path(__file__).parents[3]
BITS_2 = (
    10_240  # octets of line bits of a hyperframe at option 2: 8192 characters of 10 bits (IEEE 802.3 36.2.4)
)
FAULTS = ("vendor.value@60:hyperframes=1", "hdlc.fcs@40", "line.flip@100", "iq.flip@120", "sync.hfn@130")


def emulated(hyperframes: int | None = 200, **settings: object) -> EmulatedSource:
    return EmulatedSource(option="2", seed=5, limit=hyperframes, **settings)  # type: ignore[arg-type]


def events_of(source: Source) -> list[Event]:
    decoder = LinkDecoder(LinkSettings(option=source.option, form=LineForm(source.form)))
    events: list[Event] = []
    for chunk in source.chunks():
        events += decoder.receive(chunk.data, chunk.time_ns)
    source.close()
    return events + decoder.finish()


def run_record(*words: str, **options: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "monitor", "record", *words]
    return subprocess.run(  # type: ignore[call-overload, no-any-return]
        command, check=False, capture_output=True, text=True, cwd=ROOT, timeout=patience(60), **options
    )


def start_record(*words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "monitor", "record", *words],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def wait_for_size(path: Path, size: int, process: subprocess.Popen[str]) -> None:
    end = time.monotonic() + patience(30)
    while not (path.exists() and path.stat().st_size >= size):
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < end
        time.sleep(0.005)


@pytest.mark.parametrize("suffix", ["ffcap", "bits"])
def test_a_recording_replays_event_for_event(tmp_path: Path, suffix: str) -> None:
    source = emulated()
    for fault in FAULTS:
        source.inject(fault)
    live = events_of(source)
    assert any(event.hyperframe == 100 for event in live)
    again = emulated()
    tap = open_recording(again, tmp_path / f"a.{suffix}")
    assert isinstance(tap, FaultyTap)
    for fault in FAULTS:
        tap.inject(fault)
    assert events_of(tap) == live
    recorded = open_file_source(tmp_path / f"a.{suffix}")
    assert events_of(recorded) == live


def test_chunks_pass_unchanged_and_are_written_first(tmp_path: Path) -> None:
    out = tmp_path / "a.bits"
    tap = open_recording(emulated(), out)
    data = b""
    for chunk in tap.chunks():
        data += bytes(chunk.data)
        assert out.stat().st_size == len(data)
    assert out.read_bytes() == data
    assert tap.octets == len(data)
    tap.close()


def test_marks_notes_and_faults_stand_beside_the_data(tmp_path: Path) -> None:
    out = tmp_path / "a.ffcap"
    pipeline = Pipeline(open_recording(emulated(), out))
    pipeline.step()
    tap = pipeline.source
    tap.mark("cable pulled")  # type: ignore[attr-defined]
    fault = pipeline.inject("hdlc.fcs@100:xor=3")
    while pipeline.step():
        pass
    tap.note("Saltmarsh, REC-A")  # type: ignore[attr-defined]
    tap.close()
    with CaptureReader(out) as reader:
        assert (reader.header.option, reader.header.form, reader.header.clock) == ("2", "bits", Clock.LINE)
        assert abs(reader.header.start_time_ns - time.time_ns()) < 60e9
        records = {record.type: record for record in reader.records()}
    assert records[CaptureRecordType.MARK].text == "cable pulled"
    assert records[CaptureRecordType.NOTE].text == "Saltmarsh, REC-A"
    written = json.loads(records[CaptureRecordType.FAULT].payload)
    assert written == {
        "fault": "hdlc.fcs",
        "hyperframe": 100,
        "parameters": {"xor": 3, "octets": 0},
        "expected": dict(fault.expected),
    }


class Breaking:
    """A line that is quiet, breaks and comes back between two chunks, and a board that talks."""

    description, form, option = "broken line", "octets", "2"

    def __init__(self) -> None:
        self.warnings = ["taken as option 2"]
        self.log = Log()

    def chunks(self) -> Iterator[Chunk]:
        yield Chunk(bytes(8192), 1_000_000, 0)
        self.warnings.append("the line broke: unplugged")
        yield Chunk(b"", 0, 8192)
        yield Chunk(b"", 0, 8192)
        self.log.add(0, "hot \x1b[2J")
        self.warnings.append("the line is back after 7.5 s")
        yield Chunk(bytes(8192), 9_000_000, 8192, UNKNOWN_GAP)
        self.warnings.append("the line broke: for good")

    def close(self) -> None: ...


def test_a_break_leaves_marks_and_no_empty_records(tmp_path: Path) -> None:
    tap = open_recording(Breaking(), tmp_path / "a.ffcap")
    assert sum(len(chunk.data) for chunk in tap.chunks()) == 2 * 8192
    tap.close()
    with CaptureReader(tmp_path / "a.ffcap") as reader:
        told = [(r.type, r.time_ns, r.text if not r.type.is_line_data else "") for r in reader.records()]
    assert told == [
        (CaptureRecordType.OCTETS, 1_000_000, ""),
        (CaptureRecordType.NOTE, 1_000_000, "taken as option 2"),
        (CaptureRecordType.MARK, 1_000_000, "the line broke: unplugged"),
        (CaptureRecordType.GAP, 9_000_000, told[3][2]),
        (CaptureRecordType.OCTETS, 9_000_000, ""),
        (CaptureRecordType.MARK, 9_000_000, "the line is back after 7.5 s"),
        (CaptureRecordType.NOTE, 9_000_000, r"board: hot \x1b[2J"),
        (CaptureRecordType.MARK, 9_000_000, "the line broke: for good"),
    ]
    assert tap.chunk_count == 2
    again = open_recording(open_file_source(tmp_path / "a.ffcap"), tmp_path / "b.ffcap")
    for _ in again.chunks():
        pass
    again.close()
    with CaptureReader(tmp_path / "b.ffcap") as reader:
        beside = [
            (r.type, r.text)
            for r in reader.records()
            if r.type in (CaptureRecordType.MARK, CaptureRecordType.NOTE)
        ]
    assert beside == [
        (kind, text) for kind, _, text in told if kind in (CaptureRecordType.MARK, CaptureRecordType.NOTE)
    ]


def test_a_time_limit_begins_with_the_first_octet(tmp_path: Path) -> None:
    class Late(Breaking):
        def chunks(self) -> Iterator[Chunk]:
            yield Chunk(b"", 0, 0)
            for number in range(20):
                yield Chunk(bytes(8192), 10**12 + number * 66_667, 0)

    tap = open_recording(Late(), tmp_path / "a.ffcap", limit=parse_limit("1ms"))
    assert sum(len(chunk.data) for chunk in tap.chunks()) == pytest.approx(15 * 8192, abs=8192)
    tap.close()


def test_a_mark_after_the_end_is_left_out(tmp_path: Path) -> None:
    tap = open_recording(emulated(50), tmp_path / "a.ffcap")
    list(tap.chunks())
    tap.close()
    size = (tmp_path / "a.ffcap").stat().st_size
    tap.mark("too late")
    tap.close()
    assert (tmp_path / "a.ffcap").stat().st_size == size


@pytest.mark.parametrize(
    ("text", "limit"),
    [
        ("1500hf", Limit(1500, LimitUnit.HYPERFRAMES)),
        ("7", Limit(7, LimitUnit.HYPERFRAMES)),
        ("64MiB", Limit(64 << 20, LimitUnit.OCTETS)),
        ("1.5 kB", Limit(1500, LimitUnit.OCTETS)),
        ("500ms", Limit(500_000_000, LimitUnit.NANOSECONDS)),
        ("2min", Limit(120_000_000_000, LimitUnit.NANOSECONDS)),
    ],
)
def test_limits_have_units(text: str, limit: Limit) -> None:
    assert parse_limit(text) == limit


@pytest.mark.parametrize("text", ["", "0", "0s", "-3", "1.5", "1.5hf", "10 furlongs", "MB", "1e9"])
def test_what_is_no_limit(text: str) -> None:
    with pytest.raises(InputError, match="limit"):
        parse_limit(text)


@pytest.mark.parametrize("hyperframes", [3, 4, 60, 137])
def test_a_limit_in_hyperframes_is_what_a_decode_counts(tmp_path: Path, hyperframes: int) -> None:
    tap = open_recording(
        emulated(None), tmp_path / "a.ffcap", limit=Limit(hyperframes, LimitUnit.HYPERFRAMES)
    )
    list(tap.chunks())
    tap.close()
    assert tap.limit_reached
    source = open_file_source(tmp_path / "a.ffcap", option="2")
    decoder = LinkDecoder(LinkSettings(form=LineForm.BITS))
    for chunk in source.chunks():
        decoder.receive(chunk.data)
    decoder.finish()
    source.close()
    assert (decoder.hyperframes, decoder.trailing_octets) == (hyperframes, 0)


def test_limits_in_octets_and_time(tmp_path: Path) -> None:
    tap = open_recording(emulated(None), tmp_path / "a.bits", limit=Limit(1_000_001, LimitUnit.OCTETS))
    list(tap.chunks())
    tap.close()
    assert (tmp_path / "a.bits").stat().st_size == 1_000_001
    tap = open_recording(emulated(None), tmp_path / "b.bits", limit=Limit(10_000_000, LimitUnit.NANOSECONDS))
    list(tap.chunks())
    tap.close()
    # 10 ms are 150 hyperframes (clause 4.2.7.3); the cable's 1237 dark bits come with the first chunk.
    assert (tmp_path / "b.bits").stat().st_size == 150 * BITS_2 + 1237 // 8
    source = open_file_source(run_craft(tmp_path / "c.flagged"))
    tap = open_recording(source, tmp_path / "d.flagged", limit=Limit(200_000, LimitUnit.NANOSECONDS))
    list(tap.chunks())
    tap.close()
    assert (tmp_path / "d.flagged").stat().st_size == 3 * 2 * 8192  # 200 us are three hyperframes


def test_a_limit_leaves_words_whole(tmp_path: Path) -> None:
    first = run_craft(tmp_path / "a.flagged")
    tap = open_recording(
        open_file_source(first), tmp_path / "b.flagged", limit=Limit(99_999, LimitUnit.OCTETS)
    )
    list(tap.chunks())
    tap.close()
    assert (tmp_path / "b.flagged").read_bytes() == first.read_bytes()[:99_998]


def run_craft(path: Path, hyperframes: int = 20) -> Path:
    command = [sys.executable, "-m", "monitor", "craft", str(path), "--hyperframes", str(hyperframes)]
    subprocess.run(command, check=True, cwd=ROOT, capture_output=True)
    return path


def test_octets_go_to_hex_and_back(tmp_path: Path) -> None:
    first = run_craft(tmp_path / "a.octets")
    assert run_record(str(first), str(tmp_path / "b.hex")).returncode == 0
    assert run_record(str(tmp_path / "b.hex"), str(tmp_path / "c.octets")).returncode == 0
    assert (tmp_path / "c.octets").read_bytes() == first.read_bytes()


def test_the_clock_of_a_capture_is_kept(tmp_path: Path) -> None:
    tap = open_recording(emulated(50), tmp_path / "a.ffcap")
    list(tap.chunks())
    tap.close()
    source = open_file_source(tmp_path / "a.ffcap")
    tap = open_recording(source, tmp_path / "b.ffcap")
    list(tap.chunks())
    tap.close()
    with CaptureReader(tmp_path / "a.ffcap") as one, CaptureReader(tmp_path / "b.ffcap") as two:
        assert one.header == two.header
        assert [(r.time_ns, r.payload) for r in one.records()] == [
            (r.time_ns, r.payload) for r in two.records()
        ]


def test_what_cannot_be_recorded_to(tmp_path: Path) -> None:
    source = emulated(50)
    with pytest.raises(InputError, match=r"record to \.bits or \.ffcap"):
        open_recording(source, tmp_path / "a.octets")
    with pytest.raises(InputError, match="not standard output"):
        open_recording(source, "-")
    with pytest.raises(OutputError, match="No such file"):
        open_recording(source, tmp_path / "there" / "is.ffcap")
    out = tmp_path / "a.ffcap"
    out.write_bytes(b"three days of work")
    with pytest.raises(OutputError, match="exists already; --force replaces it"):
        open_recording(source, out)
    assert out.read_bytes() == b"three days of work"
    tap = open_recording(source, out, overwrite=True)
    list(tap.chunks())
    tap.close()
    same = open_file_source(out)
    with pytest.raises(OutputError, match="the source itself"):
        open_recording(same, out, overwrite=True)
    same.close()


def test_lines_typed_become_marks(tmp_path: Path) -> None:
    tap = open_recording(emulated(50), tmp_path / "a.ffcap")
    list(tap.chunks())
    read, write = os.pipe()
    os.write(write, b"door opened\n\nhalf a li")
    os.close(write)
    read_marks(read, tap, threading.Event())
    os.close(read)
    tap.close()
    with CaptureReader(tmp_path / "a.ffcap") as reader:
        marks = [record.text for record in reader.records() if record.type is CaptureRecordType.MARK]
    assert marks == ["door opened", "mark"]


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_ends_it_with_all_kept(tmp_path: Path, name: str) -> None:
    out = tmp_path / "a.ffcap"
    process = start_record("emulated", str(out))
    wait_for_size(out, 2 * 50 * BITS_2, process)
    process.send_signal(getattr(signal, name))
    said, told = process.communicate(timeout=patience(20))
    assert process.returncode == 130
    assert name in told
    assert "Traceback" not in told
    assert "hyperframes' worth" in said
    with CaptureReader(out) as reader:
        octets = sum(len(record.payload) for record in reader.records())
        assert (reader.problems, reader.missing_records) == ([], 0)
    assert said.startswith(f"{out}: {octets} octets of bits")


def test_a_full_disk_keeps_what_is_there(tmp_path: Path) -> None:
    out = tmp_path / "a.ffcap"
    size = 3 * 50 * BITS_2
    result = run_record(
        "emulated",
        str(out),
        "--pace",
        "0",
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (size, size)),
    )
    assert result.returncode == 2
    assert "File too large; what was recorded before is kept" in result.stderr
    assert "Traceback" not in result.stderr
    with CaptureReader(out) as reader:
        records = list(reader.records())
        assert reader.problems == []
    assert len(records) == 2
    decoder = LinkDecoder(LinkSettings(form=LineForm.BITS))
    for record in records:
        decoder.receive(record.payload)
    assert decoder.hyperframes == 99


def test_a_source_that_breaks_keeps_what_is_there(tmp_path: Path) -> None:
    first = run_craft(tmp_path / "a.octets", 300)
    text = first.read_bytes().hex(" ", 1).replace(" bc", "\nbc")
    (tmp_path / "a.hex").write_text(text + "\nzz\n")
    result = run_record(str(tmp_path / "a.hex"), str(tmp_path / "b.octets"))
    assert result.returncode == 2
    assert "zz" in result.stderr
    assert "what was recorded before is kept" in result.stderr
    kept = (tmp_path / "b.octets").read_bytes()
    assert len(kept) > 8192 * 200
    assert first.read_bytes().startswith(kept)


def record_for_ever(out: Path) -> None:
    """What a forked child does until it is killed."""
    tap = open_recording(emulated(None, hyperframes_per_second=6000), out)
    tap.note("kill me")
    for chunk in tap.chunks():
        tap.mark(str(chunk.offset))


def kill_once(out: Path, delay_s: float) -> None:
    """Record in a child and kill -9 it after a while: all that was in the file reads back."""
    child = os.fork()
    if child == 0:
        try:
            record_for_ever(out)
        finally:
            os._exit(1)
    time.sleep(delay_s)
    before = out.stat().st_size if out.exists() else 0
    os.kill(child, signal.SIGKILL)
    assert os.waitpid(child, 0)[1] == signal.SIGKILL
    if before >= 40:
        read_back(out, before)


def read_back(out: Path, before: int) -> None:
    with CaptureReader(out) as reader:
        read = reader.offset
        for record in reader.records():
            read = record.offset + len(record.payload) + 32
        assert reader.missing_records == 0
        assert len(reader.problems) <= 1
        assert all("ends inside" in problem.what for problem in reader.problems)
    # Only a record that was being written when the size was taken can be torn.
    assert read >= before - 51 * BITS_2


def decodes_cleanly(out: Path) -> int:
    source = open_file_source(out, option="2")
    decoder = LinkDecoder(LinkSettings(form=LineForm.BITS))
    for chunk in source.chunks():
        decoder.receive(chunk.data)
    decoder.finish()
    source.close()
    errors = ("code_violations", "disparity_errors", "hdlc_fcs_errors", "ethernet_fcs_errors", "lof_events")
    assert not any(decoder.counters[name] for name in errors)
    return decoder.hyperframes


def test_a_kill_at_any_moment_loses_nothing(tmp_path: Path) -> None:
    """FRAMEFRAY_KILLS=200 kills more often."""
    chance = random.Random(20)
    kills = int(os.environ.get("FRAMEFRAY_KILLS", "30"))
    decoded = []
    for number in range(kills):
        out = tmp_path / f"{number}.ffcap"
        kill_once(out, chance.uniform(0.0, 0.15))
        if not out.exists() or out.stat().st_size < 40:
            continue
        with CaptureReader(out) as reader:
            pieces = sum(record.type is CaptureRecordType.BITS for record in reader.records())
        if pieces:
            decoded.append(decodes_cleanly(out))
            assert decoded[-1] == 50 * pieces - 1  # the cable's delay cuts the last one
        out.unlink()
    assert len(decoded) >= kills // 4
    assert max(decoded) > 100


def test_a_kill_of_the_program_loses_nothing(tmp_path: Path) -> None:
    out = tmp_path / "a.ffcap"
    process = start_record("emulated", str(out), "--pace", "0", "--note", "kill me")
    wait_for_size(out, 400 * BITS_2, process)
    before = out.stat().st_size
    process.kill()
    process.communicate()
    read_back(out, before)
    assert decodes_cleanly(out) >= 349
