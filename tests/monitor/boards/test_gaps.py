"""Hyperframes that a board leaves out or that are lost on the line: told to whoever decodes, recorded, replayed."""

from __future__ import annotations

import json
import random
from itertools import pairwise
from pathlib import Path

import pytest

pytest.importorskip("tty", reason="no pseudo-terminals on this system")

from decoders.counters import ERROR_COUNTERS
from decoders.events import Event, HyperframesNotReceived
from decoders.frame_structure.controlwords import X_HFN
from decoders.line_coding.characters import LineForm
from decoders.linerates import option_named
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings, SenderSettings
from monitor.boards.board import BoardSource
from monitor.boards.gaps import Gaps
from monitor.boards.line import OctetQueue
from monitor.cli.main import main
from monitor.emulation.board import BoardSetup, RecordBoard
from monitor.emulation.line_writer import LineWriter
from monitor.emulation.sender import EmulatedSender
from monitor.errors import InputError
from monitor.formats.ffcap import CaptureHeader, CaptureRecordType, gap_payload
from monitor.formats.ffcap_reader import CaptureReader
from monitor.formats.ffcap_writer import CaptureWriter
from monitor.links.pipeline import Pipeline
from monitor.protocol import records as r
from monitor.recording.recorder import RecordingTap, open_recording
from monitor.sources.file import open_file_source
from monitor.sources.source import UNKNOWN_GAP, Chunk, received
from monitor.tui.app import FrayApp
from tests.monitor.boards.test_board import open_board
from tests.monitor.recording.test_replay import log, replaying, without_startup
from tests.support.boards import BoardLine

SIZE = 2 * 4096
"""Octets of a flagged hyperframe of option 1."""


def errors(decoder: LinkDecoder) -> dict[str, int]:
    return {name: decoder.counters[name] for name in ERROR_COUNTERS if decoder.counters[name]}


def decoded(chunks: list[Chunk]) -> tuple[LinkDecoder, list[Event]]:
    decoder = LinkDecoder(LinkSettings("1", LineForm.FLAGGED))
    events = [event for chunk in chunks for event in received(decoder, chunk)]
    return decoder, events + decoder.finish()


def lossy(seed: int, kind: r.RecordType = r.RecordType.FLAGGED) -> tuple[BoardSource, list[tuple[int, int]]]:
    """A board whose line loses runs of records, at its end; (hyperframes that came, missing after them)."""
    rng = random.Random(seed)
    line, source = open_board(BoardSetup(option="1", data_type=kind, load=0.8))
    runs = []
    for _ in range(8):
        came, lost = rng.randrange(5, 40), rng.randrange(1, 12)
        line.pump(came)
        line.change = lambda data: b""
        line.pump(lost)
        line.change = lambda data: data
        runs.append((came, lost))
    line.pump(5)
    source.channel.ended("")
    return source, [*runs, (5, 0)]


@pytest.mark.parametrize("kind", [r.RecordType.FLAGGED, r.RecordType.OCTETS, r.RecordType.CONTROL])
def test_what_a_line_loses_is_no_fault_of_the_link(kind: r.RecordType) -> None:
    source, runs = lossy(1, kind)
    pipeline = Pipeline(source)
    while pipeline.step():
        pass
    decoder, snapshot = pipeline.decoder, pipeline.snapshot()
    assert errors(decoder) == {}
    assert decoder.hyperframes == sum(came for came, _ in runs)
    assert snapshot.hyperframes_not_received == snapshot.hyperframes_missed == sum(lost for _, lost in runs)
    assert source.hyperframes_missing == snapshot.hyperframes_not_received
    told = [e.event for e in pipeline.watch.log if isinstance(e.event, HyperframesNotReceived)]
    at = [sum(came for came, _ in runs[: i + 1]) for i in range(len(runs) - 1)]
    assert [(e.hyperframe, e.count) for e in told] == [
        (n, lost) for n, (_, lost) in zip(at, runs, strict=False)
    ]
    # The same board on a line that loses nothing: the frames that lie wholly in what came.
    twin = RecordBoard(BoardSetup(option="1", data_type=kind, load=0.8))
    line = BoardLine(twin)
    whole = BoardSource(line, answer_s=0.05)
    frames = 0
    for came, lost in runs:
        line.pump(came)
        line.pump(lost)
    whole.channel.ended("")
    data, at_octet = b"".join(bytes(c.data) for c in whole.chunks()), 0
    size = len(data) // sum(came + lost for came, lost in runs)
    for came, lost in runs:
        alone = LinkDecoder(LinkSettings("1", LineForm(whole.form)))
        alone.receive(data[at_octet : at_octet + came * size])
        alone.finish()
        frames += alone.counters["hdlc_frames"] + alone.counters["ethernet_frames"]
        at_octet += (came + lost) * size
    assert decoder.counters["hdlc_frames"] + decoder.counters["ethernet_frames"] == frames > 0


