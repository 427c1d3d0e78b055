"""From a SOURCE word and what is said about it to a source, a board, or a link to inject faults into."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any, Self

from decoders.errors import DecodersError
from decoders.frame_structure.controlwords import check_pointer
from decoders.line_coding.block_forms import FecChoice
from decoders.line_coding.characters import LineForm
from decoders.line_coding.fec_reader import FecSettings
from decoders.linerates import option_named
from decoders.link.settings import BlockSettings, LinkSettings, PlaneSettings, check_settings

from .errors import InputError
from .process.asking import permit
from .sources.names import (
    SourceKind,
    chain_point,
    is_chain,
    is_emulated,
    is_pair,
    is_serial,
    line_meant,
    named_source,
    source_kind,
)
from .sources.source import Source

if TYPE_CHECKING:
    from .boards.board import BoardSource
    from .campaign.campaign import Bench
    from .campaign.conditions import Conditions, LinkConditions
    from .campaign.live_bench import LiveBench
    from .campaign.two_ended_bench import TwoEndedBench
    from .emulation.chain import EmulatedChain

__all__ = [
    "LinkRequest",
    "SourceRequest",
    "check_capture",
    "link_settings",
    "open_bench",
    "open_board",
    "open_chain",
    "open_link",
    "open_source",
]

DEFAULT_OPTION = "2"
DEFAULT_POINTER = 40


class _Request:
    @classmethod
    def of(cls, arguments: argparse.Namespace, **changes: Any) -> Self:
        """What the arguments of a command line say; a field that the command does not have keeps its default."""
        names = {field.name for field in fields(cls)}  # type: ignore[arg-type]
        return cls(**{name: value for name, value in vars(arguments).items() if name in names} | changes)


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceRequest(_Request):
    """A source, and how to read it; the fields are the options of the command line.

    `form`, `option`, `pointer` and `hdlc_rate` None leave them to the data. `pace` counts hyperframes per second, 0
    has no limit; `hyperframes` None reads on without end. `every_plane` and `load` as in EmulatedSender. `opened` are
    sources of this process that are open already, by their word: those that share something.
    """

    source: str
    form: str | None = None
    option: str | None = None
    pointer: int | None = None
    hdlc_rate: int | None = None
    hdlc_msb_first: bool = False
    ethernet_msb_first: bool = False
    fec: str = "auto"
    fec_header_xor: str = "auto"
    scrambling: int | None = None
    vcd: str | None = None
    baud: int | None = None
    no_reconnect: bool = False
    yes: bool = False
    seed: int = 1
    pace: float = 750.0
    hyperframes: int | None = None
    ber: float = 0.0
    every_plane: bool = False
    load: float = 0.5
    opened: Mapping[str, Source] | None = None

    @property
    def is_emulated(self) -> bool:
        return is_emulated(self.source)


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkRequest(_Request):
    """A link to inject faults into; the fields are the options of the command line."""

    source: str
    option: str | None = None
    pointer: int | None = None
    hdlc_rate: int | None = None
    seed: int = 1
    hyperframes: int | None = None
    baud: int | None = None
    yes: bool = False
    via: str = "link"
    form: str | None = None
    fec: str = "off"
    fec_header_xor: str | None = None
    scrambling: int | None = None
    traffic: float = 1.0
    sources: Sequence[str] = ()
    inject_at: Sequence[str] = ()
    observe_at: str | None = None

    @property
    def has_two_ends(self) -> bool:
        """Whether faults go in at one board and are observed at another."""
        named = any(named_source(word)[0] is not None for word in self.sources)
        return named or len(self.sources) > 1 or bool(self.inject_at) or self.observe_at is not None


def open_source(request: SourceRequest) -> Source:
    """The source that a request names; InputError where it cannot be opened."""
    if request.opened is not None and request.source in request.opened:
        return request.opened[request.source]
    match source_kind(request.source):
        case SourceKind.EMULATED:
            return _open_chain(request) if is_chain(request.source) else _open_emulated(request)
        case SourceKind.LINE if not _is_dump(request):
            return _open_serial(request)
        case _:
            return _open_dump(request) if _is_dump(request) else _open_capture(request)


def _is_dump(request: SourceRequest) -> bool:
    return request.vcd is not None or request.source.lower().endswith(".vcd")


def _open_emulated(request: SourceRequest) -> Source:
    from .emulation.emulated_link import EmulatedSource
    from .emulation.line_settings import LineSettings

    pair = is_pair(request.source)
    try:
        return EmulatedSource(
            option=request.option or DEFAULT_OPTION,
            pair=pair,
            seed=request.seed,
            pointer_p=DEFAULT_POINTER if request.pointer is None else request.pointer,
            hdlc_rate_code=request.hdlc_rate,
            hyperframes_per_second=request.pace or None,
            limit=request.hyperframes,
            bit_error_ratio=request.ber,
            every_plane=request.every_plane,
            load=request.load,
            line=LineSettings(request.fec == "on", request.fec_header_xor == "on", request.scrambling),
        )
    except ValueError as error:  # settings that are not valid
        raise InputError(str(error)) from None


def open_chain(request: SourceRequest) -> EmulatedChain:
    """The emulated chain that a request asks for; InputError for settings that it cannot have."""
    from .emulation.chain import EmulatedChain

    if request.ber or request.fec == "on" or request.scrambling is not None:
        raise InputError(
            "--ber, --fec and --scrambling are for emulated and emulated:pair, not for the chain"
        )
    try:
        return EmulatedChain(
            option=request.option or DEFAULT_OPTION,
            seed=request.seed,
            pointer_p=DEFAULT_POINTER if request.pointer is None else request.pointer,
            hdlc_rate_code=request.hdlc_rate,
            load=request.load,
        )
    except ValueError as error:  # settings that are not valid
        raise InputError(str(error)) from None


def _open_chain(request: SourceRequest) -> Source:
    from .emulation.chain_source import chain_sources

    chain = open_chain(request)
    asked = chain_point(request.source)
    point = chain.points[-1] if asked is None else chain.point_named(asked.name)
    sources = chain_sources(
        chain, [point], hyperframes_per_second=request.pace or None, limit=request.hyperframes
    )
    return sources[point]


def _open_capture(request: SourceRequest) -> Source:
    from .sources.file import open_file_source

    if (url := line_meant(request.source)) is not None:
        raise InputError(
            f"{request.source}: No such file or directory", hint=f"a board on the network is {url}"
        )
    if request.hyperframes is not None or request.ber:
        name = "--hyperframes" if request.hyperframes is not None else "--ber"
        raise InputError(f"{name} is for emulated links and boards, not for captures")
    return open_file_source(request.source, request.form, request.option)


def check_capture(text: str) -> None:
    """InputError where a source that is no capture stands in the place of one."""
    if source_kind(text) is not SourceKind.CAPTURE:
        raise InputError(f"{text}: not a capture", hint=f"record it first: framefray record {text} FILE")


def _open_dump(request: SourceRequest) -> Source:
    from .sources.vcd import VcdSource, parse_vcd_signals

    path = request.source
    if request.vcd is None:
        raise InputError(f"{path}: no signals are named", hint="give --vcd data=NAME,k=NAME,clock=NAME")
    if request.option is None:
        raise InputError(f"{path}: no option is known", hint="give --option")
    return VcdSource(path, parse_vcd_signals(request.vcd), request.option)


def _open_serial(request: SourceRequest) -> Source:
    from .boards.serial_port import DEFAULT_BAUD, SerialLine

    line = SerialLine(request.source, request.baud or DEFAULT_BAUD, reconnect=not request.no_reconnect)
    if request.form is not None:
        from .boards.serial_dump import SerialDumpSource

        return SerialDumpSource(line, request.form, request.option, limit=request.hyperframes)
    from .boards.board import BoardSource

    # Where --yes is not given, the screen asks before the first command that makes the board transmit or reset.
    return BoardSource(line, option=request.option, allow=request.yes, limit=request.hyperframes)


@contextmanager
def open_link(request: LinkRequest) -> Iterator[tuple[Conditions, Bench | None]]:
    """The link to inject faults into: its conditions, and a board's bench (None for fresh emulated links)."""
    if not request.has_two_ends and is_emulated(request.source):
        yield _emulated_conditions(request), None
        return
    _check_for_boards(request)
    if request.has_two_ends:
        with _open_two_ended(request) as both:
            yield both.conditions, both
        return
    bench, source = open_bench(request)
    bench.conditions = replace(bench.conditions, asked_option=request.option)
    try:
        yield bench.conditions, bench
    finally:
        source.close()


