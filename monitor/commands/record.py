"""`framefray record`: a source into a file, until it ends, a limit is reached, or a signal comes."""

from __future__ import annotations

import argparse
import math
import os
import select
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType
from typing import NamedTuple

from ..emulation.emulated_link import EmulatedSource
from ..errors import InputError, OutputError
from ..exports import SUFFIXES
from ..faults.catalogue import parse_fault
from ..formats.forms import Form, form_of_name
from ..opening import is_serial, open_source
from ..recording.limits import parse_limit
from ..recording.recorder import FaultyTap, RecordingTap, open_recording
from ..sources.news import News
from ..text import counted, inert

_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP")


class _Placed(NamedTuple):
    """A fault, the hyperframe of the stream that it goes into, and how many were missing before by then."""

    text: str
    hyperframe: int
    missing: int


def _missing(tap: RecordingTap) -> int:
    return int(getattr(tap.source, "hyperframes_missing", 0))


def run(arguments: argparse.Namespace) -> int:
    limit = parse_limit(arguments.limit) if arguments.limit is not None else None
    _check_out(arguments.out)
    _check_faults(arguments)
    source = open_source(arguments)
    fresh = not os.path.lexists(arguments.out)
    try:
        if isinstance(source, EmulatedSource):
            for text in arguments.fault:
                source.checked(text)
        elif arguments.fault and not hasattr(source, "inject"):
            raise InputError(f"{source.description} cannot inject faults")
        tap = open_recording(source, arguments.out, limit=limit, overwrite=arguments.overwrite)
    except BaseException:
        source.close()
        raise
    if form_of_name(Path(arguments.out).name) is None:
        raw = " ".join(f".{form}" for form in Form if form is not Form.FFCAP)
        _say(
            f"{arguments.out}: its suffix names no form, so it becomes an .ffcap capture ({raw} hold raw data)"
        )
    if (arguments.note or arguments.fault) and not tap.keeps_notes:
        _say(f"{arguments.out}: notes and faults have no place in this form; only the line data are recorded")
    signals: list[str] = []
    waiting: list[str] = []
    placed: list[_Placed] = []
    begun = False
    news = News(tap)

    def tell() -> None:
        for warning in news.warnings():
            if sys.stderr.isatty():
                sys.stderr.write("\r\x1b[K")  # the line that tells how far it is
            _say(warning)

    failure: OutputError | InputError | None = None
    try:
        with _stopping(tap, signals), _marking(tap, arguments.source != "-"):
            waiting = _begin(tap, arguments, placed)
            begun = True
            _record(tap, waiting, placed, tell)
    except KeyboardInterrupt:
        signals += [] if signals else ["SIGINT"]
    except (OutputError, InputError) as error:
        failure = error
    finally:
        try:
            tap.close()
        except OutputError as error:
            failure = failure or error
    tell()
    if failure is not None and not begun and fresh:
        with suppress(OSError):
            Path(arguments.out).unlink()
        raise failure
    print(inert(_summary(tap, arguments.out)))
    sys.stdout.flush()
    if failure is not None:
        _say(f"{failure}; what was recorded before is kept")
        return 2
    trouble = [*_never_put_in(tap, waiting, placed)]
    if not signals and _broke_off(tap, arguments):
        trouble.append(f"{tap.description}: the line ended before the limit; what was recorded is kept")
    for text in trouble:
        _say(text)
    if signals:
        _say(f"stopped by {signals[0]}; what was recorded is kept")
        return 130
    return 2 if trouble else 0


def _check_faults(arguments: argparse.Namespace) -> None:
    """InputError for a fault that does not exist, and for one on a board that may not be made to send it."""
    for text in arguments.fault:
        parse_fault(text)
    if arguments.fault and is_serial(arguments.source) and arguments.form is None and not arguments.yes:
        raise InputError(
            f"{arguments.source}: this makes the board transmit damaged data",
            hint="--yes does it without asking",
        )


def _never_put_in(tap: RecordingTap, waiting: list[str], placed: list[_Placed]) -> Iterator[str]:
    """The faults that had to wait too long, and those whose hyperframes lie beyond what was recorded."""
    held = math.floor(tap.hyperframes)
    beyond = [fault.text for fault in placed if fault.hyperframe >= held + _missing(tap) - fault.missing]
    for text in [*waiting, *beyond]:
        yield f"fault {text} was never put in: the recording has {counted(held, 'hyperframe')}; it is kept"


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


def _begin(tap: RecordingTap, arguments: argparse.Namespace, placed: list[_Placed]) -> list[str]:
    """Notes and faults that come first; the faults that have to wait until a board has told where it is."""
    for text in arguments.note:
        tap.note(text)
    if not isinstance(tap.source, EmulatedSource):
        return list(arguments.fault)
    _inject(tap, list(arguments.fault), placed)
    return []


def _inject(tap: RecordingTap, waiting: list[str], placed: list[_Placed]) -> None:
    """Put in what waits; each fault goes over to `placed` with the hyperframe it goes into."""
    while isinstance(tap, FaultyTap) and waiting:
        placed.append(_Placed(waiting[0], tap.inject(waiting[0]).hyperframe, _missing(tap)))
        del waiting[0]


def _record(tap: RecordingTap, waiting: list[str], placed: list[_Placed], tell: Callable[[], None]) -> None:
    shown = sys.stderr.isatty()
    next_line = time.monotonic() + 1.0
    for _ in tap.chunks():
        if tap.octets and not tap.limit_reached:
            _inject(tap, waiting, placed)
        tell()
        if shown and time.monotonic() >= next_line:
            sys.stderr.write(f"\rframefray: {tap.hyperframes:.0f} hyperframes, {tap.octets} octets ")
            sys.stderr.flush()
            next_line = time.monotonic() + 1.0
    if shown:
        sys.stderr.write("\r\x1b[K")


@contextmanager
def _stopping(tap: RecordingTap, seen: list[str]) -> Iterator[None]:
    """A signal ends the recording after the record in hand; a second one ends it at once."""

    def stop(number: int, frame: FrameType | None) -> None:
        seen.append(signal.Signals(number).name)
        tap.stop()
        if not tap.writing or len(seen) > 1:
            raise KeyboardInterrupt

    before = {}
    if threading.current_thread() is threading.main_thread():
        for name in _SIGNALS:
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                before[number] = signal.signal(number, stop)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _marking(tap: RecordingTap, wanted: bool) -> Iterator[None]:
    """Each line typed at the terminal becomes a mark."""
    if not (wanted and sys.stdin is not None and sys.stdin.isatty() and tap.keeps_notes):
        yield
        return
    done = threading.Event()
    thread = threading.Thread(target=read_marks, args=(sys.stdin.fileno(), tap, done), daemon=True)
    thread.start()
    _say("Enter puts a mark, with the text typed before it; Ctrl-C ends")
    try:
        yield
    finally:
        done.set()
        thread.join()


def read_marks(fd: int, tap: RecordingTap, done: threading.Event) -> None:
    """Put a mark for each line that comes on `fd`, until `done` or its end."""
    held = b""
    while not done.is_set():
        if not select.select([fd], [], [], 0.1)[0]:
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


def _say(text: str) -> None:
    print(f"framefray: {inert(text)}", file=sys.stderr)
