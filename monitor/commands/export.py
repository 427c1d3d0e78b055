"""`framefray export`: what a capture holds, in the formats of other tools."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from pathlib import Path

from decoders.errors import DecodersError
from decoders.events import Event, FrameReceived
from decoders.linerates import option_named
from decoders.link.decoder import HyperframeBlock, LinkDecoder
from decoders.user_plane.iq_map import IqMap

from ..errors import InputError
from ..exports import SIGMF, STIMULI, SUFFIXES, TABLES
from ..exports.iq_files import AxcSamples, NpyFile, SigmfData, choose_axc, sigmf_meta
from ..exports.line_words import Words, line_words
from ..exports.pcapng import Direction, PcapngWriter
from ..exports.stimulus import ReadmemhFile, SignalNames, VcdFile
from ..exports.tables import COLUMNS, CsvRows, JsonRows, ParquetRows, RowWriter, Table, counter_rows, rows_of
from ..opening import link_settings, open_source
from ..process.output_file import OutputFile, check_output
from ..process.streams import tell
from ..sources.source import Source, received
from ..text import counted

_USES = {
    "iq": (".npy", *SIGMF),
    "axc": (".npy", *SIGMF),
    "table": TABLES,
    "words": STIMULI,
    "limit": STIMULI,
    "data_name": (".vcd",),
    "k_name": (".vcd",),
    "clock_name": (".vcd",),
    "direction": (".pcapng",),
}


def run(arguments: argparse.Namespace) -> int:
    out = Path(arguments.out)
    suffix = out.suffix.lower()
    if suffix not in SUFFIXES:
        raise InputError(
            f"{arguments.out}: its suffix names no export", hint=f"use one of {' '.join(SUFFIXES)}"
        )
    for name, suffixes in _USES.items():
        if getattr(arguments, name) is not None and suffix not in suffixes:
            raise InputError(f"--{name.replace('_', '-')} goes with {' '.join(suffixes)}, not with {suffix}")
    outputs = [out.with_suffix(s) for s in SIGMF] if suffix in SIGMF else [out]
    for path in outputs:
        check_output(path, arguments.source, force=arguments.force)
    if suffix in (".npy", *SIGMF) and arguments.iq is None:
        raise InputError(
            f"{suffix} needs to know where the samples lie", hint='say it with --iq, as "M=15,fs=15.36,n=2"'
        )
    emulated = arguments.source.startswith("emulated")
    if emulated and arguments.hyperframes is None:
        raise InputError("an emulated source has no end", hint="say how much with --hyperframes")
    source = open_source(arguments)
    try:
        if suffix == ".pcapng":
            told = _packets(arguments, source, out)
        elif suffix in TABLES:
            told = _table(arguments, source, out, suffix)
        elif suffix in STIMULI:
            told = _stimulus(arguments, source, out, suffix)
        else:
            told = _samples(arguments, source, outputs, suffix)
    finally:
        source.close()
        for warning in source.warnings:
            tell(warning)
    tell(f"{', '.join(str(path) for path in outputs)}: {told}")
    return 0


def _decode(
    arguments: argparse.Namespace, source: Source, decoder: LinkDecoder | None = None
) -> Iterator[list[Event]]:
    """Events of the whole source, chunk by chunk; InputError at the end if it never was in sync."""
    decoder = decoder or LinkDecoder(link_settings(arguments, source))
    for chunk in source.chunks():
        yield received(decoder, chunk)
    yield decoder.finish()
    if decoder.acquired_at_hyperframe is None:
        raise InputError(
            f"{source.description}: no hyperframe sync found as {source.form} of option {source.option}",
            hint="check --form and --option",
        )


def _packets(arguments: argparse.Namespace, source: Source, out: Path) -> str:
    direction = Direction[(arguments.direction or "inbound").upper()]
    with OutputFile(out, force=arguments.force) as file:
        link = f"{source.description}, line rate option {source.option}, read as {source.form}"
        writer = PcapngWriter(file.stream, link, direction)
        for events in _decode(arguments, source):
            for event in events:
                if isinstance(event, FrameReceived):
                    writer.write(event)
    return f"{counted(writer.frames, 'C&M frame')}, {writer.bad} of them bad"


def _table(arguments: argparse.Namespace, source: Source, out: Path, suffix: str) -> str:
    table = Table(arguments.table or Table.FRAMES)
    decoder = LinkDecoder(link_settings(arguments, source))
    with OutputFile(out, force=arguments.force) as file:
        rows: RowWriter
        if suffix == ".csv":
            rows = CsvRows(file.stream, COLUMNS[table])
        elif suffix == ".jsonl":
            rows = JsonRows(file.stream)
        else:
            rows = ParquetRows(file.stream, COLUMNS[table])
        for events in _decode(arguments, source, decoder):
            rows.write(rows_of(table, events, whole_events=suffix == ".jsonl"))
        if table is Table.COUNTERS:
            rows.write(counter_rows(decoder.counters))
        rows.close()
    return f"{counted(rows.rows, 'row')} of {table.value}"


def _samples(arguments: argparse.Namespace, source: Source, outputs: list[Path], suffix: str) -> str:
    try:
        iq_map = IqMap.parse(option_named(source.option), arguments.iq)
    except DecodersError as error:
        raise InputError(str(error)) from None
    samples = AxcSamples(iq_map, choose_axc(iq_map, arguments.axc))
    meta, data = outputs if suffix in SIGMF else (None, outputs[0])
    with OutputFile(data, force=arguments.force) as file:
        writer: NpyFile | SigmfData
        if meta is None:
            writer = NpyFile(file.stream, samples.axc.dtype)
        else:
            writer = SigmfData(file.stream, samples.axc.dtype)
        decoder: LinkDecoder

        def take(block: HyperframeBlock) -> None:
            writer.write(samples.take(block, decoder.losses))

        decoder = LinkDecoder(link_settings(arguments, source), on_block=take)
        for _ in _decode(arguments, source, decoder):
            pass
        if isinstance(writer, NpyFile):
            writer.close()
    if meta is not None and isinstance(writer, SigmfData):
        with OutputFile(meta, force=arguments.force) as file:
            file.stream.write(sigmf_meta(samples, writer, source.description))
    told = f"{counted(samples.count, 'sample')} of AxC {samples.name}"
    if samples.gaps:
        where = ", ".join(str(gap.sample) for gap in samples.gaps[:5])
        told += f"; frame sync was lost {counted(len(samples.gaps), 'time')}, before sample {where}"
    return told


def _stimulus(arguments: argparse.Namespace, source: Source, out: Path, suffix: str) -> str:
    words = Words(arguments.words or Words.SYMBOLS)
    option = option_named(source.option)
    comments = [
        f"framefray export: {source.description}",
        f"line rate option {option.name}, {option.line_rate_bps / 1e6:g} Mbit/s, read as {source.form}",
    ]
    if arguments.source.startswith("emulated"):
        comments.append(f"seed {arguments.seed}")
    writer: ReadmemhFile | VcdFile
    make: Callable[[OutputFile], ReadmemhFile | VcdFile]
    if suffix == ".vcd":
        if words is Words.SYMBOLS and arguments.k_name is not None:
            raise InputError("--k-name goes with --words flagged; a symbol has no K flag of its own")
        data = arguments.data_name or ("symbol" if words is Words.SYMBOLS else "octet")
        names = SignalNames(data, arguments.k_name or "k", arguments.clock_name)
        make = lambda file: VcdFile(file.stream, words, option, names, comments)  # noqa: E731
    else:
        make = lambda file: ReadmemhFile(file.stream, words, comments)  # noqa: E731
    with OutputFile(out, force=arguments.force) as file:
        writer = make(file)
        for part in line_words(source, words, arguments.limit):
            writer.write(part)
        writer.close()
    held = writer.count / option.hyperframe_octets
    noun = "symbol" if words is Words.SYMBOLS else "flagged word"
    return f"{counted(writer.count, noun)}, {held:g} hyperframe{'s' * (held != 1)}"
