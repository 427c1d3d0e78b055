"""What a command serves while it runs, and that it stops with it."""

from __future__ import annotations

import argparse
import urllib.request

import pytest

from monitor.commands.outputs import metrics_served
from monitor.errors import InputError
from monitor.links.pipeline import Pipeline
from monitor.links.watched_link import WatchedLink
from tests.support.commands import outcome
from tests.support.patience import patience
from tests.support.screen_fakes import FakeSource


def arguments(metrics: str | None, *, listen_any: bool = False) -> argparse.Namespace:
    return argparse.Namespace(metrics=metrics, listen_any=listen_any)


def test_metrics_are_served_while_the_command_runs(capfd: pytest.CaptureFixture[str]) -> None:
    pipeline = Pipeline(FakeSource())
    with metrics_served(arguments("127.0.0.1:0"), lambda: [WatchedLink("RE-1", pipeline.snapshot())]):
        url = capfd.readouterr().err.removeprefix("framefray: metrics at ").strip()
        with urllib.request.urlopen(url, timeout=patience(5)) as answer:
            assert b"framefray_hdlc_frames_total" in answer.read()
    with pytest.raises(OSError):
        urllib.request.urlopen(url, timeout=patience(5))
    with metrics_served(arguments(None), list):
        assert capfd.readouterr().err == ""


def test_only_the_loopback_is_served_unasked(capfd: pytest.CaptureFixture[str]) -> None:
    with (
        pytest.raises(InputError, match=r"anybody may read .*; --listen-any allows it"),
        metrics_served(arguments("0.0.0.0:0"), list),
    ):
        pass
    with metrics_served(arguments("0.0.0.0:0", listen_any=True), list):
        assert "http://0.0.0.0:" in capfd.readouterr().err


def test_a_word_that_is_no_address_is_one_line(capfd: pytest.CaptureFixture[str]) -> None:
    status, out, err = outcome(capfd, "watch", "emulated", "--plain", "--metrics", "nowhere")
    assert (status, out, err) == (2, "", "framefray: 'nowhere' is not HOST:PORT\n")
