"""Metrics over HTTP: by a real Prometheus, by hand, by a crowd, and where it cannot be."""

from __future__ import annotations

import http.client
import json
import shutil
import signal
import socket
import subprocess
import sys
import threading
import urllib.parse
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from monitor.errors import InputError
from monitor.links.named_link import NamedLink
from monitor.links.pipeline import Pipeline
from monitor.metrics import endpoint as module
from monitor.metrics.endpoint import MetricsEndpoint
from tests.support.patience import patience, wait_until
from tests.support.screen_fakes import FakeSource

ROOT = Path(__file__).parents[3]


@contextmanager
def served() -> Iterator[tuple[int, list[int]]]:
    """The port of an endpoint, and a list that gets an item each time its links are read."""
    pipeline, reads = Pipeline(FakeSource()), list[int]()

    def links() -> list[NamedLink]:
        reads.append(1)
        return [NamedLink("RE-1", pipeline.snapshot())]

    endpoint = MetricsEndpoint(("127.0.0.1", 0), links)
    endpoint.start()
    try:
        yield urllib.parse.urlsplit(endpoint.url).port or 0, reads
    finally:
        endpoint.close()


def get(port: int, path: str = "/metrics", **headers: str) -> tuple[int, str]:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=patience(10))
    connection.request("GET", path, headers=headers)
    answer = connection.getresponse()
    body = answer.read().decode()
    connection.close()
    return answer.status, body


def test_it_answers_one_path_and_reads_the_links_no_more_often_than_needed() -> None:
    with served() as (port, reads):
        status, body = get(port)
        assert status == 200 and 'framefray_hdlc_frames_total{board="RE-1"' in body
        assert get(port, Accept="application/openmetrics-text; version=1.0.0")[1].endswith("# EOF\n")
        assert get(port, "/")[0] == 404 and get(port, "/../etc/passwd")[0] == 404
        before = len(reads)
        for _ in range(5):
            get(port)
        assert len(reads) - before < 5


def test_only_a_name_of_the_loopback_reaches_it() -> None:
    """A page of elsewhere may point a name of its own at 127.0.0.1; the browser then sends that name."""
    with served() as (port, _):
        assert get(port, Host="pages.example:80")[0] == 403
        assert get(port, Host="localhost")[0] == 200
        assert get(port, Host=f"[::1]:{port}")[0] == 200


def test_a_crowd_that_says_nothing_is_let_go(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "PATIENCE_S", 0.2)
    with served() as (port, _), ExitStack() as crowd:
        before = threading.active_count()
        for _ in range(3 * module.MOST_AT_ONCE):
            crowd.enter_context(socket.create_connection(("127.0.0.1", port)))
        assert threading.active_count() - before <= module.MOST_AT_ONCE

        def answered() -> bool:
            try:
                return get(port)[0] == 200
            except (OSError, http.client.HTTPException):
                return False

        wait_until(answered, 10)


def test_a_port_in_use_is_one_line() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        address = taken.getsockname()[:2]
        with pytest.raises(InputError, match=f"{address[1]}: Address already in use"):
            MetricsEndpoint(address, list)


def test_a_missing_library_is_one_line_that_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "prometheus_client", None)
    with pytest.raises(InputError, match=r"pip install 'framefray\[metrics\]'"):
        MetricsEndpoint(("127.0.0.1", 0), list)


CONFIG = """
global: {{scrape_interval: 250ms, scrape_timeout: 250ms}}
scrape_configs: [{{job_name: framefray, static_configs: [{{targets: ["{target}"]}}]}}]
"""


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        return int(probe.getsockname()[1])


@pytest.mark.skipif(shutil.which("prometheus") is None, reason="prometheus is not installed")
@pytest.mark.parametrize("boards", [1, pytest.param(3, marks=pytest.mark.slow)])
def test_a_real_prometheus_scrapes_a_running_watch(tmp_path: Path, boards: int) -> None:
    """What Prometheus (Debian package) answers by query lies between what the watch served before and after."""
    sources = " ".join(f"RE-{number + 1}=emulated" for number in range(boards))
    words = f"watch {sources} --pace 150 --ber 2e-6 --plain --no-traffic --metrics 127.0.0.1:0"
    watch = subprocess.Popen(
        [sys.executable, "-m", "monitor", *words.split()],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    )
    assert watch.stderr is not None
    url = watch.stderr.readline().split()[-1]
    target, port = urllib.parse.urlsplit(url).netloc, free_port()
    (tmp_path / "prometheus.yml").write_text(CONFIG.format(target=target), encoding="utf-8")
    prometheus = subprocess.Popen(
        [
            "prometheus",
            f"--config.file={tmp_path}/prometheus.yml",
            f"--storage.tsdb.path={tmp_path}/data",
            f"--web.listen-address=127.0.0.1:{port}",
        ],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )

    def query(text: str) -> list[tuple[dict[str, str], float]]:
        """Labels and value of each series."""
        address = f"http://127.0.0.1:{port}/api/v1/query?{urllib.parse.urlencode({'query': text})}"
        with urllib.request.urlopen(address, timeout=patience(5)) as answer:
            result = json.load(answer)["data"]["result"]
        return [(series["metric"], float(series["value"][1])) for series in result]

    def served_now(name: str) -> float:
        _, body = get(urllib.parse.urlsplit(url).port or 0)
        return sum(float(line.split()[-1]) for line in body.splitlines() if line.startswith(name + "{"))

    def scraped() -> bool:
        try:
            return sum(v > 0 for _, v in query("framefray_code_violations_total")) == boards
        except OSError:
            return False

    try:
        wait_until(scraped, 60, 0.2)
        name = "framefray_ethernet_frames_total"
        earlier = served_now(name)
        wait_until(lambda: sum(v for _, v in query(name)) >= earlier, 30, 0.2)
        series = query(name)
        assert earlier <= sum(v for _, v in series) <= served_now(name)
        kept = sorted(tuple(labels[key] for key in ("board", "option", "plane")) for labels, _ in series)
        assert kept == [(f"RE-{number + 1}", "2", "ethernet") for number in range(boards)]
        assert len(query('framefray_sync_state{state="HFNSYNC"} == 1')) == boards
        assert query('up{job="framefray"}')[0][1] == 1
        assert query("sum(framefray_hfn_discontinuities_total)")[0][1] >= 0
    finally:
        prometheus.kill()
        watch.send_signal(signal.SIGINT)
        for process in (prometheus, watch):
            process.wait(patience(20))
        watch.stderr.close()


def test_the_end_of_the_command_frees_the_port() -> None:
    with served() as (port, _):
        pass
    with socket.create_server(("127.0.0.1", port)):
        pass
