"""A board that stops answering, or an interrupt, between resets: what was measured is reported, then one line."""

from __future__ import annotations

import json

import pytest

from monitor.cli import main
from monitor.delays import DelayRun
from monitor.errors import InputError


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
    step = DelayRun.step

    def failing(self: DelayRun) -> object:
        if len(self.samples) == 5:
            raise trouble
        return step(self)

    monkeypatch.setattr(DelayRun, "step", failing)
    assert main(["delay", "emulated", "--resets", "20", "--json"]) == status
    out, err = capsys.readouterr()
    record = json.loads(out)
    assert len(record["samples"]) == 5
    assert "stopped after" in err and word in err and "Traceback" not in err
