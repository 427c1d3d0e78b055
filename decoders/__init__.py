"""What the octets of the link mean: octets or bits in, events out.

Pure and sans-IO: no file, socket, clock, thread, screen. The public names are loaded when they are first asked for,
so that `import decoders` costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .characters import LineForm
    from .code_8b10b import SymbolDecoder, SymbolEncoder
    from .errors import DecodersError, LayoutError, SettingsError
    from .ethernet import EthernetDecoder, EthernetEncoder
    from .hdlc import HdlcDecoder, HdlcEncoder
    from .iq import AxcContainer, IqMap
    from .linerates import OPTIONS, LineRateOption, option_named
    from .link import HyperframeBlock, LinkDecoder, LinkEncoder, LinkSettings, SenderSettings
    from .planes import PlaneSettings

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
    "characters": ("LineForm",),
    "code_8b10b": ("SymbolDecoder", "SymbolEncoder"),
    "errors": ("DecodersError", "LayoutError", "SettingsError"),
    "ethernet": ("EthernetDecoder", "EthernetEncoder"),
    "hdlc": ("HdlcDecoder", "HdlcEncoder"),
    "iq": ("AxcContainer", "IqMap"),
    "linerates": ("OPTIONS", "LineRateOption", "option_named"),
    "link": ("HyperframeBlock", "LinkDecoder", "LinkEncoder", "LinkSettings", "SenderSettings"),
    "planes": ("PlaneSettings",),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    home = _HOME_OF.get(name)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f".{home}", __name__), name)
