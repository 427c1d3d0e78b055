"""The campaign as a stage: each fault alone, counted under its own heading and no other."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ..campaign.campaign import run_campaign
from ..campaign.cases import Case, choose, every_case
from ..campaign.conditions import LinkConditions
from ..campaign.declared import length_for
from ..campaign.results import CaseResult
from ..campaign.rules import default_cases
from ..campaign.transmission import transmit
from ..errors import InputError
from ..faults.catalogue import parse_fault
from ..formats.ffcap import CaptureHeader, Clock
from ..formats.ffcap_writer import CaptureWriter
from ..reports.campaign_records import campaign_record
from ..text import counted
from .captures import CAPTURE_FOLDER, MOST_FAILURES, KeptCapture, read_kept_capture
from .quiet import passed_or_failed
from .results import AcceptanceOutcome, Check
from .stage import Raw, StageContext
from .stage_settings import CampaignSettings, StageSettings

__all__ = ["NegativeTests"]

_HYPERFRAMES_A_CASE = 130


class NegativeTests:
    """The campaign, its cases as the plan chooses them."""

    claims = "Each injected fault was counted under its own heading, and under no other."

    def hyperframes(self, settings: StageSettings, context: StageContext) -> float:
        assert isinstance(settings, CampaignSettings)
        cases = [case for case in every_case() if not settings.only] or every_case()[:8]
        return float(_HYPERFRAMES_A_CASE * len(cases) * (3 if settings.size == "default" else 1))

    def measure(self, context: StageContext) -> Raw:
        settings = context.stage.settings
        assert isinstance(settings, CampaignSettings)
        with context.rig.campaign() as link:
            own = isinstance(link.conditions, LinkConditions)
            every = default_cases(link.conditions) if settings.size == "default" and own else every_case()
            chosen = choose(every, settings.only, settings.skip)
            if all(case.is_baseline for case in chosen):
                raise InputError("the campaign's only and skip leave no case")

            def on_result(result: CaseResult, done: int, planned: int) -> None:
                context.progress(done / planned)

            campaign = run_campaign(
                link.conditions, chosen, receiver=link.receiver, bench=link.bench, on_result=on_result
            )
            if campaign.trouble is not None:
                raise campaign.trouble
            if campaign.interrupted:
                raise KeyboardInterrupt
            campaign.size = settings.size
            if own:
                assert isinstance(link.conditions, LinkConditions)
                failed = [result.case for result in campaign.results if not result.passed]
                for number, case in enumerate(failed[:MOST_FAILURES], 1):
                    _keep_case(context, link.conditions, case, number)
            return {"campaign": campaign_record(campaign), "link": context.rig.description}

    def judge(self, settings: StageSettings, raw: Raw) -> list[Check]:
        record = raw["campaign"]
        cases = record["cases"]
        failed = [case for case in cases if not case["left_out"] and not _holds(case)]
        done = [case for case in cases if not case["left_out"]]
        skipped = [case for case in cases if case["left_out"]]
        faults = [case for case in done if case["faults"]]
        if not faults:
            return [Check("cases", AcceptanceOutcome.NOT_TESTED, "no fault could be injected")]
        text = f"{len(done) - len(failed)} of {counted(len(done), 'case')} passed"
        if failed:
            worst = failed[0]
            why = worst["findings"][0]["text"] if worst["findings"] else "other counters than declared"
            text += f"; {worst['case']}: {why}"
        complete = record["complete"]
        checks = [
            Check("cases", passed_or_failed(not failed), text, len(failed), 0, "failed"),
            Check(
                "extent", passed_or_failed(complete), f"{len(cases)} of {record['summary']['planned']} cases"
            ),
        ]
        if skipped:
            names = ", ".join(case["case"] for case in skipped[:4])
            text = f"{counted(len(skipped), 'case')} skipped ({names}{', …' if len(skipped) > 4 else ''})"
            checks.append(Check("skipped cases", AcceptanceOutcome.NOT_TESTED, text, essential=False))
        checks += [
            Check("not proven", AcceptanceOutcome.NOT_TESTED, text, essential=False)
            for text in record["not_proven"]
        ]
        board = record["link"].get("board")
        if board is not None and board != raw.get("link", board):
            text = f"faults were injected on one segment alone: {board}"
            checks.append(Check("rest of the site", AcceptanceOutcome.NOT_TESTED, text, essential=False))
        if record["receiver"]["own"] and isinstance(record["link"].get("seed"), int):
            text = "the receiver is this program's own decoder: the link is shown, no receiver of yours"
            checks.append(Check("receiver under test", AcceptanceOutcome.NOT_TESTED, text, essential=False))
        return checks


def _holds(case: Mapping[str, Any]) -> bool:
    """Whether a case is as declared, from its counters and findings, not from its verdict."""
    if case["findings"]:
        return False
    moved = case["moved"]
    return all(
        _within(sum(moved.get(name, 0) for name in group.split(" + ")), bounds)
        for group, bounds in case["expected"].items()
    )


def _within(change: int, bounds: str) -> bool:
    """Whether a change is as `+2`, `+1..+4` or `+1 or more` says."""
    if bounds.endswith(" or more"):
        return change >= int(bounds.removesuffix(" or more"))
    low, _, high = bounds.partition("..")
    return int(low) <= change <= int(high or low)


def _keep_case(context: StageContext, conditions: LinkConditions, case: Case, number: int) -> None:
    """What a case that failed had sent, as a capture."""
    if context.folder is None:
        return
    usual = case.conditions(conditions)
    faults = [parse_fault(text) for text in case.faults]
    faults = [fault if fault.hyperframe is not None else _placed(fault, usual) for fault in faults]
    sent = transmit(usual, faults, length_for(faults, usual))
    name = f"{CAPTURE_FOLDER}/{context.stem}-{number}.ffcap"
    path = context.folder / name
    path.parent.mkdir(exist_ok=True)
    path.unlink(missing_ok=True)
    header = CaptureHeader(option=usual.option, form=sent.form.value, clock=Clock.LINE)
    with CaptureWriter(path, header) as writer:
        for chunk in sent.chunks:
            writer.append(header.record_type, chunk, 0)
    _keep(context, path, name, case)


def _keep(context: StageContext, path: Path, name: str, case: Case) -> None:
    read = read_kept_capture(path)
    why = f"case {case.name} as sent; this program's decoder counts it as shown"
    context.kept.append(KeptCapture(name, context.rig.description, why, False, **read))


def _placed(fault: Any, conditions: LinkConditions) -> Any:
    from dataclasses import replace

    return replace(fault, hyperframe=conditions.fault_hyperframe)
