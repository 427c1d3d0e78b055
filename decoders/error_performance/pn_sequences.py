"""Pseudo-random test sequences: generator and bit-error checker (ITU-T O.150; PN7 is common beside it).

A sequence PN-N obeys s[n] = s[n-N] XOR s[n-k] and here starts from N ones. Squaring the polynomial gives the
same law for lags N * 2^j and k * 2^j, so whole octets, and whole runs of them, follow from earlier ones.

The checker seeds a free-running reference from N error-free bits: each wrong bit counts once, where a
self-synchronising checker counts three. It never guesses the order: try several checkers for that.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..errors import LayoutError, SettingsError

__all__ = ["PN_INVERTED", "PN_TAPS", "PnChecker", "PnResult", "PnSequence"]

BitOrder = Literal["little", "big"]
Bits = NDArray[np.uint8]

PN_TAPS = MappingProxyType({7: 6, 9: 5, 11: 9, 15: 14, 20: 3, 23: 18, 29: 27, 31: 28})
"""Order N -> k of x^N + x^k + 1 (ITU-T O.150; PN7 common practice)."""
PN_INVERTED = frozenset({15, 23, 29, 31})
"""Orders that ITU-T O.150 sends inverted (from memory)."""

_RUN_OCTETS = 8192
"""Octets made by one XOR, at least."""
_CHUNK_OCTETS = 16_384
"""Octets checked at once, as bits: small enough for the cache."""


class PnSequence:
    """An endless PN sequence, taken in pieces of any length.

    `order` is one of PN_TAPS, SettingsError for others; `inverted` complements every bit on the way out.
    """

    def __init__(self, order: int, *, inverted: bool = False) -> None:
        self._order, self._tap = order, _tap_of(order)
        self.inverted = inverted
        self._left: Bits
        self.reset()

    @classmethod
    def seeded(cls, order: int, seed: Bits, *, inverted: bool = False) -> PnSequence:
        """The sequence that goes on after `seed`: N bits 0/1 as they come out, inverted if `inverted`.

        SettingsError for a wrong length or a seed from which only constant bits follow.
        """
        sequence = cls(order, inverted=inverted)
        start = (seed ^ np.uint8(inverted)).astype(np.uint8)
        if start.shape != (order,) or not start.any():
            raise SettingsError(f"a seed for PN{order} is {order} bits, not all of them {int(inverted)}")
        sequence._start(start)
        sequence.bits(order)
        return sequence

    @property
    def order(self) -> int:
        return self._order

    @property
    def period(self) -> int:
        """Bits after which it repeats."""
        return (1 << self._order) - 1

    def reset(self) -> None:
        """Start again from N ones (before inversion)."""
        self._start(np.ones(self._order, np.uint8))

    def bits(self, count: int) -> Bits:
        """The next `count` bits as uint8 0/1."""
        missing = count - len(self._left)
        if missing > 0:
            fresh = np.unpackbits(self._octets(-(-missing // 8)))
            if self.inverted:
                fresh ^= 1
            self._left = np.concatenate((self._left, fresh)) if len(self._left) else fresh
        taken, self._left = self._left[:count], self._left[count:].copy()
        return taken

    def octets(self, count: int, bit_order: BitOrder = "little") -> Bits:
        """The next 8 * `count` bits in octets; "little" puts the earliest in bit 0, as on the link."""
        if len(self._left):
            return np.packbits(self.bits(8 * count), bitorder=bit_order)
        octets = self._octets(count)
        if self.inverted:
            np.invert(octets, out=octets)
        return octets if bit_order == "big" else _REVERSED[octets]

    def _start(self, first: Bits) -> None:
        """Take N bits as the first; make the N * 2^j octets from which long runs follow."""
        order, tap = self._order, self._tap
        bits = first.tolist()
        while len(bits) < 8 * order:
            bits.append(bits[-order] ^ bits[-tap])
        history = np.packbits(np.array(bits, np.uint8))
        scale = 1
        while tap * scale < _RUN_OCTETS:
            scale *= 2
            grown = np.empty(order * scale, np.uint8)
            _extend(grown, history, order * scale // 2, tap * scale // 2)
            history = grown
        self._history, self._long, self._short = history, order * scale, tap * scale
        self._ready = history
        self._left = np.empty(0, np.uint8)

    def _octets(self, count: int) -> Bits:
        """The next octets, earliest bit in bit 7, not inverted; a new array."""
        if count > len(self._ready):
            need = count - len(self._ready)
            made = max(need, self._short)
            grown = np.empty(self._long + made, np.uint8)
            _extend(grown, self._history, self._long, self._short)
            out = np.concatenate((self._ready, grown[self._long : self._long + need]))
            self._history = grown[made:].copy()
            self._ready = grown[self._long + need :].copy()
            return out
        out, self._ready = self._ready[:count].copy(), self._ready[count:]
        return out


@dataclass(frozen=True, slots=True)
class PnResult:
    """What a checker has seen: each bit is either checked or unlocked (searching, seeding, or lost).

    `errors` are among `bits_checked` only; `resyncs` counts losses of lock; `inverted` is None before any
    lock.
    """

    bits_checked: int
    errors: int
    bits_unlocked: int
    resyncs: int
    locked: bool
    inverted: bool | None


class _State(Enum):
    SEARCH = "search"
    LOCKED = "locked"


class PnChecker:
    """Locks on a PN sequence, inverted or not, and counts bit errors; pieces of any length give the same.

    It locks after N + `verify_bits` bits in a row that obey the law, or its complement; constant bits do not
    count. Locked, it compares windows of `window_bits` with a free-running reference. A window with more than
    `max_errors` errors loses lock: its bits become unlocked and the search begins anew at its first bit.
    The defaults, 64 bits to lock and more than 128 of 512 wrong to lose it, are this program's own choice.
    """

    def __init__(
        self, order: int, *, verify_bits: int = 64, window_bits: int = 512, max_errors: int = 128
    ) -> None:
        self._order, self._tap = order, _tap_of(order)
        if verify_bits < 1 or window_bits < order + verify_bits or not 0 < max_errors < window_bits:
            raise SettingsError(
                "a PN checker needs verify_bits >= 1, window_bits >= order + verify_bits, "
                "0 < max_errors < window_bits"
            )
        self._verify, self._window, self._limit = verify_bits, window_bits, max_errors
        self._pending = np.empty(0, np.uint8)
        self._wrong = np.empty(0, np.uint8)
        self._reference: PnSequence | None = None
        self._checked = self._errors = self._unlocked = self._resyncs = 0
        self._inverted: bool | None = None
        self._state = _State.SEARCH

    @property
    def result(self) -> PnResult:
        """Counts so far; the begun window counts as checked while its errors stay within the limit."""
        locked = self._state is _State.LOCKED
        waiting = len(self._pending)
        return PnResult(
            bits_checked=self._checked + (waiting if locked else 0),
            errors=self._errors + (int(self._wrong.sum()) if locked else 0),
            bits_unlocked=self._unlocked + (0 if locked else waiting),
            resyncs=self._resyncs,
            locked=locked,
            inverted=self._inverted,
        )

    def feed_octets(self, octets: Bits, bit_order: BitOrder = "little") -> PnResult:
        """Check octets (uint8, any shape); "little" takes bit 0 first, as on the link."""
        if octets.dtype != np.uint8:
            raise LayoutError(f"PN octets are uint8, not {octets.dtype}")
        flat = octets.reshape(-1)
        for start in range(0, len(flat), _CHUNK_OCTETS):
            self.feed(np.unpackbits(flat[start : start + _CHUNK_OCTETS], bitorder=bit_order))
        return self.result

    def feed(self, bits: Bits) -> PnResult:
        """Check bits, one dimension of uint8 0/1; returns `result`."""
        if bits.ndim != 1 or bits.dtype != np.uint8:
            raise LayoutError(f"PN bits are one row of uint8, not {bits.dtype} {bits.shape}")
        rest: Bits | None = bits
        while rest is not None:
            rest = _STEPS[self._state](self, rest)
        return self.result

    def _search(self, bits: Bits) -> Bits | None:
        """Look for the first lawful run; hand back the bits after it, or keep a tail and return None."""
        order, span = self._order, self._order + self._verify
        held = len(self._pending)
        block = 8 * _CHUNK_OCTETS
        for start in range(0, len(bits), block):
            buffer = np.concatenate((self._pending, bits[start : start + block]))
            law = buffer[order:] ^ buffer[:-order] ^ buffer[order - self._tap : -self._tap]
            for first in _long_runs(law, self._verify):
                seed = buffer[first + self._verify : first + span]
                inverted = bool(law[first])
                if not (seed ^ np.uint8(inverted)).any():
                    continue
                self._reference = PnSequence.seeded(order, seed, inverted=inverted)
                self._inverted, self._state = inverted, _State.LOCKED
                self._unlocked += first + span
                self._pending = self._wrong = np.empty(0, np.uint8)
                return bits[start + first + span - held :]
            held = min(len(buffer), span - 1)
            self._unlocked += len(buffer) - held
            self._pending = buffer[len(buffer) - held :].copy()
        return None

    def _compare(self, bits: Bits) -> Bits | None:
        """Count errors window by window; hand back the bits from a lost window on, or None at the end."""
        assert self._reference is not None
        block = max(8 * _CHUNK_OCTETS, self._window)
        for start in range(0, len(bits), block):
            fresh = bits[start : start + block]
            wrong = np.concatenate((self._wrong, fresh ^ self._reference.bits(len(fresh))))
            seen = np.concatenate((self._pending, fresh))
            whole = len(wrong) // self._window * self._window
            total = int(np.count_nonzero(wrong[:whole]))
            if total > self._limit:
                counts = np.count_nonzero(wrong[:whole].reshape(-1, self._window), axis=1)
                lost = np.flatnonzero(counts > self._limit)
                if len(lost):
                    good = int(lost[0])
                    self._checked += good * self._window
                    self._errors += int(counts[:good].sum())
                    self._resyncs += 1
                    self._state = _State.SEARCH
                    self._pending = self._wrong = np.empty(0, np.uint8)
                    return np.concatenate((seen[good * self._window :], bits[start + block :]))
            self._checked += whole
            self._errors += total
            self._wrong, self._pending = wrong[whole:].copy(), seen[whole:].copy()
        return None


_STEPS = {_State.SEARCH: PnChecker._search, _State.LOCKED: PnChecker._compare}
"""What takes the next bits in each state; either may change it."""

_REVERSED = np.packbits(np.unpackbits(np.arange(256, dtype=np.uint8)).reshape(256, 8)[:, ::-1], axis=1)[:, 0]
"""Octet -> the same with its bits in the other order."""


def _tap_of(order: int) -> int:
    tap = PN_TAPS.get(order)
    if tap is None:
        raise SettingsError(f"PN{order} is not known; choose one of {', '.join(map(str, PN_TAPS))}")
    return tap


def _extend(target: Bits, history: Bits, long: int, short: int) -> None:
    """Copy `history` to the start of `target`, then target[i] = target[i - long] ^ target[i - short]."""
    filled = len(history)
    target[:filled] = history
    while filled < len(target):
        end = min(filled + short, len(target))
        np.bitwise_xor(
            target[filled - long : end - long], target[filled - short : end - short], out=target[filled:end]
        )
        filled = end


def _long_runs(values: Bits, length: int) -> list[int]:
    """Where runs of at least `length` equal values begin."""
    if len(values) < length:
        return []
    edges = np.concatenate(([0], np.flatnonzero(values[1:] != values[:-1]) + 1, [len(values)]))
    return [int(first) for first in edges[:-1][np.diff(edges) >= length]]