def _check_for_boards(request: LinkRequest) -> None:
    """InputError for what is asked of a board and can be asked of emulated links only."""
    if request.via == "craft":
        raise InputError("--via craft is for emulated links, not for boards")
    if request.fec == "on" or request.scrambling is not None:
        raise InputError("--fec and --scrambling are for emulated links; a board is set up by itself")
    for value, word in ((request.pointer, "--pointer"), (request.hdlc_rate, "--hdlc-rate")):
        if value is not None:
            raise InputError(f"{word} is for emulated links; a board's link has its own")


@contextmanager
def _open_two_ended(request: LinkRequest) -> Iterator[TwoEndedBench]:
    from .campaign.two_ended import chosen_ends, named_sources, open_two_ended

    sources = named_sources(request.sources)
    near, far = chosen_ends(sources, request.inject_at, request.observe_at)
    with open_two_ended(
        sources,
        near,
        far,
        option=request.option,
        baud=request.baud,
        hyperframes=request.hyperframes,
        yes=request.yes,
    ) as bench:
        bench.conditions = replace(bench.conditions, asked_option=request.option)
        yield bench


def _emulated_conditions(request: LinkRequest) -> LinkConditions:
    """InputError where there is no such link."""
    from .campaign.conditions import LinkConditions

    pointer = DEFAULT_POINTER if request.pointer is None else request.pointer
    try:
        check_pointer(pointer)
        return LinkConditions(
            source=request.source,
            crafted=request.via == "craft",
            form=LineForm(request.form or LineForm.BITS.value),
            option=request.option or DEFAULT_OPTION,
            pointer_p=pointer,
            hdlc_rate_code=request.hdlc_rate,
            seed=request.seed,
            hyperframes=request.hyperframes,
            load=request.traffic,
            fec=request.fec == "on",
            fec_header_xor=request.fec_header_xor == "on",
            scrambling=request.scrambling,
        )
    except DecodersError as error:
        raise InputError(str(error)) from None


