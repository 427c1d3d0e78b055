"""A run into a folder: what a kill leaves, what --resume does, and a link that goes away."""

from __future__ import annotations

import json
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from monitor.acceptance.checking import check_evidence
from monitor.acceptance.evidence import Evidence
from monitor.acceptance.folder import EvidenceFolder
from monitor.acceptance.opening_rigs import open_rig
from monitor.acceptance.plan import AcceptancePlan
from monitor.acceptance.results import AcceptanceOutcome
from monitor.acceptance.rig_emulated import EmulatedRig
from monitor.acceptance.run import AcceptanceRun, RunNews, begin_evidence, resume_evidence
from monitor.errors import InputError
from tests.support.acceptance import short_plan

ROOT = Path(__file__).parents[3]
THREE = ("vendor", "quiet", "delay")


def finished(plan: AcceptancePlan, path: Path) -> list[tuple[str, str]]:
    result = AcceptanceRun(plan, open_rig(plan), resume_evidence(path, plan)).run()
    return [(stage.title, stage.outcome.value) for stage in result.stages]


def test_a_stage_that_is_done_is_not_done_again(tmp_path: Path) -> None:
    plan = short_plan(*THREE)
    path = tmp_path / "evidence"
    folder = begin_evidence(path, plan)
    begun: list[str] = []

    def stop(news: RunNews) -> None:
        if news.event == "stage":
            begun.append(news.stage.kind)
            if news.stage.kind == "quiet":
                raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        AcceptanceRun(plan, open_rig(plan), folder, on_news=stop).run()
    assert not folder.complete
    report = json.loads((path / "report.json").read_text())
    assert report["verdict"] == "incomplete" and report["not_done"] == ["2 quiet", "3 delay"]
    assert "INCOMPLETE" in check_evidence(path).problems[0]
    rest: list[str] = []
    run = AcceptanceRun(
        plan,
        open_rig(plan),
        resume_evidence(path, plan),
        on_news=lambda news: rest.append(news.stage.kind) if news.event == "stage" else None,
    )
    result = run.run()
    assert rest == ["quiet", "delay"] and result.outcome is AcceptanceOutcome.PASS
    assert [stage.attempts for stage in result.stages] == [1, 2, 1]  # an attempt that was stopped is told
    assert check_evidence(path).passed
    assert json.loads((path / "report.json").read_text())["resumed"] == 1


def test_a_failed_stage_stays_failed_through_resume(tmp_path: Path) -> None:
    plan = short_plan("delay", "vendor", emulated='compensation = "missing"')
    folder = begin_evidence(tmp_path / "evidence", plan)

    def stop(news: RunNews) -> None:
        if news.event == "stage" and news.stage.kind == "vendor":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        AcceptanceRun(plan, open_rig(plan), folder, on_news=stop).run()
    assert finished(plan, folder.path) == [("1 delay", "fail"), ("2 vendor", "pass")]


def test_another_plan_does_not_go_on_with_a_folder(tmp_path: Path) -> None:
    begin_evidence(tmp_path / "evidence", short_plan("vendor"))
    with pytest.raises(InputError, match="holds a run of another plan"):
        resume_evidence(tmp_path / "evidence", short_plan("quiet"))


class Leaving(EmulatedRig):
    """A link that goes away in the first stage, for three looks."""

    def __init__(self, plan: AcceptancePlan, gone: int) -> None:
        super().__init__(plan)
        self.gone = gone
        self.fail = True

    def check_present(self) -> None:
        if self.gone:
            self.gone -= 1
            raise InputError("socket://127.0.0.1:1: line down")

    def watch(self, *, option=None):  # type: ignore[no-untyped-def]
        if self.fail and self._rate is not None:
            self.fail = False
            raise InputError("the source has gone away")
        return super().watch(option=option)


def test_a_link_that_goes_away_pauses_the_run(tmp_path: Path) -> None:
    plan = short_plan("quiet")
    rig = Leaving(plan, 3)
    news: list[str] = []
    slept: list[float] = []
    run = AcceptanceRun(
        plan,
        rig,
        begin_evidence(tmp_path / "e", plan),
        on_news=lambda n: news.append(n.event),
        sleep=slept.append,
    )
    result = run.run()
    assert result.passed and result.stages[0].attempts == 2
    assert news.count("waiting") == 3 and len(slept) == 3


