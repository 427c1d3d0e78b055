"""`framefray campaign`: the negative-test campaign, with its reports."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any

from ..campaign.campaign import run_campaign
from ..campaign.cases import Case, case_of, choose, every_case
from ..campaign.conditions import Conditions, LinkConditions
from ..campaign.receivers import OWN_DECODER, ReceiverUnderTest, receiver_named
from ..campaign.results import Campaign, CaseResult
from ..campaign.rules import default_cases, rules_of
from ..campaign.thorough import add_random_cases, pairwise_cases
from ..errors import InputError
from ..opening import LinkRequest, open_link
from ..process.output_file import check_report, clear_report, write_report
from ..process.streams import print_json, print_lines, tell
from ..reports.campaign_records import campaign_record, run_record
from ..reports.campaign_text import campaign_lines, summary_line
from ..sources.names import is_emulated

EXIT_PASS, EXIT_FAIL, EXIT_INTERRUPTED = 0, 1, 130


def run(arguments: argparse.Namespace) -> int:
    if arguments.list:
        usual = LinkConditions(
            option=arguments.option or "2", fec=arguments.fec == "on", scrambling=arguments.scrambling
        )
        for case in choose(_cases(arguments, usual), arguments.only, arguments.skip):
            print_lines([case.name])
        return EXIT_PASS
    receiver = _receiver(arguments)
    targets = [(arguments.junit, _junit), (arguments.html, _html)]
    for path, _ in targets:
        if path:  # that it can be written is known before the campaign, not after it
            check_report(path, force=arguments.force)
    request = link_request(arguments)
    on_boards = request.has_two_ends or not is_emulated(request.source)
    if on_boards and (arguments.thorough or receiver is not OWN_DECODER):
        raise InputError("--thorough and another receiver are for emulated links, not for boards")
    with open_link(request) as (conditions, bench):
        chosen = choose(_cases(arguments, conditions), arguments.only, arguments.skip)
        if all(case.is_baseline for case in chosen):
            raise InputError(
                "--only and --skip leave no case", hint="framefray campaign emulated --list shows their names"
            )
        for path, _ in targets:
            if path:
                clear_report(path, force=arguments.force)
        started, clock = datetime.now(UTC).isoformat(timespec="seconds"), time.monotonic()
        with _progress(len(chosen)) as on_result:
            campaign = run_campaign(
                conditions,
                chosen,
                repeat=arguments.repeat,
                fail_fast=arguments.fail_fast,
                receiver=receiver,
                bench=bench,
                known_answers=not arguments.case,
                on_result=on_result,
            )
            campaign.size = _size(arguments, conditions)
            campaign.rules = rules_of(conditions)
            if arguments.thorough and not campaign.interrupted and not _stops(campaign, arguments):
                add_random_cases(campaign, receiver, seconds=arguments.time, on_result=on_result)
    run_of = None if arguments.reproducible else run_record(started, time.monotonic() - clock)
    return report(
        campaign,
        run_of,
        json=arguments.json,
        targets=targets,
        choice=_choice(arguments),
        force=arguments.force,
    )


def _stops(campaign: Campaign, arguments: argparse.Namespace) -> bool:
    """Whether it was to end at the first failure, and has."""
    return arguments.fail_fast and not campaign.passed


def link_request(arguments: argparse.Namespace) -> LinkRequest:
    """The link that the arguments name; two boards of a site file as if they were named one by one."""
    from ..site.segment_ends import words_of_ends

    at = arguments.inject_at[0] if len(arguments.inject_at) == 1 else None
    words = words_of_ends(arguments.source, at, arguments.observe_at) if at else arguments.source
    return LinkRequest.of(arguments, source=words[0], sources=tuple(words))


def _size(arguments: argparse.Namespace, conditions: Conditions) -> str:
    if arguments.thorough:
        return "thorough"
    whole = isinstance(conditions, LinkConditions) or arguments.every_rule
    return "quick" if arguments.quick or not whole else "default"


def _cases(arguments: argparse.Namespace, conditions: Conditions) -> list[Case]:
    """The cases of the size asked for. A board, which takes its time, gets the quick one if not asked for more."""
    if arguments.case:
        return [Case(()), *(case_of(text) for text in arguments.case)]
    if _size(arguments, conditions) == "quick":
        return every_case()
    cases = default_cases(conditions)
    if arguments.thorough and isinstance(conditions, LinkConditions):
        cases += pairwise_cases(conditions)
    return cases


def _receiver(arguments: argparse.Namespace) -> ReceiverUnderTest:
    if arguments.receiver and arguments.receiver_command:
        raise InputError("--receiver and --receiver-command: choose one")
    if arguments.receiver_command:
        from ..campaign.receiver_process import receiver_command

        return receiver_command(arguments.receiver_command)
    return receiver_named(arguments.receiver) if arguments.receiver else OWN_DECODER


def report(
    campaign: Campaign,
    run_of: dict[str, Any] | None,
    *,
    json: bool,
    targets: Sequence[tuple[str | None, Callable[[dict[str, Any]], bytes]]],
    choice: Sequence[str] = (),
    force: bool = False,
) -> int:
    """Write every report asked for; the exit status. InputError after that where the link went away."""
    record = campaign_record(campaign, run_of, choice)
    for path, make in targets:
        if path:
            write_report(path, make(record), force=force)
    if json:
        print_json(record)
    else:
        print_lines(campaign_lines(record))
    if campaign.interrupted:
        sys.stdout.flush()
        word = "interrupted" if campaign.trouble is None else "ended early"
        tell(f"{word}; {summary_line(record)}")
        if campaign.trouble is not None:
            raise campaign.trouble
        return EXIT_INTERRUPTED
    if campaign.passed and not campaign.proves:
        raise InputError(
            "no fault could be injected, so nothing was tested",
            hint="the report gives the reason for each case",
        )
    return EXIT_PASS if campaign.passed else EXIT_FAIL


def _junit(record: dict[str, Any]) -> bytes:
    from ..reports.campaign_junit import junit_document

    return junit_document(record)


def _html(record: dict[str, Any]) -> bytes:
    from ..reports.campaign_html import html_document

    return html_document(record).encode()


def _choice(arguments: argparse.Namespace) -> list[str]:
    """The words that say which cases are run, how often, and how far."""
    sizes = ("quick", "thorough", "every_rule")
    words = ["--" + size.replace("_", "-") for size in sizes if getattr(arguments, size)]
    if arguments.thorough:
        words += ["--time", str(arguments.time)]
    for name, value in (
        ("--receiver", arguments.receiver),
        ("--receiver-command", arguments.receiver_command),
    ):
        words += [name, value] if value else []
    words += [word for text in arguments.case for word in ("--case", text)]
    words += [word for pattern in arguments.only for word in ("--only", pattern)]
    words += [word for pattern in arguments.skip for word in ("--skip", pattern)]
    if arguments.repeat != 1:
        words += ["--repeat", str(arguments.repeat)]
    return words + ["--fail-fast"] * arguments.fail_fast


@contextmanager
def _progress(cases: int) -> Iterator[Callable[[CaseResult, int, int], object]]:
    """A bar on standard error where that is a terminal; nothing elsewhere."""
    if not sys.stderr.isatty() or cases < 3:
        yield lambda result, done, planned: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    columns = (BarColumn(), MofNCompleteColumn(), TextColumn("{task.description}", markup=False))
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("baseline", total=None)
        yield lambda result, done, planned: bar.update(
            task, total=planned, completed=done, description=result.case.name
        )
