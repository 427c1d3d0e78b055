"""`framefray record`: a source into a file, until it ends, a limit is reached, or a signal comes."""

from __future__ import annotations

import argparse
import math
import os
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import NamedTuple

from ..emulation.chain_recording import ChainRecording
from ..emulation.chain_source import ChainPointSource
from ..emulation.emulated_link import EmulatedSource
from ..errors import InputError, OutputError
from ..exports import SUFFIXES
from ..faults.catalogue import parse_fault
from ..faults.segments import fault_and_segment
from ..formats.forms import Form, form_of_name
from ..opening import SourceRequest, link_settings, open_chain, open_source
from ..process.interrupts import Stops
from ..process.posix import can_wait_for_files, file_waits
from ..process.streams import erase_progress, print_lines, show_progress, tell
from ..recording.limits import Limit, parse_limit
from ..recording.recorder import FaultyTap, RecordingTap, open_recording
from ..sources.names import CHAIN, is_chain, is_serial
from ..sources.news import News
from ..sources.patience import LinePatience
from ..text import counted
from .outputs import RecordedLink, metrics_served

EXIT_BAD_INPUT, EXIT_INTERRUPTED = 2, 130


class _Placed(NamedTuple):
    """A fault, the hyperframe of the stream that it goes into, and how many were missing before by then."""

    text: str
    hyperframe: int
    missing: int


def _missing(tap: RecordingTap) -> int:
    return int(getattr(tap.source, "hyperframes_missing", 0))


def run(arguments: argparse.Namespace) -> int:
    if arguments.source == CHAIN and (arguments.out.endswith(("/", os.sep)) or Path(arguments.out).is_dir()):
        return _record_chain(arguments)
    observed: list[RecordedLink] = []
    with metrics_served(arguments, lambda: [each.link() for each in observed]):
        return _run(arguments, observed)


def _run(arguments: argparse.Namespace, observed: list[RecordedLink]) -> int:
    limit = parse_limit(arguments.limit) if arguments.limit is not None else None
    _check_out(arguments.out)
    _check_faults(arguments)
    fresh = not os.path.lexists(arguments.out)
    tap = _open(arguments, limit)
    if arguments.metrics is not None:
        request = SourceRequest.of(arguments)
        observed.append(RecordedLink(arguments.source, tap.source, link_settings(request, tap.source)))
    recording = _Recording(arguments, tap, observed)
    with Stops() as stops:
        failure = recording.run(stops)
        if failure is not None and not recording.begun and fresh:
            with suppress(OSError):
                Path(arguments.out).unlink()
            raise failure
        return recording.finish(stops, failure)


def _record_chain(arguments: argparse.Namespace) -> int:
    """Every point of the emulated chain into a folder; the exit status."""
    if arguments.metrics is not None:
        raise InputError("--metrics is for the recording of one point, such as emulated:chain/RE-1>RE-2")
    recording = ChainRecording(
        open_chain(SourceRequest.of(arguments)),
        Path(arguments.out),
        faults=arguments.fault,
        notes=arguments.note,
        hyperframes=arguments.hyperframes,
        hyperframes_per_second=arguments.pace or None,
        limit=None if arguments.limit is None else parse_limit(arguments.limit),
        overwrite=arguments.overwrite,
    )
    failure: OutputError | None = None
    with Stops() as stops:
        try:
            with stops.running(recording.stop, lambda: recording.writing):
                recording.run()
        except OutputError as error:
            failure = error
        recording.write_truth()
        held = counted(math.floor(recording.hyperframes), "hyperframe")
        points = counted(len(recording.taps), "point")
        print_lines([f"{arguments.out}: {held} of option {recording.chain.option.name} at {points}"])
        if failure is not None:
            tell(f"{failure}; what was recorded before is kept")
            return EXIT_BAD_INPUT
        if stops.seen:
            tell(f"stopped by {stops.seen[0]}; what was recorded is kept")
            return EXIT_INTERRUPTED
    return 0


