"""The delay through another board: constant through resets at either end, and wrong compensation named by its end."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from decoders.link.hyperframe_sync import SyncState
from decoders.link_delay.delay import Compensation
from monitor.campaign import two_ended_delay as ended
from monitor.campaign.two_ended_delay import TwoEndedDelay
from monitor.delay.run import DelayRun
from monitor.delay.samples import DelayStatus
from monitor.emulation.board import RecordBoard
from monitor.emulation.board_state import TURNAROUND_CLOCKS
from monitor.errors import InputError, RefusedError
from monitor.protocol.records import Loopback, RecordType, Status, StatusFlag
from monitor.reports.delay_records import delay_record
from monitor.reports.delay_text import delay_lines
from tests.support.pairs import PumpedPair, pair_setups

CLOCK_UI = 10
"""One character (CPRI V7.0 clause 4.2.9: the event at each point is the start of the sync byte)."""


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ended, "POLL_S", 0.0)
    monkeypatch.setattr(ended, "SHOWN_S", 0.05)


# ---- boards that are arithmetic alone ------------------------------------------------------------------------


class Model:
    """T12 + T34 in UI, Toffset in clocks, and where each receiver's word boundary lies."""

    def __init__(self, *, path_ui: int = 2714, realigns: bool = False) -> None:
        self.random = np.random.default_rng(5)
        self.path_ui = path_ui
        self.realigns = realigns
        self.near = Counting(self, "REC-A")
        self.far = Counting(self, "RE-1")

    @property
    def t14_clocks(self) -> int:
        """What REC-A counts: RE-1 answers as early as it receives, and REC-A receives early."""
        far = 0 if self.realigns else self.far.offset
        return round((self.path_ui + CLOCK_UI * TURNAROUND_CLOCKS - far - self.near.offset) / CLOCK_UI)


class Counting:
    """A board whose status follows from the model; each end's reset is a loss of sync at the other."""

    option = "2"

    def __init__(self, model: Model, name: str) -> None:
        self.model, self.name, self.description = model, name, f"line ({name})"
        self.offset = 0
        self.shown = lambda offset: offset
        self.resets = self.losses = 0

    def ask_status(self) -> Status:
        count = self.model.t14_clocks if self is self.model.near else TURNAROUND_CLOCKS
        return replace(
            STATUS, alignment_bits=self.shown(self.offset), delay_clocks=count, clock_period_ps=8138,
            resets=self.resets, lof_events=self.losses, name=self.name,
        )  # fmt: skip

    def reset_transceiver(self) -> None:
        self.offset = int(self.model.random.integers(0, CLOCK_UI))
        self.resets += 1
        (self.model.far if self is self.model.near else self.model.near).losses += 1

    def command(self, message: object) -> None: ...
    def close(self) -> None: ...


STATUS = Status(
    option="2", data_type=0, sync_state=SyncState.HFNSYNC, loopback=Loopback.PAIR, flags=StatusFlag(0),
    alignment_bits=0, delay_clocks=0, clock_period_ps=8138, hyperframes=0, code_violations=0, disparity_errors=0,
    los_events=0, lof_events=0, resets=0, data_lost=0, bad_records=0, name="",
)  # fmt: skip


def delay_of(near: Any, far: Any, **settings: Any) -> TwoEndedDelay:
    return TwoEndedDelay(("REC-A", near), ("RE-1", far), settle_s=1.0, **settings)


def measured(model: Model, resets: int, **settings: Any) -> DelayStatus:
    run = DelayRun(delay_of(model.near, model.far, **settings), resets)
    while not run.done:
        run.step()
    return run.status()


