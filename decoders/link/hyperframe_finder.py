"""Where the hyperframes of a stream lie: a LinkDecoder that says its place, and one that looks at nothing else.

Sync is that of CPRI clause 4.2.9, found as everywhere here. Places are bits of the stream in its raw form, so
that bits of any alignment have one, too. Nothing here reads control planes but BFN and HFN (clause 4.2.7.3).
"""

from __future__ import annotations

from collections.abc import Callable

from ..arrays import U8
from ..events import Event
from ..line_coding.characters import LineForm
from ..linerates import LineRateOption, option_named
from .decoder import HyperframeBlock, LinkDecoder
from .parts import LinkParts
from .planes import HyperframePlanes
from .settings import LinkSettings

__all__ = ["HyperframeFinder", "PlacedDecoder", "hyperframe_bits"]

_OCTET_BITS = {LineForm.OCTETS: 8, LineForm.FLAGGED: 16, LineForm.SYMBOLS: 16, LineForm.BLOCKS: 9}


def hyperframe_bits(option_name: str, form: LineForm) -> int:
    """Bits of the raw form that one hyperframe takes; RS-FEC changes nothing, for its parity replaces headers."""
    option = option_named(option_name)
    return _raw_bits(option, form, option.hyperframe_octets)


def _raw_bits(option: LineRateOption, form: LineForm, octets: int) -> int:
    """Bits of the raw form that so many octets of the link take."""
    if form is LineForm.BITS:
        return octets * option.hyperframe_line_bits // option.hyperframe_octets
    return octets * _OCTET_BITS[form]


class PlacedDecoder(LinkDecoder):
    """A LinkDecoder that knows where in the stream it stands."""

    @property
    def start_bit(self) -> int:
        """Where the next hyperframe begins, in bits of the raw form from the start of the stream.

        Inside `on_block` it is the place of the block's first hyperframe.
        """
        form = self.settings.form
        bits = _raw_bits(self.option, form, self._line.stream.done)
        return bits + (self._line.slip_bits or 0) if form is LineForm.BITS else bits


class _NoPlanes(HyperframePlanes):
    """Says nothing of what hyperframes carry."""

    def receive(self, view: U8, first: int, ahead: U8) -> list[Event]:
        return []

    def lost(self, hyperframe: int) -> list[Event]:
        return []


class HyperframeFinder(PlacedDecoder):
    """Finds hyperframes and hands them to `on_block`; counts line and sync errors, and decodes no plane."""

    def __init__(
        self, settings: LinkSettings, on_block: Callable[[HyperframeBlock], None] | None = None
    ) -> None:
        super().__init__(settings, on_block, LinkParts(planes=_NoPlanes))
