"""`framefray delay`: the delay through transceiver resets, between two captures, or of a planned chain."""

from __future__ import annotations

import argparse
import math
import re
import sys
from pathlib import Path

from decoders.linerates import option_named
from decoders.link_delay.delay import Compensation, clock_bits, unit_interval_ns

from ..delay.run import DelayRun
from ..delay.samples import DelayStatus, loop_delay_bits, read_line
from ..errors import InputError, MonitorError
from ..formats.forms import checked_option
from ..process.asking import permit
from ..process.output_file import clear_report, write_report
from ..process.streams import erase_progress, print_json, print_lines, show_progress, tell
from ..site.plan import is_site_file
from ..site.segment_ends import words_of_ends
from ..sources.names import is_emulated, is_pair, is_serial, named_source
from ..text import counted

__all__ = ["run"]

Measured = tuple[DelayStatus, BaseException | None]


def run(arguments: argparse.Namespace) -> int:
    ascii_only = arguments.ascii or not _blocks_print()
    if arguments.hops is not None:
        from .hops import run_hops

        return run_hops(arguments, ascii_only=ascii_only)
    if arguments.replace:
        raise InputError("--replace goes with --hops")
    if not arguments.source:
        raise InputError("delay needs a SOURCE (emulated, emulated:pair), or --hops PLAN")
    if arguments.received is not None:
        return _two_captures(arguments)
    status, trouble = _measure(arguments)
    if arguments.html:
        from ..reports.delay_html import delay_page

        write_report(arguments.html, delay_page(status).encode(), force=arguments.force)
    if arguments.json:
        from ..reports.delay_records import delay_record

        print_json(delay_record(status))
    else:
        from ..reports.delay_text import delay_lines

        print_lines(delay_lines(status, ascii_only=ascii_only))
    if trouble is not None:
        done = len(status.samples)
        tell(f"stopped after {done} of {counted(arguments.resets, 'reset')}; the report covers those")
        raise trouble
    return 0 if status.verdict in ("pass", "none") else 1


def _measure(arguments: argparse.Namespace) -> Measured:
    from ..emulation.line_settings import LineSettings
    from ..emulation.transceiver import BoardSettings, EmulatedBoard

    text: str = arguments.source[0]
    if len(arguments.source) > 1 or is_site_file(text) or named_source(text)[0] is not None:
        return _measure_two_ends(arguments)
    for value, word in ((arguments.toffset, "--toffset"), (arguments.reset_at, "--reset-at")):
        if value is not None:
            raise InputError(f"{word} is for two boards", hint="NAME=SOURCE NAME=SOURCE")
    if is_serial(text):
        return _measure_board(arguments)
    if not is_emulated(text):
        raise InputError(
            f"{text}: delay through resets needs a board that can be reset",
            hint="emulated, emulated:pair, or a board on a serial line; for two captures add --received FILE",
        )
    pair = is_pair(text)
    clocks, after = _step(arguments.step, arguments.resets)
    if arguments.remote_compensation and not pair:
        raise InputError("--remote-compensation needs emulated:pair; emulated has no remote end")
    if not (math.isfinite(arguments.drift) and abs(arguments.drift) <= 10_000):
        raise InputError(f"--drift {arguments.drift:g}: -10000 to 10000 clocks")
    if not 0 <= arguments.length <= 1e6:
        raise InputError(f"--length {arguments.length:g}: 0 to 1000000 m")
    if arguments.resets < 2:
        raise InputError(
            "--resets 1 proves nothing about resets", hint="take 2 or more, better 66 to see every offset"
        )
    option = option_named(arguments.option or "2")
    board = EmulatedBoard(
        BoardSettings(
            option=option.name,
            pair=pair,
            seed=arguments.seed,
            compensation=Compensation(arguments.compensation),
            far_compensation=Compensation(arguments.remote_compensation or "correct"),
            step_clocks=clocks,
            step_after=after,
            drift_clocks=arguments.drift,
            drift_resets=arguments.resets,
            resolution_ui=float(clock_bits(option)) if arguments.whole_clocks else 0.1,
            length_m=arguments.length,
            line=LineSettings(fec=arguments.fec == "on", scrambling=arguments.scrambling),
        )
    )
    return _run(DelayRun(board, arguments.resets), arguments)


