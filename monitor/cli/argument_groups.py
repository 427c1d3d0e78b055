"""Arguments that several commands share."""

from __future__ import annotations

import argparse
import os
import sys
from typing import Any

from .values import at_least_one, baud, bit_error_ratio, file_name, pace, refreshes, seconds, whole

__all__ = [
    "FORM_CHOICES",
    "OPTION_CHOICES",
    "emulation_arguments",
    "fault_list_argument",
    "force_argument",
    "help_formatter",
    "inject_at_arguments",
    "line_arguments",
    "option_argument",
    "plain_arguments",
    "port_list_argument",
    "scrambling_argument",
    "screen_arguments",
    "serving_arguments",
    "several_sources_argument",
    "source_arguments",
    "tested_link_arguments",
    "web_arguments",
]

FORM_CHOICES = ("octets", "flagged", "symbols", "bits", "hex", "blocks")

OPTION_CHOICES = ("1", "2", "3", "4", "5", "6", "7", "7A", "8", "9", "10")


def help_formatter() -> Any:
    """Help in colour where the terminal has it."""
    if sys.stdout.isatty() and "NO_COLOR" not in os.environ:
        from rich_argparse import RawDescriptionRichHelpFormatter

        return RawDescriptionRichHelpFormatter
    return argparse.RawDescriptionHelpFormatter


def option_argument(parser: argparse.ArgumentParser, usual: str | None = "2", text: str = "") -> None:
    parser.add_argument(
        "--option",
        choices=OPTION_CHOICES,
        default=usual,
        metavar="N",
        help=f"line bit rate option, 1 to 10 or 7A (default: {text or usual})",
    )


def source_arguments(parser: argparse.ArgumentParser, *, capture: bool = False, several: str = "") -> None:
    """The source and how to read it; `capture` where a live source is not possible.

    `several`: where there may be more than one, what else to say of them.
    """
    many: dict[str, Any] = {"nargs": "+"} if several else {}
    parser.add_argument(
        "source",
        type=file_name,
        metavar="CAPTURE" if capture else "SOURCE",
        **many,
        help=several
        or (
            "file of line data (.ffcap .octets .flagged .symbols .bits .blocks .hex), or - for standard input"
            if capture
            else "file, - for standard input, emulated, emulated:chain, a point of it such as "
            "emulated:chain/RE-1>RE-2, emulated:pair, serial device or URL"
        ),
    )
    parser.add_argument("--form", choices=FORM_CHOICES, help="data format (default: detected)")
    option_argument(parser, None, "detected")
    parser.add_argument(
        "--pointer", type=whole, metavar="P", help="pointer p to decode with (default: as received)"
    )
    parser.add_argument(
        "--hdlc-rate", type=whole, metavar="CODE", help="HDLC rate code to decode with (default: as received)"
    )
    parser.add_argument(
        "--hdlc-msb-first", action="store_true", help="read HDLC bits from bit 7 of each control octet down"
    )
    parser.add_argument(
        "--ethernet-msb-first", action="store_true", help="read 4B/5B bits from bit 7 of each octet down"
    )
    parser.add_argument(
        "--fec",
        choices=("auto", "on", "off"),
        default="auto",
        help="RS-FEC in line bits of options 7A to 10 (default: auto)",
    )
    parser.add_argument(
        "--fec-header-xor",
        choices=("auto", "on", "off"),
        default="auto",
        help="header bits of FEC codewords xored with payload bits (default: auto)",
    )
    parser.add_argument(
        "--vcd",
        metavar="SIGNALS",
        help=argparse.SUPPRESS
        if capture
        else "signals of a value change dump: data=NAME[,k=NAME][,clock=NAME][,valid=NAME][,edge=rise|fall]",
    )


def line_arguments(parser: argparse.ArgumentParser, *, reconnect: bool = True) -> None:
    """The serial line to a board."""
    parser.add_argument(
        "--baud",
        type=baud,
        default=3_000_000,
        metavar="RATE",
        help="bit rate of a serial device (default: 3000000)",
    )
    if reconnect:
        parser.add_argument("--no-reconnect", action="store_true", help="stop when the serial line goes down")
    parser.add_argument(
        "--yes",
        action="store_true",
        help="do not ask before commands that make a board transmit or reset",
    )


class _ListPorts(argparse.Action):
    """Lists the serial ports of this machine, and nothing else."""

    def __call__(self, parser: argparse.ArgumentParser, *_: Any) -> None:
        from ..boards.serial_port import port_lines
        from ..process.streams import print_lines

        print_lines(port_lines() or ["no serial ports found"])
        parser.exit()


class _ListFaults(argparse.Action):
    """Lists the faults and their parameters, and nothing else."""

    def __call__(self, parser: argparse.ArgumentParser, *_: Any) -> None:
        from ..commands.craft import list_faults

        list_faults()
        parser.exit()


def fault_list_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--faults", action=_ListFaults, nargs=0, help="list all faults and their parameters, and exit"
    )


def port_list_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--ports", action=_ListPorts, nargs=0, help="list the serial ports and exit")


