"""`framefray board`: an emulated board on a pseudo-terminal or a TCP port, speaking the record protocol.

The first line on standard output is the SOURCE to watch it by. It listens on the loopback only, unless told.
"""

from __future__ import annotations

import argparse
import sys

from ..emulation.board import BoardSetup
from ..emulation.board_server import BoardServing, serve
from ..emulation.line_settings import LineSettings
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
    setup = BoardSetup(
        name=arguments.name,
        option=arguments.option,
        seed=arguments.seed,
        loopback=_LOOPBACKS[arguments.loopback or ("pair" if arguments.link else "internal")],
        data_type=_DATA[arguments.data],
        bit_error_ratio=arguments.ber,
        line=LineSettings(arguments.fec == "on", arguments.fec_header_xor == "on", arguments.scrambling),
    )
    serving = BoardServing(
        tcp=arguments.tcp,
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
