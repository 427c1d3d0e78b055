"""The arguments of each command: one function a command, named like it."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import NamedTuple

from .argument_groups import (
    FORM_CHOICES,
    emulation_arguments,
    fault_list_argument,
    force_argument,
    line_arguments,
    option_argument,
    plain_arguments,
    port_list_argument,
    screen_arguments,
    serving_arguments,
    several_sources_argument,
    source_arguments,
    tested_link_arguments,
    web_arguments,
)
from .values import at_least_one, file_name, number, share, whole

__all__ = ["COMMANDS"]

_EXPORT_EPILOG = """\
OUT ends in
  .pcapng                     recovered C&M frames as packets, bad ones with the verdict as a comment
  .npy                        IQ samples of an AxC, (n, 2) integers
  .sigmf-meta, .sigmf-data    IQ samples of an AxC as a SigMF recording (both files are written)
  .csv, .jsonl                a table; .parquet too where pyarrow is installed (the tables extra)
  .vcd, .hex, .mem            line characters for a simulator: value change dump or $readmemh text
"""
_FAULT = "plane.what[@hyperframe][:key=value,…]; framefray craft --faults lists them"


def demo(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--chain", action="store_true", help="a chain of four nodes, REC-A to RE-3, at all its points at once"
    )
    parser.set_defaults(plain=False, metrics=None)
    option_argument(parser)
    emulation_arguments(parser)
    screen_arguments(parser)


def watch(parser: argparse.ArgumentParser) -> None:
    source_arguments(
        parser,
        several="file, - for standard input, emulated, emulated:chain, emulated:pair, serial device or URL; several "
        "of them, each as NAME=SOURCE; or a site file SITE.toml",
    )
    line_arguments(parser)
    port_list_argument(parser)
    emulation_arguments(parser)
    screen_arguments(parser)
    plain_arguments(parser)
    serving_arguments(parser)
    web_arguments(parser)


def decode(parser: argparse.ArgumentParser) -> None:
    source_arguments(parser)
    line_arguments(parser)
    shape = parser.add_mutually_exclusive_group()
    shape.add_argument("--json", action="store_true", help="print one JSON object")
    shape.add_argument("--frames", action="store_true", help="print each recovered C&M frame (JSON Lines)")
    shape.add_argument(
        "--vendor", action="store_true", help="print each change of a vendor specific octet (JSON Lines)"
    )
    shape.add_argument("--events", action="store_true", help="print every event (JSON Lines)")
    parser.add_argument("--strict", action="store_true", help="exit with 1 if any error counter is not 0")
    emulation_arguments(parser)


def craft(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "out",
        type=file_name,
        metavar="OUT",
        help="output file; its suffix gives the data format (.octets .bits .ffcap …); - for standard output",
    )
    parser.add_argument(
        "--form", choices=(*FORM_CHOICES, "ffcap"), help="data format (default: from the suffix)"
    )
    option_argument(parser)
    parser.add_argument(
        "--hyperframes",
        type=at_least_one,
        default=300,
        metavar="N",
        help="number of hyperframes (default: 300)",
    )
    parser.add_argument("--seed", type=whole, default=1, metavar="N", help="seed of the traffic (default: 1)")
    parser.add_argument(
        "--pointer", type=whole, default=40, metavar="P", help="pointer p: 0 or 20 to 63 (default: 40)"
    )
    parser.add_argument(
        "--hdlc-rate", type=whole, metavar="CODE", help="HDLC rate code (default: highest of the option)"
    )
    parser.add_argument(
        "--bfn", type=whole, default=0, metavar="N", help="BFN of the first hyperframe (default: 0)"
    )
    parser.add_argument(
        "--hfn", type=whole, default=0, metavar="N", help="HFN of the first hyperframe (default: 0)"
    )
    parser.add_argument(
        "--load",
        type=share,
        default=1.0,
        metavar="SHARE",
        help="C&M channel utilisation, 0 to 1 (default: 1.0)",
    )
    parser.add_argument(
        "--lead-bits",
        type=whole,
        default=0,
        metavar="N",
        help="bits before the first symbol, block or codeword (bits format only; default: 0)",
    )
    sent_line_arguments(parser)
    _injected_faults(parser)
    force_argument(parser)


def fec_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--fec", choices=("on", "off"), default="off", help="RS-FEC (options 7A to 10; default: off)"
    )
    parser.add_argument(
        "--fec-header-xor",
        choices=("on", "off"),
        help="with --fec on: xor the header bits of codewords with payload bits, the last step of IEEE 802.3 "
        "clause 91.5.2.5 (default: off)",
    )


def sent_line_arguments(parser: argparse.ArgumentParser) -> None:
    """RS-FEC and scrambling of what is sent."""
    fec_arguments(parser)
    parser.add_argument(
        "--scrambling",
        type=whole,
        metavar="SEED",
        help="scramble with this seed (protocol version 2; options 5 to 7)",
    )


def _injected_faults(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="FAULT",
        help="fault to inject: plane.what@hyperframe[:key=value,…]; --faults lists them",
    )
    parser.add_argument(
        "--plan",
        metavar="FILE",
        help="TOML file of faults: repeated, combined, in bursts, at a bit error ratio",
    )
    parser.add_argument(
        "--truth",
        metavar="FILE",
        help="write the list of injected faults and the expected decode result as JSON",
    )
    fault_list_argument(parser)


def record(parser: argparse.ArgumentParser) -> None:
    source_arguments(parser)
    line_arguments(parser)
    parser.add_argument(
        "out",
        type=file_name,
        metavar="OUT",
        help="output file: .ffcap keeps times, marks and faults; .octets .bits … keep line data only; with "
        "emulated:chain also a folder (FOLDER/), which gets a capture of every point and chain.json",
    )
    parser.add_argument(
        "--limit",
        metavar="N",
        help="stop after 1500hf hyperframes, 64MiB or 10MB of data, or 500ms, 30s, 5min of source time",
    )
    force_argument(parser, "overwrite")
    parser.add_argument("--note", action="append", default=[], metavar="TEXT", help="note for the recording")
    parser.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="FAULT",
        help=f"fault to inject (emulated links and boards): {_FAULT}",
    )
    emulation_arguments(parser)
    serving_arguments(parser)


def compare(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("sent", type=file_name, metavar="SENT", help="capture of the sent signal")
    parser.add_argument(
        "received",
        type=file_name,
        metavar="RECEIVED",
        help="capture of the received signal; any data format, any start",
    )
    parser.add_argument(
        "--form", choices=FORM_CHOICES, help="data format of both captures (default: detected)"
    )
    parser.add_argument("--sent-form", choices=FORM_CHOICES, help="data format of SENT only")
    parser.add_argument("--received-form", choices=FORM_CHOICES, help="data format of RECEIVED only")
    option_argument(parser, None, "detected")
    parser.add_argument(
        "--max-ber",
        type=number,
        default=0.0,
        metavar="RATIO",
        help="highest bit error ratio that passes (default: 0)",
    )
    parser.add_argument(
        "--confidence",
        type=number,
        default=0.95,
        metavar="LEVEL",
        help="confidence level of the bit error ratio's upper bound, 0.5 to 1 (default: 0.95)",
    )
    parser.add_argument(
        "--no-gaps", action="store_true", help="fail if a hyperframe inside the common range is missing"
    )
    parser.add_argument(
        "--places",
        type=whole,
        default=10,
        metavar="N",
        help="differing octets to list per plane (default: 10)",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def locate(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "sources",
        nargs="+",
        type=file_name,
        metavar="POINT=SOURCE",
        help="what each receiver gets: 'REC-A>RE-1=one.bits' 'RE-1>RE-2=two.bits' …; sent:REC-A>RE-1 is what REC-A"
        " sends; nodes alone (REC-A=… RE-1=… RE-2=…) stand in the order of the chain, each is the receiver of the"
        " data from the node before it, the first one from the second; or a site file SITE.toml, or emulated:chain",
    )
    parser.add_argument(
        "--chain",
        metavar="NODES",
        help="all nodes in order, the REC first, where some have no source: A,B,C,D",
    )
    parser.add_argument("--form", choices=FORM_CHOICES, help="data format of all sources (default: detected)")
    option_argument(parser, None, "detected")
    parser.add_argument(
        "--hyperframes",
        type=at_least_one,
        metavar="N",
        help="hyperframes to read of each live source (default: 1500)",
    )
    parser.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="FAULT",
        help="fault to inject into emulated:chain, for example vendor.flip@120:segment=RE-1>RE-2",
    )
    line_arguments(parser, reconnect=False)
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def replay(parser: argparse.ArgumentParser) -> None:
    source_arguments(parser, capture=True)
    parser.add_argument(
        "--speed",
        metavar="FACTOR",
        help="replay speed: 1 = as recorded, 0.0001 to 1000, or max (default: 1; without a screen: max)",
    )
    parser.add_argument("--paused", action="store_true", help="start paused")
    parser.add_argument(
        "--at", metavar="PLACE", help="start at hyperframe 120, at BFN.HFN 17.42 or at time 12.5ms"
    )
    screen_arguments(parser)


def rates(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--pointer", type=whole, default=20, metavar="P", help="pointer p: 0 or 20 to 63 (default: 20)"
    )
    parser.add_argument(
        "--hdlc-rate", type=whole, metavar="CODE", help="HDLC rate code (default: highest of each option)"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def export(parser: argparse.ArgumentParser) -> None:
    source_arguments(parser)
    parser.add_argument(
        "out", type=file_name, metavar="OUT", help="output file; its suffix chooses the format, see below"
    )
    force_argument(parser)
    parser.add_argument(
        "--direction",
        choices=("inbound", "outbound", "unknown"),
        help="packet direction in .pcapng (default: inbound)",
    )
    parser.add_argument(
        "--iq",
        metavar="MAP",
        help='IQ sample format and sample rate in MHz, as "M=15,fs=15.36,n=2" (.npy, SigMF)',
    )
    parser.add_argument("--axc", metavar="NAME", help="AxC of the map: A0, A1, … or its name=")
    parser.add_argument(
        "--table",
        choices=("frames", "vendor", "counters", "l1", "events"),
        help="table to write for .csv .jsonl .parquet (default: frames)",
    )
    parser.add_argument(
        "--words",
        choices=("symbols", "flagged"),
        help="10-bit symbols or 9-bit {K, octet}, for .vcd .hex .mem (default: symbols)",
    )
    parser.add_argument(
        "--limit", type=at_least_one, metavar="N", help="hyperframes to write at most (.vcd .hex .mem)"
    )
    parser.add_argument(
        "--data-name", metavar="NAME", help="name of the data signal in .vcd (default: symbol or octet)"
    )
    parser.add_argument("--k-name", metavar="NAME", help="name of the K flag signal in .vcd (default: k)")
    parser.add_argument(
        "--clock-name", metavar="NAME", help="add a clock signal to .vcd, rising in the middle of a character"
    )
    emulation_arguments(parser, usual=0.0)


def delay(parser: argparse.ArgumentParser) -> None:
    several_sources_argument(
        parser,
        "*",
        "emulated, emulated:pair, serial device or URL; two boards: NAME=SOURCE NAME=SOURCE;"
        " with --received: a capture",
    )
    _delay_of_two_boards(parser.add_argument_group("two boards"))
    option_argument(parser, None, "2, or what the board reports")
    line_arguments(parser, reconnect=False)
    parser.add_argument(
        "--resets",
        type=at_least_one,
        default=100,
        metavar="N",
        help="number of transceiver resets (default: 100)",
    )
    parser.add_argument(
        "--received", metavar="FILE", help="measure the delay from capture SOURCE to this one"
    )
    parser.add_argument("--ascii", action="store_true", help="draw charts in ASCII")
    parser.add_argument("--html", metavar="FILE", help="write a report page with charts")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    force_argument(parser)
    _emulated_delay(parser.add_argument_group("emulated boards"))
    chain = parser.add_argument_group("delay budget of a chain")
    chain.add_argument(
        "--hops", metavar="PLAN", help="TOML plan of a chain or tree of RE; no SOURCE is needed"
    )
    chain.add_argument(
        "--replace",
        action="append",
        default=[],
        metavar="RE=METRES",
        help="change the fibre length of the hop to this RE",
    )


def _delay_of_two_boards(group: argparse._ArgumentGroup) -> None:
    group.add_argument(
        "--toffset",
        type=number,
        metavar="NS",
        help="Toffset of the RE in nanoseconds (default: what the RE counts)",
    )
    group.add_argument(
        "--reset-at",
        metavar="NAME",
        help="reset the transceiver of this board only, or of both (default: both)",
    )


def _emulated_delay(group: argparse._ArgumentGroup) -> None:
    ways = ("correct", "missing", "wrong-sign", "off-by-one")
    group.add_argument(
        "--seed", type=whole, default=1, metavar="N", help="seed of the word alignment offsets (default: 1)"
    )
    group.add_argument(
        "--compensation",
        choices=ways,
        default="correct",
        help="how REC-A compensates its alignment offset (default: correct)",
    )
    group.add_argument(
        "--remote-compensation",
        choices=ways,
        help="how RE-1 compensates its alignment offset (emulated:pair only; default: correct)",
    )
    group.add_argument(
        "--step", metavar="CLOCKS@RESET", help="delay step in clocks after this reset, as 2@500"
    )
    group.add_argument(
        "--drift",
        type=number,
        default=0.0,
        metavar="CLOCKS",
        help="delay drift in clocks, spread evenly over all resets (default: 0)",
    )
    group.add_argument(
        "--fec",
        choices=("on", "off"),
        default="off",
        help="RS-FEC (options 7A to 10; default: off): gives numbers without a verdict",
    )
    group.add_argument(
        "--scrambling",
        type=whole,
        metavar="SEED",
        help="scramble with this seed (protocol version 2; options 5 to 7)",
    )
    group.add_argument(
        "--length", type=number, default=150.0, metavar="METRES", help="fibre length in metres (default: 150)"
    )
    group.add_argument(
        "--whole-clocks", action="store_true", help="round the board's delay count to whole clocks"
    )


def board(parser: argparse.ArgumentParser) -> None:
    way = parser.add_mutually_exclusive_group()
    way.add_argument(
        "--pty", action="store_true", help="use a pseudo-terminal and print its name (the default)"
    )
    way.add_argument(
        "--tcp",
        action="append",
        default=[],
        metavar="HOST:PORT",
        help="listen on a TCP port; port 0 = any free port; with --uplink and --downlink give it twice",
    )
    parser.add_argument(
        "--listen-any", action="store_true", help="allow a listen address other than the loopback address"
    )
    option_argument(parser)
    parser.add_argument("--name", default="REC-A", help="name of the board (default: REC-A)")
    parser.add_argument(
        "--loopback",
        choices=("internal", "cable", "pair"),
        help="loopback of the line data (default: internal)",
    )
    parser.add_argument(
        "--link",
        metavar="PATH",
        help="with --loopback pair: socket path, or HOST:PORT, between the two boards",
    )
    parser.add_argument(
        "--uplink",
        metavar="PATH",
        help="board of a chain: socket path, or HOST:PORT, of the link towards the REC; the REC has none",
    )
    parser.add_argument(
        "--downlink",
        metavar="PATH",
        help="board of a chain: socket path, or HOST:PORT, of the link away from the REC; the last board has none",
    )
    parser.add_argument(
        "--data",
        choices=("octets", "flagged", "control", "blocks"),
        default="flagged",
        help="line data in records; blocks are for options 7A to 10 (default: flagged)",
    )
    fec_arguments(parser)
    emulation_arguments(parser)


def campaign(parser: argparse.ArgumentParser) -> None:
    tested_link_arguments(parser)
    sent_line_arguments(parser)
    parser.add_argument(
        "--via",
        choices=("link", "craft"),
        default="link",
        help="inject into the link, or craft and decode a capture for each case (default: link)",
    )
    parser.add_argument(
        "--form",
        choices=("octets", "flagged", "symbols", "bits", "blocks"),
        help="with --via craft: data format of the capture (default: bits)",
    )
    parser.add_argument(
        "--only",
        action="append",
        default=[],
        metavar="PATTERN",
        help="run only cases that match, as 'hdlc.*'",
    )
    parser.add_argument(
        "--skip", action="append", default=[], metavar="PATTERN", help="skip cases that match"
    )
    parser.add_argument("--list", action="store_true", help="list the cases and exit")
    parser.add_argument(
        "--repeat",
        type=at_least_one,
        default=1,
        metavar="N",
        help="run every case N times: emulated with N successive seeds, a board N times in a row (default: 1)",
    )
    _campaign_size(parser)
    parser.add_argument(
        "--case",
        action="append",
        default=[],
        metavar="FAULTS",
        help="run only this case: one fault, or several as 'hdlc.fcs + line.flip@30:x=9'",
    )
    parser.add_argument(
        "--traffic",
        type=share,
        default=1.0,
        metavar="SHARE",
        help="C&M channel utilisation, 0 to 1 (default: 1)",
    )
    _receiver_under_test(parser)
    parser.add_argument("--fail-fast", action="store_true", help="stop at the first case that fails")
    parser.add_argument("--junit", metavar="FILE", help="write JUnit XML")
    parser.add_argument("--html", metavar="FILE", help="write a page with the detection matrix")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument(
        "--reproducible", action="store_true", help="leave time, duration and versions out of the reports"
    )
    force_argument(parser)


def _campaign_size(parser: argparse.ArgumentParser) -> None:
    size = parser.add_mutually_exclusive_group()
    size.add_argument(
        "--quick", action="store_true", help="each fault once or a few times; takes some seconds"
    )
    size.add_argument(
        "--every-rule",
        action="store_true",
        help="the cases of every rule: what emulated links get anyway, a board only if asked",
    )
    size.add_argument(
        "--thorough",
        action="store_true",
        help="every rule, pairs of settings, then random faults for --time",
    )
    parser.add_argument(
        "--time",
        type=at_least_one,
        default=60,
        metavar="SECONDS",
        help="with --thorough: seconds for random faults (default: 60)",
    )


def _receiver_under_test(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--receiver",
        metavar="MODULE:CLASS",
        help="receiver to test; see RECEIVERS.md (default: the project's own)",
    )
    parser.add_argument(
        "--receiver-command",
        metavar="CMD",
        help="receiver to test: a process that reads line data and writes JSON Lines",
    )


def inject(parser: argparse.ArgumentParser) -> None:
    tested_link_arguments(parser)
    parser.add_argument(
        "--fault", action="append", required=True, metavar="FAULT", help=f"fault to inject: {_FAULT}"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def tell(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("source", metavar="SOURCE", help="serial device or URL")
    parser.add_argument(
        "what",
        nargs="+",
        metavar="COMMAND",
        help="status, loopback none|internal|cable|pair, reset [transmitter|receiver], "
        "traffic iq|hdlc|ethernet|vendor PERCENT, data octets|flagged|control|none",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    line_arguments(parser, reconnect=False)


def completion(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("shell", choices=("bash", "zsh", "tcsh"), help="shell")


def accept(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("plan", type=file_name, metavar="PLAN", help="acceptance plan (TOML)")
    parser.add_argument("--out", metavar="FOLDER", help="evidence folder: a new one, or that of --resume")
    parser.add_argument(
        "--dry-run", action="store_true", help="print what will be done and how long it takes, and stop"
    )
    parser.add_argument(
        "--resume",
        action="store_true",
        help="go on with an incomplete run; stages that are done stay as they are",
    )
    parser.add_argument(
        "--stage",
        type=at_least_one,
        action="append",
        default=[],
        metavar="N",
        help="run only this stage of the plan (repeatable); the verdict on the whole then stays incomplete",
    )
    parser.add_argument("--yes", action="store_true", help="let boards transmit and reset without asking")
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def evidence(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "action",
        choices=("check", "diff"),
        help="check FOLDER: is it whole, and do its verdicts follow; diff A B: what changed",
    )
    parser.add_argument("folders", nargs="+", type=file_name, metavar="FOLDER", help="evidence folder")
    parser.add_argument("--json", action="store_true", help="print one JSON object")


class Command(NamedTuple):
    """A command: its name, what it does in one line, its arguments, and what its help ends with."""

    name: str
    text: str
    add_arguments: Callable[[argparse.ArgumentParser], None]
    epilog: str | None = None


COMMANDS = (
    Command("demo", "show an emulated two-board link with traffic on every plane; no hardware needed", demo),
    Command("watch", "show sources on the screen, in lines of text or in a browser", watch),
    Command("decode", "decode a source without a screen: a summary, or JSON for programs", decode),
    Command("craft", "make a capture with traffic and injected faults", craft),
    Command(
        "record", "record a source to a file; what was recorded before a kill stays readable", record
    ),
    Command("replay", "show a capture on the screen: play, pause, step, speed, seek, next error", replay),
    Command("compare", "compare a sent and a received capture: differences by plane, bit error ratio", compare),
    Command("export", "convert a capture to the formats of other tools", export, _EXPORT_EPILOG),
    Command("locate", "name the segment of a chain on which damage enters, from several points", locate),
    Command("inject", "inject faults into a link, and compare expected and observed counters", inject),
    Command("campaign", "negative-test campaign: inject each fault alone, and give a verdict", campaign),
    Command("delay", "measure the delay through transceiver resets, or compute a delay budget (--hops)", delay),
    Command("accept", "run the stages of an acceptance plan, and leave a folder of evidence", accept),
    Command("evidence", "check a folder of evidence, or compare two", evidence),
    Command("rates", "print the line bit rate table with the capacity of each plane", rates),
    Command("board", "run an emulated board on a pseudo-terminal or a TCP port", board),
    Command("tell", "send a command to a board and print its status", tell),
    Command("completion", "print a completion script for a shell", completion),
)  # fmt: skip
"""In the order of the help: watch and decode, keep and compare, test, look up, boards."""
