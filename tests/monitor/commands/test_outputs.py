"""What a command serves while it runs, and that it stops with it."""

from __future__ import annotations

import argparse
import socket
import urllib.request
from pathlib import Path

import pytest

from monitor.commands.outputs import RecordedLink, metrics_served
from monitor.errors import InputError
from monitor.links.named_link import NamedLink
from monitor.links.pipeline import Pipeline
from monitor.sources.source import Chunk
from tests.support.commands import outcome
from tests.support.patience import patience
from tests.support.screen_fakes import FakeSource


def arguments(metrics: str | None, *, listen_any: bool = False) -> argparse.Namespace:
    return argparse.Namespace(metrics=metrics, listen_any=listen_any)


def test_metrics_are_served_while_the_command_runs(capfd: pytest.CaptureFixture[str]) -> None:
    pipeline = Pipeline(FakeSource())
    with metrics_served(arguments("127.0.0.1:0"), lambda: [NamedLink("RE-1", pipeline.snapshot())]):
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


def test_a_recording_is_decoded_for_its_metrics_alone(
    capfd: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same octets are recorded with and without; a decoder that fails ends no recording."""
    told: list[NamedLink] = []
    real = RecordedLink.receive

    def receive(link: RecordedLink, chunk: Chunk) -> None:
        real(link, chunk)
        told.append(link.link())

    def fails(pipeline: Pipeline, chunk: Chunk | None) -> None:
        raise RuntimeError("decoder")

    monkeypatch.setattr(RecordedLink, "receive", receive)
    words = ("emulated", "--limit", "120hf", "--pace", "0")
    for name, more in (("a", ()), ("b", ("--metrics", "127.0.0.1:0")), ("c", ("--metrics", "127.0.0.1:0"))):
        if name == "c":
            monkeypatch.setattr(Pipeline, "take", fails)
        status, _, err = outcome(capfd, "record", words[0], tmp_path / f"{name}.bits", *words[1:], *more)
        assert status == 0 and ("metrics at" in err) == bool(more)
    assert len({(tmp_path / f"{name}.bits").read_bytes() for name in "abc"}) == 1
    assert max(link.snapshot.hyperframes for link in told) > 100
    assert told[-1].failure == "decoder" and told[0].state.value == "up"


def test_an_address_in_use_makes_no_recording(capfd: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        address = f"127.0.0.1:{taken.getsockname()[1]}"
        status, _, err = outcome(capfd, "record", "emulated", tmp_path / "a.bits", "--metrics", address)
    assert (status, err) == (2, f"framefray: {address}: Address already in use\n")
    assert not list(tmp_path.iterdir())