def test_a_recording_keeps_what_is_missing(tmp_path: Path) -> None:
    source, _ = lossy(2)
    tap = open_recording(source, tmp_path / "gaps.ffcap")
    live = list(tap.chunks())
    tap.close()
    whole, events = decoded(live)
    assert errors(whole) == {} and whole.hyperframes_not_received > 0
    again = open_file_source(tmp_path / "gaps.ffcap")
    replayed = list(again.chunks())
    assert [(bytes(c.data), c.gap) for c in replayed] == [(bytes(c.data), c.gap) for c in live]
    assert decoded(replayed)[1] == events
    with replaying(tmp_path / "gaps.ffcap", playing=True, stay=False) as (_, pipeline):
        while pipeline.step():
            pass
        assert log(pipeline) == events
        assert pipeline.decoder.hyperframes_not_received == whole.hyperframes_not_received


def test_a_seek_near_a_gap_is_a_decode_from_there(tmp_path: Path) -> None:
    source, runs = lossy(3)
    tap = open_recording(source, tmp_path / "gaps.ffcap")
    _, events = decoded(list(tap.chunks()))
    tap.close()
    gap = sum(came for came, _ in runs[:5])
    with replaying(tmp_path / "gaps.ffcap") as (control, pipeline):
        for target in (gap - 1, gap, gap + 1, gap + 4):
            control.seek(target)
            control.step(9)
            for _ in range(10):
                pipeline.step()
            shown = [e for e in events if e.hyperframe is not None and target <= e.hyperframe < target + 10]
            assert without_startup(log(pipeline)) == without_startup(shown)
            assert pipeline.decoder.hyperframes == target + 10


def test_what_the_host_drops_is_missing_too() -> None:
    line = BoardLine(RecordBoard(BoardSetup(option="1")))
    source = BoardSource(line, answer_s=0.05, queue=OctetQueue(15 * SIZE, patience_s=0.0))
    line.pump(40)
    chunks = source.chunks()
    taken = [next(chunks)]
    line.pump(10)
    source.channel.ended("")
    taken += chunks
    decoder, _ = decoded(taken)
    assert source.octets_dropped > 0 and errors(decoder) == {}
    assert decoder.hyperframes + decoder.hyperframes_not_received == 50


def test_a_board_that_counts_anew_leaves_the_number_open() -> None:
    line, source = open_board(BoardSetup(option="1"))
    line.pump(20)
    source.channel.broken("unplugged")
    line.board = RecordBoard(BoardSetup(option="1"))
    line.give(line.board.start())
    line.pump(10)
    source.channel.ended("")
    taken = list(source.chunks())
    decoder, events = decoded(taken)
    assert errors(decoder) == {} and decoder.hyperframes == 30 and decoder.hyperframes_missed == 0
    assert [(c.gap, len(c.data)) for c in taken if c.gap] == [(UNKNOWN_GAP, 10 * SIZE)]
    assert [e.count for e in events if isinstance(e, HyperframesNotReceived)] == [None]


def broken_off(path: Path, pieces: list[int], *, tail: bool = False) -> Path:
    """A recording of a board that counts anew before each piece but the first; so many hyperframes each."""
    with CaptureWriter(path, CaptureHeader("1", "flagged")) as writer:
        for index, count in enumerate(pieces):
            if index:
                writer.append(CaptureRecordType.GAP, gap_payload(UNKNOWN_GAP), 0)
            if count:
                writer.append(
                    CaptureRecordType.FLAGGED, _line_data(RecordBoard(BoardSetup(option="1")), count), 0
                )
        if tail:
            writer.append(CaptureRecordType.GAP, gap_payload(UNKNOWN_GAP), 0)
    return path


