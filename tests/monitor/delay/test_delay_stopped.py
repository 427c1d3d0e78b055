"""A board that stops answering, or an interrupt, between resets: what was measured is reported, then one line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from monitor.cli.main import main
from monitor.delay.run import DelayRun
from monitor.errors import InputError


def stop(monkeypatch: pytest.MonkeyPatch, trouble: BaseException, after: int = 5) -> None:
    """Let every run of resets end so."""
    step = DelayRun.step

    def failing(self: DelayRun) -> object:
        if len(self.samples) == after:
            raise trouble
        return step(self)

    monkeypatch.setattr(DelayRun, "step", failing)


@pytest.mark.parametrize(
    ("trouble", "status", "word"),
    [
        (InputError("no answer to ResetTransceiver"), 2, "no answer"),
        (KeyboardInterrupt(), 130, "interrupted"),
    ],
)
def test_partial_results_are_kept(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    trouble: BaseException,
    status: int,
    word: str,
) -> None:
    stop(monkeypatch, trouble)
    assert main(["delay", "emulated", "--resets", "20", "--json"]) == status
    out, err = capsys.readouterr()
    record = json.loads(out)
    assert len(record["samples"]) == record["resets"] == 5
    assert (record["verdict"], record["planned"], record["complete"]) == ("incomplete", 20, False)
    assert "stopped after" in err and word in err and "Traceback" not in err


@pytest.mark.parametrize(
    ("words", "verdict"),
    [((), "incomplete"), (("--compensation", "off-by-one"), "fail")],
    ids=["well", "wrong"],
)
def test_a_stopped_run_looks_like_no_pass(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    words: tuple[str, ...],
    verdict: str,
) -> None:
    stop(monkeypatch, KeyboardInterrupt(), 40)
    page = tmp_path / "delay.html"
    assert main(["delay", "emulated", "--resets", "50", "--html", str(page), *words]) == 130
    out = capsys.readouterr().out
    assert out.splitlines()[-1].startswith(f"verdict: {verdict}: 40 of 50 resets; ")
    assert "40 of 50 transceiver resets" in out and "verdict: pass" not in out
    text = page.read_text(encoding="utf-8")
    assert f"<strong>{verdict}</strong>: 40 of 50 resets; " in text and "<strong>pass" not in text


def test_a_run_that_measured_nothing_leaves_no_older_page(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    page = tmp_path / "delay.html"
    assert main(["delay", "emulated", "--resets", "3", "--html", str(page)]) == 0
    stop(monkeypatch, KeyboardInterrupt(), 1)
    assert main(["delay", "emulated", "--resets", "3", "--html", str(page)]) == 2  # it is there already
    assert page.stat().st_size
    assert main(["delay", "emulated", "--resets", "3", "--html", str(page), "--force"]) == 130
    assert not page.exists()
