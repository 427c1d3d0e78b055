"""One source converted to a file of another tool, chosen by the suffix of the file."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from pathlib import Path

from decoders.errors import DecodersError
from decoders.events import Event, FrameReceived
from decoders.linerates import option_named
from decoders.link.decoder import HyperframeBlock, LinkDecoder
from decoders.link.settings import LinkSettings
from decoders.user_plane.iq_map import IqMap

from ..errors import InputError
from ..process.output_file import OutputFile, check_output
from ..sources.source import Source, received
from ..text import counted
from . import SIGMF, STIMULI, SUFFIXES, TABLES
from .iq_files import AxcSamples, NpyFile, SigmfData, choose_axc, sigmf_meta
from .line_words import Words, line_words
from .pcapng import Direction, PcapngWriter
from .stimulus import ReadmemhFile, SignalNames, VcdFile
from .tables import COLUMNS, CsvRows, JsonRows, ParquetRows, RowWriter, Table, counter_rows, rows_of

__all__ = ["Conversion", "ExportSettings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ExportSettings:
    """What is written, and how; the fields are the options of the command line, None the default of each."""

    iq: str | None = None
    axc: str | None = None
    table: str | None = None
    words: str | None = None
    limit: int | None = None
    data_name: str | None = None
    k_name: str | None = None
    clock_name: str | None = None
    direction: str | None = None

    def check(self, suffix: str) -> None:
        """InputError for a setting that has no meaning for files of this suffix."""
        for field in fields(self):
            suffixes = _USED_BY[field.name]
            if getattr(self, field.name) is not None and suffix not in suffixes:
                name = field.name.replace("_", "-")
                raise InputError(f"--{name} is for {' '.join(suffixes)}, not for {suffix}")
        if suffix in (".npy", *SIGMF) and self.iq is None:
            raise InputError(
                f"{suffix} needs the IQ sample format", hint='give it with --iq, as "M=15,fs=15.36,n=2"'
            )


_USED_BY = {
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


class Conversion:
    """The conversion to the file `out`, by its suffix. InputError for an unknown one, OutputError for a refused file.

    `outputs` are the files to be written: two of a SigMF recording, else one.
    """

    def __init__(
        self, out: Path, settings: ExportSettings, *, source_name: str = "", force: bool = False
    ) -> None:
        self.suffix = out.suffix.lower()
        if self.suffix not in SUFFIXES:
            raise InputError(f"{out}: unknown suffix", hint=f"use one of {' '.join(SUFFIXES)}")
        settings.check(self.suffix)
        self.settings = settings
        self.outputs = [out.with_suffix(s) for s in SIGMF] if self.suffix in SIGMF else [out]
        self._force = force
        for path in self.outputs:
            check_output(path, source_name, force=force)

    def run(self, source: Source, link: LinkSettings, note: str = "") -> str:
        """Read the whole source and write it; what was written, in words. `note` is a comment for a stimulus."""
        if self.suffix == ".pcapng":
            return self._packets(source, link)
        if self.suffix in TABLES:
            return self._table(source, link)
        if self.suffix in STIMULI:
            return self._stimulus(source, note)
        return self._samples(source, link)

    def _open(self, path: Path) -> OutputFile:
        return OutputFile(path, force=self._force)

    def _packets(self, source: Source, link: LinkSettings) -> str:
        direction = Direction[(self.settings.direction or "inbound").upper()]
        with self._open(self.outputs[0]) as file:
            name = f"{source.description}, line rate option {source.option}, read as {source.form}"
            writer = PcapngWriter(file.stream, name, direction)
            for events in _decoded(source, LinkDecoder(link)):
                for event in events:
                    if isinstance(event, FrameReceived):
                        writer.write(event)
        return f"{counted(writer.frames, 'C&M frame')}, {writer.bad} of them bad"

    def _table(self, source: Source, link: LinkSettings) -> str:
        table = Table(self.settings.table or Table.FRAMES)
        decoder = LinkDecoder(link)
        with self._open(self.outputs[0]) as file:
            rows: RowWriter
            if self.suffix == ".csv":
                rows = CsvRows(file.stream, COLUMNS[table])
            elif self.suffix == ".jsonl":
                rows = JsonRows(file.stream)
            else:
                rows = ParquetRows(file.stream, COLUMNS[table])
            for events in _decoded(source, decoder):
                rows.write(rows_of(table, events, whole_events=self.suffix == ".jsonl"))
            if table is Table.COUNTERS:
                rows.write(counter_rows(decoder.counters))
            rows.close()
        return f"{counted(rows.rows, 'row')} of {table.value}"

    def _samples(self, source: Source, link: LinkSettings) -> str:
        assert self.settings.iq is not None
        try:
            iq_map = IqMap.parse(option_named(source.option), self.settings.iq)
        except DecodersError as error:
            raise InputError(str(error)) from None
        samples = AxcSamples(iq_map, choose_axc(iq_map, self.settings.axc))
        meta, data = self.outputs if self.suffix in SIGMF else (None, self.outputs[0])
        with self._open(data) as file:
            writer: NpyFile | SigmfData
            kind = NpyFile if meta is None else SigmfData
            writer = kind(file.stream, samples.axc.dtype)
            decoder: LinkDecoder

            def write(block: HyperframeBlock) -> None:
                writer.write(samples.take(block, decoder.losses))

            decoder = LinkDecoder(link, on_block=write)
            for _ in _decoded(source, decoder):
                pass
            if isinstance(writer, NpyFile):
                writer.close()
        if meta is not None and isinstance(writer, SigmfData):
            with self._open(meta) as file:
                file.stream.write(sigmf_meta(samples, writer, source.description))
        told = f"{counted(samples.count, 'sample')} of AxC {samples.name}"
        if samples.gaps:
            where = ", ".join(str(gap.sample) for gap in samples.gaps[:5])
            told += f"; frame sync was lost {counted(len(samples.gaps), 'time')}, before sample {where}"
        return told

    def _stimulus(self, source: Source, note: str) -> str:
        words = Words(self.settings.words or Words.SYMBOLS)
        option = option_named(source.option)
        comments = [
            f"framefray export: {source.description}",
            f"line rate option {option.name}, {option.line_rate_bps / 1e6:g} Mbit/s, read as {source.form}",
            *filter(None, [note]),
        ]
        make: Callable[[OutputFile], ReadmemhFile | VcdFile]
        if self.suffix == ".vcd":
            names = self._signal_names(words)
            make = lambda file: VcdFile(file.stream, words, option, names, comments)  # noqa: E731
        else:
            make = lambda file: ReadmemhFile(file.stream, words, comments)  # noqa: E731
        with self._open(self.outputs[0]) as file:
            writer = make(file)
            for part in line_words(source, words, self.settings.limit):
                writer.write(part)
            writer.close()
        held = writer.count / option.hyperframe_octets
        noun = "symbol" if words is Words.SYMBOLS else "flagged word"
        return f"{counted(writer.count, noun)}, {held:g} hyperframe{'s' * (held != 1)}"

    def _signal_names(self, words: Words) -> SignalNames:
        if words is Words.SYMBOLS and self.settings.k_name is not None:
            raise InputError("--k-name needs --words flagged; a symbol has no K flag of its own")
        data = self.settings.data_name or ("symbol" if words is Words.SYMBOLS else "octet")
        return SignalNames(data, self.settings.k_name or "k", self.settings.clock_name)


def _decoded(source: Source, decoder: LinkDecoder) -> Iterator[list[Event]]:
    """Events of the whole source, chunk by chunk; InputError at the end if it never was in sync."""
    for chunk in source.chunks():
        yield received(decoder, chunk)
    yield decoder.finish()
    if decoder.acquired_at_hyperframe is None:
        raise InputError(
            f"{source.description}: no hyperframe sync found as {source.form} of option {source.option}",
            hint="check --form and --option",
        )
