"""From a plan to the rig that it names."""

from __future__ import annotations

from ..sources.names import CHAIN, SourceKind, source_kind
from .plan import AcceptancePlan
from .rig import Rig
from .rig_emulated import EmulatedRig

__all__ = ["open_rig"]


def open_rig(plan: AcceptancePlan) -> Rig:
    """The rig of a plan; InputError where it cannot be. Boards are opened by each stage, and closed after it."""
    if plan.source == CHAIN:
        from .rig_chain import ChainRig

        return ChainRig(plan)
    if source_kind(plan.source) is SourceKind.EMULATED:
        return EmulatedRig(plan)
    from .rig_board import BoardRig

    return BoardRig(plan)
