"""Arguments that several commands share."""

from __future__ import annotations

import argparse
import os
import sys
from typing import Any

from .values import at_least_one, baud, bit_error_ratio, file_name, pace, paints, whole

FORM_CHOICES = ("octets", "flagged", "symbols", "bits", "hex")

OPTION_CHOICES = ("1", "2", "3", "4", "5", "6", "7", "7A", "8", "9", "10")


def help_formatter() -> Any:
    """Help in colour where the terminal has it."""
    if sys.stdout.isatty() and "NO_COLOR" not in os.environ:
        from rich_argparse import RawDescriptionRichHelpFormatter

        return RawDescriptionRichHelpFormatter
    return argparse.RawDescriptionHelpFormatter


def source_arguments(parser: argparse.ArgumentParser, *, capture: bool = False) -> None:
    """The source and how to read it; `capture` where it can only be one that is there already."""
    parser.add_argument(
        "source",
        type=file_name,
        metavar="CAPTURE" if capture else "SOURCE",
        help="file of line data (.ffcap .octets .flagged .symbols .bits .hex), or - for standard input"
        if capture
        else "file, -, emulated, emulated:pair, serial device or URL",
    )
    parser.add_argument(
        "--form", choices=FORM_CHOICES, help="raw form of the data; found from the data if left out"
    )
    parser.add_argument(
        "--option", choices=OPTION_CHOICES, help="line bit rate option; found from the data if left out"
    )
    parser.add_argument(
        "--pointer", type=whole, metavar="P", help="take p for the pointer, whatever the link says"
    )
    parser.add_argument("--hdlc-rate", type=whole, metavar="CODE", help="take this HDLC rate code, likewise")
    parser.add_argument(
        "--hdlc-msb-first", action="store_true", help="first HDLC bit is bit 7 of a control octet"
    )
    parser.add_argument("--ethernet-msb-first", action="store_true", help="first 4B/5B bit is bit 7 likewise")
    parser.add_argument(
        "--vcd",
        metavar="SIGNALS",
        help=argparse.SUPPRESS
        if capture
        else "the file is a value change dump: data=NAME[,k=NAME][,clock=NAME][,valid=NAME][,edge=rise|fall]",
    )


def line_arguments(parser: argparse.ArgumentParser, *, reconnect: bool = True) -> None:
    parser.add_argument(
        "--baud", type=baud, default=3_000_000, metavar="N", help="rate of a serial device (3000000)"
    )
    if reconnect:
        parser.add_argument(
            "--no-reconnect",
            action="store_true",
            help="end when the serial line breaks, in place of trying again",
        )
    parser.add_argument(
        "--yes", action="store_true", help="send commands that make a board transmit or reset without asking"
    )


class ListPorts(argparse.Action):
    """Lists the serial ports of this machine, and nothing else."""

    def __call__(self, parser: argparse.ArgumentParser, *_: Any) -> None:
        from ..boards.serial_port import port_lines

        print("\n".join(port_lines()) or "no serial ports here")
        parser.exit()


def screen_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--fps", type=paints, help="paints a second (10; 4 over ssh)")
    parser.add_argument("--headless", action="store_true", help="no screen: a text summary at the end")
    parser.add_argument(
        "--iq", metavar="MAP", help='where samples lie, as "M=15,fs=15.36,n=2" (M=15,fs=3.84 is assumed)'
    )


def emulation_arguments(parser: argparse.ArgumentParser, *, usual: float = 750.0) -> None:
    parser.add_argument("--seed", type=whole, default=1, help="seed of the emulated traffic (1)")
    parser.add_argument(
        "--pace",
        type=pace,
        default=usual,
        metavar="N",
        help=f"hyperframes a second; 0 = as fast as it goes ({usual:g})",
    )
    parser.add_argument("--hyperframes", type=at_least_one, metavar="N", help="stop after so many")
    parser.add_argument(
        "--ber", type=bit_error_ratio, default=0.0, metavar="RATIO", help="bit error ratio of the cable (0)"
    )


def emulated_arguments(parser: argparse.ArgumentParser) -> None:
    """The link of prove and inject."""
    parser.add_argument(
        "source", metavar="SOURCE", help="emulated, emulated:pair, serial device or URL of a board"
    )
    parser.add_argument(
        "--option", choices=OPTION_CHOICES[:7], help="line bit rate option (2; what a board says)"
    )
    parser.add_argument("--pointer", type=whole, metavar="P", help="pointer p: 0 or 20 to 63 (40)")
    parser.add_argument(
        "--hdlc-rate", type=whole, metavar="CODE", help="HDLC rate code (highest of the option)"
    )
    parser.add_argument("--seed", type=whole, default=1, help="seed of the emulated traffic (1)")
    parser.add_argument(
        "--hyperframes",
        type=at_least_one,
        metavar="N",
        help="how many after the fault (as many as it needs)",
    )
    line_arguments(parser, reconnect=False)
