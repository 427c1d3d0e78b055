"""Value change dumps (IEEE 1364-2005 clause 18) as a source: the characters a simulated receiver would take.

Signals are chosen by name or by a pattern for their full path. With a clock a sample is what stood before the
time step of its edge, as a flip-flop takes it; without one every time step of the dump is a sample. A `valid`
signal other than 1 leaves a sample out. A bus of several characters is taken apart lowest first (common practice,
no source). What holds x or z, or is no number of the signal's width, becomes a word that no code has, and is
counted.

Memory stays flat: only the chosen signals are followed. Nothing here decodes, and nothing writes.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import BinaryIO

import numpy as np

from ..errors import InputError
from ..formats.forms import Form, checked_option
from ..text import counted
from .source import Chunk
from .vcd_reader import VcdReader

__all__ = ["VcdSignals", "VcdSource", "parse_vcd_signals"]

_SAMPLES = 1 << 16
_MAX_WIDTH = 64
_LATEST_NS = 1 << 63
_VIOLATION = 0x200
_NO_SYMBOL = 0


@dataclass(frozen=True, slots=True)
class VcdSignals:
    """Names of the signals; `data` holds symbols (10 bits each) or octets (8 bits each), then `k` one bit each."""

    data: str
    k: str | None = None
    clock: str | None = None
    valid: str | None = None
    rising: bool = True


def parse_vcd_signals(text: str) -> VcdSignals:
    """Signals from `data=NAME,k=NAME,clock=NAME,valid=NAME,edge=rise|fall`; InputError otherwise."""
    fields: dict[str, str] = {}
    for item in filter(None, (part.strip() for part in text.split(","))):
        key, _, value = item.partition("=")
        if key not in ("data", "k", "clock", "valid", "edge") or not value or key in fields:
            raise InputError(f"{item!r} in VCD signals {text!r}: data, k, clock, valid, edge, each once")
        fields[key] = value
    if "data" not in fields:
        raise InputError(f"VCD signals {text!r} lack data=")
    edge = fields.get("edge", "rise")
    if edge not in ("rise", "fall"):
        raise InputError(f"VCD signals {text!r}: edge is rise or fall")
    return VcdSignals(
        fields["data"], fields.get("k"), fields.get("clock"), fields.get("valid"), edge == "rise"
    )


@dataclass(slots=True)
class _Bus:
    """The chosen signals as they stand, and what has been sampled of them."""

    data: bytes
    width: int
    k: bytes | None
    k_width: int
    valid: bytes | None
    values: dict[bytes, bytes]
    times: list[int] = field(default_factory=list)
    samples: list[int] = field(default_factory=list)
    flags: list[int] = field(default_factory=list)

    def sample(self, time: int) -> None:
        """Keep what stands now; -1 for what holds x or z."""
        values = self.values
        if self.valid is not None and values[self.valid] != b"1":
            return
        data = _number(values[self.data], self.width)
        flags = 0 if self.k is None else _number(values[self.k], self.k_width)
        if flags < 0:
            data, flags = -1, 0
        self.times.append(time)
        self.samples.append(data)
        self.flags.append(flags)


class VcdSource:
    """A dump as a source of the symbols, flagged or octets form, after the width of its data."""

    def __init__(self, path: str, signals: VcdSignals, option: str) -> None:
        self.description = "standard input" if path == "-" else path
        self.option = checked_option(option)
        self.warnings: list[str] = []
        self.unknown = 0
        try:
            self._stream: BinaryIO = sys.stdin.buffer if path == "-" else open(path, "rb")  # noqa: SIM115, PTH123
        except OSError as error:
            raise InputError(f"{path}: {error.strerror}") from None
        try:
            self._reader = VcdReader(self._stream)
            self._choose(signals)
        except InputError as error:
            self.close()
            raise InputError(f"{self.description}: {error.message}", hint=error.hint) from None

    def _choose(self, signals: VcdSignals) -> None:
        header = self._reader.header
        data = header.find(signals.data)
        k = None if signals.k is None else header.find(signals.k)
        k_code = None if k is None else k.code
        self._clock = None if signals.clock is None else header.find(signals.clock).code
        valid = None if signals.valid is None else header.find(signals.valid).code
        width = data.width
        if width > _MAX_WIDTH or (width % 8 and width % 10) or (width == 40 and k is None):
            hint = "40 bits may be 4 symbols or 5 octets: name k= for octets" if width == 40 else None
            raise InputError(
                f"signal {data.path} has {width} bits: neither octets nor symbols up to {_MAX_WIDTH}",
                hint=hint,
            )
        by_octets = k is not None or width % 10 != 0
        self._bits = 8 if by_octets else 10
        self._characters = width // self._bits
        if k is not None and k.width != self._characters:
            raise InputError(
                f"signal {k.path} has {k.width} bits for {self._characters} octets of {data.path}"
            )
        self.form = str(Form.FLAGGED if k is not None else Form.OCTETS if by_octets else Form.SYMBOLS)
        self._rising = signals.rising
        codes = [code for code in (data.code, k_code, valid, self._clock) if code is not None]
        self._bus = _Bus(
            data.code, width, k_code, 0 if k is None else k.width, valid, dict.fromkeys(codes, b"x")
        )

    def chunks(self) -> Iterator[Chunk]:
        """The samples in the bytes of the form, at the times of the dump; InputError where it cannot be read on."""
        try:
            for _ in self._steps():
                if len(self._bus.samples) >= _SAMPLES:
                    yield from self._chunk()
            yield from self._chunk()
        except OSError as error:
            raise InputError(f"{self.description}: {error.strerror}") from None
        except InputError as error:
            raise InputError(f"{self.description}: {error.message}", hint=error.hint) from None
        if self.unknown:
            self.warnings.append(f"samples with x or z, or wider than their signal: {self.unknown}")
        if self._reader.dump_pauses:
            self.warnings.append(f"the dump was switched off {counted(self._reader.dump_pauses, 'time')}")

    def _steps(self) -> Iterator[None]:
        """Go through the time steps and sample where it is time to."""
        bus, clock = self._bus, self._clock
        values = bus.values
        steps = self._reader.changes(set(values))
        if clock is None:
            waiting: int | None = None
            changed = False
            for time, changes in steps:
                if waiting is not None:
                    bus.sample(waiting)
                values.update(changes)
                waiting, changed = time, bool(changes)
                yield
            # A last time step in which nothing changes only says where the dump ends.
            if waiting is not None and changed:
                bus.sample(waiting)
            return
        before, after = (b"0", b"1") if self._rising else (b"1", b"0")
        for time, changes in steps:
            level = values[clock]
            for code, value in changes:
                if code == clock:
                    if level == before and value == after:
                        bus.sample(time)
                    level = value
            values.update(changes)
            yield

    def _chunk(self) -> Iterator[Chunk]:
        bus = self._bus
        if not bus.samples:
            return
        unknown = np.array([sample < 0 for sample in bus.samples], bool)
        self.unknown += int(np.count_nonzero(unknown))
        known = np.array([max(sample, 0) for sample in bus.samples], np.uint64)
        flags = np.array(bus.flags, np.uint64)
        places = np.arange(self._characters, dtype=np.uint64)
        words = known[:, None] >> (places * np.uint64(self._bits)) & np.uint64((1 << self._bits) - 1)
        if self.form == Form.FLAGGED:
            words |= (flags[:, None] >> places & np.uint64(1)) << np.uint64(8)
            words[unknown] = _VIOLATION
        elif self.form == Form.SYMBOLS:
            words[unknown] = _NO_SYMBOL
        kind = np.uint8 if self.form == Form.OCTETS else np.dtype("<u2")
        data = words.reshape(-1).astype(kind).tobytes()
        time_ns = int(bus.times[0] * self._reader.header.tick_ns)
        if time_ns >= _LATEST_NS:
            raise InputError(f"time {bus.times[0]} of the dump is more than 292 years")
        bus.times, bus.samples, bus.flags = [], [], []
        yield Chunk(data, time_ns, self._reader.offset)

    def close(self) -> None:
        if self._stream is not sys.stdin.buffer:
            self._stream.close()


def _number(value: bytes, width: int) -> int:
    """A value of so many bits; -1 for one that holds x or z, or anything but that many binary digits."""
    digits = value.lstrip(b"0")
    if not value or len(digits) > width or digits.translate(None, b"01"):
        return -1
    return int(digits or b"0", 2)
