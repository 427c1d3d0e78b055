"""From the line data records of a board to whole hyperframes of one form; keeps no more than one of them."""

from __future__ import annotations

import numpy as np

from decoders.linerates import LineRateOption

from ..arguments import MOST_COUNTED
from ..formats.forms import Form
from ..protocol.records import BLOCK_OCTETS, LineData, RecordType

__all__ = ["Hyperframes"]


class Hyperframes:
    """Puts records of line data together into whole hyperframes of one form; pure.

    `take` gives octets that follow on those before except where hyperframes are missing; what is missing is
    counted in `missing` (not sent or lost) and `cut` (received in part). `anew` counts the places where the board's
    numbers go back, or on by more than any board has sent: there the number missing is unknown. Data that are not cut
    at hyperframes stand for as many as they have room for, rounded.
    """

    def __init__(self, option: LineRateOption, form: Form) -> None:
        self._option = option
        self._form = form
        self.missing = 0
        self.cut = 0
        self.anew = 0
        self._part = bytearray()
        self._part_of = -1
        self._next: int | None = None
        self._uncut = 0  # characters since the last hyperframe that was cut

    @property
    def next(self) -> int | None:
        """The board's number of the hyperframe to come; None before the first."""
        uncut = round(self._uncut / self._option.hyperframe_octets)
        return None if self._next is None else self._next + uncut

    def take(self, data: LineData, *, uncut: bool = False) -> bytes:
        """Octets of the form that are complete with this record, none or more."""
        if uncut:
            self._drop_part()
            if data.type is RecordType.CONTROL:
                self.cut += 1  # no telling which words these are
                return b""
            size = self._size(data.type)
            self._uncut += len(data.data) * self._option.hyperframe_octets // size
            return self._converted(data.type, data.data)
        size = self._size(data.type)
        if data.offset:
            if data.hyperframe != self._part_of or data.offset != len(self._part):
                self._drop_part()
                return b""
            self._part += data.data
            if len(self._part) < size:
                return b""
            whole, self._part = bytes(self._part[:size]), bytearray()
            return self._count(data.hyperframe, 1, self._converted(data.type, whole))
        self._drop_part()
        count, rest = divmod(len(data.data), size)
        if not count:
            self._part, self._part_of = bytearray(data.data), data.hyperframe
            return b""
        self.cut += rest > 0
        return self._count(data.hyperframe, count, self._converted(data.type, data.data[: count * size]))

    def restart(self) -> None:
        """The line was broken: what was begun will not be finished."""
        self._drop_part()

    def _size(self, kind: RecordType) -> int:
        octets = self._option.hyperframe_octets
        return {
            RecordType.OCTETS: octets,
            RecordType.FLAGGED: 2 * octets,
            RecordType.CONTROL: octets // 8,
            RecordType.BLOCKS: octets // 8 * BLOCK_OCTETS,
        }[kind]

    def _drop_part(self) -> None:
        self.cut += bool(self._part)
        self._part = bytearray()
        self._part_of = -1

    def _count(self, first: int, count: int, octets: bytes) -> bytes:
        due = self.next
        if due is not None and not due <= first <= due + MOST_COUNTED:
            self.anew += 1
        elif due is not None:
            self.missing += first - due
        self._next, self._uncut = first + count, 0
        return octets

    def _converted(self, kind: RecordType, data: bytes) -> bytes:
        if kind is RecordType.CONTROL:
            control = np.frombuffer(data, "<u2").reshape(-1, 256, self._option.word_octets)
            frames = np.zeros((len(control), 256, 16, self._option.word_octets), "<u2")
            frames[:, :, 0, :] = control
            return frames.tobytes()
        if kind is RecordType.FLAGGED and self._form is Form.OCTETS:
            return np.frombuffer(data, "<u2").astype(np.uint8).tobytes()
        return data
