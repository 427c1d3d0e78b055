"""An emulated chain as the plan of a site: every point is a source, every hop a segment with its length."""

from __future__ import annotations

from decoders.link_delay.hops import RadioHead

from ..emulation.chain import EmulatedChain
from ..sources.names import CHAIN, Segment
from .plan import PlannedBoard, PlannedSegment, SitePlan

__all__ = ["chain_source_word", "plan_of_chain"]


def chain_source_word(point: Segment) -> str:
    """The SOURCE of a point of the emulated chain."""
    return f"{CHAIN}/{point.name}"


def plan_of_chain(chain: EmulatedChain) -> SitePlan:
    """The site Saltmarsh as it is emulated."""
    nodes = chain.settings.nodes
    boards, segments = [], []
    for i, name in enumerate(nodes):
        first = nodes[i - 1] if i else nodes[1]
        ports = {}
        if 0 < i < len(nodes) - 1:
            ports[nodes[i + 1]] = chain_source_word(Segment(nodes[i + 1], name))
        boards.append(PlannedBoard(name, chain_source_word(Segment(first, name)), ports))
        if i:
            head = RadioHead(name, nodes[i - 1], chain.option.name, chain.length_m(i - 1))
            segments.append(PlannedSegment(nodes[i - 1], name, chain.option.name, head))
    return SitePlan("Saltmarsh, emulated", tuple(boards), tuple(segments))
