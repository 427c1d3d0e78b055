"""The command line: builds the parser, runs a command, turns failures into one line and an exit status.

Imports nothing heavy: `framefray --help` must not load numpy, construct or textual. Each command's module is
imported when it runs. Nothing imports this module.
"""

from __future__ import annotations

import argparse

from .. import __version__
from .argument_groups import (
    FORM_CHOICES,
    OPTION_CHOICES,
    ListPorts,
    emulated_arguments,
    emulation_arguments,
    help_formatter,
    line_arguments,
    screen_arguments,
    source_arguments,
)
from .values import Parser, at_least_one, file_name, number, share, whole

_EPILOG = """\
SOURCE is a capture file, - for standard input, emulated (one board, internal loopback), emulated:pair
(REC-A and RE-1), a serial device, or a URL such as socket://host:port. Exit status: 0 done or pass, 1 fail,
2 bad input or usage, 130 interrupted.

  framefray demo                              watch an emulated link; no hardware needed
  framefray craft test.bits --option 2 --hyperframes 300 --fault hdlc.fcs@40 --truth truth.json
  framefray decode test.bits --json           what is in it, for programs
  framefray watch test.bits                   the same on the screen
"""
_EXPORT_EPILOG = """\
OUT ends in
  .pcapng                     recovered C&M frames as packets, bad ones with the verdict as a comment
  .npy                        IQ samples of an AxC, (n, 2) integers
  .sigmf-meta, .sigmf-data    IQ samples of an AxC as a SigMF recording (both files are written)
  .csv, .jsonl                a table; .parquet too where pyarrow is installed (the tables extra)
  .vcd, .hex, .mem            the characters on the line for a simulator: value change dump or $readmemh text
"""


