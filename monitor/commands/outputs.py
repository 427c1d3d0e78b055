"""What a command serves beside its result while it runs."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager

from decoders.link.settings import LinkSettings

from ..emulation.host_port import address_of
from ..links.named_link import NamedLink
from ..links.pipeline import Pipeline
from ..links.snapshot import LogEntry
from ..process.streams import tell
from ..sources.source import Chunk, Source

__all__ = ["RecordedLink", "SourceWatch", "metrics_served"]

_RISK = "anybody may read the state of the link there"


class SourceWatch:
    """One pipeline as a link that is watched."""

    def __init__(self, name: str, pipeline: Pipeline) -> None:
        self.name = name
        self.pipeline = pipeline

    def link(self) -> NamedLink:
        pipeline = self.pipeline
        failure = "" if pipeline.failure is None else str(pipeline.failure) or type(pipeline.failure).__name__
        return NamedLink(self.name, pipeline.snapshot(), failure=failure, restarts=pipeline.restarts)

    def entries_since(self, number: int) -> list[LogEntry]:
        return self.pipeline.entries_since(number)


class RecordedLink(SourceWatch):
    """A link that is decoded beside its recording; what goes wrong in decoding ends no recording."""

    def __init__(self, name: str, source: Source, settings: LinkSettings) -> None:
        super().__init__(name, Pipeline(source, settings))

    def receive(self, chunk: Chunk) -> None:
        """Decode a chunk that was written."""
        if self.pipeline.failure is None:
            try:
                self.pipeline.take(chunk)
            except Exception as failure:  # the recording goes on; the collector is told
                self.pipeline.failure = failure


@contextmanager
def metrics_served(arguments: argparse.Namespace, links: Callable[[], Iterable[NamedLink]]) -> Iterator[None]:
    """Metrics of the links at `--metrics HOST:PORT` meanwhile, where that is asked for."""
    if arguments.metrics is None:
        yield
        return
    from ..metrics.endpoint import MetricsEndpoint

    endpoint = MetricsEndpoint(address_of(arguments.metrics, arguments.listen_any, risk=_RISK), links)
    tell(f"metrics at {endpoint.url}")
    endpoint.start()
    try:
        yield
    finally:
        endpoint.close()
