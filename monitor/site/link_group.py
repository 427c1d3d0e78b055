"""Links that are decoded in one process: one link, or all points of the emulated chain, which share the chain.

What is decoded together can be laid side by side as it comes, so the first segment on which a damage appears is told.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Sequence

from ..emulation.chain import DEFAULT_NODES
from ..emulation.chain_source import ChainPointSource, chain_sources
from ..errors import InputError
from ..opening import SourceRequest, open_chain
from ..sources.names import Segment, chain_point
from ..sources.source import Source
from .link_worker import Connection, LinkSpec, become_worker, serve_link
from .live_findings import LiveFindings

__all__ = ["decode_links", "serve_links"]


def serve_links(connections: Sequence[Connection], specs: Sequence[LinkSpec]) -> None:
    """Decode the sources, and answer on each connection until all of them have ended."""
    if len(specs) == 1:
        serve_link(connections[0], specs[0])
        return
    findings = _findings_of(specs)
    opening = _SharedChain(specs)
    threads = [
        threading.Thread(target=serve_link, args=(connection, spec, opening, findings), daemon=True)
        for connection, spec in zip(connections, specs, strict=True)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if findings is not None:
        findings.close()


def _findings_of(specs: Sequence[LinkSpec]) -> LiveFindings | None:
    """None for points that do not hang together; opening them says why."""
    last = Segment(DEFAULT_NODES[1], DEFAULT_NODES[0])
    with contextlib.suppress(InputError):
        segments = [chain_point(spec.request.source) or last for spec in specs]
        return LiveFindings([spec.name for spec in specs], segments)
    return None


def decode_links(connections: Sequence[Connection], specs: Sequence[LinkSpec]) -> None:
    """`serve_links` as the whole of a process."""
    become_worker()
    serve_links(connections, specs)


class _SharedChain:
    """Opens each point of one chain, which is made when the first is asked for."""

    def __init__(self, specs: Sequence[LinkSpec]) -> None:
        self._specs = specs
        self._making = threading.Lock()
        self._sources: dict[str, ChainPointSource] = {}

    def __call__(self, request: SourceRequest) -> Source:
        """InputError for a chain or a point that cannot be."""
        with self._making:
            if not self._sources:
                self._make(request)
            source = self._sources.pop(request.source, None)
        if source is None:
            raise InputError(f"{request.source}: this point of the chain is read already")
        return source

    def _make(self, request: SourceRequest) -> None:
        chain = open_chain(request)
        points = {}
        for spec in self._specs:
            word = spec.request.source
            asked = chain_point(word)
            points[word] = chain.points[-1] if asked is None else chain.point_named(asked.name)
        if len(set(points.values())) < len(self._specs):
            raise InputError("a point of the chain is named twice")
        rate = request.pace or None
        sources = chain_sources(
            chain, list(points.values()), hyperframes_per_second=rate, limit=request.hyperframes
        )
        self._sources = {word: sources[point] for word, point in points.items()}