def _open(arguments: argparse.Namespace, limit: Limit | None) -> RecordingTap:
    """The source with a tap on it; InputError where it cannot do what is asked, OutputError for OUT."""
    source = open_source(SourceRequest.of(arguments))
    try:
        if isinstance(source, EmulatedSource | ChainPointSource):
            for text in arguments.fault:
                source.check_fault(text)
        elif arguments.fault and not hasattr(source, "inject"):
            raise InputError(f"{source.description} cannot inject faults")
        tap = open_recording(source, arguments.out, limit=limit, overwrite=arguments.overwrite)
    except BaseException:
        source.close()
        raise
    if form_of_name(Path(arguments.out).name) is None:
        raw = " ".join(f".{form}" for form in Form if form is not Form.FFCAP)
        tell(
            f"{arguments.out}: its suffix names no form, so it becomes an .ffcap capture ({raw} hold raw data)"
        )
    if (arguments.note or arguments.fault) and not tap.keeps_notes:
        tell(f"{arguments.out}: notes and faults have no place in this form; only the line data are recorded")
    return tap


class _Recording:
    """One recording from its first note to its summary; `begun` once a kill would leave something."""

    def __init__(
        self, arguments: argparse.Namespace, tap: RecordingTap, observed: Sequence[RecordedLink] = ()
    ) -> None:
        self.begun = False
        self._observed = observed
        self._arguments = arguments
        self._tap = tap
        self._news = News(tap)
        self._waiting: list[str] = []
        self._placed: list[_Placed] = []

    def run(self, stops: Stops) -> OutputError | InputError | None:
        """Record until the source ends, the limit is reached or a signal comes, and close; what went wrong."""
        tap, failure = self._tap, None
        try:
            with (
                stops.running(tap.stop, lambda: tap.writing),
                _marking(tap, self._arguments.source != "-"),
            ):
                self._begin()
                self.begun = True
                self._record()
        except (OutputError, InputError) as error:
            failure = error
        finally:
            try:
                tap.close()
            except OutputError as error:
                failure = failure or error
        self._tell()
        return failure

    def finish(self, stops: Stops, failure: OutputError | InputError | None) -> int:
        """Say what was recorded; the exit status."""
        tap, arguments = self._tap, self._arguments
        print_lines([_summary(tap, arguments.out)])
        sys.stdout.flush()
        if failure is not None:
            tell(f"{failure}; what was recorded before is kept")
            return EXIT_BAD_INPUT
        trouble = [*self._never_injected()]
        if not stops.seen and _broke_off(tap, arguments):
            trouble.append(f"{tap.description}: the line ended before the limit; what was recorded is kept")
        for text in trouble:
            tell(text)
        if stops.seen:
            tell(f"stopped by {stops.seen[0]}; what was recorded is kept")
            return EXIT_INTERRUPTED
        return EXIT_BAD_INPUT if trouble else 0

    def _begin(self) -> None:
        """Notes and faults that come first; faults of a board wait until it has told where it is."""
        for text in self._arguments.note:
            self._tap.note(text)
        self._waiting = list(self._arguments.fault)
        if isinstance(self._tap.source, EmulatedSource | ChainPointSource):
            self._inject()

    def _inject(self) -> None:
        """Inject what waits; each fault goes over to those placed with the hyperframe it goes into."""
        tap = self._tap
        while isinstance(tap, FaultyTap) and self._waiting:
            place = tap.inject(self._waiting[0]).hyperframe
            self._placed.append(_Placed(self._waiting[0], place, _missing(tap)))
            del self._waiting[0]

    def _record(self) -> None:
        tap, shown = self._tap, sys.stderr.isatty()
        patience = LinePatience(tap.source, first_only=True)
        next_line = time.monotonic() + 1.0
        for chunk in tap.chunks():
            for each in self._observed:
                each.receive(chunk)
            if tap.octets and not tap.limit_reached:
                self._inject()
            self._tell()
            patience.check()
            if shown and time.monotonic() >= next_line:
                show_progress(f"{tap.hyperframes:.0f} hyperframes, {tap.octets} octets")
                next_line = time.monotonic() + 1.0
        if shown:
            erase_progress()

    def _tell(self) -> None:
        for warning in self._news.warnings():
            erase_progress()
            tell(warning)

    def _never_injected(self) -> Iterator[str]:
        """The faults that had to wait too long, and those whose hyperframes lie beyond what was recorded."""
        tap = self._tap
        held = math.floor(tap.hyperframes)
        beyond = [
            fault.text for fault in self._placed if fault.hyperframe >= held + _missing(tap) - fault.missing
        ]
        for text in [*self._waiting, *beyond]:
            yield f"fault {text} was not injected: the recording has {counted(held, 'hyperframe')}; it is kept"


