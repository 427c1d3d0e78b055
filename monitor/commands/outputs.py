"""What a command serves beside its result while it runs."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager

from ..emulation.host_port import address_of
from ..links.watched_link import WatchedLink
from ..process.streams import tell

__all__ = ["metrics_served"]

_RISK = "anybody may read the state of the link there"


@contextmanager
def metrics_served(
    arguments: argparse.Namespace, links: Callable[[], Iterable[WatchedLink]]
) -> Iterator[None]:
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