@pytest.mark.parametrize(
    ("pieces", "tail", "breaks"),
    [
        ([20, 10, 10], False, 2),
        ([20, 1, 1, 10], False, 3),
        ([20, 0, 10], True, 1),  # two records and nothing between them; nothing comes after the last one
        ([0, 20], False, 0),  # nothing came before
    ],
)
def test_breaks_of_unknown_length_are_counted_and_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], pieces: list[int], tail: bool, breaks: int
) -> None:
    path = broken_off(tmp_path / "broken.ffcap", pieces, tail=tail)
    pipeline = Pipeline(open_file_source(path))
    while pipeline.step():
        pass
    assert errors(pipeline.decoder) == {} and pipeline.decoder.hyperframes == sum(pieces)
    assert pipeline.snapshot().breaks_of_unknown_length == breaks
    assert main(["decode", str(path), "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert (record["breaks_of_unknown_length"], record["hyperframes_not_received"]) == (breaks, 0)
    said = {0: "lost      0 hyperframes;", 1: ", 1 gap of unknown length;", 2: ", 2 gaps of unknown length;"}
    for words in (["decode"], ["watch", "--headless"], ["replay", "--headless"]):
        assert main([*words, str(path)]) == 0
        assert said.get(breaks, f", {breaks} gaps of") in capsys.readouterr().out


@pytest.mark.parametrize(("seed", "form"), [(1, LineForm.FLAGGED), (2, LineForm.OCTETS)])
def test_each_hyperframe_is_found_by_the_number_its_sender_gave_it(
    tmp_path: Path, seed: int, form: LineForm
) -> None:
    rng = random.Random(seed)
    sender = EmulatedSender(SenderSettings("1", hdlc_rate_code=1, bfn=4094, hfn=120), seed)
    line = LineWriter(form, option_named("1"))
    runs = [20, *rng.choices([1, 1, 1, 2, 3, 30], k=70)]
    gaps = [0, *(rng.randrange(1, 9) for _ in runs[1:])]
    runs[3] = 1  # it says a wrong HFN
    unknown = {4, 5, 20, 40, len(runs) - 1}
    for at in (4, 5, len(runs) - 1):
        runs[at] = 1
    places: list[str] = []
    with CaptureWriter(tmp_path / "gaps.ffcap", CaptureHeader("1", form.value)) as writer:
        for at, (run, gap) in enumerate(zip(runs, gaps, strict=True)):
            line.write(sender.batch(gap))
            if gap:
                payload = gap_payload(UNKNOWN_GAP if at in unknown else gap)
                writer.append(CaptureRecordType.GAP, payload, 0)
            first = sender.next_hyperframe
            places += ["{}.{}".format(*sender.encoder.timing_of(first + i)) for i in range(run)]
            (batch,) = sender.batch(run)
            if at == 3:
                batch.octets[0, X_HFN] ^= 0x05
            writer.append(CaptureRecordType[form.name], line.write([batch]), 0)
    assert len(set(places)) == len(places) > 128  # more than the scan takes at a time
    with replaying(tmp_path / "gaps.ffcap") as (control, pipeline):
        assert [control.seek_text(place) for place in places] == [*range(len(places))]
        missing = "{}.{}".format(*sender.encoder.timing_of(runs[0]))
        with pytest.raises(InputError, match="not in the capture"):
            control.seek_text(missing)
        for number in rng.sample([n for n in range(4, len(places)) if n != sum(runs[:3])], 12):
            control.seek(number)
            pipeline.step()
            snapshot = pipeline.snapshot()
            assert control.position.hyperframe == number
            assert f"{snapshot.bfn}.{snapshot.hfn}" == places[number]


def test_what_brings_a_fresh_decoder_into_sync_counts_no_break(tmp_path: Path) -> None:
    path = broken_off(tmp_path / "broken.ffcap", [20, 10, 10])
    chunks = list(open_file_source(path).chunks())
    pipeline = Pipeline(open_file_source(path))
    pipeline.restart(30, chunks[:2])
    assert pipeline.snapshot().breaks_of_unknown_length == 0
    received(pipeline.decoder, chunks[2])
    assert pipeline.snapshot().breaks_of_unknown_length == 1


def test_gaps_add_up_at_one_place_and_none_is_told_before_something_comes() -> None:
    data = _line_data(RecordBoard(BoardSetup(option="1")), 30)
    decoder = LinkDecoder(LinkSettings("1", LineForm.FLAGGED))
    decoder.receive(data[: 10 * SIZE])
    decoder.skip(4)
    assert decoder.receive(b"") == []
    decoder.skip(6)
    events = decoder.receive(data[20 * SIZE :])
    decoder.skip(3)
    events += decoder.finish()
    assert [e.count for e in events if isinstance(e, HyperframesNotReceived)] == [10]
    assert errors(decoder) == {} and decoder.hyperframes_not_received == decoder.hyperframes_missed == 10


def test_gaps_add_up_until_something_comes() -> None:
    gaps = Gaps()
    gaps.add(2)
    gaps.add(3)
    gaps.place(4)
    gaps.place(6)  # nothing is missing here
    gaps.add(1)
    gaps.place(8)
    gaps.take_back(8)
    gaps.add(1)
    gaps.place(8)
    assert list(gaps.cut(b"abcd", 0)) == [(b"abcd", 0)]
    assert list(gaps.cut(b"efghij", 4)) == [(b"efgh", 5), (b"ij", 2)]
    gaps.add(1)
    gaps.add(UNKNOWN_GAP)
    gaps.add(1)
    gaps.place(10)
    assert list(gaps.cut(b"k", 10)) == [(b"k", UNKNOWN_GAP)]


@pytest.mark.parametrize("payload", [b"", b"\x00" * 8, gap_payload(-7), gap_payload(1 << 62), b"\xff" * 9])
def test_no_number_in_a_capture_is_believed_too_far(tmp_path: Path, payload: bytes) -> None:
    with CaptureWriter(tmp_path / "odd.ffcap", CaptureHeader("1", "flagged")) as writer:
        board = RecordBoard(BoardSetup(option="1"))
        for piece in (_line_data(board, 10), _line_data(board, 10)):
            writer.append(CaptureRecordType.GAP, payload, 0)
            writer.append(CaptureRecordType.FLAGGED, piece, 0)
    gaps = [chunk.gap for chunk in open_file_source(tmp_path / "odd.ffcap").chunks()]
    assert gaps in ([UNKNOWN_GAP] * 2, [0] * 2)
    with replaying(tmp_path / "odd.ffcap", playing=True, stay=False) as (_, pipeline):
        while pipeline.step():
            pass
        assert errors(pipeline.decoder) == {} and pipeline.decoder.hyperframes == 20


def _line_data(board: RecordBoard, n: int) -> bytes:
    line = BoardLine(board)
    source = BoardSource(line, answer_s=0.05)
    line.pump(n)
    source.channel.ended("")
    return b"".join(bytes(chunk.data) for chunk in source.chunks())


def test_a_raw_file_says_what_it_cannot_keep(tmp_path: Path) -> None:
    tap: RecordingTap = open_recording(lossy(4)[0], tmp_path / "gaps.flagged")
    for _ in tap.chunks():
        pass
    tap.close()
    said = [text for text in tap.warnings if "raw file" in text]
    assert said == ["hyperframes are missing, which a raw file does not show: their HFN will seem to jump"]


def test_decode_tells_of_them(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "gaps.ffcap"
    source, runs = lossy(5)
    tap = open_recording(source, path)
    for _ in tap.chunks():
        pass
    tap.close()
    lost = sum(lost for _, lost in runs)
    kinds = [record.type for record in CaptureReader(path).records()]
    assert kinds.count(CaptureRecordType.GAP) == len(runs) - 1
    assert main(["decode", str(path), "--json", "--strict"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["hyperframes_not_received"] == record["hyperframes_missed"] == lost
    assert main(["decode", str(path), "--events"]) == 0
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    counts = [line["count"] for line in lines if line["event"] == "hyperframes_not_received"]
    assert counts == [lost for _, lost in runs[:-1]]
    assert main(["decode", str(path)]) == 0
    assert f"lost      0 hyperframes, {lost} not received;" in capsys.readouterr().out


async def test_the_screen_tells_them_from_what_the_link_lost() -> None:
    line, source = open_board(BoardSetup(option="1"))
    source.set_traffic(r.TrafficPlane.HDLC, 0)
    source.set_traffic(r.TrafficPlane.ETHERNET, 0)
    line.pump(8)
    for _ in range(60):  # as a slow line does, now and then with something said between
        line.change = lambda data: b""
        line.pump(7)
        line.change = lambda data: data
        line.pump(1)
    source.channel.ended("")
    app = FrayApp(Pipeline(source), live=False)
    async with app.run_test(size=(80, 24)) as pilot:
        while app.pipeline.step():
            app.tick()
        await pilot.press("2")
        app.tick()
        await pilot.pause()
        top = app.screen._compositor.render_strips()[0].text
        assert top.endswith(" decoded 68 not received 420 ") and len(top) == 80
        held = [entry.event for entry in app.events_view.list.rows]
        gaps = [event for event in held if isinstance(event, HyperframesNotReceived)]
        assert sum(event.count or 0 for event in gaps) == 420
        assert len(gaps) < 60 // 5
        neighbours = pairwise(held)
        assert not any(isinstance(a, HyperframesNotReceived) and type(a) is type(b) for a, b in neighbours)
        assert any(
            "hyperframes not received (board or serial line)" in line for line in app.events_view.list.shown()
        )
        assert app.feed.errors_since_mark == 0
