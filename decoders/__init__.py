"""What the octets of the link mean: octets or bits in, events out.

Pure and sans-IO: no file, socket, clock, thread, screen. The public names are loaded when they are first asked for,
so that `import decoders` costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .cm_plane.ethernet import EthernetDecoder
    from .cm_plane.ethernet_encoder import EthernetEncoder
    from .cm_plane.hdlc import HdlcDecoder
    from .cm_plane.hdlc_encoder import HdlcEncoder
    from .errors import DecodersError, LayoutError, SettingsError
    from .line_coding.characters import LineForm
    from .line_coding.code_8b10b import SymbolDecoder, SymbolEncoder
    from .linerates import OPTIONS, LineRateOption, option_named
    from .link.decoder import HyperframeBlock, LinkDecoder
    from .link.encoder import LinkEncoder
    from .link.settings import LinkSettings, PlaneSettings, SenderSettings
    from .user_plane.axc_container import AxcContainer
    from .user_plane.iq_map import IqMap

__all__ = [
    "OPTIONS",
    "AxcContainer",
    "DecodersError",
    "EthernetDecoder",
    "EthernetEncoder",
    "HdlcDecoder",
    "HdlcEncoder",
    "HyperframeBlock",
    "IqMap",
    "LayoutError",
    "LineForm",
    "LineRateOption",
    "LinkDecoder",
    "LinkEncoder",
    "LinkSettings",
    "PlaneSettings",
    "SenderSettings",
    "SettingsError",
    "SymbolDecoder",
    "SymbolEncoder",
    "option_named",
]

_HOMES = {
    "cm_plane.ethernet": ("EthernetDecoder",),
    "cm_plane.ethernet_encoder": ("EthernetEncoder",),
    "cm_plane.hdlc": ("HdlcDecoder",),
    "cm_plane.hdlc_encoder": ("HdlcEncoder",),
    "errors": ("DecodersError", "LayoutError", "SettingsError"),
    "line_coding.characters": ("LineForm",),
    "line_coding.code_8b10b": ("SymbolDecoder", "SymbolEncoder"),
    "linerates": ("OPTIONS", "LineRateOption", "option_named"),
    "link.decoder": ("HyperframeBlock", "LinkDecoder"),
    "link.encoder": ("LinkEncoder",),
    "link.settings": ("LinkSettings", "PlaneSettings", "SenderSettings"),
    "user_plane.axc_container": ("AxcContainer",),
    "user_plane.iq_map": ("IqMap",),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    home = _HOME_OF.get(name)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f".{home}", __name__), name)
