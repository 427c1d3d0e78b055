"""Exceptions of the decoders: caller mistakes only.

    DecodersError(ValueError)
    ├── SettingsError      a link setting that cannot be (rate code, pointer, sample width)
    └── LayoutError        an address or array that does not fit the frame

What is wrong *on the line* is never an exception: it is an event and a counter.
"""

from __future__ import annotations

__all__ = ["DecodersError", "LayoutError", "SettingsError"]


class DecodersError(ValueError):
    """Root of every exception that decoders/ raises on purpose."""


class SettingsError(DecodersError):
    """A setting outside what the standard or this decoder allows."""


class LayoutError(DecodersError):
    """An address, length or array shape that does not fit the frame."""
