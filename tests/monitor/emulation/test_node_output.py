"""A node's transmitter: gaps where its time begins anew, and nothing while it is reset."""

from __future__ import annotations

import numpy as np

from decoders.line_coding.code_8b10b import SymbolDecoder
from decoders.link.settings import SenderSettings
from monitor.emulation.node_output import NodeOutput
from monitor.emulation.node_sender import EndSender, Outgoing
from monitor.faults.catalogue import parse_fault

SIZE = 4096


def output(moved: list[int] | None = None) -> NodeOutput:
    sender = EndSender(SenderSettings(option="1", hdlc_rate_code=2), 1)
    return NodeOutput(sender, moved=(moved if moved is not None else []).append)


def test_a_gap_moves_what_follows_and_disturbs_no_disparity() -> None:
    out = output()
    symbols = out.send([(0, Outgoing(0, 0)), (37, Outgoing(1, 0)), (0, Outgoing(2, 0))])
    coded = SymbolDecoder().decode(symbols)
    assert coded.k_positions.tolist() == [0, SIZE + 37, 2 * SIZE + 37]
    assert not len(coded.violations) and not len(coded.disparity_errors)
    assert (coded.octets[SIZE : SIZE + 37] == 0xB5).all()  # D21.5


def test_a_fault_of_line_bits_is_aligned_anew() -> None:
    moved: list[int] = []
    out = output(moved)
    out.sender.schedule(parse_fault("line.slip@1:x=10,bits=1"))
    symbols = out.send([(0, Outgoing(i, 0)) for i in range(5)])
    coded = SymbolDecoder().decode(symbols)
    assert moved == [1] and len(symbols) in (5 * SIZE, 5 * SIZE + 1)
    assert len(coded.k_positions) >= 4 and len(coded.violations) > 3


def test_is_dark_while_it_is_reset() -> None:
    out = output()
    out.line.go_dark(2)
    symbols = np.concatenate([out.send([(0, Outgoing(i, 0))]) for i in range(3)])
    assert not symbols[: 2 * SIZE].any() and (symbols[2 * SIZE :] > 0).all()


def test_nothing_to_send_is_nothing() -> None:
    assert not len(output().send([]))