def open_bench(request: LinkRequest) -> tuple[LiveBench, BoardSource]:
    """The board that a request names, to inject faults into; the source is the caller's to close.

    InputError where it may not be made to transmit damaged data, or where what it receives is not what it sends.
    """
    from .boards.serial_port import DEFAULT_BAUD
    from .campaign.live_bench import LiveBench

    name = request.source
    if not is_serial(name):
        url = line_meant(name)
        raise InputError(
            f"{name}: faults can be injected into emulated, emulated:pair and boards on a serial line or URL",
            hint=url and f"a board on the network is {url}",
        )
    permit(request.yes, f"{name}: this makes the board transmit damaged data")
    source = open_board(name, option=request.option, baud=request.baud)
    try:
        baud = None if request.baud == DEFAULT_BAUD else request.baud
        return LiveBench(source, name, hyperframes=request.hyperframes, baud=baud), source
    except BaseException:
        source.close()
        raise


def open_board(name: str, *, option: str | None = None, baud: int | None = None) -> BoardSource:
    """A board to inject faults into; InputError where what it receives is not what it sends."""
    from .boards.board import BoardSource
    from .boards.serial_port import DEFAULT_BAUD, SerialLine
    from .protocol.records import Loopback

    line = SerialLine(name, baud or DEFAULT_BAUD, reconnect=False)
    source = BoardSource(line, option=option, allow=True, gather_s=0.0)
    if source.status is not None and source.status.loopback is Loopback.PAIR:
        source.close()
        raise InputError(
            f"{source.description}: the board receives what another one sends, not its own faults",
            hint=f"name both boards: THIS={name} OTHER=SOURCE --inject-at THIS; or framefray tell {name} loopback"
            " internal --yes",
        )
    return source


def link_settings(request: SourceRequest, source: Source) -> LinkSettings:
    """Decoder settings for a source; InputError for settings that are not valid."""
    received = not request.is_emulated
    try:
        if request.pointer is not None:
            check_pointer(request.pointer)
        if request.hdlc_rate is not None:
            check_settings(option_named(source.option), 0, request.hdlc_rate)
        planes = PlaneSettings(
            hdlc_lsb_first=not request.hdlc_msb_first,
            ethernet_lsb_first=not request.ethernet_msb_first,
            fixed_pointer_p=request.pointer if received else None,
            fixed_hdlc_rate_code=request.hdlc_rate if received else None,
        )
        header_xor = {"on": True, "off": False}.get(request.fec_header_xor)
        blocks = BlockSettings(fec=FecChoice(request.fec), fec_lock=FecSettings(header_xor=header_xor))
        return LinkSettings(option=source.option, form=LineForm(source.form), planes=planes, blocks=blocks)
    except ValueError as error:
        raise InputError(str(error)) from None
