"""Vendor specific, Ctrl_AxC and reserved octets: which differ from the hyperframe before (CPRI clause 4.2.7.2)."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from ..arrays import U8
from ..events import Event, OctetsChanged, Plane
from ..frame_structure import controlwords as cw
from ..linerates import LineRateOption

__all__ = ["OctetWatch"]


class OctetWatch:
    """Compares control octets of three planes with those of the hyperframe before."""

    def __init__(self, option: LineRateOption, counters: dict[str, int], *, ctrl_axc: bool = True) -> None:
        self._name = option.name
        self._counters = counters
        self._ctrl_axc = ctrl_axc
        self._before: U8 | None = None

    def restart(self) -> None:
        """Sync is lost: nothing is compared across the gap."""
        self._before = None

    def receive(self, control: U8, pointer_p: int, rate_code: int, first: int) -> Iterator[Event]:
        """Events of control words (n, 256, T/8) with the same settings, numbered from `first`."""
        flat = control.reshape(len(control), -1)
        vendor = cw.vendor_places(self._name, pointer_p)
        yield from self.changes(Plane.VENDOR, "vendor_changes", vendor, flat, first)
        if self._ctrl_axc:
            places = cw.subchannel_places(self._name, 4, 8)
            yield from self.changes(Plane.CTRL_AXC, "ctrl_axc_changes", places, flat, first)
        reserved = cw.reserved_places(self._name, rate_code, ctrl_axc=self._ctrl_axc)
        yield from self.changes(Plane.RESERVED, "reserved_changes", reserved, flat, first)
        self._before = flat[-1].copy()

    def changes(
        self, plane: Plane, counter: str, places: cw.Places, flat: U8, first: int
    ) -> Iterator[OctetsChanged]:
        """One event a hyperframe in which octets of a plane differ from the hyperframe before."""
        if not len(places):
            return
        now = flat[:, places.flat]
        old = np.empty_like(now)
        old[1:] = now[:-1]
        old[0] = now[0] if self._before is None else self._before[places.flat]
        differ = now != old
        if not differ.any():
            return
        row, column = np.nonzero(differ)
        self._counters[counter] += len(row)
        where = places.triples[column]
        before, after = old[row, column], now[row, column]
        starts = np.concatenate(([0], np.flatnonzero(row[1:] != row[:-1]) + 1, [len(row)])).tolist()
        for a, b in pairwise(starts):
            yield OctetsChanged(
                first + int(row[a]), plane, where[a:b].tobytes(), before[a:b].tobytes(), after[a:b].tobytes()
            )
