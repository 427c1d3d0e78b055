"""The parser of the whole command line."""

from __future__ import annotations

from .. import __version__
from .argument_groups import help_formatter
from .command_arguments import COMMANDS
from .values import Parser

__all__ = ["build_parser"]

_EPILOG = """\
SOURCE is a capture file, - for standard input, emulated (one board, internal loopback), emulated:pair
(REC-A and RE-1), emulated:chain (REC-A to RE-3), a serial device, or a URL such as socket://host:port.
Exit status: 0 done or pass, 1 fail, 2 bad input or usage, 130 interrupted.

  framefray demo                              watch an emulated link; no hardware needed
  framefray craft test.bits --option 2 --hyperframes 300 --fault hdlc.fcs@40 --truth truth.json
  framefray decode test.bits --json           decode it, with the result as JSON
  framefray watch test.bits                   the same on the screen
"""


def build_parser() -> Parser:
    """Imports nothing heavy: `framefray --help` must not load numpy, construct or textual."""
    formatter = help_formatter()
    parser = Parser(
        prog="framefray",
        description="Watch, test and document the serial link between radio equipment control (REC) and "
        "radio equipment (RE).",
        epilog=_EPILOG,
        formatter_class=formatter,
    )
    parser.add_argument("--version", action="version", version=f"framefray {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for command in COMMANDS:
        command.add_arguments(
            commands.add_parser(
                command.name,
                help=command.text,
                description=command.text[0].upper() + command.text[1:] + ".",
                epilog=command.epilog,
                formatter_class=formatter,
            )
        )
    return parser
