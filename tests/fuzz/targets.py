"""What is fuzzed: every reader of foreign octets by itself, and the commands on whole files.

A target raises AssertionError (or whatever the code raised) for what may not happen. What may: the error types of the
project for a reader; for a command exit status 0, 1 or 2, and with 2 one line that says why.
"""

from __future__ import annotations

import io
import random
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, redirect_stderr, redirect_stdout, suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from decoders.errors import DecodersError
from decoders.line_coding.characters import LineForm
from decoders.linerates import option_named
from decoders.link.decoder import LinkDecoder
from decoders.link.hyperframe_sync import SyncState
from decoders.link.settings import LinkSettings
from decoders.user_plane.iq_map import IqMap
from monitor.boards.console import ConsoleReader
from monitor.boards.hyperframes import Hyperframes
from monitor.cli.main import main
from monitor.delay.hop_plans import parse_plan
from monitor.errors import InputError
from monitor.faults.catalogue import parse_fault
from monitor.faults.plan import read_plan_text
from monitor.formats.ffcap_reader import CaptureReader
from monitor.formats.forms import Form
from monitor.formats.hex_text import HexReader
from monitor.protocol import records as r
from monitor.protocol.stream import RecordReader, RecordWriter
from monitor.recording.limits import parse_limit
from monitor.site.plan import parse_site_plan
from monitor.site.routes import check_points, parse_points, routes_of
from monitor.sources.log import Log
from monitor.sources.vcd import parse_vcd_signals
from monitor.sources.vcd_reader import VcdReader

from .mutation import mutated, mutated_capture, mutated_text

__all__ = ["TARGETS", "Target"]

Mutate = Callable[[random.Random, bytes, Sequence[bytes]], bytes]


@dataclass(frozen=True)
class Target:
    """`seeds` makes good inputs in a folder; `check` takes one damaged input."""

    name: str
    seeds: Callable[[Path], list[bytes]]
    mutate: Mutate
    check: Callable[[bytes, Path], None]


# ------------------------------------------------------------------------------------------- commands in this process


@contextmanager
def _captured() -> Iterator[tuple[io.BytesIO, io.BytesIO]]:
    """Standard output and error of a command, as octets."""
    out, err = io.BytesIO(), io.BytesIO()
    streams = [
        io.TextIOWrapper(stream, "utf-8", "backslashreplace", write_through=True) for stream in (out, err)
    ]
    with redirect_stdout(streams[0]), redirect_stderr(streams[1]):
        yield out, err
    for stream in streams:
        stream.flush()
        stream.detach()


def command(*words: str | Path, allowed: Sequence[int] = (0, 1, 2)) -> tuple[int, bytes]:
    """Exit status and output of a command; AssertionError for a status or an output that may not be."""
    with _captured() as (out, err):
        try:
            status = main([str(word) for word in words])
        except SystemExit as end:  # argparse
            assert isinstance(end.code, int), end.code
            status = end.code
    said = err.getvalue().decode("utf-8")
    assert status in allowed, (status, said)
    assert "Traceback" not in said, said
    lines = [line for line in said.splitlines() if line.strip()]
    if status == 2:
        assert lines and lines[-1].startswith(("framefray", " ", "usage")), (words, said)
    for text in (said, out.getvalue().decode("utf-8", "replace")):
        bad = {c for c in text if not (c.isprintable() or c in "\n\t")} - {"\N{REPLACEMENT CHARACTER}"}
        assert not bad, (words, bad)
    return status, out.getvalue()


@cache
def _crafted(
    folder: Path,
    suffix: str,
    option: str = "1",
    hyperframes: int = 10,
    seed: int = 3,
    more: Sequence[str] = (),
) -> bytes:
    path = folder / f"seed-{option}-{hyperframes}-{seed}{''.join(more)}{suffix}"
    if not path.exists():
        faults = ("--fault", "hdlc.fcs@4", "--fault", "sync.hfn@5") if hyperframes > 8 else ()
        lead = ("--lead-bits", "3") if suffix == ".bits" else ()
        size = ("--hyperframes", str(hyperframes), "--seed", str(seed))
        command("craft", path, "--option", option, *size, *faults, *lead, *more, allowed=(0,))
    return path.read_bytes()


