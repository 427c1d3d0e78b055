"""`framefray inject`: inject faults into a link, and compare expected and observed counters."""

from __future__ import annotations

import argparse

from ..campaign.campaign import Baselines
from ..campaign.cases import Case
from ..campaign.chain_trial import chain_trial
from ..campaign.conditions import MOST_HYPERFRAMES, Conditions, LinkConditions
from ..campaign.live_bench import LiveBench
from ..campaign.receivers import OWN_DECODER
from ..errors import InputError
from ..faults.catalogue import parse_fault
from ..faults.verdict import Verdict
from ..opening import SourceRequest, open_chain, open_link
from ..process.streams import print_json, print_lines, tell
from ..reports.campaign_records import case_record
from ..reports.chain_text import chain_trial_lines, chain_trial_record
from ..reports.inject_text import inject_lines
from ..sources.names import CHAIN, is_chain
from ..text import counted
from .campaign import EXIT_FAIL, EXIT_PASS, link_request

CHAIN_LOAD = 0.5
"""Share of the C&M channels that is used on the chain: frames have room to be sent anew at every RE."""


def run(arguments: argparse.Namespace) -> int:
    request = link_request(arguments)
    if is_chain(request.source):
        return _run_chain(arguments)
    with open_link(request) as (conditions, bench):
        texts = [_checked(text, conditions, live=bench is not None) for text in arguments.fault]
        if bench is None:
            assert isinstance(conditions, LinkConditions)
            bench = Baselines(conditions, OWN_DECODER)
        else:
            assert isinstance(bench, LiveBench)
            for finding in bench.baseline().findings:
                tell(f"before the fault: {finding.text}")
            for text in texts:
                _tell_place(text, bench.link.hyperframe)
        result = bench.case(Case(tuple(texts)))
    if result.verdict is Verdict.LEFT_OUT:
        raise InputError(result.findings[0].text)
    record = case_record(result, conditions)
    record["repeat_with"] = conditions.command(
        "inject", result.seed, *(w for text in texts for w in ("--fault", text))
    )
    if arguments.json:
        record = {"schema": "framefray.inject/1", "link": conditions.words} | record
        print_json(record)
        return EXIT_PASS if result.passed else EXIT_FAIL
    print_lines(inject_lines(result, record))
    return EXIT_PASS if result.passed else EXIT_FAIL


def _run_chain(arguments: argparse.Namespace) -> int:
    """Faults on segments of the emulated chain, judged at every point; the exit status."""
    request = link_request(arguments)
    if request.has_two_ends or request.source != CHAIN:
        raise InputError(
            f"{request.source}: faults on the chain are judged at all its points", hint=f"name {CHAIN} alone"
        )
    chain = SourceRequest(
        source=CHAIN,
        option=request.option,
        pointer=request.pointer,
        hdlc_rate=request.hdlc_rate,
        seed=request.seed,
        load=CHAIN_LOAD,
    )
    trial = chain_trial(lambda: open_chain(chain), arguments.fault, request.hyperframes)
    if arguments.json:
        link = {"source": CHAIN, "option": request.option or "2", "seed": request.seed}
        print_json({"schema": "framefray.inject/1", "link": link} | chain_trial_record(trial))
    else:
        print_lines(chain_trial_lines(trial))
    return EXIT_PASS if trial.passed else EXIT_FAIL


def _tell_place(text: str, now: int) -> None:
    """Say how long a fault waits on a running board; InputError for a hyperframe that has passed."""
    hyperframe = parse_fault(text).hyperframe
    if hyperframe is None:
        return
    if hyperframe <= now:
        raise InputError(
            f"fault {text}: hyperframe {hyperframe} has passed; the board is at hyperframe {now}, "
            "counted from the first one received",
            hint="leave @ out, or give a later hyperframe",
        )
    tell(
        f"{text}: waiting for {counted(hyperframe - now, 'hyperframe')}; they are counted from the first one received"
    )


def _checked(text: str, conditions: Conditions, *, live: bool) -> str:
    """The text of a fault; InputError where its hyperframe is not valid."""
    hyperframe = parse_fault(text).hyperframe
    if hyperframe is not None and hyperframe > MOST_HYPERFRAMES:
        raise InputError(f"fault {text}: the highest hyperframe of a link is {MOST_HYPERFRAMES}")
    if live or hyperframe is None:
        return text
    if hyperframe < 4:
        raise InputError(
            f"fault {text}: the receiver is in sync from hyperframe 4 on", hint="give a later hyperframe"
        )
    if conditions.hyperframes is not None and hyperframe >= conditions.length:
        raise InputError(f"fault {text}: the stream ends with hyperframe {conditions.length - 1}")
    return text
