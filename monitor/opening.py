"""From command line arguments to a source and the settings to decode it with."""

from __future__ import annotations

import argparse
import os
import re
import sys
from typing import TYPE_CHECKING

from decoders.errors import DecodersError
from decoders.frame_structure.controlwords import check_pointer
from decoders.line_coding.characters import LineForm
from decoders.linerates import option_named
from decoders.link.settings import LinkSettings, PlaneSettings, check_settings

from .errors import InputError
from .process.asking import permit
from .sources.source import Source

if TYPE_CHECKING:
    from .boards.board import BoardSource
    from .campaign.live_bench import LiveBench

__all__ = [
    "check_capture",
    "is_serial",
    "line_meant",
    "link_settings",
    "open_bench",
    "open_board",
    "open_source",
]


def open_source(arguments: argparse.Namespace) -> Source:
    """The source that `arguments.source` names; InputError where it cannot be opened."""
    text: str = arguments.source
    if text == "emulated" or text.startswith("emulated:"):
        from .emulation.emulated_link import EmulatedSource, parse_emulated

        pair = parse_emulated(text)
        try:
            return EmulatedSource(
                option=arguments.option or "2",
                pair=pair,
                seed=arguments.seed,
                pointer_p=40 if arguments.pointer is None else arguments.pointer,
                hdlc_rate_code=arguments.hdlc_rate,
                hyperframes_per_second=arguments.pace or None,
                limit=arguments.hyperframes,
                bit_error_ratio=arguments.ber,
                every_plane=getattr(arguments, "every_plane", False),
            )
        except ValueError as error:  # settings that cannot be
            raise InputError(str(error)) from None
    if arguments.vcd is not None or text.lower().endswith(".vcd"):
        return _open_dump(text, arguments.vcd, arguments.option)
    if is_serial(text):
        return _open_serial(arguments)
    if (url := line_meant(text)) is not None:
        raise InputError(f"{text}: No such file or directory", hint=f"a board on the network is {url}")
    if arguments.hyperframes is not None or arguments.ber:
        name = "--hyperframes" if arguments.hyperframes is not None else "--ber"
        raise InputError(f"{name} goes with emulated sources and boards, not with a capture")
    from .sources.file import open_file_source

    return open_file_source(text, arguments.form, arguments.option)


def check_capture(text: str) -> None:
    """InputError where a source that is no capture stands in the place of one."""
    if text == "emulated" or text.startswith("emulated:") or is_serial(text):
        raise InputError(f"{text}: is no capture", hint=f"framefray record {text} FILE makes one")


def _open_dump(path: str, signals: str | None, option: str | None) -> Source:
    from .sources.vcd import VcdSource, parse_vcd_signals

    if signals is None:
        raise InputError(f"{path}: which signals are the line?", hint="say it with --vcd data=…,k=…,clock=…")
    if option is None:
        raise InputError(f"{path}: no option is known", hint="give --option")
    return VcdSource(path, parse_vcd_signals(signals), option)


def is_serial(text: str) -> bool:
    """Whether a source is a serial device or a URL, and not a file."""
    if "://" in text:
        return True
    if sys.platform == "win32":
        return re.fullmatch(r"(\\\\\.\\)?COM\d+", text, re.IGNORECASE) is not None
    return os.path.realpath(text).startswith(("/dev/tty", "/dev/pts/", "/dev/cu."))


def line_meant(text: str) -> str | None:
    """The URL of a line that was meant by a bare HOST:PORT, unless there is such a file."""
    bare = re.fullmatch(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9.-]+):\d{1,5}", text)
    return f"socket://{text}" if bare and not os.path.lexists(text) else None


def _open_serial(arguments: argparse.Namespace) -> Source:
    from .boards.serial_port import DEFAULT_BAUD, SerialLine

    line = SerialLine(
        arguments.source,
        getattr(arguments, "baud", DEFAULT_BAUD),
        reconnect=not getattr(arguments, "no_reconnect", False),
    )
    limit = getattr(arguments, "hyperframes", None)
    if arguments.form is not None:
        from .boards.serial_dump import SerialDumpSource

        return SerialDumpSource(line, arguments.form, arguments.option, limit=limit)
    from .boards.board import BoardSource

    # Where --yes is not given, the screen asks before the first command that makes the board transmit or reset.
    allow = getattr(arguments, "yes", False)
    return BoardSource(line, option=arguments.option, allow=allow, limit=limit)


def open_bench(arguments: argparse.Namespace) -> tuple[LiveBench, BoardSource]:
    """The board that `arguments.source` names, to put faults into; the source is the caller's to close.

    InputError where it may not be made to transmit damaged data, or where what it receives is not what it sends.
    """
    from .boards.serial_port import DEFAULT_BAUD
    from .campaign.live_bench import LiveBench

    name = arguments.source
    if not is_serial(name):
        url = line_meant(name)
        raise InputError(
            f"{name}: faults can be put into emulated, emulated:pair and boards on a serial line or URL",
            hint=url and f"a board on the network is {url}",
        )
    for value, word in ((arguments.pointer, "--pointer"), (arguments.hdlc_rate, "--hdlc-rate")):
        if value is not None:
            raise InputError(f"{word} goes with emulated links; a board's link says so itself")
    permit(arguments.yes, f"{name}: this makes the board transmit damaged data")
    source = open_board(name, option=arguments.option, baud=arguments.baud)
    try:
        baud = None if arguments.baud == DEFAULT_BAUD else arguments.baud
        return LiveBench(source, name, hyperframes=arguments.hyperframes, baud=baud), source
    except BaseException:
        source.close()
        raise


def open_board(name: str, *, option: str | None = None, baud: int | None = None) -> BoardSource:
    """A board to put faults into; InputError where what it receives is not what it sends."""
    from .boards.board import BoardSource
    from .boards.serial_port import DEFAULT_BAUD, SerialLine
    from .protocol.records import Loopback

    line = SerialLine(name, baud or DEFAULT_BAUD, reconnect=False)
    source = BoardSource(line, option=option, allow=True, gather_s=0.0)
    if source.status is not None and source.status.loopback is Loopback.PAIR:
        source.close()
        raise InputError(
            f"{source.description}: the board receives what another one sends, not its own faults",
            hint=f"framefray tell {name} loopback internal --yes",
        )
    return source


def link_settings(arguments: argparse.Namespace, source: Source) -> LinkSettings:
    """Decoder settings for a source; InputError for one that cannot be."""
    emulated = arguments.source.startswith("emulated")
    try:
        if arguments.pointer is not None:
            check_pointer(arguments.pointer)
        if arguments.hdlc_rate is not None:
            check_settings(option_named(source.option), 0, arguments.hdlc_rate)
        planes = PlaneSettings(
            hdlc_lsb_first=not arguments.hdlc_msb_first,
            ethernet_lsb_first=not arguments.ethernet_msb_first,
            fixed_pointer_p=None if emulated else arguments.pointer,
            fixed_hdlc_rate_code=None if emulated else arguments.hdlc_rate,
        )
        return LinkSettings(option=source.option, form=LineForm(source.form), planes=planes)
    except DecodersError as error:
        raise InputError(str(error)) from None
