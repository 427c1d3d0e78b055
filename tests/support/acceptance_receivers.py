"""Receivers with mistakes for acceptance plans."""

from __future__ import annotations

from decoders.events import Event
from decoders.line_coding.characters import LineForm
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings

__all__ = ["HdlcBlind"]


class HdlcBlind:
    """Counts no HDLC frame with a wrong FCS; tells counters alone."""

    delivers = ()

    def __init__(self, option: str, form: str) -> None:
        self._decoder = LinkDecoder(LinkSettings(option=option, form=LineForm(form)))

    def receive(self, data: bytes) -> list[Event]:
        self._decoder.receive(data)
        return []

    def finish(self) -> list[Event]:
        self._decoder.finish()
        return []

    @property
    def counters(self) -> dict[str, int]:
        return dict(self._decoder.counters) | {"hdlc_fcs_errors": 0}

    @property
    def state(self) -> str:
        return self._decoder.state.value