def test_a_link_that_stays_away_ends_the_run_incomplete(tmp_path: Path) -> None:
    plan = short_plan("quiet", more="wait_s = 0")
    folder = begin_evidence(tmp_path / "e", plan)
    with pytest.raises(InputError, match="waited 0 s for it"):
        AcceptanceRun(plan, Leaving(plan, 1), folder).run()
    assert not folder.complete
    assert Evidence.read(folder).result().outcome is AcceptanceOutcome.INCOMPLETE


def test_only_chosen_stages_are_no_pass_of_the_plan(tmp_path: Path) -> None:
    plan = short_plan(*THREE)
    folder = begin_evidence(tmp_path / "e", plan, [3])
    result = AcceptanceRun(plan, open_rig(plan), folder, chosen=[3]).run()
    assert [stage.title for stage in result.stages] == ["3 delay"] and result.stages[0].passed
    assert result.outcome is AcceptanceOutcome.INCOMPLETE and folder.complete
    assert check_evidence(folder.path).passed


def test_resume_goes_on_with_the_stages_that_were_chosen(tmp_path: Path) -> None:
    """Also where the run was killed before it noted its beginning; and with no others, which were not allowed."""
    plan = short_plan(*THREE)
    begin_evidence(tmp_path / "e", plan, [1])
    with pytest.raises(InputError, match=r"was begun with other stages \(1\)"):
        resume_evidence(tmp_path / "e", plan, [3])
    assert finished(plan, tmp_path / "e") == [("1 vendor", "pass")]


def test_resume_on_another_board_is_refused(tmp_path: Path) -> None:
    plan = short_plan("vendor")
    folder = begin_evidence(tmp_path / "e", plan)
    folder.note(event="begin", time="2026-01-01", stages=[], link={"board": "RE-2", "resets before": "7"})
    with pytest.raises(InputError, match="board: the run was begun with RE-2, now there is None"):
        finished(plan, folder.path)
    assert not folder.complete


class Failing(EmulatedRig):
    """A link whose every watch ends in the middle, after something was kept."""

    def watch(self, *, option=None):  # type: ignore[no-untyped-def]
        if self._rate is not None:
            raise InputError("the source has gone away")
        return super().watch(option=option)


def test_captures_of_an_attempt_that_was_not_finished_do_not_stay(tmp_path: Path) -> None:
    plan = short_plan("quiet")
    folder = begin_evidence(tmp_path / "e", plan)

    def keep(news: RunNews) -> None:
        if news.event == "stage":
            folder.write("captures/01-quiet-3.ffcap", b"of this attempt")

    result = AcceptanceRun(plan, Failing(plan), folder, on_news=keep).run()
    assert result.outcome is AcceptanceOutcome.INCOMPLETE and result.stages[0].attempts == 3
    assert check_evidence(folder.path).passed


def killed_and_resumed(path: Path, plan: Path, after_s: float) -> bool:
    """Kill a run so long after its beginning; the folder must open. Whether it was killed before its end."""
    process = subprocess.Popen(
        [sys.executable, "-m", "monitor", "accept", str(plan), "--out", str(path)],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    until = time.monotonic() + 60
    while not path.is_dir() and process.poll() is None and time.monotonic() < until:
        time.sleep(0.002)
    time.sleep(after_s)
    process.send_signal(signal.SIGKILL)
    process.wait()
    checked = check_evidence(path)
    killed = not EvidenceFolder.existing(path).complete
    assert killed == ("INCOMPLETE" in " ".join(checked.problems)) and checked.passed != killed
    return killed


def kill_at_random_moments(tmp_path: Path, count: int, seed: int) -> None:
    # The quiet run fails, so that there is a failure with its captures to go on with, too.
    plan = short_plan("vendor", "quiet", emulated='faults = ["line.flip@150"]')
    file = tmp_path / "plan.toml"
    file.write_text(plan.text)
    undisturbed = begin_evidence(tmp_path / "undisturbed", plan)
    begun = time.monotonic()
    AcceptanceRun(plan, open_rig(plan), undisturbed).run()
    took_s = time.monotonic() - begun
    wanted = finished(plan, undisturbed.path)
    moments = random.Random(seed)
    early = 0
    for number in range(count):
        path = tmp_path / f"run-{number}"
        early += killed_and_resumed(path, file, moments.random() * took_s)
        assert finished(plan, path) == wanted
        checked = check_evidence(path)
        assert checked.passed, checked.problems
    assert early, "no run was killed before its end"


def test_a_run_killed_at_random_moments_ends_with_the_same_verdicts(tmp_path: Path) -> None:
    kill_at_random_moments(tmp_path, 3, 5)


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_a_run_killed_at_fifty_random_moments(tmp_path: Path) -> None:
    kill_at_random_moments(tmp_path, 50, 6)
