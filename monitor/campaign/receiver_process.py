"""A receiver in a process of its own: line data on its standard input, records on its standard output.

One process serves one case. It is not trusted: whatever it does, its memory here stays bounded, and it ends in
one clear line (ReceiverError) where it dies, hangs, or writes what no record is. RECEIVERS.md is its manual.
"""

from __future__ import annotations

import contextlib
import os
import selectors
import shlex
import shutil
import signal
import subprocess
import time
import weakref
from typing import IO

import msgspec

from decoders.events import Event
from decoders.link.settings import LinkSettings

from ..errors import InputError, MonitorError
from ..process.posix import can_wait_for_files
from ..text import counted, inert
from .receiver_records import RecordError
from .receivers import ReceiverUnderTest, RecordingReceiver

__all__ = ["PATIENCE_S", "ProcessReceiver", "ReceiverError", "receiver_command"]

PATIENCE_S = 30.0
"""How long a process may neither take data nor write anything."""
MOST_LINE_OCTETS = 4 << 20
MOST_OUTPUT_OCTETS = 256 << 20
MOST_RECORDS = 500_000
"""Of one case."""
_PIECE = 1 << 16
_KEPT_OF_STDERR = 2000


class ReceiverError(MonitorError):
    """A receiver under test that failed: a finding of the case, told in one line."""


