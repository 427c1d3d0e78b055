"""Decoders as receivers under test."""

from __future__ import annotations

from decoders.link.decoder import LinkDecoder
from monitor.campaign.receivers import ProjectReceiver, ReceiverFactory


def receiver_of(decoder: type[LinkDecoder]) -> ReceiverFactory:
    """Receivers that are decoders of a class, or of one derived from LinkDecoder."""
    return lambda settings: ProjectReceiver(settings, decoder)
