"""`framefray accept`: the stages of an acceptance plan, one after the other, and a folder of evidence."""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

from ..acceptance.api import (
    AcceptanceOutcome,
    AcceptancePlan,
    AcceptanceResult,
    RunNews,
    accept,
    open_plan_file,
    planned_record,
)
from ..acceptance.dry_run import touched
from ..acceptance.folder import manifest_digest
from ..acceptance.opening_rigs import open_rig
from ..acceptance.rig import Rig
from ..errors import InputError
from ..process.asking import permit
from ..process.streams import erase_progress, print_json, print_lines, show_progress, tell
from ..reports.acceptance_text import duration_text, plan_lines, result_lines

__all__ = ["run"]

_EVERY_S = 15.0
"""A line of progress in a pipe, at most so often."""


def run(arguments: argparse.Namespace) -> int:
    plan = open_plan_file(arguments.plan)
    rig = open_rig(plan)
    if arguments.dry_run:
        record = planned_record(plan, rig, arguments.stage)
        if arguments.json:
            print_json(record)
        else:
            print_lines(plan_lines(record))
        return 0
    if arguments.out is None:
        raise InputError("accept needs --out FOLDER", hint="or --dry-run to see what will be done")
    if what := touched(plan, rig, arguments.stage):
        permit(arguments.yes, f"{rig.description}: this makes the board transmit or reset: {'; '.join(what)}")
    result = _accepted(plan, rig, arguments)
    record = _report_of(Path(arguments.out))
    if arguments.json:
        print_json(record)
    else:
        print_lines(result_lines(record, arguments.out))
        print_lines([f"SHA-256 of its manifest.json: {manifest_digest(Path(arguments.out))}"])
    return 0 if result.outcome is AcceptanceOutcome.PASS else 1


def _accepted(plan: AcceptancePlan, rig: Rig, arguments: argparse.Namespace) -> AcceptanceResult:
    news = _News()
    try:
        return accept(
            plan,
            arguments.out,
            rig=rig,
            resume=arguments.resume,
            allow=True,
            stages=arguments.stage,
            on_news=news.hear,
        )
    except KeyboardInterrupt as stopped:
        if not stopped.args and Path(arguments.out).is_dir():
            stopped.args = (f"{arguments.out} is INCOMPLETE; --resume goes on where it stopped",)
        raise
    finally:
        erase_progress()


def _report_of(folder: Path) -> dict[str, object]:
    from ..acceptance.evidence import Evidence, acceptance_record
    from ..acceptance.folder import EvidenceFolder

    return acceptance_record(Evidence.read(EvidenceFolder.existing(folder)))


class _News:
    """Progress: one line that is written over on a terminal, lines now and then in a pipe."""

    def __init__(self) -> None:
        self._terminal = sys.stderr.isatty()
        self._last = 0.0
        self._failed: list[str] = []
        self._waiting = ""

    def hear(self, news: RunNews) -> None:
        now = time.monotonic()
        if news.event == "done" and news.result is not None:
            if news.result.outcome is AcceptanceOutcome.FAIL:
                self._failed.append(news.stage.title)
            erase_progress()
            why = "; ".join(check.text for check in news.result.failed_checks) or news.result.reason
            tell(f"{news.stage.title}: {news.result.outcome.value}" + (f": {why}" if why else ""))
            self._last = now
        elif news.event == "waiting":
            if news.text != self._waiting:
                erase_progress()
                tell(f"{news.stage.title}: waiting: {news.text}")
            self._waiting = news.text
        elif self._terminal:
            if now - self._last >= 0.25:
                show_progress(self._line(news).ljust(78)[:100])
                self._last = now
        elif now - self._last >= _EVERY_S:
            tell(self._line(news))
            self._last = now

    def _line(self, news: RunNews) -> str:
        line = f"{news.stage.title} {100 * news.share:.0f} %, about {duration_text(news.left_s)} left"
        return line + (f"; failed: {', '.join(self._failed)}" if self._failed else "")
