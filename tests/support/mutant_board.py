"""A board of a pair whose receiver has a mistake, as a process: NAME TCP LINK MUTANT PACE, of option 1."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from decoders.line_coding.characters import LineForm
from decoders.linerates import LineRateOption
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings
from monitor.emulation.board import BoardSetup, RecordBoard
from monitor.emulation.board_records import BoardRecords
from monitor.emulation.board_server import BoardServing, serve
from monitor.emulation.cutter import Piece
from monitor.protocol.records import Loopback

__all__ = ["MUTANTS", "mutant_board"]


class _Changed(BoardRecords):
    """Line data whose control words (n, 256, T/8) are changed before they are sent."""

    def __init__(self, option: LineRateOption, data_type: int) -> None:
        super().__init__(option, data_type)
        self.octets = option.word_octets

    def change(self, control: NDArray[np.uint16]) -> None:
        raise NotImplementedError

    def line_data(self, piece: Piece, room: bool) -> bytes:
        words = piece.words.copy()
        if not piece.uncut:
            self.change(words.reshape(-1, 256, 16, self.octets)[:, :, 0, :])
        return super().line_data(replace(piece, words=words), room)


class _NoViolations(BoardRecords):
    """Line data without the flag of a code violation."""

    def line_data(self, piece: Piece, room: bool) -> bytes:
        return super().line_data(replace(piece, words=piece.words & 0x5FF), room)


class _StuckVendor(_Changed):
    """The vendor specific octet Z.84.0 (Ns 20, Xs 1) is always 0."""

    def change(self, control: NDArray[np.uint16]) -> None:
        control[:, 84, 0] = 0


class _WrongHdlc(_Changed):
    """Slow C&M octets X5 have bit 4 inverted."""

    def change(self, control: NDArray[np.uint16]) -> None:
        slow = control[:, 1::64, :]
        slow ^= np.where(slow & 0x0F == 5, 0x10, 0).astype(np.uint16)


def _own_records(kind: type[BoardRecords]) -> Callable[[RecordBoard], None]:
    def change(board: RecordBoard) -> None:
        board.records = kind(board.option, board.records.data_type)

    return change


def _late_los(board: RecordBoard) -> None:
    """LOS from 17 characters in error on, where 16 are enough."""
    board.decoder = LinkDecoder(
        LinkSettings(option=board.option.name, form=LineForm.FLAGGED, los_threshold=17)
    )


MUTANTS: Mapping[str, Callable[[RecordBoard], None]] = {
    "no-violations": _own_records(_NoViolations),
    "stuck-vendor": _own_records(_StuckVendor),
    "wrong-hdlc": _own_records(_WrongHdlc),
    "late-los": _late_los,
}


def mutant_board(setup: BoardSetup, name: str) -> RecordBoard:
    """The board with this mistake."""
    board = RecordBoard(setup)
    MUTANTS[name](board)
    return board


def main(name: str, tcp: str, link: str, mutant: str, pace: str) -> None:
    setup = BoardSetup(name=name, option="1", seed=2, loopback=Loopback.PAIR)
    serve(
        setup,
        BoardServing(tcp=tcp, link=link, pace=float(pace)),
        ready=lambda source: print(source, flush=True),
        tell=lambda text: None,
        make=lambda wanted: mutant_board(wanted, mutant),
    )


if __name__ == "__main__":
    main(*sys.argv[1:])
