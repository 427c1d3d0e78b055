"""The parts of a link decoder, each built by a factory: where another receiver of one thing is put in.

`replace(LinkParts(), hdlc=MyHdlcDecoder)` gives a decoder that reads slow C&M with `MyHdlcDecoder` and everything
else as before. A factory is called with the arguments of the class that stands there, and gives a subclass of it
or anything with the same methods.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from ..line_coding.block_forms import FecChoice, open_block_reader
from ..line_coding.block_lock import LockSettings
from ..line_coding.characters import CharacterReader, LineForm, open_reader
from ..line_coding.fec_reader import FecSettings
from ..line_coding.scrambling import HyperframeDescrambler
from ..linerates import LineRateOption
from .alarms import LosDetector
from .hyperframe_sync import FallBack, SyncMachine
from .planes import HyperframePlanes, PlaneParts

__all__ = ["LinkParts"]


@dataclass(frozen=True, kw_only=True)
class LinkParts(PlaneParts):
    """Factories of all parts of one direction."""

    reader: Callable[[LineForm, int], CharacterReader] = open_reader
    """8B/10B: called with the form and the octets of a hyperframe."""
    block_reader: Callable[[LineForm, LockSettings, FecChoice, FecSettings], CharacterReader] = (
        open_block_reader
    )
    descrambler: Callable[[LineRateOption], HyperframeDescrambler] = HyperframeDescrambler
    """Of version 2, at options 5, 6 and 7."""
    sync: Callable[[FallBack], SyncMachine] = SyncMachine
    los: Callable[[int], LosDetector] = LosDetector
    planes: Callable[..., HyperframePlanes] = HyperframePlanes
    """Called with option, settings, counters and these parts."""
