"""A board's line at 64B/66B: pieces of hyperframes with their numbers, dark, deaf, in another alignment."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.linerates import OPTIONS
from decoders.link.settings import SenderSettings
from monitor.emulation.board_line import BoardBlockLine, BoardSymbolLine, open_board_line
from monitor.emulation.cutter import Piece
from monitor.emulation.line_settings import LineSettings
from monitor.emulation.sender import EmulatedSender
from monitor.errors import InputError
from monitor.faults.catalogue import parse_fault

OPTION = OPTIONS["7A"]
SIZE = OPTION.hyperframe_octets


class Way:
    """A sender and the line that it goes over, looped back."""

    def __init__(self, line: LineSettings = LineSettings(), *faults: str) -> None:  # noqa: B008 - frozen
        self.line = open_board_line(OPTION, line)
        self.sender = EmulatedSender(SenderSettings(option="7A", hdlc_rate_code=6), line=line, load=0.0)
        for fault in faults:
            self.sender.schedule(parse_fault(fault))
        self._random = np.random.default_rng(1)

    def pump(self, hyperframes: int) -> list[Piece]:
        batches = self.sender.batch(hyperframes)
        return [
            piece
            for batch in batches
            for piece in self.line.receive(self.line.send(batch, 0.0, self._random))
        ]


def numbers(pieces: list[Piece]) -> list[int]:
    """Numbers of the hyperframes that are whole."""
    return [p.first + i for p in pieces if not p.uncut for i in range(len(p.words) // SIZE)]


@pytest.mark.parametrize("line", [LineSettings(), LineSettings(fec=True, fec_header_xor=True)])
def test_hyperframes_come_back_with_their_numbers_and_blocks(line: LineSettings) -> None:
    way = Way(line)
    pieces = way.pump(3) + way.pump(3)
    assert numbers(pieces) == list(range(6 - line.fec))  # the last codeword is not full yet
    for piece in pieces:
        assert piece.words.reshape(-1, SIZE)[:, 7:9].tolist() == [[0x1FD, 0x1FB]] * (len(piece.words) // SIZE)
        assert piece.blocks is not None and len(piece.blocks) == len(piece.words) // 8 * 9


@pytest.mark.parametrize("line", [LineSettings(), LineSettings(fec=True)])
def test_a_deaf_receiver_loses_hyperframes_and_keeps_count(line: LineSettings) -> None:
    way = Way(line)
    before = numbers(way.pump(4))
    way.line.go_deaf(3)
    pieces = way.pump(10)
    seen = numbers(pieces)
    # The hyperframe in which blocks are found again has begun without its first block.
    assert before == list(range(4 - line.fec)) and not any(p.uncut for p in pieces)
    assert seen == list(range(seen[0], 14 - line.fec)) and 7 <= seen[0] <= 8
    first = pieces[0]
    assert first.blocks is not None and len(first.blocks) == len(first.words) // 8 * 9
    assert first.words[7] == 0x1FD


def test_a_dark_transmitter_gives_bad_headers_and_no_gap() -> None:
    way = Way()
    way.pump(2)
    way.line.go_dark(2)
    assert way.line.in_reset
    words = np.concatenate([p.words for p in way.pump(6)])
    assert len(words) == 6 * SIZE and np.count_nonzero(words & 0x200) == 2 * SIZE
    assert not way.line.in_reset


@pytest.mark.parametrize("bits", [1, -1])
def test_after_a_slip_hyperframes_are_cut_at_their_sync_words_again(bits: int) -> None:
    way = Way(LineSettings(), f"line.slip@2:x=100,bits={bits}")
    pieces = way.pump(9)
    # With a block fewer the hyperframes are found by their sync word again, not by counting.
    assert numbers(pieces)[-2:] == [6, 7] and sum(p.uncut for p in pieces) == (bits < 0)
    assert pieces[-1].words[7] == 0x1FD
    words = sum(len(p.words) for p in pieces)
    assert 8 * SIZE - 8 <= words <= 9 * SIZE


def test_bits_are_inverted_at_the_ratio_asked_for() -> None:
    line = BoardBlockLine(OPTION, LineSettings())
    sender = EmulatedSender(SenderSettings(option="7A", hdlc_rate_code=6), load=0.0)
    twin = BoardBlockLine(OPTION, LineSettings())
    (batch,) = sender.batch(2)
    clean = line.send(batch, 0.0, np.random.default_rng(1))
    hit = twin.send(batch, 1e-3, np.random.default_rng(1))
    errors = int(np.unpackbits(clean ^ hit).sum())
    assert errors == pytest.approx(8e-3 * len(clean), rel=0.2)


def test_each_line_code_has_its_line() -> None:
    assert isinstance(open_board_line(OPTIONS["7"], LineSettings(scrambling=5)), BoardSymbolLine)
    with pytest.raises(InputError, match="option 2 has no RS-FEC"):
        open_board_line(OPTIONS["2"], LineSettings(fec=True))
