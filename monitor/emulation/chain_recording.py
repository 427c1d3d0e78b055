"""Records an emulated chain into a folder: a capture of every point, and what was put in where.

The capture of `REC-A>RE-1` is `REC-A_RE-1.ffcap`. All begin at the same instant. `chain.json` names them, with how
late a hyperframe comes at each point and, for every fault, its segment and what is expected of it at each point.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from decoders.linerates import BFN_MODULUS, HYPERFRAMES_PER_FRAME

from ..errors import InputError, OutputError
from ..faults.catalogue import parse_fault
from ..faults.kinds import Expectation
from ..faults.segments import SegmentInjection, fault_and_segment
from ..process.output_file import OutputFile, check_output
from ..recording.limits import Limit
from ..recording.recorder import RecordingTap, open_recording
from ..sources.names import Segment
from ..text import json_text
from .chain import EmulatedChain
from .chain_source import chain_sources

__all__ = ["TRUTH_FILE", "ChainRecording", "capture_name"]

TRUTH_FILE = "chain.json"


def capture_name(point: Segment) -> str:
    """The file name of a point's capture; `>` has no place in one on some systems."""
    return f"{point.sender}_{point.receiver}.ffcap"


class ChainRecording:
    """Recordings of all points of a chain. Faults are put in before the first hyperframe.

    InputError for a fault that cannot be or comes after the end; OutputError where the folder holds one of the files
    already, unless `overwrite` is set.
    """

    def __init__(
        self,
        chain: EmulatedChain,
        folder: Path,
        *,
        faults: Sequence[str] = (),
        notes: Sequence[str] = (),
        hyperframes: int | None = None,
        hyperframes_per_second: float | None = None,
        limit: Limit | None = None,
        overwrite: bool = False,
    ) -> None:
        self.chain = chain
        self.folder = folder
        self._overwrite = overwrite
        for text in faults:
            fault = chain.checked(text)[1]
            if hyperframes is not None and (fault.hyperframe or 0) >= hyperframes:
                raise InputError(f"fault {text}: the recording ends with hyperframe {hyperframes - 1}")
        self._make_folder()
        sources = chain_sources(chain, hyperframes_per_second=hyperframes_per_second, limit=hyperframes)
        self.taps: dict[Segment, RecordingTap] = {}
        try:
            for point, source in sources.items():
                path = folder / capture_name(point)
                self.taps[point] = open_recording(source, path, limit=limit, overwrite=overwrite)
            for note in notes:
                for tap in self.taps.values():
                    tap.note(note)
            for text in faults:
                injection = chain.inject(text)
                self.taps[injection.segment].fault(injection.text, injection.hyperframe, injection.expected)
        except BaseException:
            self._close()
            raise

    def _make_folder(self) -> None:
        try:
            self.folder.mkdir(exist_ok=True)
        except OSError as error:
            raise OutputError(f"{self.folder}: {error.strerror or error}") from None
        for name in (*map(capture_name, self.chain.points), TRUTH_FILE):
            check_output(self.folder / name, force=self._overwrite)

    @property
    def writing(self) -> bool:
        return any(tap.writing for tap in self.taps.values())

    @property
    def hyperframes(self) -> float:
        """The least that any of the captures holds."""
        return min(tap.hyperframes for tap in self.taps.values())

    def stop(self) -> None:
        """End the recordings after what is in hand."""
        for tap in self.taps.values():
            tap.stop()

    def run(self) -> None:
        """Record until the end, the limit or `stop`; OutputError where a capture cannot be written on."""
        try:
            streams: list[Iterator[object]] = [tap.chunks() for tap in self.taps.values()]
            while streams:
                streams = [stream for stream in streams if next(stream, None) is not None]
        finally:
            self._close()

    def _close(self) -> None:
        failure: OutputError | None = None
        for tap in self.taps.values():
            try:
                tap.close()
            except OutputError as error:
                failure = failure or error
        if failure is not None:
            raise failure

    def write_truth(self) -> None:
        """Write chain.json; what it says of faults is what was asked for and is expected."""
        with OutputFile(self.folder / TRUTH_FILE, force=self._overwrite) as out:
            out.write(json_text(self.truth(), indent=1).encode() + b"\n")

    def truth(self) -> dict[str, Any]:
        chain, settings = self.chain, self.chain.settings
        points = []
        for point in chain.points:
            bfn, hfn = chain.first_hyperframe(point)
            points.append(
                {
                    "segment": point.name,
                    "capture": capture_name(point),
                    "first": {"bfn": bfn, "hfn": hfn},
                    "start_symbols": chain.starts[point],
                    "alignment_offset": chain.delays[point].alignment_offset,
                }
            )
        return {
            "schema": "framefray.chain/1",
            "option": chain.option.name,
            "seed": settings.seed,
            "nodes": list(settings.nodes),
            "cm_relay": settings.cm_relay.value,
            "own_vendor": settings.own_vendor,
            "points": points,
            "faults": [self._fault(injection) for injection in chain.injections],
        }

    def _fault(self, injection: SegmentInjection) -> dict[str, Any]:
        fault = parse_fault(fault_and_segment(injection.text)[0])
        bfn, hfn = self.chain.first_hyperframe(injection.segment)
        number = bfn * HYPERFRAMES_PER_FRAME + hfn + injection.hyperframe
        return {
            "fault": fault.kind.name,
            "segment": injection.segment.name,
            "hyperframe": injection.hyperframe,
            "bfn": number // HYPERFRAMES_PER_FRAME % BFN_MODULUS,
            "hfn": number % HYPERFRAMES_PER_FRAME,
            "parameters": dict(fault.values),
            "expected": dict(injection.expected),
            "points": {
                point.name: _expectation_record(expectation)
                for point, expectation in injection.expectations.items()
            },
        }


def _expectation_record(expectation: Expectation) -> dict[str, Any]:
    return {
        "exact": dict(expectation.exact),
        "ranges": [{"counters": list(r.counters), "low": r.low, "high": r.high} for r in expectation.ranges],
        "tolerated": sorted(expectation.tolerated),
        "raised": [f"{origin.value} {alarm.value}" for alarm, origin in expectation.raised],
        "cleared": [f"{origin.value} {alarm.value}" for alarm, origin in expectation.cleared],
        "within_hyperframes": expectation.within_hyperframes,
    }