def _measure_board(arguments: argparse.Namespace) -> Measured:
    from ..boards.board import BoardSource
    from ..boards.delay import BoardDelay
    from ..boards.serial_port import SerialLine

    permit(arguments.yes, f"{arguments.source[0]}: this resets the board's transceiver again and again")
    line = SerialLine(arguments.source[0], arguments.baud, reconnect=False)
    board = BoardDelay(BoardSource(line, option=arguments.option, allow=True))
    try:
        return _run(DelayRun(board, arguments.resets), arguments)
    finally:
        board.close()


def _measure_two_ends(arguments: argparse.Namespace) -> Measured:
    from ..campaign.two_ended import open_two_ended_delay

    with open_two_ended_delay(
        words_of_ends(arguments.source, None),
        option=arguments.option,
        baud=arguments.baud,
        toffset_ns=arguments.toffset,
        reset_at=arguments.reset_at,
        yes=arguments.yes,
    ) as board:
        return _run(DelayRun(board, arguments.resets), arguments)


def _run(delays: DelayRun, arguments: argparse.Namespace) -> Measured:
    """Every reset, or those before a board stopped answering or the user stopped it, and what stopped it."""
    progress = sys.stderr.isatty() and not arguments.json
    trouble: BaseException | None = None
    if arguments.html:  # that it can be written is known before the resets, and no page of an older run stays
        clear_report(arguments.html, force=arguments.force)
    try:
        while not delays.done:
            delays.step()
            done = len(delays.samples)
            if progress and (done % 50 == 0 or delays.done):
                show_progress(f"{done} of {counted(arguments.resets, 'reset')}")
    except (MonitorError, KeyboardInterrupt) as stopped:
        if len(delays.samples) < 2:
            raise
        trouble = stopped
    if progress:
        erase_progress()
    return delays.status(), trouble


def _step(text: str | None, resets: int) -> tuple[int, int]:
    """(clocks, resets before it) of CLOCKS@RESET."""
    if text is None:
        return 0, 0
    match = re.fullmatch(r"([+-]?\d{1,15})@(\d{1,15})", text)
    if match is None:
        raise InputError(f"--step {text!r} is not CLOCKS@RESET", hint="write it as 2@500")
    clocks, after = int(match[1]), int(match[2])
    if not 1 <= after < resets:
        raise InputError(f"--step {text}: reset {after} is outside 1 to {resets - 1}, so no step would show")
    if not -20 <= clocks <= 10_000:
        raise InputError(f"--step {text}: {clocks} clocks are outside -20 to 10000")
    return clocks, after


def _two_captures(arguments: argparse.Namespace) -> int:
    """Two bit captures that begin at the same instant: the delay between them by the sync markers."""
    if arguments.option is None:
        raise InputError("two captures: give their line rate option with --option N")
    option = option_named(checked_option(arguments.option))
    trains = []
    for name in (arguments.source[0], arguments.received):
        try:
            data = Path(name).read_bytes()
        except OSError as error:
            raise InputError(f"{name}: {error.strerror}") from None
        try:
            trains.append(read_line(data, option.name))
        except InputError as error:
            raise InputError(f"{name}: {error}") from None
    (sent_offset, sent), (offset, received) = trains
    bits = loop_delay_bits(sent, received)
    delay_ns = bits * unit_interval_ns(option)
    if arguments.json:
        record = {
            "schema": "framefray.delay/1",
            "kind": "captures",
            "option": option.name,
            "marker_bits": bits,
            "delay_ns": delay_ns,
            "sent_alignment_offset": sent_offset,
            "received_alignment_offset": offset,
        }
        print_json(record)
    else:
        print_lines(
            [
                f"delay {counted(bits, 'bit')} = {delay_ns:.3f} ns by the sync markers; word alignment offset"
                f" {sent_offset} sent, {offset} received; if both captures began at the same bit"
            ]
        )
    return 0


def _blocks_print() -> bool:
    """Whether standard output takes block characters."""
    try:
        "█│├└─±".encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True