def test_the_delay_is_t14_less_toffset_with_both_offsets_put_right() -> None:
    status = measured(Model(), 40)
    assert (status.verdict, status.names) == ("pass", ("REC-A", "RE-1"))
    assert status.diagnosis is not None
    assert (status.diagnosis.near, status.diagnosis.far) == (Compensation.CORRECT, Compensation.CORRECT)
    assert all(abs(s.compensated_clocks * CLOCK_UI - 2714) <= CLOCK_UI / 2 for s in status.samples)
    assert {s.toffset_clocks for s in status.samples} == {TURNAROUND_CLOCKS}
    assert [c.never_seen for c in status.coverage] == [(), ()]
    sample = delay_record(status)["samples"][0]
    assert sample["toffset_known_by"] == "counted" and sample["toffset_ns"] == pytest.approx(3385.408)
    assert (sample["far_resets_before"], sample["far_resets_after"]) == (0, 1)
    assert "  T14 counted by REC-A, Toffset 3385.408 ns counted by RE-1" in delay_lines(status)


@pytest.mark.parametrize("reset_at", ["REC-A", "RE-1"])
def test_one_end_alone_is_reset(reset_at: str) -> None:
    status = measured(Model(), 24, reset_at=[reset_at], toffset_ns=3385.4)
    assert status.verdict == "pass"
    offsets = {s.alignment_offset for s in status.samples}, {s.far_alignment_offset for s in status.samples}
    assert [len(seen) > 1 for seen in offsets] == [reset_at == "REC-A", reset_at == "RE-1"]
    assert status.samples[0].toffset_resolution_ui == 0.0
    assert "  T14 counted by REC-A, Toffset 3385.400 ns as given" in delay_lines(status)


def test_the_uncertainty_has_both_counts() -> None:
    counted, given = (measured(Model(), 12, toffset_ns=t).mean for t in (None, 3385.408))
    assert counted is not None and given is not None
    # JCGM 100 clause 4.3.7: a rectangular half-width a has the variance a^2 / 3. The readings are the same.
    assert counted.u_ns**2 - given.u_ns**2 == pytest.approx((8.138 / 2) ** 2 / 3, rel=1e-3)


@pytest.mark.parametrize("path_ui", range(2710, 2720, 3))
def test_a_far_end_that_compensates_by_itself_is_found_and_named(path_ui: int) -> None:
    status = measured(Model(path_ui=path_ui, realigns=True), 40)
    assert status.verdict == "fail"
    assert status.diagnosis is not None and status.diagnosis.far is Compensation.TWICE
    (wrong,) = [f for f in status.findings if f.kind.startswith("compensation")]
    assert wrong.where == "RE-1" and wrong.text.startswith("RE-1: the alignment offset is compensated twice")


@pytest.mark.parametrize(("end", "name"), [("near", "REC-A"), ("far", "RE-1")])
@pytest.mark.parametrize(
    "shown",
    [lambda k: 0, lambda k: 9 - k, lambda k: (k + 1) % 10],
    ids=["stuck", "counted down", "off by one"],
)
def test_a_wrong_register_is_found_and_its_end_named(end: str, name: str, shown: Any) -> None:
    model = Model()
    getattr(model, end).shown = shown
    status = measured(model, 40)
    assert status.verdict == "fail"
    assert {(f.kind, f.where) for f in status.findings} == {("register-disagrees", name)}


def test_a_step_of_the_line_is_told_from_the_boards() -> None:
    model = Model()
    run = DelayRun(delay_of(model.near, model.far), 40)
    while not run.done:
        if len(run.samples) == 20:
            model.path_ui = 2744
        run.step()
    (step,) = [f for f in run.status().findings if f.kind == "delay-step"]
    assert step.text.startswith("delay step of +3.1") and "after reset 20" in step.text


# ---- emulated boards ------------------------------------------------------------------------------------------


class GoingPair(PumpedPair):
    """Time passes with every command; line data are off, so that nothing but resets can prove the boards."""

    def __init__(self, **far: Any) -> None:
        near, other = pair_setups("1")
        super().__init__(RecordBoard(near), RecordBoard(replace(other, **far)), step=6)
        for board in (self.a, self.b):
            board.records.data_type = 0
        for end in (self.near, self.far):
            self._goes_on(end.line)

    def _goes_on(self, line: Any) -> None:
        write = line.write

        def written(data: bytes) -> None:
            write(data)
            self.pump()

        line.write = written


