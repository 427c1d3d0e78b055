"""`framefray inject`: put faults into a link, say what moved, and give a verdict."""

from __future__ import annotations

import argparse

from decoders.link.decoder import LinkDecoder

from ..campaign.campaign import Baselines
from ..campaign.cases import Case
from ..campaign.conditions import MOST_HYPERFRAMES, Conditions, LinkConditions
from ..campaign.live_bench import LiveBench
from ..errors import InputError
from ..faults.catalogue import parse_fault
from ..faults.verdict import Verdict
from ..process.streams import print_json, print_lines, tell
from ..reports.campaign_records import case_record
from ..reports.campaign_text import case_lines
from .campaign import EXIT_FAIL, EXIT_PASS, open_link


def run(arguments: argparse.Namespace) -> int:
    arguments.via, arguments.form = "link", None
    with open_link(arguments) as (conditions, bench):
        texts = [_checked(text, conditions, live=bench is not None) for text in arguments.fault]
        if bench is None:
            assert isinstance(conditions, LinkConditions)
            bench = Baselines(conditions, LinkDecoder)
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
    for place in result.placed:
        print(f"put in    {place.text}")
        if place.frame_hyperframe is not None:
            print(f"          its frame ended in hyperframe {place.frame_hyperframe}")
    for name, wish in record["expected"].items():
        print(f"must move {name} {wish}")
    for name, change in result.moved.items():
        print(f"moved     {name} {change:+d}")
    for damage in result.excerpts:
        octets = [f"[{o}]" if i == damage.at else o for i, o in enumerate(damage.octets)]
        word = "seen" if result.seed is None else "sent"
        print(f"as {word}   {damage.what}, from octet {damage.first}:")
        for start in range(0, len(octets), 17):
            print("          " + " ".join(octets[start : start + 17]))
    print_lines(case_lines(record))
    return EXIT_PASS if result.passed else EXIT_FAIL


def _tell_place(text: str, now: int) -> None:
    """From where hyperframes count on a running board; InputError for one that has passed by."""
    hyperframe = parse_fault(text).hyperframe
    if hyperframe is None:
        return
    if hyperframe <= now:
        raise InputError(
            f"fault {text}: hyperframe {hyperframe} is past: they count from the first that came, {now} ago",
            hint="leave @ out, or name a later one",
        )
    tell(f"{text}: hyperframes count from the first that came; {hyperframe - now} to go")


def _checked(text: str, conditions: Conditions, *, live: bool) -> str:
    """The text of a fault; InputError where its hyperframe cannot be."""
    hyperframe = parse_fault(text).hyperframe
    if hyperframe is not None and hyperframe > MOST_HYPERFRAMES:
        raise InputError(f"fault {text}: on a link hyperframes go up to {MOST_HYPERFRAMES}")
    if live or hyperframe is None:
        return text
    if hyperframe < 4:
        raise InputError(
            f"fault {text}: the receiver is in sync from hyperframe 4 on", hint="name a later one"
        )
    if conditions.hyperframes is not None and hyperframe >= conditions.length:
        raise InputError(f"fault {text}: the stream ends with hyperframe {conditions.length - 1}")
    return text
