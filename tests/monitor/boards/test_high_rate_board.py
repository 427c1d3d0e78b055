"""A board at options 7A to 10: its blocks and flagged words become a stream that decodes as what was sent."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from decoders.line_coding.characters import LineForm
from decoders.linerates import option_named
from decoders.link.decoder import LinkDecoder
from decoders.link.hyperframe_sync import SyncState
from decoders.link.settings import LinkSettings
from monitor.boards.board import BoardSource
from monitor.boards.hyperframes import Hyperframes
from monitor.boards.line import LineSink
from monitor.cli.main import main
from monitor.errors import InputError
from monitor.formats.forms import Form
from monitor.protocol import records as r
from monitor.protocol.stream import RecordReader, RecordWriter
from monitor.sources.source import received

HYPERFRAMES = 12
FORMS = {"octets": r.RecordType.OCTETS, "flagged": r.RecordType.FLAGGED, "blocks": r.RecordType.BLOCKS}


class HighRateLine:
    """A line with a board of option 7A behind it, which sends `data` of one type when it is asked for its status."""

    description = "high rates"

    def __init__(self, kind: r.RecordType, data: bytes, option: str = "7A") -> None:
        self._kind, self._data, self._option = kind, data, option
        self._writer, self._reader = RecordWriter(), RecordReader(r.MAX_COMMAND_PAYLOAD)
        self._sink: LineSink | None = None

    def start(self, sink: LineSink) -> None:
        self._sink = sink

    def write(self, data: bytes) -> None:
        assert self._sink is not None
        for item in self._reader.feed(data):
            if isinstance(item, r.Record):
                answer = self._writer.message(r.Acknowledge(item.sequence, item.type, 0, ""))
                self._sink.receive(answer + self._writer.message(self._status()), 0)

    def _status(self) -> r.Status:
        flags = r.StatusFlag.FEC | r.StatusFlag.BLOCK_LOCK
        return r.Status(
            self._option, self._kind, SyncState.HFNSYNC, r.Loopback.INTERNAL, flags, 37, *[0] * 10, "RE-2"
        )

    def send(self, leave_out: tuple[int, ...] = ()) -> None:
        """Every hyperframe in pieces, but those left out."""
        assert self._sink is not None
        unit = {r.RecordType.OCTETS: 1, r.RecordType.FLAGGED: 2, r.RecordType.BLOCKS: 9}[self._kind]
        each, most = len(self._data) // HYPERFRAMES, r.MAX_DATA // unit * unit
        for number in range(HYPERFRAMES):
            if number in leave_out:
                continue
            whole = self._data[number * each : (number + 1) * each]
            for at in range(0, each, most):
                piece = r.LineData(number, at, self._option, whole[at : at + most], self._kind)
                self._sink.receive(self._writer.message(piece), 0)
        self._sink.ended("")

    def close(self) -> None: ...


@pytest.fixture(scope="module")
def sent(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same hyperframes in every form that a board can send."""
    folder = tmp_path_factory.mktemp("sent")
    for form in FORMS:
        out = str(folder / f"sent.{form}")
        assert main(["craft", out, "--option", "7A", "--hyperframes", str(HYPERFRAMES), "--hfn", "147"]) == 0
    return folder


@pytest.fixture
def board(request: pytest.FixtureRequest, sent: Path) -> Iterator[tuple[HighRateLine, BoardSource]]:
    form: str = request.param
    line = HighRateLine(FORMS[form], (sent / f"sent.{form}").read_bytes())
    source = BoardSource(line)
    yield line, source
    source.close()


@pytest.mark.parametrize("board", FORMS, indirect=True)
def test_a_high_rate_board_decodes_as_what_was_sent(
    board: tuple[HighRateLine, BoardSource], sent: Path
) -> None:
    line, source = board
    line.send()
    stream = b"".join(bytes(chunk.data) for chunk in source.chunks())
    assert stream == (sent / f"sent.{source.form}").read_bytes()
    assert (source.option, source.hyperframes_missing) == ("7A", 0)
    decoder = LinkDecoder(LinkSettings(option="7A", form=LineForm(source.form)))
    decoder.receive(stream)
    decoder.finish()
    assert (decoder.hyperframes, decoder.counters["missed_sync_bytes"]) == (HYPERFRAMES, 0)
    assert decoder.counters["ethernet_frames"] > 3


@pytest.mark.parametrize("board", ["blocks"], indirect=True)
def test_blocks_that_are_left_out_are_counted_and_decoding_goes_on(
    board: tuple[HighRateLine, BoardSource],
) -> None:
    """The descrambler runs on over what is left out, so the stream is not told of a gap: it shows as on a line."""
    line, source = board
    line.send(leave_out=(8,))
    decoder = LinkDecoder(LinkSettings(option="7A", form=LineForm.BLOCKS))
    for chunk in source.chunks():
        received(decoder, chunk)
    decoder.finish()
    assert source.hyperframes_missing == 1
    assert decoder.hyperframes == HYPERFRAMES - 1
    assert decoder.counters["missed_sync_bytes"] == 1


def test_blocks_are_refused_at_8b10b() -> None:
    with pytest.raises(InputError, match="form blocks is not valid for option 2"):
        BoardSource(HighRateLine(r.RecordType.BLOCKS, b"", "2"))


def test_uncut_blocks_count_for_as_many_hyperframes_as_their_length_makes() -> None:
    option = option_named("8")
    frames = Hyperframes(option, Form.BLOCKS)
    whole = bytes(option.hyperframe_octets // 8 * 9)
    frames.take(r.LineData(10, 0, "8", whole, r.RecordType.BLOCKS))
    assert frames.next == 11
    frames.take(r.LineData(0, 0, "8", whole + whole[:900], r.RecordType.BLOCKS), uncut=True)
    assert frames.next == 12
