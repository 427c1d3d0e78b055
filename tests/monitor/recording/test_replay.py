"""Replay: any place of any form, step and speed, errors, and a decoder that starts anew at each seek."""

from __future__ import annotations

import math
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from decoders.counters import is_damage
from decoders.events import Event, StartupStateChanged
from decoders.line_coding.characters import LineForm
from decoders.linerates import option_named
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings, SenderSettings
from monitor.commands.replay import run as run_replay
from monitor.emulation.line_writer import LineWriter
from monitor.emulation.sender import EmulatedSender
from monitor.errors import InputError
from monitor.faults.catalogue import parse_fault
from monitor.formats.ffcap import CaptureHeader, CaptureRecordType
from monitor.formats.ffcap_reader import CaptureIndex
from monitor.formats.ffcap_writer import CaptureWriter
from monitor.formats.hex_text import HexWriter
from monitor.links.pipeline import Pipeline
from monitor.links.snapshot import BoardSaid, SourceWarning
from monitor.recording.random_access import open_replay
from monitor.recording.replay import Pacer, ReplayControl, ReplaySource
from monitor.recording.timeline import MAX_ERRORS, SCAN_OCTETS, Timeline
from monitor.sources.file import open_file_source
from monitor.sources.source import Chunk
from monitor.tui.event_words import event_in_words
from monitor.tui.palette import BAD
from tests.support.patience import patience

ROOT = Path(__file__).parents[3]
HYPERFRAMES = 320
FAULTS = ("sync.comma@90", "vendor.value@150:hyperframes=1", "hdlc.fcs@200", "line.flip@260")
FORMS = ("octets", "flagged", "symbols", "bits", "hex", "ffcap")


