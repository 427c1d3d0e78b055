"""The kinds of stage."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from .cm_integrity import CmIntegrity
from .error_ratio import ErrorRatio
from .iq_integrity import IqIntegrity
from .link_up import LinkUp
from .loopbacks import Loopbacks
from .negative_tests import NegativeTests
from .quiet import Quiet, Soak
from .rate_changes import RateChanges
from .reset_delay import ResetDelay
from .stage import Stage
from .vendor_octets import VendorOctets

__all__ = ["STAGES"]

STAGES: Mapping[str, Stage] = MappingProxyType(
    {
        "link_up": LinkUp(),
        "quiet": Quiet(),
        "loopback": Loopbacks(),
        "ber": ErrorRatio(),
        "cm_integrity": CmIntegrity(),
        "iq_integrity": IqIntegrity(),
        "vendor": VendorOctets(),
        "campaign": NegativeTests(),
        "delay": ResetDelay(),
        "rates": RateChanges(),
        "soak": Soak(),
    }
)
"""By the name that plans give them; in the usual order."""
