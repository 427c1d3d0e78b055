"""Vendor specific octets: a value put into one of them arrives there, and in no other."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from decoders.arrays import U8
from decoders.events import OctetsChanged, Plane
from decoders.frame_structure import controlwords as cw
from decoders.link.decoder import HyperframeBlock

from ..errors import RefusedError
from ..sources.source import Chunk, received
from ..text import counted
from .captures import CaptureKeeper
from .meter import hyperframe_size
from .quiet import passed_or_failed
from .results import Check, NotObservable
from .rig import Streams, point_decoder
from .stage import Raw, StageContext
from .stage_settings import StageSettings, VendorSettings

__all__ = ["VendorOctets"]

_OWN_HYPERFRAMES = 320
"""Two 10 ms frames: octets that change by themselves do so in them."""
_LASTS = 40
"""Hyperframes for which a value stands."""
_PATIENCE = 3000
_FLIPS = 0x5A
"""What a value put in differs by from the one that stood there."""
Place = tuple[int, int, int]


class VendorOctets:
    """A value in some vendor specific octets, one after the other."""

    claims = (
        "A value injected into a vendor specific octet arrived there, in no other octet, and ended in time."
    )

    def hyperframes(self, settings: StageSettings, context: StageContext) -> float:
        assert isinstance(settings, VendorSettings)
        return float(_OWN_HYPERFRAMES + settings.places * 2 * _LASTS)

    def measure(self, context: StageContext) -> Raw:
        settings = context.stage.settings
        assert isinstance(settings, VendorSettings)
        with context.rig.watch() as streams:
            probe = _Probe(streams, context.keeper(streams))
            own = probe.own_places()
            places = probe.choose(settings.places, own)
            if not places:
                raise NotObservable("the link has no vendor specific octets that stand still")
            rows = []
            for number, place in enumerate(places):
                rows.append(probe.try_place(place))
                context.progress((number + 1) / len(places))
        return {"point": streams.points[0].name, "rows": rows, "own_places": sorted(map(list, own))}

    def judge(self, settings: StageSettings, raw: Raw) -> list[Check]:
        rows = raw["rows"]
        unseen = [row for row in rows if not row["arrived"]]
        stuck = [row for row in rows if row["arrived"] and not row["went"]]
        strange = [row for row in rows if row["elsewhere"]]
        right = len(rows) - len(unseen)
        text = f"{right} of {counted(len(rows), 'injected value')} arrived at their places"
        if unseen:
            text += "; not at " + ", ".join(_place_text(row["place"]) for row in unseen[:4])
        went = f"still there at {_place_text(stuck[0]['place'])}" if stuck else "each ended in time"
        beside = "in no other octet"
        if strange:
            there, here = _place_text(strange[0]["elsewhere"][0]), _place_text(strange[0]["place"])
            beside = f"{there} had the value instead of, or beside, {here}"
        return [
            Check("values", passed_or_failed(bool(rows) and not unseen), text, right, len(rows)),
            Check("return", passed_or_failed(bool(rows) and not stuck), went),
            Check("places", passed_or_failed(bool(rows) and not strange), beside),
        ]


def _place_text(place: Any) -> str:
    ns, xs, y = place
    return f"Ns {ns} Xs {xs} Y {y}"


class _Probe:
    """Watches the first point and puts values in."""

    def __init__(self, streams: Streams, keeper: CaptureKeeper) -> None:
        self._streams, self._keeper = streams, keeper
        self._decoder = point_decoder(streams.points[0], self._on_block)
        self._control: U8 | None = None
        self._size = hyperframe_size(streams.points[0])
        self._read: Iterator[tuple[int, Chunk]] = streams.read()
        self._passed = 0.0

    def _on_block(self, block: HyperframeBlock) -> None:
        self._control = block.octets[-1, :, 0, :].copy()

    def _next(self) -> list[tuple[int, Place, int, int]]:
        """Changes in the next line data of the first point: hyperframe, place, old and new value."""
        for i, chunk in self._read:
            if i:
                continue
            self._keeper.saw(0, chunk)
            self._passed += len(chunk.data) / self._size
            changes = []
            for event in received(self._decoder, chunk):
                if isinstance(event, OctetsChanged) and event.plane is Plane.VENDOR:
                    for change in event.changes():
                        place = (change.ns, change.xs, change.y)
                        changes.append((event.hyperframe or 0, place, change.old, change.new))
            return changes
        raise NotObservable("the line data ended")

    def own_places(self) -> set[Place]:
        """Places that change by themselves; NotObservable without sync."""
        own: set[Place] = set()
        while self._decoder.hyperframes < _OWN_HYPERFRAMES:
            own |= {place for _, place, _, _ in self._next()}
            if self._passed > _PATIENCE:
                raise NotObservable("no hyperframe sync, so no vendor specific octet was received")
        return own

    def choose(self, count: int, own: set[Place]) -> list[Place]:
        """Places spread over all vendor specific octets; of those that a fault can name."""
        planes = self._decoder.planes
        pointer = planes.pointer.accepted or 0
        every = [tuple(p) for p in cw.vendor_places(self._decoder.option.name, pointer).triples.tolist()]
        free = [p for p in every if p not in own and 16 <= p[0] <= 63]
        step = max(1, len(free) // count)
        return free[::step][:count]

    def try_place(self, place: Place) -> dict[str, Any]:
        ns, xs, y = place
        assert self._control is not None
        value = int(self._control[ns + 64 * xs, y]) ^ _FLIPS
        text = f"vendor.value:ns={ns},xs={xs},y={y},value={value},hyperframes={_LASTS}"
        row: dict[str, Any] = {
            "place": list(place),
            "value": value,
            "arrived": False,
            "went": False,
            "elsewhere": [],
        }
        try:
            self._streams.inject(text)
        except RefusedError as error:
            raise NotObservable(f"the board refuses a value in {_place_text(place)}: {error}") from None
        until = self._passed + _PATIENCE
        taken: dict[Place, int] = {}  # other places with the value, and since which hyperframe
        while self._passed < until and not row["went"]:
            for at, where, old, new in self._next():
                if where == place:
                    row["arrived"] |= new == value
                    row["went"] |= row["arrived"] and old == value
                elif new == value:
                    taken[where] = at
                elif old == value and at - taken.pop(where, at) == _LASTS:
                    row["elsewhere"].append(list(where))
        if not row["arrived"] or row["elsewhere"]:
            self._keeper.failed(0, f"value in {_place_text(place)}", shows=False)
        return row