@pytest.mark.parametrize("realigns", [False, True])
def test_an_emulated_pair_counts_as_the_model(realigns: bool) -> None:
    pair = GoingPair(realigns=realigns)
    delay = delay_of(pair.near, pair.far)
    model = Model(path_ui=240 + 2 * pair.a.setup.delay_bits, realigns=realigns)
    for number in range(3):
        delay.reset()
        sample = delay.measure()
        model.near.offset, model.far.offset = sample.alignment_offset, sample.far_alignment_offset or 0
        assert (sample.raw_clocks, sample.toffset_clocks) == (model.t14_clocks, TURNAROUND_CLOCKS)
        assert (sample.resets_after, sample.far_resets) == (number + 1, (number, number + 1))


# ---- what cannot be -----------------------------------------------------------------------------------------


def test_a_reset_that_does_not_show_at_the_other_end_is_no_measurement() -> None:
    pair = GoingPair()
    delay = delay_of(pair.near, pair.far)
    delay.reset()
    pair.a.to_link = lambda: b""  # type: ignore[method-assign]
    with pytest.raises(
        InputError, match="REC-A was reset, and RE-1 has counted no LOS and no LOF; check that"
    ):
        delay.reset()


def test_an_end_that_does_not_come_back_is_named() -> None:
    pair = GoingPair()
    delay = delay_of(pair.near, pair.far)
    delay._settle_s = 0.05
    pair.b.reader.feed = lambda data: iter(())  # type: ignore[method-assign, assignment]
    with pytest.raises(InputError, match=r"RE-1: .* no answer"):
        delay.reset()


@pytest.mark.parametrize(
    ("which", "text"),
    [
        ("a", "REC-A: the board counts no delay through RE-1"),
        ("b", "RE-1: the board counts no Toffset; give it"),
    ],
)
def test_a_board_that_does_not_count_is_said(which: str, text: str) -> None:
    pair = GoingPair()
    delay = delay_of(pair.near, pair.far)
    delay.reset()
    getattr(pair, which)._delay_clocks = lambda: 0
    with pytest.raises(InputError, match=text):
        delay.measure()


def test_a_reset_that_the_far_board_does_not_count_fails_the_run() -> None:
    pair = GoingPair()
    delay = delay_of(pair.near, pair.far)
    delay.reset()
    before, after = delay._resets["RE-1"]
    assert after == before + 1
    delay._resets["RE-1"] = (before, before)
    sample = delay.measure()
    assert not sample.reset_counted
    run = DelayRun(delay, 2)
    run._samples.append(sample)
    (finding,) = [f for f in run.status().findings if f.kind == "reset-not-counted"]
    assert (
        finding.where == "RE-1"
        and "RE-1's count of resets does not show it (0 before and after)" in finding.text
    )


def test_markers_prove_the_boards_that_send_line_data() -> None:
    pair = PumpedPair(*(RecordBoard(s) for s in pair_setups("1")))
    delay = delay_of(pair.near, pair.far)
    assert delay._proven
    assert [board.records.data_type for board in (pair.a, pair.b)] == [0, 0]
    delay.close()
    assert [board.records.data_type for board in (pair.a, pair.b)] == [RecordType.FLAGGED] * 2


@pytest.mark.slow
def test_markers_show_that_the_cable_is_crossed() -> None:
    crossed = PumpedPair(*(RecordBoard(s) for s in pair_setups("1")), crossed=True)
    with pytest.raises(InputError, match="RE-1 does not receive what REC-A sends"):
        delay_of(crossed.near, crossed.far)


def test_a_board_that_takes_no_marker_is_proven_by_its_resets() -> None:
    pair = PumpedPair(*(RecordBoard(s) for s in pair_setups("1")))

    def refuse(text: str) -> Iterator[None]:
        raise RefusedError("unknown command")

    pair.near.inject = refuse  # type: ignore[method-assign, assignment]
    assert not delay_of(pair.near, pair.far)._proven
