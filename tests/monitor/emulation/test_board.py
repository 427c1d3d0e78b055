"""The emulated board at 64B/66B, with RS-FEC, and scrambled: line data, status, resets, a pair of them."""

from __future__ import annotations

import itertools

import pytest

from decoders.counters import COUNTERS
from decoders.line_coding.characters import LineForm
from decoders.linerates import OPTIONS
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings
from monitor.emulation.board import BoardSetup, RecordBoard
from monitor.emulation.line_settings import LineSettings
from monitor.errors import InputError
from monitor.protocol import records as r
from monitor.protocol.stream import RecordReader, RecordWriter
from monitor.sources.source import received
from tests.support.boards import PumpedBoard

SEED = 305419896
FEC = LineSettings(fec=True)
TRAFFIC = ("hdlc_frames", "ethernet_frames", "vendor_changes")
KINDS = (r.RecordType.OCTETS, r.RecordType.FLAGGED, r.RecordType.BLOCKS, r.RecordType.CONTROL)


def decoded(source: PumpedBoard, chunks: int) -> LinkDecoder:
    decoder = LinkDecoder(LinkSettings(source.option, LineForm(source.form)))
    for chunk in itertools.islice(source.chunks(), chunks):
        received(decoder, chunk)
    return decoder


def messages(records: bytes) -> list[r.Message]:
    items = RecordReader().feed(records)
    return [r.parse_message(item) for item in items if isinstance(item, r.Record)]


def status_of(board: RecordBoard) -> tuple[r.Status, r.LineCodeStatus | None]:
    status, *rest = messages(board.status())
    code = rest[0] if rest else None
    assert isinstance(status, r.Status) and (code is None or isinstance(code, r.LineCodeStatus))
    return status, code


@pytest.mark.parametrize("line", [LineSettings(), FEC], ids=["plain", "fec"])
@pytest.mark.parametrize("kind", KINDS, ids=[kind.name for kind in KINDS])
def test_line_data_of_7a_decode_without_an_error(kind: r.RecordType, line: LineSettings) -> None:
    source = PumpedBoard(BoardSetup(option="7A", data_type=kind, line=line), step=3)
    decoder = decoded(source, 4)
    assert decoder.hyperframes >= 11 and decoder.counters["ethernet_frames"] > 5
    assert {name for name in COUNTERS if decoder.counters[name]} <= set(TRAFFIC)
    status, code = status_of(source.board)
    locked = r.StatusFlag.BLOCK_LOCK | (r.StatusFlag.FEC if line.fec else r.StatusFlag.NONE)
    assert status.flags & (r.StatusFlag.BLOCK_LOCK | r.StatusFlag.FEC) == locked
    assert code is not None and bool(code.flags & r.LineCodeFlag.FEC_LOCK) == line.fec
    assert source.fec == line.fec and (source.form, source.hyperframes_missing) == (
        {r.RecordType.OCTETS: "octets", r.RecordType.BLOCKS: "blocks"}.get(kind, "flagged"),
        0,
    )


def test_hyperframes_of_option_10_go_in_pieces() -> None:
    board = RecordBoard(BoardSetup(option="10", data_type=r.RecordType.BLOCKS))
    (first, *more) = [m for m in messages(board.advance(1)) if isinstance(m, r.LineData)]
    whole = OPTIONS["10"].hyperframe_octets // 8 * 9
    assert first.offset == 0 and first.hyperframe == 0
    assert [m.offset % 9 for m in more] == [0] * len(more) and {m.hyperframe for m in more} == {0}
    assert len(first.data) + sum(len(m.data) for m in more) == whole > r.MAX_DATA


@pytest.mark.parametrize("option", ["5", "6", "7"])
def test_a_scrambled_board_tells_its_seed(option: str) -> None:
    source = PumpedBoard(BoardSetup(option=option, line=LineSettings(scrambling=SEED)), step=10)
    decoder = decoded(source, 1)
    status, code = status_of(source.board)
    assert decoder.scrambling_seed == SEED and status.flags & r.StatusFlag.SCRAMBLED
    assert code is not None and (code.protocol_version, code.seed) == (2, SEED)
    source.inject("scrambling.seed@12:seed=5")
    source.board.advance(10)
    _, code = status_of(source.board)
    assert code is not None and (code.seed, code.scrambling_seed_changes) == (5, 1)


def test_seed_0_is_version_2_and_not_scrambled() -> None:
    board = RecordBoard(BoardSetup(option="5", line=LineSettings(scrambling=0)))
    board.advance(10)
    status, code = status_of(board)
    assert not status.flags & r.StatusFlag.SCRAMBLED
    assert code is not None and code.flags == r.LineCodeFlag.SEED_KNOWN and code.protocol_version == 2


def test_line_code_comes_right_behind_status_where_there_is_something_to_tell() -> None:
    kinds = {
        option: [type(m) for m in messages(RecordBoard(BoardSetup(option=option)).start())]
        for option in ("2", "7A")
    }
    assert kinds["2"] == [r.BoardEvent, r.Status]
    assert kinds["7A"] == [r.BoardEvent, r.Status, r.LineCodeStatus]


