"""The thorough size: settings in pairs, then random faults judged against the second receiver.

Pairs: every two values of option, data format, pointer p, HDLC rate code, place and fault meet in one case at least.
Random faults are drawn from the campaign's seed until a time is over; a case that fails is made as small as it goes.
"""

from __future__ import annotations

import itertools
import random
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from decoders.counters import COUNTERS, plane_of_counter
from decoders.events import FrameStatus, Plane
from decoders.line_coding.characters import LineForm
from decoders.linerates import SIXTY_FOUR_SIXTY_SIX

from ..errors import InputError
from ..faults.catalogue import CATALOGUE, parse_fault
from ..faults.kinds import Layer
from ..faults.standard import WORD_OCTETS, hdlc_octets
from ..faults.verdict import Declared, Finding, Observation, Verdict
from .campaign import TRAFFIC, observe
from .cases import Case
from .conditions import LEAD_HYPERFRAMES, LinkConditions
from .facts import Fact, fact_text, facts_of
from .receivers import SECOND_RECEIVER, ReceiverFactory
from .results import Campaign, CaseResult
from .served import Served
from .transmission import transmit

__all__ = ["add_random_cases", "pairwise_cases"]

_OPTIONS = ("1", "2", "3", "4", "5", "6", "7")
_FORMS = (LineForm.BITS, LineForm.SYMBOLS, LineForm.FLAGGED, LineForm.OCTETS)
_POINTERS = (0, 20, 21, 40, 62, 63)
_RATES = ("lowest", "480", "highest")
_FAULTS = (
    "line.violation", "line.disparity", "line.k", "sync.comma", "sync.hfn", "sync.bfn", "l1.rai",
    "l1.reset:hyperframes=10",
    "hdlc.fcs", "hdlc.abort", "ethernet.fcs", "ethernet.code", "vendor.flip:ns=16", "ctrl_axc.flip", "reserved.flip",
)  # fmt: skip
_BLOCK_FORMS = (LineForm.BITS, LineForm.BLOCKS, LineForm.FLAGGED, LineForm.OCTETS)
_BLOCK_FAULTS = (
    "line.violation", "line.header", "line.k:code=10", "line.sync_pair", "sync.terminate_only", "sync.start_only",
    "sync.hfn", "sync.bfn", "l1.rai", "l1.reset:hyperframes=10",
    "hdlc.fcs", "hdlc.abort", "ethernet.fcs", "ethernet.code", "vendor.flip:ns=16", "ctrl_axc.flip", "reserved.flip",
)  # fmt: skip
_CODEWORD_FAULTS = ("fec.symbols", "fec.symbols:symbols=8", "fec.header_rule", "fec.pn")
_PLACES = (LEAD_HYPERFRAMES, 49, 50)
"""Hyperframes in mid frame, and the last and first one of a 10 ms frame."""
_RANDOM_LENGTH = 72
_RANDOM_OPTIONS = ("1", "2", "3")
_RANDOM_BLOCKS, _RANDOM_BLOCKS_LENGTH = "7A", 44
"""Hyperframes of 64B/66B are long, and the second receiver is slow."""
_NOT_RANDOM = frozenset(
    ("line.invert", "line.dark", "sync.bfn_stuck", "hdlc.long", "hdlc.size", "line.burst")
)
"""Faults that take all the stream, or more than it is long."""


def pairwise_cases(usual: LinkConditions) -> list[Case]:
    """Cases in which every two values of two settings meet; the seed draws which of them."""
    factors: tuple[Sequence[Any], ...] = (_OPTIONS, _FORMS, _POINTERS, _RATES, _PLACES, _FAULTS)
    if _has_blocks(usual):
        forms = (LineForm.BITS,) if usual.fec else _BLOCK_FORMS
        faults = _BLOCK_FAULTS + _CODEWORD_FAULTS * usual.fec
        options = (usual.option,) if usual.fec else tuple(dict.fromkeys((usual.option, _RANDOM_BLOCKS)))
        factors = (options, forms, _POINTERS, _RATES, _PLACES, faults)
    draw = random.Random(usual.seed)
    wanted = {
        (i, a, j, b)
        for i, j in itertools.combinations(range(len(factors)), 2)
        for a in range(len(factors[i]))
        for b in range(len(factors[j]))
    }
    cases = []
    while wanted:
        first = min(wanted)
        best = max((_row(factors, first, draw) for _ in range(12)), key=lambda row: len(wanted & _pairs(row)))
        wanted -= _pairs(best)
        cases.append(_pair_case([factor[i] for factor, i in zip(factors, best, strict=True)]))
    return list(dict.fromkeys(cases))