def make(path: Path, *faults: str, hyperframes: int = HYPERFRAMES, option: str = "1", lead: int = 0) -> Path:
    """A capture whose form is its suffix; .ffcap holds flagged words in records of odd cuts."""
    suffix = path.suffix[1:]
    form = LineForm({"hex": "octets", "ffcap": "flagged"}.get(suffix, suffix))
    settings = SenderSettings(option=option, pointer_p=40, hdlc_rate_code=1, bfn=17, hfn=140)
    sender = EmulatedSender(settings, 3)
    for text in faults:
        sender.schedule(parse_fault(text))
    writer = LineWriter(form, option_named(option), lead_bits=lead)
    data = writer.write(sender.batch(hyperframes)) + writer.finish()
    if suffix == "ffcap":
        rng = np.random.default_rng(2)
        with CaptureWriter(path, CaptureHeader(option, "flagged")) as writer:
            at = 0
            while at < len(data):
                size = 2 * int(rng.integers(1, 60_000))
                writer.append(CaptureRecordType.FLAGGED, data[at : at + size], 5_000_000 + at * 1000 // 123)
                writer.append(CaptureRecordType.MARK, b"between", 5_000_000)
                at += size
    elif suffix == "hex":
        with path.open("wb") as stream:
            text = HexWriter(stream)
            text.write(bytes(data))
            text.close()
    else:
        path.write_bytes(data)
    return path


@pytest.fixture(scope="module")
def captures(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("captures")
    return {form: make(folder / f"a.{form}", *FAULTS, lead=3 * (form == "bits")) for form in FORMS}


def decoded(path: Path) -> list[Event]:
    source = open_file_source(path, option="1")
    decoder = LinkDecoder(LinkSettings(option="1", form=LineForm(source.form)))
    events: list[Event] = []
    for chunk in source.chunks():
        events += decoder.receive(chunk.data, chunk.time_ns)
    source.close()
    return events + decoder.finish()


@contextmanager
def replaying(
    path: Path, *, playing: bool = False, stay: bool = True, speed: float = math.inf
) -> Iterator[tuple[ReplayControl, Pipeline]]:
    reader = open_replay(str(path), None, "1")
    control = ReplayControl(reader, playing=playing, speed=speed)
    source = ReplaySource(reader, control, stay=stay)
    pipeline = Pipeline(source)
    source.start_scan()
    assert control.timeline.wait_complete(20)
    try:
        yield control, pipeline
    finally:
        source.close()


def without_startup(events: list[Event]) -> list[Event]:
    """The start-up state hangs on all that came before; a seek judges it anew."""
    return [event for event in events if not isinstance(event, StartupStateChanged)]


def log(pipeline: Pipeline) -> list[Event]:
    """What the decoder said; what stands beside the line data is `beside`."""
    events = (entry.event for entry in pipeline.watch.log)
    return [event for event in events if not isinstance(event, BoardSaid | SourceWarning)]


def beside(pipeline: Pipeline) -> list[str]:
    return [entry.event.text for entry in pipeline.watch.log if isinstance(entry.event, BoardSaid)]


@pytest.mark.parametrize("form", FORMS)
def test_played_to_the_end_it_is_a_decode(captures: dict[str, Path], form: str) -> None:
    with replaying(captures[form], playing=True, stay=False) as (control, pipeline):
        while pipeline.step():
            pass
        assert log(pipeline) == decoded(captures[form])
        assert control.position.hyperframe == control.position.total - 1 == HYPERFRAMES - 1
        assert pipeline.restarts == 0
        assert control.at_end


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("target", [64, 77, 151, 262, HYPERFRAMES - 30])
def test_from_a_seek_on_it_is_a_decode_too(captures: dict[str, Path], form: str, target: int) -> None:
    expected = [e for e in decoded(captures[form]) if e.hyperframe is not None and e.hyperframe >= target]
    with replaying(captures[form]) as (control, pipeline):
        control.seek(target)
        assert pipeline.step()
        assert control.position.hyperframe == target
        assert pipeline.decoder.hyperframes == target + 1
        control.step(29)
        for _ in range(29):
            assert pipeline.step()
        assert control.position.hyperframe == target + 29
        shown = [e for e in expected if (e.hyperframe or 0) < target + 30]
        assert without_startup(log(pipeline)) == without_startup(shown)
        assert shown
        assert pipeline.restarts == 1


def test_each_step_is_one_hyperframe(captures: dict[str, Path]) -> None:
    with replaying(captures["bits"]) as (control, pipeline):
        assert control.position.hyperframe is None
        control.step()
        pipeline.step()
        assert control.position.hyperframe == 2  # sync is confirmed by the fourth sync byte (clause 4.2.9)
        for number in range(3, 40):
            control.step()
            pipeline.step()
            assert control.position.hyperframe == number
            assert pipeline.snapshot().hfn == (140 + number) % 150
        control.step(-5)
        pipeline.step()
        assert control.position.hyperframe == 34
        assert not control.playing


def test_counters_are_those_since_the_seek(captures: dict[str, Path]) -> None:
    with replaying(captures["flagged"], playing=True) as (control, pipeline):
        while not control.at_end:
            pipeline.step()
        whole = pipeline.snapshot()
        assert whole.counters["missed_sync_bytes"] == 1
        assert whole.counters["code_violations"] + whole.counters["disparity_errors"] == 1
        control.seek(130)
        pipeline.step()
        control.step(20)
        for _ in range(20):
            pipeline.step()
        here = pipeline.snapshot()
        assert here.hyperframes == 151
        assert here.counters["missed_sync_bytes"] == 0
        assert here.counters["vendor_changes"] == 1
        assert here.sync_state == "HFNSYNC"
        assert here.events > whole.events
        assert all(entry.number >= whole.events for entry in pipeline.entries_since(0))


@pytest.mark.parametrize("form", FORMS)
def test_errors_are_found_and_gone_to(captures: dict[str, Path], form: str) -> None:
    expected = sorted({e.hyperframe for e in decoded(captures[form]) if is_damage(e)} - {None})  # type: ignore[type-var]
    assert len(expected) >= 2
    with replaying(captures[form]) as (control, pipeline):
        found = []
        while (number := control.next_error()) is not None:
            found.append(number)
            pipeline.step()
            assert control.position.hyperframe == number
            assert any(is_damage(event) for event in log(pipeline))
        assert found == expected
        assert control.errors == len(expected)
        for number in reversed(expected[:-1]):
            assert control.previous_error() == number
        assert control.previous_error() is None


def test_next_error_stops_where_the_list_marks_damage(tmp_path: Path) -> None:
    """Alarms of the far end, and a sync state that falls, are marked in the list, too."""
    faults = ("l1.rai@60:hyperframes=2", "sync.comma@90", "vendor.flip@150")
    path = make(tmp_path / "a.flagged", *faults, hyperframes=180)
    marked = {e.hyperframe for e in decoded(path) if event_in_words(e).glyph == BAD}
    assert {60, 90} <= marked
    with replaying(path) as (control, _):
        found = []
        while (number := control.next_error()) is not None:
            found.append(number)
    assert found == sorted(marked)  # type: ignore[type-var]


def test_places_by_number_name_and_time(captures: dict[str, Path]) -> None:
    with replaying(captures["bits"]) as (control, pipeline):
        assert control.seek_text("120") == 120
        assert control.seek_text("17.149") == 9  # the capture begins with BFN 17, HFN 140
        assert control.seek_text("18.3") == 13
        assert control.seek_text("10ms") == 149  # 150 hyperframes of bits later, less the lead
        assert control.seek_text("0.02s") == 299
        for text in ("17.139", "18.150", "99.0", "soon", "-3", ""):
            with pytest.raises(InputError):
                control.seek_text(text)
        pipeline.step()
        assert control.position.hyperframe == 299


def test_a_seek_beyond_the_end_is_the_last(captures: dict[str, Path]) -> None:
    with replaying(captures["octets"]) as (control, pipeline):
        control.seek(10**9)
        pipeline.step()
        assert control.position.hyperframe == HYPERFRAMES - 1
        assert control.at_end
        control.seek(0)
        pipeline.step()
        assert (control.position.hyperframe, control.at_end) == (2, False)


def test_after_lost_sync_numbers_are_those_of_the_decode(tmp_path: Path) -> None:
    path = make(tmp_path / "a.bits", "line.slip@100", "line.slip@180", lead=7)
    events = decoded(path)
    with replaying(path) as (control, pipeline):
        for target in (60, 105, 170, 190, 250):
            expected = [
                e for e in events if e.hyperframe is not None and target <= e.hyperframe < target + 10
            ]
            control.seek(target)
            pipeline.step()
            control.step(9)
            for _ in range(9):
                pipeline.step()
            assert control.position.hyperframe == target + 9
            # A loss of signal is told with the number of the hyperframe that would come next.
            shown = [e for e in log(pipeline) if (e.hyperframe or 0) < target + 10]
            assert without_startup(shown) == without_startup(expected), target
            assert pipeline.decoder.losses == (target == 170)


def test_damaged_records_are_left_out(tmp_path: Path) -> None:
    path = make(tmp_path / "a.ffcap")
    index = CaptureIndex(path)
    data = bytearray(path.read_bytes())
    data[index[20].offset + 40] ^= 0xFF
    path.write_bytes(data)
    expected = decoded(path)
    with replaying(path, playing=True, stay=False) as (_, pipeline):
        while pipeline.step():
            pass
        assert log(pipeline) == expected
        warned = [e.event.text for e in pipeline.watch.log if isinstance(e.event, SourceWarning)]
        assert warned == pipeline.source.warnings
        assert [w for w in pipeline.source.warnings if "damaged" in w] == pipeline.source.warnings != []


def test_a_damaged_record_is_left_out_once_wherever_the_scan_cuts(tmp_path: Path) -> None:
    path = make(tmp_path / "a.ffcap", hyperframes=200)
    index = CaptureIndex(path)
    heads = [index[i].offset for i in range(0, len(index), 2)]  # a mark after each
    data = bytearray(path.read_bytes())
    at = 0
    for head in heads:
        size = int.from_bytes(data[head + 8 : head + 12], "little")
        if at < SCAN_OCTETS < at + size:
            data[head + 40] ^= 0xFF
        at += size
    path.write_bytes(data)
    with replaying(path) as (control, _):
        assert control.timeline.place_of(control.position.total - 1) == 199 * 2 * 4096 * 8


def test_marks_and_notes_are_shown_where_they_stand(tmp_path: Path) -> None:
    path = tmp_path / "a.ffcap"
    sender = EmulatedSender(SenderSettings(option="1", hdlc_rate_code=2), 3)
    line = LineWriter(LineForm.OCTETS, sender.option)
    with CaptureWriter(path, CaptureHeader("1", "octets")) as writer:
        for number in range(40):
            writer.append(CaptureRecordType.OCTETS, line.write(sender.batch(10)), number)
            if number in (4, 39):
                writer.append(CaptureRecordType.MARK, f"after {10 * number + 10} \x1b[2J".encode(), number)
    for seek, expected in ((None, ["mark: after 50", "mark: after 400"]), (60, ["mark: after 400"])):
        with replaying(path, playing=True, stay=False) as (control, pipeline):
            if seek is not None:
                control.seek(seek)
            while pipeline.step():
                pass
            assert beside(pipeline) == [rf"{text} \x1b[2J" for text in expected]
            said = [e.event for e in pipeline.watch.log if isinstance(e.event, BoardSaid)]
            assert said[-1].hyperframe == pytest.approx(400, abs=11)
            assert seek is not None or said[0].hyperframe == pytest.approx(50, abs=11)
    source = open_file_source(path, option="1")
    for _ in source.chunks():
        pass
    assert [line.text for line in source.log.since(0)[0]] == [  # type: ignore[attr-defined]
        r"mark: after 50 \x1b[2J",
        r"mark: after 400 \x1b[2J",
    ]


def test_gaps_in_the_numbers_do_not_hide_a_place(tmp_path: Path) -> None:
    path = make(tmp_path / "a.octets")
    data = path.read_bytes()
    path.write_bytes(data[: 4096 * 100] + data[4096 * 130 :])
    with replaying(path) as (control, _):
        assert control.seek_text("18.89") == 99  # 17.140 + 99
        assert control.seek_text("18.120") == 100
        with pytest.raises(InputError, match="not in the capture"):
            control.seek_text("18.90")


def test_a_control_is_followed_while_it_plays(captures: dict[str, Path]) -> None:
    reader = open_replay(str(captures["bits"]), None, "1")
    control = ReplayControl(reader, speed=0.001)  # 15 hyperframes a second
    source = ReplaySource(reader, control)
    pipeline = Pipeline(source)
    stop = threading.Event()
    thread = threading.Thread(target=pipeline.run, args=(stop,))
    thread.start()
    try:
        assert control.timeline.wait_complete(20)
        control.seek(100)
        control.speed = math.inf
        deadline = threading.Event()
        for _ in range(500):
            if control.at_end and not control.playing:
                break
            deadline.wait(0.01)
        assert control.position.hyperframe == HYPERFRAMES - 1
        control.seek(50)
        control.speed = 0.0001
        for _ in range(500):
            if control.position.hyperframe == 50:
                break
            deadline.wait(0.01)
        assert control.position.hyperframe == 50
        assert not control.playing
    finally:
        stop.set()
        control.close()
        thread.join(10)
    assert not thread.is_alive()
    assert pipeline.failure is None


def test_the_pacer_keeps_the_time_of_the_capture() -> None:
    now = 100.0
    pacer = Pacer(lambda: now)
    assert pacer.wait_s(5_000_000_000, 0.5) == 0.0
    assert pacer.wait_s(5_100_000_000, 0.5) == pytest.approx(0.2)
    now = 100.15
    assert pacer.wait_s(5_100_000_000, 0.5) == pytest.approx(0.05)
    assert pacer.wait_s(5_100_000_000, 2.0) == 0.0  # another speed counts from now
    assert pacer.wait_s(5_200_000_000, 2.0) == pytest.approx(0.05)
    assert pacer.wait_s(9_000_000_000, math.inf) == 0.0
    assert pacer.wait_s(9_000_000_000, 1.0) == 0.0
    now = 103.0  # late: it does not catch up
    assert pacer.wait_s(9_500_000_000, 1.0) == 0.0
    assert pacer.wait_s(9_600_000_000, 1.0) == pytest.approx(0.1)
    assert pacer.wait_s(99_000_000_000, 1.0) == 0.0  # a long gap is not waited for


def test_speeds_have_bounds(captures: dict[str, Path]) -> None:
    reader = open_replay(str(captures["octets"]), None, "1")
    control = ReplayControl(reader)
    for asked, taken in ((0.01, 0.01), (1e-9, 0.0001), (1e9, 1000.0), (math.inf, math.inf)):
        control.speed = asked
        assert control.speed == taken
    for wrong in (0.0, -1.0, math.nan):
        with pytest.raises(InputError, match="speed"):
            control.speed = wrong
    reader.close()


def test_a_timeline_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.recording.timeline.MAX_ERRORS", 3)
    timeline = Timeline(1000, 8)
    for number in (1, 1, 4, 6, 9, 12):
        timeline.error(number)
    assert (timeline.errors, timeline.error_after(6)) == (3, None)
    assert timeline.notes == ["more than 3 hyperframes with errors: those beyond are not listed"]
    assert MAX_ERRORS >= 100_000


def test_without_a_terminal_it_is_a_summary(captures: dict[str, Path]) -> None:
    command = [sys.executable, "-m", "monitor", "replay", str(captures["flagged"])]
    result = subprocess.run(
        command, capture_output=True, text=True, cwd=ROOT, check=True, timeout=patience(60)
    )
    assert f"{HYPERFRAMES} hyperframes" in result.stdout
    assert "errors    in hyperframes 90" in result.stdout
    bad = [*command[:-1], str(captures["octets"].parent / "none.bits")]
    result = subprocess.run(bad, capture_output=True, text=True, cwd=ROOT, check=False, timeout=patience(60))
    assert result.returncode == 2
    assert result.stderr.count("\n") <= 2
    assert callable(run_replay)


def test_a_pipeline_restarts_by_itself(captures: dict[str, Path]) -> None:
    source = open_file_source(captures["octets"], option="1")
    data = b"".join(bytes(chunk.data) for chunk in source.chunks())
    source.close()
    pipeline = Pipeline(open_file_source(captures["octets"], option="1"))
    pipeline.step()
    assert pipeline.snapshot().counters["hdlc_frames"] > 0
    pipeline.restart(30, [Chunk(data[30 * 4096 : 50 * 4096], 0, 0)])
    snapshot = pipeline.snapshot()
    assert snapshot.hyperframes == 50
    assert sum(snapshot.counters.values()) == 0
    assert (snapshot.sync_state, snapshot.ended, pipeline.restarts) == ("HFNSYNC", False, 1)
    assert snapshot.control is not None
    assert snapshot.control[64, 0] == (140 + 49) % 150
    pipeline.source.close()
