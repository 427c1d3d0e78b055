"""`framefray inject`: put faults into an emulated link, say what moved, and give a verdict."""

from __future__ import annotations

import argparse
import shlex
import sys

import msgspec.json

from decoders.link import LinkDecoder

from ..errors import InputError
from ..faults.campaign import Baselines, Case, run_case
from ..faults.catalogue import parse_fault
from ..faults.verdict import Verdict
from ..reports.campaign_records import case_record
from ..reports.campaign_text import case_lines
from .prove import EXIT_FAIL, EXIT_PASS, conditions_of


def run(arguments: argparse.Namespace) -> int:
    arguments.via, arguments.form = "link", None
    conditions = conditions_of(arguments)
    texts = []
    for text in arguments.fault:
        fault = parse_fault(text)
        if fault.hyperframe is not None and fault.hyperframe < 4:
            raise InputError(
                f"fault {text}: the receiver is in sync from hyperframe 4 on", hint="name a later one"
            )
        last = conditions.length if conditions.hyperframes is not None else None
        if last is not None and (fault.hyperframe or 0) >= last:
            raise InputError(f"fault {text}: the stream ends with hyperframe {last - 1}")
        texts.append(text)
    result = run_case(Case(tuple(texts)), Baselines(conditions, LinkDecoder))
    if result.verdict is Verdict.LEFT_OUT:
        raise InputError(result.findings[0].text)
    record = case_record(result, conditions)
    words = ["framefray", "inject", conditions.source, "--option", conditions.option]
    if conditions.hyperframes is not None:
        words += ["--hyperframes", str(conditions.hyperframes)]
    words += ["--seed", str(conditions.seed)] + [w for text in texts for w in ("--fault", text)]
    record["repeat_with"] = shlex.join(words)
    if arguments.json:
        record = {"schema": "framefray.inject/1", "link": conditions.words} | record
        sys.stdout.write(msgspec.json.encode(record).decode() + "\n")
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
        print(f"as sent   {damage.what}, from octet {damage.first}:")
        for start in range(0, len(octets), 17):
            print("          " + " ".join(octets[start : start + 17]))
    print("\n".join(case_lines(record)))
    return EXIT_PASS if result.passed else EXIT_FAIL
