"""`framefray board`: an emulated board on a pseudo-terminal or a TCP port, speaking the record protocol.

The first line on standard output is the SOURCE to watch it by; a board of a chain has one for each of its links, the
one towards the REC first. It listens on the loopback only, unless told.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

from ..emulation.board import BoardSetup
from ..emulation.board_server import BoardServing, serve
from ..emulation.line_settings import LineSettings
from ..emulation.node_server import NodeServing, serve_node
from ..errors import InputError
from ..process.streams import print_lines, tell
from ..protocol.records import Loopback, RecordType

_LOOPBACKS = {"internal": Loopback.INTERNAL, "cable": Loopback.CABLE, "pair": Loopback.PAIR}
_DATA = {
    "octets": RecordType.OCTETS,
    "flagged": RecordType.FLAGGED,
    "control": RecordType.CONTROL,
    "blocks": RecordType.BLOCKS,
}


def run(arguments: argparse.Namespace) -> int:
    if arguments.fec_header_xor is not None and arguments.fec != "on":
        raise InputError("--fec-header-xor goes with --fec on")
    chained = arguments.uplink is not None or arguments.downlink is not None
    if chained and (arguments.loopback or arguments.link):
        raise InputError(
            "--uplink and --downlink make a board of a chain, which has no --loopback and no --link"
        )
    if not chained and len(arguments.tcp) > 1:
        raise InputError(
            f"--tcp {arguments.tcp[1]}: a board has one port, and one for each of --uplink and --downlink"
        )
    setup = BoardSetup(
        name=arguments.name,
        option=arguments.option,
        seed=arguments.seed,
        loopback=_LOOPBACKS[arguments.loopback or ("pair" if arguments.link else "internal")],
        data_type=_DATA[arguments.data],
        bit_error_ratio=arguments.ber,
        line=LineSettings(arguments.fec == "on", arguments.fec_header_xor == "on", arguments.scrambling),
    )
    if chained:
        _serve_node(setup, arguments)
        return 0
    serving = BoardServing(
        tcp=arguments.tcp[0] if arguments.tcp else None,
        link=arguments.link,
        listen_any=arguments.listen_any,
        pace=arguments.pace,
        hyperframes=arguments.hyperframes,
    )

    def ready(name: str) -> None:
        print_lines([name])
        sys.stdout.flush()
        tell(f"{setup.name}, option {setup.option}; framefray watch {name}")

    serve(setup, serving, ready=ready, tell=tell)
    return 0


def _serve_node(setup: BoardSetup, arguments: argparse.Namespace) -> None:
    """A board of a chain: a line on standard output for each of its links."""
    serving = NodeServing(
        uplink=arguments.uplink,
        downlink=arguments.downlink,
        tcp=arguments.tcp,
        listen_any=arguments.listen_any,
        pace=arguments.pace,
        hyperframes=arguments.hyperframes,
    )
    given = ((arguments.uplink, "from the REC's side"), (arguments.downlink, "from the far side"))
    words = [word for link, word in given if link is not None]

    def ready(names: Sequence[str]) -> None:
        print_lines(names)
        sys.stdout.flush()
        for name, word in zip(names, words, strict=True):
            tell(f"{setup.name}, option {setup.option}, what it receives {word}; framefray watch {name}")

    serve_node(setup, serving, ready=ready, tell=tell)