def build_parser() -> argparse.ArgumentParser:
    """The whole command line."""
    formatter = help_formatter()
    parser = Parser(
        prog="framefray",
        description="Watch, break and prove the serial link between radio equipment control and radio equipment.",
        epilog=_EPILOG,
        formatter_class=formatter,
    )
    parser.add_argument("--version", action="version", version=f"framefray {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)

    def add(name: str, text: str) -> argparse.ArgumentParser:
        return commands.add_parser(name, help=text, description=text, formatter_class=formatter)

    demo = add("demo", "emulated two-board link with traffic on every plane, on the screen")
    demo.add_argument("--option", choices=OPTION_CHOICES, default="2", help="line bit rate option (2)")
    emulation_arguments(demo)
    screen_arguments(demo)

    watch = add("watch", "the screen on a source")
    source_arguments(watch)
    line_arguments(watch)
    watch.add_argument("--ports", action=ListPorts, nargs=0, help="list the serial ports and exit")
    emulation_arguments(watch)
    screen_arguments(watch)

    decode = add("decode", "decode a source without a screen: a summary, or data for programs")
    source_arguments(decode)
    line_arguments(decode)
    shape = decode.add_mutually_exclusive_group()
    shape.add_argument("--json", action="store_true", help="one JSON object")
    shape.add_argument("--frames", action="store_true", help="JSON Lines: each recovered C&M frame")
    shape.add_argument(
        "--vendor", action="store_true", help="JSON Lines: each change of a vendor specific octet"
    )
    shape.add_argument("--events", action="store_true", help="JSON Lines: every event")
    decode.add_argument("--strict", action="store_true", help="exit status 1 when an error counter moved")
    emulation_arguments(decode)

    craft = add("craft", "make a capture with traffic and faults, and the truth about it")
    craft.add_argument(
        "out",
        type=file_name,
        metavar="OUT",
        help="file; its suffix gives the form (.octets .bits .ffcap …); - for stdout",
    )
    craft.add_argument(
        "--form", choices=(*FORM_CHOICES, "ffcap"), help="raw form, where the suffix does not give it"
    )
    craft.add_argument("--option", choices=OPTION_CHOICES, default="2", help="line bit rate option (2)")
    craft.add_argument("--hyperframes", type=at_least_one, default=300, metavar="N", help="how many (300)")
    craft.add_argument("--seed", type=whole, default=1, help="seed of the traffic (1)")
    craft.add_argument("--pointer", type=whole, default=40, metavar="P", help="pointer p: 0 or 20 to 63 (40)")
    craft.add_argument(
        "--hdlc-rate", type=whole, metavar="CODE", help="HDLC rate code (highest of the option)"
    )
    craft.add_argument("--bfn", type=whole, default=0, help="BFN of the first hyperframe (0)")
    craft.add_argument("--hfn", type=whole, default=0, help="HFN of the first hyperframe (0)")
    craft.add_argument("--load", type=share, default=1.0, help="share of the C&M channels that is used (1.0)")
    craft.add_argument(
        "--lead-bits", type=whole, default=0, metavar="N", help="bits form: bits before the first symbol"
    )
    craft.add_argument(
        "--fault", action="append", default=[], metavar="FAULT", help="plane.what@hyperframe:key=value,…"
    )
    craft.add_argument(
        "--plan",
        metavar="FILE",
        help="TOML file of faults: repeated, together, in bursts, at a bit error ratio",
    )
    craft.add_argument("--force", "--overwrite", action="store_true", help="replace output files that exist")
    craft.add_argument("--truth", metavar="FILE", help="write what was put in, as JSON")
    craft.add_argument(
        "--faults", action="store_true", help="list the faults and their parameters, and do nothing"
    )

    record = add("record", "write a source to a file as it comes; a kill loses nothing of it")
    source_arguments(record)
    line_arguments(record)
    record.add_argument(
        "out",
        type=file_name,
        metavar="OUT",
        help="file: .ffcap keeps times, marks and faults; .octets .bits … raw data alone",
    )
    record.add_argument(
        "--limit",
        metavar="N",
        help="stop after 1500hf hyperframes, 64MiB or 10MB of data, or 500ms, 30s, 5min of the source's time",
    )
    record.add_argument(
        "--overwrite", "--force", action="store_true", help="replace OUT where it is there already"
    )
    record.add_argument(
        "--note", action="append", default=[], metavar="TEXT", help="write a note at the start"
    )
    record.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="FAULT",
        help="put in, where the source can (as craft)",
    )
    emulation_arguments(record)

    compare = add(
        "compare", "lay two captures side by side by BFN and HFN: what differs, and the bit error ratio"
    )
    compare.add_argument("sent", type=file_name, metavar="SENT", help="capture of what was sent")
    compare.add_argument(
        "received",
        type=file_name,
        metavar="RECEIVED",
        help="capture of what was received; any form, any start",
    )
    compare.add_argument(
        "--form", choices=FORM_CHOICES, help="raw form of both; found from the data if left out"
    )
    compare.add_argument("--sent-form", choices=FORM_CHOICES, help="raw form of SENT alone")
    compare.add_argument("--received-form", choices=FORM_CHOICES, help="raw form of RECEIVED alone")
    compare.add_argument(
        "--option", choices=OPTION_CHOICES, help="line bit rate option; found from the data if left out"
    )
    compare.add_argument(
        "--max-ber", type=number, default=0.0, metavar="RATIO", help="bit error ratio that passes (0)"
    )
    compare.add_argument(
        "--confidence", type=number, default=0.95, metavar="C", help="of the ratio's upper bound (0.95)"
    )
    compare.add_argument(
        "--no-gaps", action="store_true", help="fail, too, when a hyperframe between common ones is missing"
    )
    compare.add_argument(
        "--places", type=whole, default=10, metavar="N", help="differing octets listed of each plane (10)"
    )
    compare.add_argument("--json", action="store_true", help="one JSON object")

    replay = add("replay", "the screen on a capture: play, pause, step, speed, seek, next error")
    source_arguments(replay, capture=True)
    replay.add_argument(
        "--speed",
        metavar="FACTOR",
        help="of the capture's own time, 0.0001 to 1000, or max (1; max without a screen)",
    )
    replay.add_argument("--paused", action="store_true", help="do not play at once")
    replay.add_argument(
        "--at", metavar="PLACE", help="begin at a hyperframe 120, a BFN.HFN 17.42, or a time 12.5ms"
    )
    screen_arguments(replay)

    rates = add("rates", "the line rate table with the capacity of each plane")
    rates.add_argument("--pointer", type=whole, default=20, metavar="P", help="pointer p: 0 or 20 to 63 (20)")
    rates.add_argument(
        "--hdlc-rate", type=whole, metavar="CODE", help="HDLC rate code (highest of each option)"
    )
    rates.add_argument("--json", action="store_true", help="one JSON object")

    export = add("export", "write what a capture holds in the formats of other tools")
    export.epilog = _EXPORT_EPILOG
    source_arguments(export)
    export.add_argument(
        "out", type=file_name, metavar="OUT", help="file; its suffix chooses what is written, see below"
    )
    export.add_argument(
        "--force", "--overwrite", action="store_true", help="write over a file that is there already"
    )
    export.add_argument(
        "--direction", choices=("inbound", "outbound", "unknown"), help="of the packets in .pcapng (inbound)"
    )
    export.add_argument("--iq", metavar="MAP", help='where samples lie, as "M=15,fs=15.36,n=2" (.npy, SigMF)')
    export.add_argument("--axc", metavar="NAME", help="which AxC of the map: A0, A1, … or its name=")
    export.add_argument(
        "--table",
        choices=("frames", "vendor", "counters", "l1", "events"),
        help="which table (.csv .jsonl .parquet; frames)",
    )
    export.add_argument(
        "--words",
        choices=("symbols", "flagged"),
        help="10-bit symbols or 9-bit {K, octet} (.vcd .hex .mem; symbols)",
    )
    export.add_argument(
        "--limit", type=at_least_one, metavar="N", help="so many hyperframes at most (.vcd .hex .mem)"
    )
    export.add_argument("--data-name", metavar="NAME", help="data bus in the .vcd (symbol or octet)")
    export.add_argument("--k-name", metavar="NAME", help="K flag in the .vcd (k)")
    export.add_argument(
        "--clock-name", metavar="NAME", help="put a clock into the .vcd, rising mid-character"
    )
    emulation_arguments(export, usual=0.0)

    delay = add("delay", "delay through transceiver resets, or the delay budget of a chain (--hops)")
    delay.add_argument(
        "source",
        nargs="?",
        metavar="SOURCE",
        help="emulated, emulated:pair, serial; a capture with --received",
    )
    delay.add_argument("--option", choices=OPTION_CHOICES, help="line bit rate option (2)")
    line_arguments(delay, reconnect=False)
    delay.add_argument("--resets", type=at_least_one, default=100, metavar="N", help="how many (100)")
    delay.add_argument("--seed", type=whole, default=1, help="seed of the word alignment offsets (1)")
    for name, who in (("--compensation", "REC-A"), ("--far-compensation", "RE-1")):
        delay.add_argument(
            name,
            choices=("correct", "missing", "wrong-sign", "off-by-one"),
            default="correct" if who == "REC-A" else None,
            help=f"how {who} compensates its word alignment offset (correct)",
        )
    delay.add_argument(
        "--step", metavar="CLOCKS@RESET", help="the delay grows by so many clocks after a reset"
    )
    delay.add_argument(
        "--drift", type=number, default=0.0, metavar="CLOCKS", help="the delay grows evenly by so many clocks"
    )
    delay.add_argument("--length", type=number, default=150.0, metavar="M", help="metres of fibre (150)")
    delay.add_argument(
        "--whole-clocks", action="store_true", help="the board counts whole clocks, without their fractions"
    )
    delay.add_argument("--received", metavar="FILE", help="delay from the capture SOURCE to this one")
    delay.add_argument("--hops", metavar="PLAN", help="TOML plan of a chain or tree of radio heads")
    delay.add_argument(
        "--replace", action="append", default=[], metavar="HEAD=M", help="--hops: another length to this head"
    )
    delay.add_argument("--ascii", action="store_true", help="charts without block characters")
    delay.add_argument("--force", "--overwrite", action="store_true", help="replace output files that exist")
    delay.add_argument("--html", metavar="FILE", help="write a report with charts as a page")
    delay.add_argument("--json", action="store_true", help="one JSON object")

    board = add("board", "an emulated board on a pseudo-terminal or a TCP port")
    way = board.add_mutually_exclusive_group()
    way.add_argument("--pty", action="store_true", help="a pseudo-terminal; its name is printed (default)")
    way.add_argument("--tcp", metavar="HOST:PORT", help="listen there; port 0 takes any that is free")
    board.add_argument("--listen-any", action="store_true", help="allow other addresses than the loopback's")
    board.add_argument("--option", choices=OPTION_CHOICES, default="2", help="line bit rate option (2)")
    board.add_argument("--name", default="REC-A", help="name of the board (REC-A)")
    board.add_argument(
        "--loopback", choices=("internal", "cable", "pair"), help="what the board receives (internal)"
    )
    board.add_argument(
        "--link", metavar="PATH", help="pair: path of a socket, or HOST:PORT, of two boards' link"
    )
    board.add_argument(
        "--data", choices=("octets", "flagged", "control"), default="flagged", help="line data sent (flagged)"
    )
    emulation_arguments(board)

    prove = add("prove", "the negative-test campaign: each fault alone, which counters moved, a verdict")
    emulated_arguments(prove)
    prove.add_argument(
        "--via",
        choices=("link", "craft"),
        default="link",
        help="the link itself, or a crafted capture that is decoded (link)",
    )
    prove.add_argument(
        "--form", choices=FORM_CHOICES[:-1], help="with --via craft: raw form of the capture (bits)"
    )
    prove.add_argument(
        "--only", action="append", default=[], metavar="PATTERN", help="cases whose name fits, as 'hdlc.*'"
    )
    prove.add_argument(
        "--skip", action="append", default=[], metavar="PATTERN", help="leave out cases whose name fits"
    )
    prove.add_argument("--list", action="store_true", help="list the cases, and do nothing")
    prove.add_argument(
        "--repeat",
        type=at_least_one,
        default=1,
        metavar="N",
        help="at so many successive seeds, or so often on a board (1)",
    )
    prove.add_argument("--fail-fast", action="store_true", help="stop at the first case that fails")
    prove.add_argument("--force", "--overwrite", action="store_true", help="replace output files that exist")
    prove.add_argument("--junit", metavar="FILE", help="write JUnit XML")
    prove.add_argument("--html", metavar="FILE", help="write a page with the detection matrix")
    prove.add_argument("--json", action="store_true", help="one JSON object")
    prove.add_argument(
        "--reproducible", action="store_true", help="leave time, duration and versions out of the reports"
    )

    inject = add("inject", "put faults into a link, say what moved, and give a verdict")
    emulated_arguments(inject)
    inject.add_argument(
        "--fault",
        action="append",
        required=True,
        metavar="FAULT",
        help="plane.what[@hyperframe][:key=value,…]; framefray craft --faults lists them",
    )
    inject.add_argument("--json", action="store_true", help="one JSON object")

    tell = add("tell", "send a command to a board, and show its status after it")
    tell.add_argument("source", metavar="SOURCE", help="serial device or URL")
    tell.add_argument(
        "what",
        nargs="+",
        metavar="WHAT",
        help="status, loopback none|internal|cable|pair, reset [transmitter|receiver], "
        "traffic iq|hdlc|ethernet|vendor PERCENT, data octets|flagged|control|none",
    )
    tell.add_argument("--json", action="store_true", help="one JSON object")
    line_arguments(tell, reconnect=False)

    completion = add("completion", "print a completion script for a shell")
    completion.add_argument("shell", choices=("bash", "zsh", "tcsh"), help="shell")
    return parser