@pytest.mark.parametrize("which", list(r.Transceiver))
@pytest.mark.parametrize("line", [LineSettings(), FEC], ids=["plain", "fec"])
def test_a_reset_moves_the_offset_and_numbers_hold(line: LineSettings, which: r.Transceiver) -> None:
    board = RecordBoard(BoardSetup(option="7A", line=line, seed=2))
    commands, octets, last = RecordWriter(1), OPTIONS["7A"].hyperframe_octets, -1
    offsets, seen = set(), bytearray()
    for number in range(16):
        for message in messages(board.advance(2)):
            if isinstance(message, r.LineData):
                seen = seen + message.data if message.offset else bytearray(message.data)
                if len(seen) == 2 * octets and message.hyperframe != last:
                    last = message.hyperframe
                    # Z.64.0 of what was received: the sender counted on while nothing came.
                    assert seen[2 * 64 * 16 * 16] == last or which & r.Transceiver.TRANSMITTER
        if number in (2, 9):
            status, code = status_of(board)
            assert status.alignment_bits is not None and code is not None
            offsets.add((status.alignment_bits, code.codeword_phase_bits))
            assert status.resets == len(offsets) - 1
            board.receive(commands.message(r.ResetTransceiver(which)))
            assert status_of(board)[0].alignment_bits is None
    assert last == 31 - line.fec and seen[2 * 64 * 16 * 16] == last
    assert len(offsets) == 2 and (not line.fec or all(phase % 66 == bits for bits, phase in offsets))
    assert status_of(board)[0].sync_state is r.SyncState.HFNSYNC


def test_faults_of_codewords_are_in_line_code_and_not_in_the_line_data() -> None:
    source = PumpedBoard(BoardSetup(option="7A", line=FEC), step=3)
    assert source.inject("fec.symbols@4:symbols=7").expected == {}
    assert source.inject("fec.symbols@5:symbols=8").expected == {"block_header_errors": 80}
    decoder = decoded(source, 3)
    _, code = status_of(source.board)
    assert code is not None
    told = (code.fec_corrected_codewords, code.fec_corrected_symbols, code.fec_uncorrected_codewords)
    assert told == (1, 7, 1) and code.block_header_errors == 80
    assert decoder.counters["block_header_errors"] == 80 and decoder.counters["fec_corrected_codewords"] == 0


@pytest.mark.parametrize("line", [LineSettings(), FEC], ids=["plain", "fec"])
def test_two_boards_of_7a_on_one_link(line: LineSettings) -> None:
    near = RecordBoard(BoardSetup(option="7A", loopback=r.Loopback.PAIR, line=line))
    far = RecordBoard(BoardSetup(option="7A", name="RE-1", loopback=r.Loopback.PAIR, line=line, seed=9))

    def run(steps: int) -> bytes:
        out = b""
        for _ in range(steps):
            near.advance(3)
            far.advance(3)
            link = far.to_link()
            far.from_link(near.to_link())
            for at in range(0, len(link), 70001):
                out += near.from_link(link[at : at + 70001])
        return out

    near.advance(3)
    assert status_of(near)[0].flags & r.StatusFlag.LOS
    for board in (near, far):
        board.link_changed(True)
    data = [m for m in messages(run(4)) if isinstance(m, r.LineData)]
    assert near.decoder.state.value == far.decoder.state.value == "HFNSYNC"
    assert len({m.hyperframe for m in data}) >= 9
    near.receive(RecordWriter(1).message(r.InjectFault("line.dark")))
    run(4)
    assert far.decoder.counters["los_events"] == near.decoder.counters["los_events"] == 1


def test_a_board_with_fec_does_not_understand_one_without() -> None:
    near = RecordBoard(BoardSetup(option="7A", loopback=r.Loopback.PAIR))
    far = RecordBoard(BoardSetup(option="7A", name="RE-1", loopback=r.Loopback.PAIR, line=FEC))
    for board in (near, far):
        board.link_changed(True)
    far.advance(3)
    near.from_link(far.to_link())
    flags = status_of(near)[0].flags
    assert flags & r.StatusFlag.LOF and not flags & r.StatusFlag.BLOCK_LOCK


def test_blocks_are_selected_where_there_are_any() -> None:
    def answer(option: str, data_type: int) -> r.Message:
        board = RecordBoard(BoardSetup(option=option))
        return messages(board.receive(RecordWriter(1).message(r.SelectData(data_type))))[0]

    assert isinstance(answer("7A", 4), r.Acknowledge)
    refused = answer("2", 4)
    assert isinstance(refused, r.Refuse) and refused.reason is r.Reason.NOT_SUPPORTED
    refused = answer("7A", 5)
    assert isinstance(refused, r.Refuse) and refused.reason is r.Reason.OUT_OF_RANGE
    with pytest.raises(InputError, match="option 2 has no 64B/66B blocks; choose octets, flagged or control"):
        RecordBoard(BoardSetup(data_type=r.RecordType.BLOCKS))


def test_without_an_input_there_is_no_block_lock_and_it_comes_back() -> None:
    board = RecordBoard(BoardSetup(option="7A", line=FEC))
    board.advance(6)
    board.loopback = r.Loopback.NONE
    assert board.advance(2) and not any(isinstance(m, r.LineData) for m in messages(board.advance(2)))
    assert not status_of(board)[0].flags & r.StatusFlag.BLOCK_LOCK
    board.receive(RecordWriter(1).message(r.SetLoopback(r.Loopback.INTERNAL)))
    board.advance(8)
    status, _ = status_of(board)
    assert status.flags & r.StatusFlag.BLOCK_LOCK and status.sync_state is r.SyncState.HFNSYNC
