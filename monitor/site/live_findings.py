"""Where damage enters, told while links are decoded: the points of a chain laid side by side as they come.

For links that are decoded in one process. A thread works out what is new about once a second, so that neither the
decoders nor whoever asks has to wait for it.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence

from decoders.events import Event
from decoders.linerates import HYPERFRAMES_PER_FRAME
from decoders.link.decoder import HyperframeBlock

from ..links.damage import ChainDamage, Localised, Point
from ..links.pipeline import Pipeline
from ..sources.names import Segment
from ..text import counted
from .localisation import Localisation, PointTap

__all__ = ["LiveFindings", "damage_text", "finding_texts"]

MOST_FINDINGS = 8
_EVERY_S = 1.0
_SHARE = 10
"""Many damages take longer to tell: then it is done more seldom."""


def damage_text(damage: ChainDamage) -> str:
    """One damage in a line: plane, segment, place, and where it is clean."""
    where = " or ".join(segment.name for segment in damage.segments)
    bfn, hfn = divmod(damage.first, HYPERFRAMES_PER_FRAME)
    sign = damage.signs[0].text or damage.signs[0].kind if damage.signs else ""
    text = f"{damage.plane.value} damaged on {where} at BFN.HFN {bfn}.{hfn:03d}"
    if damage.hyperframes > 1:
        text += f", {counted(damage.hyperframes, 'hyperframe')}"
    if sign:
        text += f": {sign}"
    if damage.clean_before is not None:
        text += f"; clean at {damage.clean_before.name}"
    return f"{text}; not distinguishable: {damage.reason}" if damage.reason else text


def finding_texts(localised: Localised) -> tuple[str, ...]:
    """The newest damages, newest first; how many more there are."""
    damages = localised.damages[-MOST_FINDINGS:][::-1]
    texts = [f"! {damage_text(damage)}" for damage in damages]
    more = len(localised.damages) - len(damages) + localised.more
    if more:
        texts.append(f"  {counted(more, 'more damage')} before")
    return tuple(texts)


class LiveFindings:
    """Taps the pipelines of these links, each at the end of its segment, once all of them are open.

    InputError where the segments are no chain or tree.
    """

    def __init__(self, names: Sequence[str], segments: Sequence[Segment]) -> None:
        self.findings: tuple[str, ...] = ()
        self._names = list(names)
        self.localisation = Localisation([Point(segment) for segment in segments])
        self._attached: set[str] = set()
        self._all, self._turn = threading.Event(), threading.Lock()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._work, name="findings", daemon=True)
        self._thread.start()

    def attach(self, name: str, pipeline: Pipeline) -> None:
        """Lay a link beside the others; a decoder that follows another one of the same link is left out."""
        if name in self._attached:
            return
        index = self._names.index(name)
        pipeline.tap = _Gated(self.localisation.attach(index, pipeline.decoder), self._all, self._turn)
        self._attached.add(name)
        if len(self._attached) == len(self._names):
            self._all.set()

    def close(self) -> None:
        self._stop.set()
        self._thread.join(2.0)

    def _work(self) -> None:
        pause_s = _EVERY_S
        while not self._stop.wait(pause_s):
            if self._all.is_set():
                begun = time.monotonic()
                self.findings = finding_texts(self.localisation.result())
                pause_s = max(_EVERY_S, _SHARE * (time.monotonic() - begun))


class _Gated:
    """A tap that takes nothing before all points are there; one chunk of one point goes in at a time.

    What a point's hyperframes hold is compared as soon as all points have passed it, so its events may not be late.
    """

    def __init__(self, tap: PointTap, gate: threading.Event, turn: threading.Lock) -> None:
        self._tap, self._gate, self._turn = tap, gate, turn
        self._mine = False

    def begin(self) -> None:
        if self._gate.is_set():
            self._turn.acquire()
            self._mine = True

    def on_block(self, block: HyperframeBlock) -> None:
        if self._mine:
            self._tap.on_block(block)

    def receive(self, events: Sequence[Event]) -> None:
        if self._mine:
            try:
                self._tap.receive(events)
            finally:
                self._mine = False
                self._turn.release()

    def end(self) -> None:
        if self._gate.is_set():
            with self._turn:
                self._tap.end()