def _seeds(suffix: str, *options: str) -> Callable[[Path], list[bytes]]:
    return lambda folder: [_crafted(folder, suffix, option) for option in options or ("1", "2")]


def _high_rates(suffix: str, option: str, *more: str) -> Callable[[Path], list[bytes]]:
    """Few hyperframes of a high rate."""
    return lambda folder: [_crafted(folder, suffix, option, 2, 3, more)]


def _vcd_seeds(folder: Path) -> list[bytes]:
    _crafted(folder, ".octets", "1", 2)
    seeds = []
    for words in ("symbols", "flagged"):
        out = folder / f"seed-{words}.vcd"
        if not out.exists():
            source = folder / "seed-1-2-3.octets"
            command(
                "export", source, out, "--words", words, "--limit", "1", "--form", "octets", "--option", "1"
            )
        octets = out.read_bytes()
        end = octets.index(b"$enddefinitions")
        seeds.append(octets[: end + 6000])
    return [*seeds, _WIDE_VCD]


def _on_file(name: str, *words: str) -> Callable[[bytes, Path], None]:
    """A command on a file of that name; FILE, OUT and FOLDER in its words stand for paths."""

    def check(data: bytes, folder: Path) -> None:
        path = folder / name
        path.write_bytes(data)
        named = {"FILE": str(path), "FOLDER": str(folder)}
        outs = [folder / word for word in words if word.startswith("out.")]
        for out in outs:
            out.unlink(missing_ok=True)
        command(*(str(folder / w) if w.startswith("out.") else named.get(w, w) for w in words))

    return check


# ------------------------------------------------------------------------------------------- readers


def _pieces(data: bytes) -> Iterator[bytes]:
    """The same octets, in a cut that they choose themselves."""
    step = 1 + (sum(data[:8]) * 37 % 5000 if data else 0)
    for at in range(0, len(data), step):
        yield data[at : at + step]


def _records(data: bytes, folder: Path) -> None:
    """Any cut gives the same records; what is read again is the same; memory stays within one record."""
    whole, cut = RecordReader(4096), RecordReader(4096)
    items = whole.feed(data)
    again = []
    for piece in _pieces(data):
        again += cut.feed(piece)
        assert cut.held_octets <= 2 * 4096
    found = [item for item in items if isinstance(item, r.Record)]
    if len(data) < 4096:
        assert found == [item for item in again if isinstance(item, r.Record)]
    frames = Hyperframes(option_named("1"), Form.FLAGGED)
    # The check sequence keeps most damage out, so the octets go in as payloads as well.
    for record in [*found, r.Record(data[0] if data else 0, 0, 0, 0, data[1:])]:
        try:
            message = r.parse_message(record)
        except r.PayloadError:
            continue
        if isinstance(message, r.LineData):
            if message.type is not r.RecordType.BLOCKS:
                frames.take(message, uncut=bool(record.flags & r.RecordFlag.UNCUT))
            continue
        try:
            kind, payload = r.pack_message(message)
        except r.PayloadError:
            continue  # a text that was not UTF-8 may have grown beyond the limit
        assert r.parse_message(r.Record(kind, 0, 0, 0, payload)) == message


def _record_seeds(folder: Path) -> list[bytes]:
    writer = RecordWriter()
    messages: tuple[r.Message, ...] = (
        r.LogText("started"),
        r.Status(
            "1",
            2,
            SyncState.HFNSYNC,
            r.Loopback.CABLE,
            r.StatusFlag(12),
            3,
            1,
            2,
            3,
            4,
            5,
            6,
            7,
            8,
            9,
            10,
            "RE-1",
        ),
        r.LineData(1, 0, "1", _crafted(folder, ".flagged")[:8192], r.RecordType.FLAGGED),
        r.LineData(2, 0, "1", bytes(4096)),
        r.BoardEvent(r.EventCode.LOS_RAISED, 0, 3),
        r.Acknowledge(1, 0x44, 40, "vendor.value@40"),
        r.Refuse(2, 0x45, r.Reason.OUT_OF_RANGE, "no"),
        r.InjectFault("hdlc.fcs@40"),
        r.SetTraffic(r.TrafficPlane.HDLC, 50),
    )
    lines = [writer.message(message) for message in messages]
    payloads = [bytes([r.pack_message(m)[0]]) + r.pack_message(m)[1] for m in messages]
    return [*lines, b"".join(lines), b"boot 1\r\n" + lines[0] + lines[1], *payloads]