def _has_blocks(conditions: LinkConditions) -> bool:
    return conditions.line.line_code == SIXTY_FOUR_SIXTY_SIX


def _row(factors: Sequence[Sequence[Any]], pair: tuple[int, int, int, int], draw: random.Random) -> list[int]:
    row = [draw.randrange(len(factor)) for factor in factors]
    row[pair[0]], row[pair[2]] = pair[1], pair[3]
    return row


def _pairs(row: Sequence[int]) -> set[tuple[int, int, int, int]]:
    return {(i, row[i], j, row[j]) for i, j in itertools.combinations(range(len(row)), 2)}


def _pair_case(values: Sequence[Any]) -> Case:
    option, form, pointer, rate, place, fault = values
    codes = [code for code in range(7) if hdlc_octets(option, code)]
    code = {"lowest": codes[0], "480": 2, "highest": codes[-1]}[rate]
    name, colon, rest = fault.partition(":")
    title = f"{fault}@{place}, option {option}, {form.value}, p = {pointer}, rate code {code}"
    return Case(
        (f"{name}@{place}{colon}{rest}",),
        title,
        pointer_p=pointer,
        rate_code=code,
        option=option,
        form=form,
        listed=False,
    )


# ---- random faults


def add_random_cases(
    campaign: Campaign,
    receiver: ReceiverFactory,
    *,
    seconds: float,
    most: int | None = None,
    on_result: Callable[[CaseResult, int, int], object] = lambda result, done, planned: None,
) -> None:
    """Random faults until the time is over, or `most` cases are done; each result goes into the campaign."""
    assert isinstance(campaign.conditions, LinkConditions)
    usual, until = campaign.conditions, time.monotonic() + seconds
    for number in itertools.count():
        if number == most or time.monotonic() >= until:
            return
        draw = random.Random(f"{usual.seed} {number}")
        conditions = replace(
            usual,
            **_random_line(usual, draw),
            scrambling=None,
            hdlc_rate_code=None,
            crafted=True,
            source="emulated",
            seed=usual.seed + number,
        )
        faults = [_random_fault(draw, conditions) for _ in range(draw.randint(1, 4))]
        started = time.perf_counter()
        findings = _against_second(faults, conditions, receiver)
        if findings:
            faults, findings = _smallest(faults, findings, conditions, receiver)
        result = _result(number, faults, findings, conditions)
        campaign.planned += 1
        campaign.results.append(replace(result, seconds=time.perf_counter() - started))
        on_result(campaign.results[-1], len(campaign.results), campaign.planned)


def _random_line(usual: LinkConditions, draw: random.Random) -> dict[str, Any]:
    """Line of a random case: of the line code of the usual one, with RS-FEC where that has it."""
    if not _has_blocks(usual):
        return {
            "option": draw.choice(_RANDOM_OPTIONS),
            "fec": False,
            "form": LineForm.SYMBOLS,
            "hyperframes": _RANDOM_LENGTH - LEAD_HYPERFRAMES,
        }
    form = LineForm.BITS if usual.fec else draw.choice(_BLOCK_FORMS)
    length = _RANDOM_BLOCKS_LENGTH - LEAD_HYPERFRAMES
    return {"option": _RANDOM_BLOCKS, "form": form, "hyperframes": length}