def screen_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--fps", type=refreshes, metavar="N", help="screen refreshes per second (default: 10; 4 over ssh)"
    )
    parser.add_argument("--headless", action="store_true", help="no screen: print a summary at the end")
    parser.add_argument(
        "--iq", metavar="MAP", help='IQ sample format and sample rate in MHz, as "M=15,fs=15.36,n=2"'
    )


def serving_arguments(parser: argparse.ArgumentParser) -> None:
    """What is served over HTTP while a command runs."""
    parser.add_argument(
        "--metrics",
        metavar="HOST:PORT",
        help="serve counters and states for a metrics collector (OpenMetrics, /metrics; port 0 = any free port)",
    )
    parser.add_argument(
        "--listen-any", action="store_true", help="allow a listen address other than the loopback address"
    )


def web_arguments(parser: argparse.ArgumentParser) -> None:
    """The screen in a browser."""
    parser.add_argument(
        "--web",
        metavar="HOST:PORT",
        help="show the screen in a browser, a page for each viewer, for reading only (port 0 = any free port)",
    )
    parser.add_argument(
        "--web-control", action="store_true", help="with --web: pages may inject faults and reset boards"
    )


def plain_arguments(parser: argparse.ArgumentParser) -> None:
    """Lines of text in place of the screen."""
    parser.add_argument(
        "--plain", action="store_true", help="no screen: a line for each event, and status lines"
    )
    parser.add_argument(
        "--every",
        type=seconds,
        default=10.0,
        metavar="S",
        help="with --plain: seconds between status lines (default: 10)",
    )
    parser.add_argument(
        "--event-rate",
        type=whole,
        metavar="N",
        help="with --plain: event lines per second at most, errors first; 0 = no limit "
        "(default: 10; captures: no limit)",
    )
    parser.add_argument(
        "--no-traffic",
        action="store_true",
        help="with --plain: no lines for C&M frames without error and for octets that changed",
    )


def emulation_arguments(parser: argparse.ArgumentParser, *, usual: float = 750.0) -> None:
    """The emulated link."""
    parser.add_argument(
        "--seed", type=whole, default=1, metavar="N", help="seed of the emulated traffic (default: 1)"
    )
    parser.add_argument(
        "--pace",
        type=pace,
        default=usual,
        metavar="N",
        help=f"emulated hyperframes per second; 0 = as fast as possible (default: {usual:g})",
    )
    parser.add_argument(
        "--hyperframes", type=at_least_one, metavar="N", help="stop after N hyperframes (default: no limit)"
    )
    parser.add_argument(
        "--ber",
        type=bit_error_ratio,
        default=0.0,
        metavar="RATIO",
        help="bit error ratio of the emulated cable, 0 to 0.5 (default: 0)",
    )
    scrambling_argument(parser)


def scrambling_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--scrambling",
        type=whole,
        metavar="SEED",
        help="emulated link: scramble with this seed (protocol version 2; options 5 to 7)",
    )


def several_sources_argument(parser: argparse.ArgumentParser, nargs: str, text: str = "") -> None:
    """One SOURCE, or two boards that a cable joins, each as NAME=SOURCE: a list."""
    parser.add_argument(
        "source",
        nargs=nargs,
        metavar="SOURCE",
        help=text
        or "emulated, emulated:pair, serial device or URL of a board; two boards: NAME=SOURCE NAME=SOURCE; for "
        "inject emulated:chain, too",
    )


def inject_at_arguments(parser: argparse.ArgumentParser) -> None:
    """Which of two boards transmits the faults, and which receives them."""
    parser.add_argument(
        "--inject-at",
        action="append",
        default=[],
        metavar="NAME",
        help="two boards: inject the faults at this one, observe them at the other one",
    )
    parser.add_argument(
        "--observe-at", metavar="NAME", help="where more than two boards are named: observe at this one"
    )


def tested_link_arguments(parser: argparse.ArgumentParser) -> None:
    """The link that `campaign` and `inject` inject faults into."""
    several_sources_argument(parser, "+")
    inject_at_arguments(parser)
    option_argument(parser, None, "2, or what the board reports")
    parser.add_argument("--pointer", type=whole, metavar="P", help="pointer p: 0 or 20 to 63 (default: 40)")
    parser.add_argument(
        "--hdlc-rate", type=whole, metavar="CODE", help="HDLC rate code (default: highest of the option)"
    )
    parser.add_argument(
        "--seed", type=whole, default=1, metavar="N", help="seed of the emulated traffic (default: 1)"
    )
    parser.add_argument(
        "--hyperframes",
        type=at_least_one,
        metavar="N",
        help="hyperframes to observe after each fault (default: as many as the fault needs)",
    )
    line_arguments(parser, reconnect=False)


def force_argument(parser: argparse.ArgumentParser, dest: str = "force") -> None:
    """The flag without which no command writes over a file; `--overwrite` means the same."""
    parser.add_argument(
        "--force", "--overwrite", dest=dest, action="store_true", help="replace output files that exist"
    )