class ProcessReceiver(RecordingReceiver):
    """A Receiver behind the pipes of a new process.

    `words` is the command with its arguments, no shell. ReceiverError where it cannot be started, dies, hangs
    for `patience_s` or writes anything but records; the process is ended then.
    """

    def __init__(self, words: list[str], *, patience_s: float = PATIENCE_S) -> None:
        super().__init__()
        if not can_wait_for_files():
            raise ReceiverError(
                "--receiver-command: this system cannot wait for pipes; use --receiver MODULE:CLASS"
            )
        self._name = inert(words[0])
        self._patience_s = patience_s
        self._part = bytearray()  # of a line whose end has not come yet
        self._lines = self._output_octets = self._records = self._taken = 0
        self._stderr = b""
        self._events: list[Event] = []
        try:
            self._process = subprocess.Popen(
                words,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                bufsize=0,
                start_new_session=True,
            )
        except OSError as error:
            raise ReceiverError(f"receiver {self._name} cannot be started: {error.strerror}") from None
        self._ended = weakref.finalize(self, _end, self._process)
        self._selector = selectors.DefaultSelector()
        for stream in (self._process.stdin, self._process.stdout, self._process.stderr):
            assert stream is not None
            os.set_blocking(stream.fileno(), False)
        for stream in (self._process.stdout, self._process.stderr):
            assert stream is not None
            self._selector.register(stream, selectors.EVENT_READ)

    # ---- the protocol ----

    def receive(self, data: bytes, /) -> list[Event]:
        try:
            return self._send(data)
        except BaseException:
            self._ended()
            raise

    def finish(self) -> list[Event]:
        stdin = self._process.stdin
        assert stdin is not None
        try:
            stdin.close()
            while self._selector.get_map():
                self._wait("after the end of the line data")
            self._exited()
            if self._part:
                raise self._failed(f"line {self._lines + 1} has no end")
            if self.only_counts:
                self.delivers = frozenset()
            return self._out()
        finally:
            self._ended()

    # ---- pipes ----

    def _send(self, data: bytes) -> list[Event]:
        stdin = self._process.stdin
        assert stdin is not None
        left = memoryview(data)
        self._selector.register(stdin, selectors.EVENT_WRITE)
        try:
            while left:
                if not self._wait("with line data waiting"):
                    continue
                try:
                    count = os.write(stdin.fileno(), left[:_PIECE])
                except BlockingIOError:
                    continue
                except BrokenPipeError:
                    self._drain()
                    raise self._failed(
                        f"took {self._taken} octets and no more{self._how_it_ended()}"
                    ) from None
                self._taken += count
                left = left[count:]
        finally:
            self._selector.unregister(stdin)
        return self._out()

    def _wait(self, when: str) -> bool:
        """Read what there is to read; whether data can be written. ReceiverError where nothing happens."""
        ready = self._selector.select(self._patience_s)
        if not ready:
            raise self._failed(f"did nothing for {self._patience_s:g} s {when}")
        writable = False
        for key, events in ready:
            if events & selectors.EVENT_WRITE:
                writable = True
            else:
                self._read(key.fileobj)  # type: ignore[arg-type]
        return writable

    def _read(self, stream: IO[bytes]) -> None:
        try:
            piece = os.read(stream.fileno(), _PIECE)
        except BlockingIOError:
            return
        if not piece:
            self._selector.unregister(stream)
        elif stream is self._process.stderr:
            self._stderr = (self._stderr + piece)[-_KEPT_OF_STDERR:]
        else:
            self._take_lines(piece)

    def _take_lines(self, piece: bytes) -> None:
        self._output_octets += len(piece)
        if self._output_octets > MOST_OUTPUT_OCTETS:
            raise self._failed(f"wrote more than {MOST_OUTPUT_OCTETS >> 20} MiB")
        *lines, rest = piece.split(b"\n")
        for line in lines:
            whole = bytes(self._part) + line
            self._part.clear()
            self._lines += 1
            if whole.strip():
                self._take_line(whole)
        self._part += rest
        if len(self._part) > MOST_LINE_OCTETS:
            raise self._failed(f"line {self._lines + 1} is longer than {MOST_LINE_OCTETS >> 20} MiB")

    def _take_line(self, line: bytes) -> None:
        self._records += 1
        if self._records > MOST_RECORDS:
            raise self._failed(f"wrote more than {counted(MOST_RECORDS, 'record')}")
        try:
            self._events += self.take_over([msgspec.json.decode(line)])
        except (RecordError, msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
            why = inert(str(error))
            raise self._failed(f"line {self._lines}: {why[:200]}") from None

    def _drain(self) -> None:
        """What it still had to say, for the message."""
        until = time.monotonic() + min(1.0, self._patience_s)
        readers = (self._process.stdout, self._process.stderr)
        while time.monotonic() < until and any(s in self._selector.get_map() for s in readers if s):
            for key, events in self._selector.select(0.1):
                if events & selectors.EVENT_READ:
                    self._read(key.fileobj)  # type: ignore[arg-type]

    def _out(self) -> list[Event]:
        events, self._events = self._events, []
        return events

    # ---- its end ----

    def _exited(self) -> None:
        try:
            status = self._process.wait(self._patience_s)
        except subprocess.TimeoutExpired:
            raise self._failed(f"did not end within {self._patience_s:g} s") from None
        if status:
            raise self._failed(f"failed{self._how_it_ended()}")

    def _how_it_ended(self) -> str:
        try:
            status = self._process.wait(1.0)
        except subprocess.TimeoutExpired:
            return ""
        if status < 0:
            try:
                name = signal.Signals(-status).name
            except ValueError:
                name = f"signal {-status}"
            return f": ended by {name}"
        return f": exit status {status}"

    def _failed(self, what: str) -> ReceiverError:
        words = self._stderr.decode("utf-8", "replace").strip().splitlines()
        more = f"; it wrote: {inert(words[-1])[:160]}" if words else ""
        return ReceiverError(f"receiver {self._name}: {what}{more}")


def _end(process: subprocess.Popen[bytes]) -> None:
    """End the process and those that it started, and forget its pipes."""
    if process.poll() is None:
        try:
            os.killpg(process.pid, signal.SIGKILL)
        except OSError:
            process.kill()
        process.wait()
    for stream in (process.stdin, process.stdout, process.stderr):
        if stream is not None:
            with contextlib.suppress(OSError):
                stream.close()


def receiver_command(text: str, *, patience_s: float = PATIENCE_S) -> ReceiverUnderTest:
    """A receiver that is a command; `{option}` and `{form}` in it stand for the link's. No shell is used.

    InputError where there is no such command.
    """
    try:
        words = shlex.split(text)
    except ValueError as error:
        raise InputError(f"receiver command {inert(text)!r}: {error}") from None
    if not words:
        raise InputError("receiver command: it is empty", hint="name a program and its arguments")
    if os.name != "posix":
        raise InputError("receiver command: it needs pipes as POSIX systems have them")
    if shutil.which(words[0]) is None:
        raise InputError(f"receiver command: {inert(words[0])!r} is no program that can be run")

    def make(settings: LinkSettings) -> ProcessReceiver:
        places = {"{option}": settings.option, "{form}": settings.form.value}
        filled = list(words)
        for place, value in places.items():
            filled = [word.replace(place, value) for word in filled]
        return ProcessReceiver(filled, patience_s=patience_s)

    return ReceiverUnderTest(f"command {inert(text)}", make)