def _line(form: LineForm, option: str) -> Callable[[bytes, Path], None]:
    """Line data through the decoder: the same events in any cut, for every option that the octets may be of."""

    def check(data: bytes, folder: Path) -> None:
        outcomes = []
        for pieces in (iter([data]), _pieces(data)):
            decoder = LinkDecoder(LinkSettings(option=option, form=form))
            events = [event for piece in pieces for event in decoder.receive(piece)]
            events += decoder.finish()
            outcomes.append((decoder.counters, len(events) > 0))
        assert outcomes[0][0] == outcomes[1][0]

    return check


def _ffcap(data: bytes, folder: Path) -> None:
    try:
        reader = CaptureReader(io.BytesIO(data))
    except InputError:
        return
    read = 0
    for record in reader.records():
        read += len(record.payload)
    assert read <= len(data)
    assert len(reader.problems) <= len(data)


def _hex(data: bytes, folder: Path) -> None:
    outcomes = []
    for pieces in ([data], list(_pieces(data))):
        reader, out = HexReader(), b""
        try:
            for piece in pieces:
                out += reader.feed(piece)
            out += reader.feed(b"", final=True)
        except InputError as error:
            outcomes.append((None, str(error)))
            continue
        outcomes.append((out, ""))
    assert (outcomes[0][0] is None) == (outcomes[1][0] is None), outcomes
    assert outcomes[0][0] == outcomes[1][0]


def _console(data: bytes, folder: Path) -> None:
    outcomes = []
    for pieces in ([data], list(_pieces(data))):
        reader = ConsoleReader(Log())
        out = b"".join(reader.feed(piece) for piece in pieces)
        assert len(out) <= len(data)
        outcomes.append(out)


def _vcd(data: bytes, folder: Path) -> None:
    try:
        reader = VcdReader(io.BytesIO(data))
        codes = {variable.code for variable in reader.header.variables[:4]}
        times = [time for time, _ in reader.changes(codes)]
    except InputError:
        return
    assert times == sorted(times)


def _fault_plan(data: bytes, folder: Path) -> None:
    try:
        plan = read_plan_text(data.decode("utf-8", "replace"))
        faults = plan.faults(option_named("2"), 300)
    except InputError as error:
        assert "\n" not in str(error)
        return
    assert [f.hyperframe for f in faults] == sorted(f.hyperframe or 0 for f in faults)


def _hop_plan(data: bytes, folder: Path) -> None:
    try:
        parse_plan(data.decode("utf-8", "replace")).delays()
    except InputError as error:
        assert "\n" not in str(error)


def _site_plan(data: bytes, folder: Path) -> None:
    """Every point of a plan that is read has a name of its own, and segments that lead nowhere are refused."""
    try:
        plan = parse_site_plan(data.decode("utf-8", "replace"), folder)
    except InputError as error:
        assert "\n" not in str(error) and str(error).isprintable()
        return
    names = {point.name for point in plan.points}
    assert plan.points and len(names) == len(plan.points)
    assert all(plan.upstream(name) is None for name in plan.roots) and plan.roots
    if (hops := plan.hop_plan()) is not None:
        hops.delays()


def _words(data: bytes, folder: Path) -> None:
    """Texts that a user types or a board sends: faults, IQ maps, limits, signals."""
    text = data.decode("utf-8", "replace")
    readers: tuple[Callable[[str], object], ...] = (
        parse_fault,
        parse_limit,
        parse_vcd_signals,
        lambda given: IqMap.parse(option_named("2"), given),
    )
    for read in readers:
        # What an error says may hold any part of the text; it is made inert where it is shown.
        with suppress(InputError, DecodersError):
            read(text)


