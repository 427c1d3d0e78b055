"""What one sender has put on the line, hyperframe by hyperframe: the truth that a receiver is held to.

`StreamTap` is a line writer that keeps the control words, a check sum of the IQ data, the K characters and, where
symbols are damaged, what they read as. Damaged symbols are read by the second receiver's code table, never by the
decoder under test.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from zlib import crc32

import numpy as np

from decoders.arrays import U8, U16
from decoders.line_coding.characters import LineForm
from decoders.linerates import LineRateOption

from ..emulation.line_writer import LineWriter
from ..emulation.sent import SentBatch, SentFrame
from ..reference.keystream import keystream_bits
from ..reference.line_code import DISPARITY, K_FLAG, VIOLATION, Characters, decode_symbols

__all__ = ["BlocksInError", "CharacterErrors", "CodewordsInError", "SentStream", "StreamTap"]

_T_AT, _S_AT = 7, 8
"""Octets of /T/ and /S/ in the sync word (Table 9A)."""
_PLAIN_OCTETS = 2
"""Z.0.0 and Z.0.1 are not scrambled."""
_RUN_IN = 64
"""Symbols before a damaged hyperframe, from which its running disparity is known."""


@dataclass(frozen=True, slots=True)
class CharacterErrors:
    """8B/10B errors of one hyperframe: how many, and the octet of the first."""

    violations: int
    disparity_errors: int
    first_octet: int

    @property
    def characters(self) -> int:
        return self.violations + self.disparity_errors


@dataclass(frozen=True, slots=True)
class BlocksInError:
    """64B/66B errors of one hyperframe: bad headers, control blocks of other types, losses of block lock."""

    headers: int
    types: int
    lock_losses: int
    first_octet: int
    first_header: int
    """Octet of the first bad header, for forms that do not show the types."""


@dataclass(frozen=True, slots=True)
class CodewordsInError:
    """RS-FEC codewords with errors that begin in one hyperframe."""

    corrected: int
    symbols: int
    uncorrected: int
    first_octet: int


@dataclass(slots=True)
class SentStream:
    """Everything by the number of the hyperframe, from 0 at the first one sent.

    `control` holds uint8 (256, T/8) arrays, `iq` CRC-32 of the IQ data blocks, both as they arrive. `no_comma`:
    the sync byte arrives without its K flag. `misplaced_k` are octets of a hyperframe that are K characters, but
    for the first. `errors` are code errors; `unread` hyperframes are damaged so that nobody says what they read as.
    `moved`: line bits came or went there. `frames` have left the C&M queues, in order for each plane;
    not `frames_listed`: line bits in these channels are no frame of a queue. `seeds` of the scrambling of version 2,
    none for version 1; `control` and `iq` are plain. At 64B/66B `block_errors` and `codewords` stand for `errors`;
    in hyperframes of `signal_open` a receiver may raise LOS or may not: which rule holds is not known.
    """

    option: LineRateOption
    control: list[U8] = field(default_factory=list)
    iq: list[int] = field(default_factory=list)
    no_comma: set[int] = field(default_factory=set)
    misplaced_k: dict[int, list[tuple[int, int]]] = field(default_factory=dict)
    errors: dict[int, CharacterErrors] = field(default_factory=dict)
    unread: set[int] = field(default_factory=set)
    damaged_control: set[int] = field(default_factory=set)
    moved: dict[int, int] = field(default_factory=dict)
    frames: list[SentFrame] = field(default_factory=list)
    frames_listed: bool = True
    block_errors: dict[int, BlocksInError] = field(default_factory=dict)
    codewords: dict[int, CodewordsInError] = field(default_factory=dict)
    signal_open: set[int] = field(default_factory=set)
    seeds: list[int] = field(default_factory=list)
    _keys: dict[int, U8] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.control)

    def take_over(self, batch: SentBatch) -> None:
        """The octets of a batch as they go into the line code."""
        size, first = self.option.hyperframe_octets, batch.first
        places = np.asarray(batch.k_positions)
        sync = (0,) if self.option.line_code == "8b10b" else (_T_AT, _S_AT)
        misplaced = places[~np.isin(places % size, sync)]
        for row, octets in enumerate(batch.octets):
            if batch.seeds is not None:
                self.seeds.append(int(batch.seeds[row]))
                special = misplaced[misplaced // size == row] % size
                if len(special):  # they go out as they are, and are descrambled with all else
                    octets = octets.copy()
                    octets.reshape(-1)[special] ^= self._key(self.seeds[-1])[special]
            self._take(octets)
        here = np.isin(np.arange(len(batch.octets))[:, None] * size + np.array(sync), places).all(axis=1)
        self.no_comma |= set((first + np.flatnonzero(~here)).tolist())
        flat = batch.octets.reshape(-1)
        for place in misplaced.tolist():
            row, at = divmod(int(place), size)
            self.misplaced_k.setdefault(first + row, []).append((at, int(flat[place])))
        for cut in batch.cuts:
            self.moved[cut.hyperframe] = self.moved.get(cut.hyperframe, 0) + cut.bits

    def _take(self, octets: U8) -> None:
        self.control.append(octets[:, 0, :].copy())
        self.iq.append(crc32(octets[:, 1:, :].tobytes()))

    def _key(self, seed: int) -> U8:
        """What a seed puts on the octets of a hyperframe."""
        if seed not in self._keys:
            size = self.option.hyperframe_octets
            key = np.frombuffer(keystream_bits(seed, 8 * size).to_bytes(size, "little"), np.uint8).copy()
            key[:_PLAIN_OCTETS] = 0
            self._keys = {seed: key}
        return self._keys[seed]

    def put(self, number: int, octets: U8) -> None:
        """The plain octets of a hyperframe as they arrive."""
        whole = octets.reshape(256, 16, -1)
        if not np.array_equal(whole[:, 0, :], self.control[number]):
            self.damaged_control.add(number)
        self.control[number] = whole[:, 0, :].copy()
        self.iq[number] = crc32(whole[:, 1:, :].tobytes())

    def read_anew(self, number: int, characters: Characters) -> None:
        """A hyperframe arrives otherwise than it was sent."""
        octets, flags = np.frombuffer(characters.octets, np.uint8), np.frombuffer(characters.flags, np.uint8)
        self.put(number, octets ^ self._key(self.seeds[number]) if self.seeds else octets)
        self.no_comma.discard(number)
        if not flags[0] & K_FLAG or flags[0] & VIOLATION:
            self.no_comma.add(number)
        k = [(at, int(octets[at])) for at in np.flatnonzero(flags & K_FLAG).tolist() if at]
        self.misplaced_k.pop(number, None)
        if k:
            self.misplaced_k[number] = k
        wrong = np.flatnonzero(flags & (VIOLATION | DISPARITY))
        if len(wrong):
            violations = int(np.count_nonzero(flags & VIOLATION))
            self.errors[number] = CharacterErrors(violations, len(wrong) - violations, int(wrong[0]))


class StreamTap(LineWriter):
    """A line writer that lists in `stream` what it writes; with `keep`, `written` holds the line data, too.

    `on_write` is called after each time.
    """

    def __init__(
        self,
        form: LineForm,
        option: LineRateOption,
        *,
        lead_bits: int = 0,
        keep: bool = True,
        on_write: Callable[[], object] = lambda: None,
    ) -> None:
        super().__init__(form, option, lead_bits=lead_bits)
        self.stream = SentStream(option)
        self.written: list[bytes] = []
        self._keeps = keep
        self._on_write = on_write
        self._run_in: U16 = np.zeros(0, np.uint16)
        self._unsettled = False  # disparity errors may yet show in the next hyperframe

    def write(self, batches: Iterable[SentBatch]) -> bytes:
        data = super().write(batches)
        if self._keeps:
            self.written.append(data)
        self._on_write()
        return data

    def finish(self) -> bytes:
        data = super().finish()
        if self._keeps:
            self.written.append(data)
        return data

    def symbols(self, batch: SentBatch) -> U16:
        symbols = super().symbols(batch)
        if self._keeps:
            self.stream.take_over(batch)
            self._read_damage(batch, symbols)
        return symbols

    def _read_damage(self, batch: SentBatch, symbols: U16) -> None:
        size, stream, count = self.option.hyperframe_octets, self.stream, len(batch.octets)
        rows = {index for index, _ in batch.symbol_faults} | {at // size for at in batch.inversions.tolist()}
        garbled = {i for i, fault in batch.symbol_faults if fault.kind.name in ("line.invert", "line.dark")}
        dark = {i for i, fault in batch.symbol_faults if fault.kind.name == "line.dark"}
        if batch.cuts:
            stream.unread |= {batch.first + i for i in range(count)}
            rows = set()
        for row in range(count):
            if row in garbled:
                stream.unread.add(batch.first + row)
                if row in dark:
                    stream.no_comma.add(batch.first + row)
                    stream.errors[batch.first + row] = CharacterErrors(size, 0, 0)
                self._unsettled = True
            elif (row in rows or self._unsettled) and not batch.cuts:
                before = symbols[max(0, row * size - _RUN_IN) : row * size] if row else self._run_in
                line = np.concatenate((before, symbols[row * size : (row + 1) * size]))
                read = decode_symbols(line.tolist())[len(before) :]
                stream.read_anew(batch.first + row, Characters.from_tuples(read))
                self._unsettled = row in rows
        self._run_in = symbols[-_RUN_IN:].copy()