def _random_fault(draw: random.Random, conditions: LinkConditions) -> str:
    names = [
        name for name, kind in CATALOGUE.items() if kind.layer is not Layer.BITS and name not in _NOT_RANDOM
    ]
    while True:
        kind = CATALOGUE[draw.choice(names)]
        values = {}
        for p in kind.parameters:
            high = (
                WORD_OCTETS[conditions.option] - 1
                if p.name == "y"
                else min(p.high, 12)
                if p.unit == "hyperframes"
                else p.high
            )
            values[p.name] = p.default if draw.random() < 0.4 else draw.randint(p.low, max(p.low, high))
        text = kind.fault(draw.randint(LEAD_HYPERFRAMES, LEAD_HYPERFRAMES + 12), **values).text
        try:
            transmit(replace(conditions, hyperframes=1), [replace(parse_fault(text), hyperframe=0)], 2)
        except InputError:
            continue
        return text


def _against_second(
    texts: Sequence[str], conditions: LinkConditions, receiver: ReceiverFactory
) -> list[Finding]:
    """What the receiver tells otherwise than the second one, of the planes that both serve."""
    sent = transmit(conditions, [parse_fault(text) for text in texts], conditions.length)
    seen, served = observe(sent, conditions.option, receiver)
    right, known = observe(sent, conditions.option, SECOND_RECEIVER)
    if seen.failure is not None:
        return [Finding(Verdict.CRASHED, None, seen.failure)]
    planes = served.serves & known.serves
    findings = [
        Finding(
            Verdict.UNTRUE, name, f"{name}: expected {right.counters[name]}, observed {seen.counters[name]}"
        )
        for name in COUNTERS
        if plane_of_counter(name) in planes and seen.counters[name] != right.counters[name]
    ]
    told, due = _arrived(seen, served, known), _arrived(right, served, known)
    for fact in (*(f for f in due if f not in told), *(f for f in told if f not in due)):
        verdict = Verdict.LOST if fact in due else Verdict.EXTRA
        findings.append(
            Finding(
                verdict,
                None,
                f"{fact.plane.value}: {fact_text(fact)} at hf {fact.hyperframe}",
                fact.plane,
                fact.hyperframe,
            )
        )
    return findings[:6]


def _arrived(seen: Observation, *served: Served) -> list[Fact]:
    delivered = frozenset.intersection(*(one.delivers for one in served)) & {
        Plane.HDLC,
        Plane.ETHERNET,
        Plane.VENDOR,
    }
    kinds = ("frame", "octet")
    good = FrameStatus.GOOD.value
    return [
        fact
        for fact in facts_of(seen.events or ())
        if fact.plane in delivered and fact.kind in kinds and (fact.kind != "frame" or fact.what[0] == good)
    ]


def _smallest(
    texts: list[str], findings: list[Finding], conditions: LinkConditions, receiver: ReceiverFactory
) -> tuple[list[str], list[Finding]]:
    """The fewest faults, with the fewest parameters that are not the usual ones, that still fail."""
    changed = True
    while changed:
        changed = False
        for smaller in _smaller(texts):
            less = _against_second(smaller, conditions, receiver)
            if less:
                texts, findings, changed = smaller, less, True
                break
    return texts, findings


def _smaller(texts: Sequence[str]) -> Iterator[list[str]]:
    for i, text in enumerate(texts):
        rest = [*texts[:i], *texts[i + 1 :]]
        if rest:
            yield rest
        fault = parse_fault(text)
        usual: Mapping[str, int] = {p.name: p.default for p in fault.kind.parameters}
        for name, value in fault.values.items():
            if value != usual[name]:
                plain = fault.kind.fault(fault.hyperframe, **{**fault.values, name: usual[name]}).text
                yield [*texts[:i], plain, *texts[i + 1 :]]


def _result(
    number: int, texts: Sequence[str], findings: Sequence[Finding], conditions: LinkConditions
) -> CaseResult:
    case = Case(
        tuple(texts), f"random {number}", option=conditions.option, form=conditions.form, listed=False
    )
    verdict = findings[0].verdict if findings else Verdict.BOUNDED
    return CaseResult(case, conditions.seed, verdict, Declared(TRAFFIC), {}, tuple(findings))