# ------------------------------------------------------------------------------------------- texts to begin with

_WIDE_VCD = (
    b"$timescale 1 ns $end $scope module top $end $var wire 64 ! symbol $end $var wire 1 # k $end\n"
    + (
        b"$var real 64 % level $end $upscope $end $enddefinitions $end\n#0\n$dumpvars bx ! x# r0.5 % $end\n"
        b"#5\nb101010101010111100000101010101010101010 !\n1#\n#7\nb1z0x !\n0#\nr1e9 %\n#9 b0 ! 1#\n"
    )
)

_FAULT_PLAN = b"""
[[fault]]
kind = "hdlc.fcs"
hyperframe = 4
period = 2
repeat = 3
set = { xor = 0x8000 }
[[together]]
hyperframe = 12
faults = ["sync.hfn:value=200", "ethernet.code:group=0"]
[[burst]]
hyperframe = 15
count = 40
span = 400
seed = 3
[[bit_errors]]
ratio = 1e-5
seed = 7
hyperframe = 20
hyperframes = 5
"""
_HOP_PLAN = b"""
[plan]
name = "Saltmarsh"
controller = "REC-A"
option = "2"
budget_ns = 5000
[[head]]
name = "RE-1"
length_m = 1200
[[head]]
name = "RE-2"
after = "RE-1"
length_m = 300.5
option = "3"
"""
_SITE_PLAN = (Path(__file__).parents[2] / "captures" / "saltmarsh-site.toml").read_bytes()
_WORDS = (
    b"vendor.value@40:ns=20,xs=1,y=0,value=165,hyperframes=3",
    b"line.burst:count=20,span=40,seed=0",
    b"M=15,fs=15.36,n=2",
    b"M=15,fs=3.84,n=2;name=A,at=30",
    b"1500hf",
    b"64MiB",
    b"5min",
    b"data=top.rx.data,k=top.rx.k,clock=clk,valid=v,edge=fall",
)
_HEX = (
    b"0000: bc 50 00 00 # sync\n0004: 01 02 03 04\n",
    b"bc50c5 00 11\n22 33\n" * 30,
    b"# nothing\n\n0x0010: ff\n",
)


def _given(*texts: bytes) -> Callable[[Path], list[bytes]]:
    return lambda folder: list(texts)


def _compare(data: bytes, folder: Path) -> None:
    sent, received = folder / "sent.flagged", folder / "received.flagged"
    sent.write_bytes(_crafted(folder, ".flagged"))
    received.write_bytes(data)
    command("compare", sent, received, "--json")


def _locate(data: bytes, folder: Path) -> None:
    """Two points of a chain: the one's capture whole, the other's damaged."""
    before, after = folder / "before.flagged", folder / "after.flagged"
    before.write_bytes(_crafted(folder, ".flagged", "1"))
    after.write_bytes(data)
    command("locate", f"REC-A>RE-1={before}", f"RE-1>RE-2={after}", "--json")


def _points(data: bytes, folder: Path) -> None:
    words = data.decode("utf-8", "replace").split()
    with suppress(InputError):
        points = [point for point, _ in parse_points(words)]
        check_points(points)
        for route in routes_of(points):
            assert {at for at, _ in route.stops} <= set(range(len(route.segments)))


