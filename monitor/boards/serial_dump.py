"""A board that sends raw line data over a serial line, or prints them in hex on its console.

The form is said, for nothing on the line tells it; the option is found from the data where it is left out. What a
console prints beside hex octets is kept as a log.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ..errors import InputError
from ..formats.detection import Decision, decide
from ..formats.forms import WORD_FORMS, Form, checked_option, stream_octets, stream_time_ns
from ..sources.log import Log
from ..sources.source import Chunk, Standstill
from .console import ConsoleReader
from .line import APART, DuplexLine, OctetQueue, Pulse
from .silence import TOLD_AFTER_S, Silence

__all__ = ["SerialDumpSource"]

SILENCE_S = 5.0
IDLE_S = 0.25
CHECKED_HYPERFRAMES = 4


class SerialDumpSource:
    """A board without the record protocol: `form` is octets, flagged, symbols, bits, or hex on a console.

    InputError where nothing comes, or where the data contradict form and option.
    """

    def __init__(
        self, line: DuplexLine, form: str, option: str | None = None, *, limit: int | None = None
    ) -> None:
        if form == Form.FFCAP:
            raise InputError(f"form {form} cannot come over a serial line")
        self.description = line.description
        self.warnings: list[str] = []
        self.log = Log()
        self._console = ConsoleReader(self.log) if form == Form.HEX else None
        self._form = Form.OCTETS if self._console else Form(form)
        self.form = str(self._form)
        self._line = line
        self._queue = OctetQueue()
        self._pulse = Pulse()
        self._silence = Silence(self._pulse)
        self._failure = ""
        self._broken = False
        self._limit = limit
        line.start(self)
        try:
            self._head, decision = self._look(None if option is None else checked_option(option))
        except BaseException:
            self.close()
            raise
        assert decision.option is not None
        self.option = decision.option
        self.warnings += decision.warnings

    def _look(self, option: str | None) -> tuple[bytes, Decision]:
        head = bytearray()
        wanted = stream_octets(self._form, option or "7", CHECKED_HYPERFRAMES)
        while True:
            taken = self._queue.take(SILENCE_S)
            if taken is None or not taken[0]:
                why = self._failure or f"{len(head)} octets came, then nothing for {SILENCE_S:g} s"
                if self.log.count:
                    why += f"; its last text: {self.log.last}"
                raise InputError(
                    f"{self.description}: {why}", hint="is the board sending, and at this --baud?"
                )
            head += b"".join(taken[0])
            last = len(head) >= wanted
            try:
                decision = decide(bytes(head), self._form, option)
            except InputError as error:
                if last:
                    raise InputError(f"{self.description}: {error.message}", hint=error.hint) from None
                continue
            if decision.option is not None and (decision.certain or last):
                return bytes(head[decision.skip :]), decision
            if last:
                raise InputError(f"{self.description}: no option is known", hint="give --option")

    def chunks(self) -> Iterator[Chunk]:
        """The stream until the line is closed; an empty chunk now and then while nothing comes."""
        words = self._form in WORD_FORMS
        done = 0
        held, self._head = self._head, b""
        most = None if self._limit is None else self._limit * stream_octets(self._form, self.option, 1)
        while most is None or done < most:
            whole = len(held) & ~1 if words else len(held)
            if most is not None:
                whole = min(whole, most - done)
            yield Chunk(held[:whole], stream_time_ns(self._form, self.option, done), done)
            done += whole
            held = held[whole:] if words else b""
            taken = self._queue.take(IDLE_S)
            if taken is None:
                break
            data = b"".join(taken[0])
            if not data and self._silence.begins:
                self.warnings.append(f"no line data for {TOLD_AFTER_S:g} s: is the board sending?")
            if taken[1] == APART and words:  # after a break the words may begin at the other octet
                data, held = data[_word_start(data, self._form) :], b""
            held += data
        if self._failure:
            raise InputError(f"{self.description}: {self._failure}")

    @property
    def standstill(self) -> Standstill | None:
        """No line data come."""
        return self._pulse.standstill

    def receive(self, data: bytes, time_ns: int) -> None:
        if self._console is not None:
            data = self._console.feed(data, time_ns)
            if not data:
                return
        self._pulse.came()
        self._queue.put(data, APART if self._broken else 0)
        self._broken = False

    def broken(self, reason: str) -> None:
        self._broken = True
        if self._console is not None:
            self._console.restart()
        self._pulse.went_down()
        self.warnings.append(f"line down: {reason}")

    def opened(self, after_s: float) -> None:
        self._pulse.went_up()
        self.warnings.append(f"line up after {after_s:.1f} s; line data were lost in between")

    def ended(self, reason: str) -> None:
        self._failure = reason
        self._queue.close()

    def close(self) -> None:
        self._queue.close()
        self._line.close()


def _word_start(data: bytes, form: Form) -> int:
    """0 or 1: where 16-bit words begin, told by the high octets, which are small."""
    octets = np.frombuffer(data[: 1 << 16], np.uint8)
    most = 0x07 if form is Form.FLAGGED else 0x03
    return int(np.count_nonzero(octets[0::2] > most) < np.count_nonzero(octets[1::2] > most))
