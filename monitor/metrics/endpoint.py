"""Metrics over HTTP for a collector that comes and asks: `GET /metrics`, in the format that it accepts.

A thread of its own answers; it reads what screens read, so a scrape never holds up decoding for longer than a
screen does. Bounded: at most MOST_AT_ONCE requests are answered at a time, each has PATIENCE_S, and the links are
read at most once in FRESH_S. No login and no encryption: for the loopback.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from ..emulation.host_port import host_of, is_loopback, listener_at
from ..errors import InputError
from ..links.named_link import NamedLink
from .exposition import LinkTotals, MetricFamily, MetricKind, metric_families

__all__ = ["MetricsEndpoint"]

MOST_AT_ONCE = 8
WAITING = 16
PATIENCE_S = 5.0
FRESH_S = 0.2
POLL_S = 0.1
PATH = "/metrics"


class MetricsEndpoint:
    """Serves the metrics of `links()` at an address from `start` until `close`; `url` is where.

    InputError where prometheus-client is not installed, and where the address cannot be listened at.
    """

    def __init__(self, address: tuple[str, int], links: Callable[[], Iterable[NamedLink]]) -> None:
        self._collector = _Collector(links)
        self._encode = _encoder(self._collector)
        listener = listener_at(address, WAITING)
        self.url = _url_of(listener)
        self._server = _Server(listener, self._answer)
        self._thread = threading.Thread(
            target=self._server.serve_forever, args=(POLL_S,), name="metrics", daemon=True
        )

    def start(self) -> None:
        self._thread.start()

    def close(self) -> None:
        """Answer no more; what is being answered is not waited for."""
        if self._thread.is_alive():
            self._server.shutdown()
        self._server.server_close()

    def _answer(self, path: str, accept: str) -> tuple[int, str, bytes]:
        """Status, content type and body."""
        if path.partition("?")[0] != PATH:
            return 404, "text/plain; charset=utf-8", f"framefray: metrics are at {PATH}\n".encode()
        return 200, *self._encode(accept)


def _url_of(listener: socket.socket) -> str:
    host, port = listener.getsockname()[:2]
    return f"http://{f'[{host}]' if ':' in host else host}:{port}{PATH}"


class _Collector:
    """What prometheus_client asks for families; the links are read anew only where the last answer is old."""

    def __init__(self, links: Callable[[], Iterable[NamedLink]]) -> None:
        self._links = links
        self._totals = LinkTotals()
        self._reading = threading.Lock()
        self._read_at = -FRESH_S
        self._families: list[MetricFamily] = []

    def families(self) -> list[MetricFamily]:
        with self._reading:
            now = time.monotonic()
            if now - self._read_at >= FRESH_S:
                self._families = metric_families(self._links(), self._totals)
                self._read_at = now
            return self._families


def _encoder(collector: _Collector) -> Callable[[str], tuple[str, bytes]]:
    """From an Accept header to content type and body; InputError where the library is missing."""
    try:
        from prometheus_client import CollectorRegistry
        from prometheus_client.exposition import choose_encoder
        from prometheus_client.metrics_core import CounterMetricFamily, GaugeMetricFamily, Metric
    except ImportError:
        raise InputError(
            "--metrics needs prometheus-client, which is not installed",
            hint="pip install 'framefray[metrics]'",
        ) from None

    class Collected:
        def collect(self) -> Iterable[Metric]:
            for family in collector.families():
                counter = family.kind is MetricKind.COUNTER
                make = CounterMetricFamily if counter else GaugeMetricFamily
                metric = make(family.name, family.help, unit=family.unit)
                for sample in family.samples:
                    suffix = "_total" if counter else ""
                    metric.add_sample(family.name + suffix, dict(sample.labels), sample.value)
                yield metric

    registry = CollectorRegistry(auto_describe=False)
    registry.register(Collected())

    def encode(accept: str) -> tuple[str, bytes]:
        encoder, content_type = choose_encoder(accept)
        return content_type, encoder(registry)

    return encode


class _Server(ThreadingHTTPServer):
    """On a listener that is open already; of more requests than MOST_AT_ONCE the oldest ones in arrears give way."""

    daemon_threads = True
    block_on_close = False

    def __init__(self, listener: socket.socket, answer: Callable[[str, str], tuple[int, str, bytes]]) -> None:
        host, port = listener.getsockname()[:2]
        super().__init__((host, port), _handler(answer, local=is_loopback(host)), bind_and_activate=False)
        self.socket.close()
        self.socket = listener
        self._open: dict[int, tuple[float, Any]] = {}
        self._changing = threading.Lock()

    def process_request(self, request: Any, client_address: Any) -> None:
        now = time.monotonic()
        with self._changing:
            full = len(self._open) >= MOST_AT_ONCE
            if full:
                for since, other in self._open.values():
                    if now - since > PATIENCE_S:
                        with suppress(OSError):
                            other.shutdown(socket.SHUT_RDWR)  # its thread ends then
            else:
                self._open[id(request)] = now, request
        if full:
            self.shutdown_request(request)
        else:
            super().process_request(request, client_address)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        try:
            super().process_request_thread(request, client_address)
        finally:
            with self._changing:
                self._open.pop(id(request), None)

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that breaks off is nobody's trouble."""


def _handler(
    answer: Callable[[str, str], tuple[int, str, bytes]], *, local: bool
) -> type[BaseHTTPRequestHandler]:
    """Answers GET; `local`: only by a name of the loopback, for a page of elsewhere may have another name for it."""

    class Handler(BaseHTTPRequestHandler):
        timeout = PATIENCE_S
        server_version, sys_version = "framefray", ""

        def do_GET(self) -> None:
            if local and not is_loopback(host_of(self.headers.get("Host", ""))):
                self.send_error(403)
                return
            status, content_type, body = answer(self.path, self.headers.get("Accept", ""))
            self.send_response(status)
            self.send_header("Content-Type", content_type)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            with suppress(OSError):
                self.wfile.write(body)

        def log_message(self, format: str, *args: Any) -> None:
            """Requests are no news."""

    return Handler