_POINTS = b"REC-A>RE-1=a RE-1>RE-2=b sent:RE-2>RE-3=c RE-3>RE-2=d RE-1>REC-A=e"
_NODES = b"REC-A=a RE-1=b RE-2=c RE-3=d"
_VCD_WORDS = ("--vcd", "data=symbol", "--option", "1")
TARGETS: tuple[Target, ...] = (
    Target("records", _record_seeds, mutated, _records),
    Target("line-octets", _seeds(".octets"), mutated, _line(LineForm.OCTETS, "1")),
    Target("line-flagged", _seeds(".flagged"), mutated, _line(LineForm.FLAGGED, "1")),
    Target("line-symbols", _seeds(".symbols"), mutated, _line(LineForm.SYMBOLS, "1")),
    Target("line-bits", _seeds(".bits"), mutated, _line(LineForm.BITS, "1")),
    Target("line-blocks", _high_rates(".blocks", "7A"), mutated, _line(LineForm.BLOCKS, "7A")),
    Target(
        "line-blocks-bits", _high_rates(".bits", "7A", "--fec", "on"), mutated, _line(LineForm.BITS, "7A")
    ),
    Target(
        "line-scrambled",
        _high_rates(".octets", "5", "--scrambling", "305419896"),
        mutated,
        _line(LineForm.OCTETS, "5"),
    ),
    Target("ffcap", _seeds(".ffcap"), mutated_capture, _ffcap),
    Target("hex", _given(*_HEX), mutated_text, _hex),
    Target("console", _given(*_HEX, b"login:\r\n# " + _HEX[0]), mutated_text, _console),
    Target("vcd", _vcd_seeds, mutated_text, _vcd),
    Target("fault-plan", _given(_FAULT_PLAN), mutated_text, _fault_plan),
    Target("site-plan", _given(_SITE_PLAN), mutated_text, _site_plan),
    Target("hop-plan", _given(_HOP_PLAN), mutated_text, _hop_plan),
    Target("words", _given(*_WORDS), mutated_text, _words),
    *(
        Target(f"decode-{form}", _seeds(f".{form}"), mutate, _on_file(f"in.{form}", "decode", "FILE", *words))
        for form, mutate, words in (
            ("octets", mutated, ("--json",)),
            ("flagged", mutated, ("--events",)),
            ("symbols", mutated, ("--frames",)),
            ("bits", mutated, ("--strict",)),
            ("hex", mutated_text, ("--vendor",)),
            ("ffcap", mutated_capture, ("--json",)),
        )
    ),
    Target(
        "decode-blocks",
        _high_rates(".blocks", "7A"),
        mutated,
        _on_file("in.blocks", "decode", "FILE", "--json", "--option", "7A"),
    ),
    Target(
        "decode-fec",
        _high_rates(".bits", "8", "--fec", "on"),
        mutated,
        _on_file("in.bits", "decode", "FILE", "--json", "--option", "8", "--fec", "auto"),
    ),
    Target("decode-vcd", _vcd_seeds, mutated_text, _on_file("in.vcd", "decode", "FILE", *_VCD_WORDS)),
    Target(
        "replay", _seeds(".ffcap"), mutated_capture, _on_file("in.ffcap", "replay", "FILE", "--speed", "max")
    ),
    Target(
        "export-frames",
        _seeds(".ffcap"),
        mutated_capture,
        _on_file("in.ffcap", "export", "FILE", "out.pcapng"),
    ),
    Target(
        "export-table",
        _seeds(".bits"),
        mutated,
        _on_file("in.bits", "export", "FILE", "out.csv", "--table", "l1"),
    ),
    Target(
        "export-iq",
        _seeds(".flagged", "2"),
        mutated,
        _on_file("in.flagged", "export", "FILE", "out.npy", "--iq", "M=15,fs=3.84,n=2", "--option", "2"),
    ),
    Target("compare", _seeds(".flagged", "1"), mutated, _compare),
    Target("locate", _seeds(".flagged", "1"), mutated, _locate),
    Target("locate-points", _given(_POINTS, _NODES), mutated_text, _points),
    Target(
        "craft-plan",
        _given(_FAULT_PLAN),
        mutated_text,
        _on_file(
            "plan.toml", "craft", "out.octets", "--plan", "FILE", "--hyperframes", "30", "--option", "1"
        ),
    ),
    Target("delay-hops", _given(_HOP_PLAN), mutated_text, _on_file("hops.toml", "delay", "--hops", "FILE")),
)


def memory_mebibytes() -> float | None:
    """The most memory that this process has held, where the system tells it."""
    if sys.platform == "win32":
        return None
    import resource

    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most / (1 << 20 if sys.platform == "darwin" else 1 << 10)


assert np  # numpy is imported before memory is measured