def _check_faults(arguments: argparse.Namespace) -> None:
    """InputError for a fault that does not exist, and for one on a board that may not be made to send it."""
    for text in arguments.fault:
        parse_fault(fault_and_segment(text)[0] if is_chain(arguments.source) else text)
    if arguments.fault and is_serial(arguments.source) and arguments.form is None and not arguments.yes:
        raise InputError(
            f"{arguments.source}: this makes the board transmit damaged data",
            hint="--yes does it without asking",
        )


def _broke_off(tap: RecordingTap, arguments: argparse.Namespace) -> bool:
    """Whether a serial line ended before what was asked for had come."""
    if not is_serial(arguments.source) or tap.limit_reached:
        return False
    if arguments.hyperframes is not None:
        return tap.hyperframes < int(arguments.hyperframes)
    return arguments.limit is not None


def _check_out(out: str) -> None:
    """InputError for a suffix that names what only `export` writes, and a capture that is no file."""
    suffix = Path(out).suffix.lower()
    if suffix in SUFFIXES and form_of_name(out) is None:
        raise InputError(
            f"{out}: a recording holds line data",
            hint=f"record to .ffcap, and make the {suffix} from it with framefray export",
        )
    if form_of_name(out) in (None, Form.FFCAP) and Path(out).exists() and not Path(out).is_file():
        kind = "a folder" if Path(out).is_dir() else "a device or a pipe"
        raise InputError(f"{out}: an .ffcap capture needs a file, not {kind}")


@contextmanager
def _marking(tap: RecordingTap, wanted: bool) -> Iterator[None]:
    """Each line typed at the terminal becomes a mark."""
    if not (
        wanted and tap.keeps_notes and sys.stdin is not None and sys.stdin.isatty() and can_wait_for_files()
    ):
        yield
        return
    done = threading.Event()
    thread = threading.Thread(target=read_marks, args=(sys.stdin.fileno(), tap, done), daemon=True)
    thread.start()
    tell("Enter sets a mark with the text typed before it; Ctrl-C ends the recording")
    try:
        yield
    finally:
        done.set()
        thread.join()


def read_marks(fd: int, tap: RecordingTap, done: threading.Event) -> None:
    """Put a mark for each line that comes on `fd`, until `done` or its end."""
    held = b""
    while not done.is_set():
        if not file_waits(fd, 0.1):
            continue
        data = os.read(fd, 4096)
        if not data:
            return
        *lines, held = (held + data).split(b"\n")
        for line in lines:
            with suppress(OutputError):  # the line data meet the same trouble, and tell of it
                tap.mark(line.decode("utf-8", "replace").strip() or "mark")


def _summary(tap: RecordingTap, out: str) -> str:
    end = ", limit reached" if tap.limit_reached else ""
    return (
        f"{out}: {counted(tap.octets, 'octet')} of {tap.form}, option {tap.option}: "
        f"{tap.hyperframes:.2f} hyperframes' worth in {counted(tap.chunk_count, 'piece')}{end}"
    )
