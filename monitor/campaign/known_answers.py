"""Known answers: what a receiver makes of small streams that no code of this project made.

A sender and a receiver that share a mistake agree with each other; they do not agree with the tables of the
standards. The streams and their answers lie in the folder beside this file, its README tells how they were made.
Each answer is one row, with the rule that it stands for and the rule's clause.
"""

from __future__ import annotations

import gzip
import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from enum import StrEnum
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from decoders.counters import COUNTERS_OF_PLANE
from decoders.events import Event, FrameReceived, OctetsChanged, Plane, StartupStateChanged
from decoders.line_coding.characters import LineForm
from decoders.link.settings import LinkSettings

from ..text import inert
from .receiver_records import StatusTold
from .receivers import Receiver, ReceiverFactory

__all__ = ["Answer", "AnswerResult", "KnownStream", "Outcome", "check_known_answers", "known_streams"]

FOLDER = Path(__file__).with_name("known_answers")
_CLOSED = frozenset((Plane.HDLC, Plane.ETHERNET, Plane.VENDOR, Plane.CTRL_AXC, Plane.RESERVED))
"""Planes of which a receiver that delivers them may say nothing beyond the answers."""
_SHOWN = 120


class Outcome(StrEnum):
    """The word for one row."""

    PASS = "pass"
    FAIL = "fail"
    NOT_PROVEN = "not proven"


@dataclass(frozen=True, slots=True)
class Answer:
    """One thing that a receiver must say: the fields of `record`; what else a record holds does not matter."""

    plane: Plane
    rule: str
    clause: str
    record: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class AnswerResult:
    """A row of a stream, judged; `expected` and `observed` are texts that are safe to show."""

    stream: str
    plane: Plane
    rule: str
    clause: str
    outcome: Outcome
    expected: str
    observed: str

    @property
    def passed(self) -> bool:
        return self.outcome is not Outcome.FAIL


@dataclass(frozen=True, slots=True)
class KnownStream:
    """A stream of the folder. `numbers` is (BFN, HFN) of each hyperframe; counters not named are 0.

    `startup`: states of clause 4.5, each with the hyperframe in which it begins, as far as one direction shows it.
    `lead_bits` come before the first word in form bits, so that the word alignment must be found.
    `symbols_only`: it is about the line code, so it exists as ten-bit words only.
    """

    name: str
    about: str
    option: str
    symbols_only: bool
    lead_bits: int
    startup: tuple[tuple[int, str], ...]
    numbers: tuple[tuple[int, int], ...]
    l1: Mapping[str, int]
    counters: Mapping[str, int]
    answers: tuple[Answer, ...]

    def data(self, form: LineForm) -> bytes | None:
        """The line data in a form; None where the stream has none in it."""
        if form in (LineForm.SYMBOLS, LineForm.BITS):
            symbols = _unpacked(f"{self.name}.symbols.gz")
            return symbols if form is LineForm.SYMBOLS else _line_bits(symbols, self.lead_bits)
        if self.symbols_only:
            return None
        flagged = _unpacked(f"{self.name}.flagged.gz")
        return flagged if form is LineForm.FLAGGED else flagged[::2]


def _unpacked(name: str) -> bytes:
    return gzip.decompress((FOLDER / name).read_bytes())


def _line_bits(symbols: bytes, lead_bits: int) -> bytes:
    words = np.frombuffer(symbols, np.uint8).reshape(-1, 2)
    bits = np.unpackbits(words, axis=1, bitorder="little")[:, :10].reshape(-1)
    return np.packbits(
        np.concatenate((np.arange(lead_bits, dtype=np.uint8) & 1, bits)), bitorder="little"
    ).tobytes()


@cache
def known_streams() -> tuple[KnownStream, ...]:
    """All streams of the folder, in order of their names."""
    return tuple(_stream(path) for path in sorted(FOLDER.glob("*.json")))


def _stream(path: Path) -> KnownStream:
    told = json.loads(path.read_text(encoding="utf-8"))
    return KnownStream(
        path.stem,
        told["about"],
        told["option"],
        told["symbols_only"],
        told["lead_bits"],
        tuple((at, state) for at, state in told["startup"]),
        tuple((bfn, hfn) for bfn, hfn in told["hyperframes"]),
        told["l1"],
        told["counters"],
        tuple(Answer(Plane(row["plane"]), row["rule"], row["clause"], row["record"]) for row in told["rows"]),
    )


def check_known_answers(
    receiver: ReceiverFactory, form: LineForm = LineForm.BITS, streams: Sequence[KnownStream] | None = None
) -> list[AnswerResult]:
    """Run a new receiver over each stream (all, if not named) and hold what it says against the answers.

    A row is not proven where the receiver does not deliver its plane, or the stream does not exist in `form`.
    """
    out: list[AnswerResult] = []
    for stream in known_streams() if streams is None else streams:
        data = stream.data(form)
        if data is None:
            out += (_result(stream, a, Outcome.NOT_PROVEN, f"no line code in {form}") for a in stream.answers)
        else:
            out += _check(stream, receiver, data, form)
    return out


def _check(
    stream: KnownStream, receiver: ReceiverFactory, data: bytes, form: LineForm
) -> Iterable[AnswerResult]:
    events: list[Event] = []
    size = -(-len(data) // len(stream.numbers))
    try:
        made = receiver(LinkSettings(stream.option, form))
        for start in range(0, len(data), size):
            events += made.receive(data[start : start + size])
        events += made.finish()
        if made.hyperframes_missed:
            raise ValueError(f"{made.hyperframes_missed} hyperframes missed")
    except Exception as failure:  # a receiver under test may do anything
        why = inert(f"receiver failed: {type(failure).__name__}: {failure}")[:_SHOWN]
        return [_result(stream, answer, Outcome.FAIL, why) for answer in stream.answers]
    judged = _judged(stream, made, events, form)
    return [*judged, *_by_counters(stream, made, form), *_numbers(stream, made, events)]


def _result(
    stream: KnownStream, answer: Answer, outcome: Outcome, observed: str, expected: str | None = None
) -> AnswerResult:
    wanted = _text(answer.record) if expected is None else expected
    return AnswerResult(stream.name, answer.plane, answer.rule, answer.clause, outcome, wanted, observed)


def _text(record: Mapping[str, Any]) -> str:
    text = ", ".join(f"{name} {value}" for name, value in record.items())
    text = inert(text)
    return text if len(text) <= 2 * _SHOWN else text[: 2 * _SHOWN - 3] + "..."


# ---- records ----------------------------------------------------------------------------------------------


def _plain(event: Event) -> Iterator[dict[str, Any]]:
    """An event as flat records to compare, each octet that changed by itself."""
    if isinstance(event, FrameReceived):
        yield {
            "event": "frame_received", "hyperframe": event.hyperframe, "bfn": event.bfn, "hfn": event.hfn,
            "plane": event.plane.value, "status": event.status.value, "data": event.data.hex(),
            "fcs": event.fcs.hex(),
        }  # fmt: skip
        return
    if isinstance(event, OctetsChanged):
        for c in event.changes():
            yield {
                "event": "octets_changed", "plane": event.plane.value, "hyperframe": event.hyperframe, "ns": c.ns,
                "xs": c.xs, "y": c.y, "old": c.old, "new": c.new,
            }  # fmt: skip
        return
    name = "".join(f"_{c.lower()}" if c.isupper() else c for c in type(event).__name__).lstrip("_")
    yield {"event": name, **{field.name: getattr(event, field.name) for field in fields(event)}}


def _plane_of(record: Mapping[str, Any]) -> str:
    return str(record.get("plane", ""))


def _judged(
    stream: KnownStream, receiver: Receiver, events: Sequence[Event], form: LineForm
) -> Iterator[AnswerResult]:
    """Each answer against the first record that fits and is not taken yet; then what is left over."""
    left: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for event in events:
        for record in _plain(event):
            left[record["event"]].append(record)
    answers = list(stream.answers)
    if form is LineForm.BITS:
        offset = {"event": "alignment_changed", "slip_bits": stream.lead_bits}
        answers.append(Answer(Plane.LINE, "alignment offset of the first bit", "IEEE 802.3 36.2.4.9", offset))
    for answer in answers:
        if Plane(answer.record.get("plane", answer.plane)) not in receiver.delivers:
            yield _result(stream, answer, Outcome.NOT_PROVEN, "the receiver does not deliver this plane")
            continue
        if answer.plane is Plane.LINE and not form.has_flags:
            yield _result(stream, answer, Outcome.NOT_PROVEN, f"no line code in {form}")
            continue
        told = left[answer.record["event"]]
        found = next((r for r in told if _fits(answer.record, r)), None)
        if found is not None:
            told.remove(found)
            yield _result(stream, answer, Outcome.PASS, _text(answer.record))
        else:
            near = _nearest(answer.record, told)
            expected, observed = _text(answer.record), "nothing of the kind"
            if near is not None:
                differ = [name for name, value in answer.record.items() if near.get(name) != value]
                expected = _text({name: answer.record[name] for name in differ})
                observed = _text({name: near.get(name) for name in differ})
            yield _result(stream, answer, Outcome.FAIL, observed, expected)
    for plane in sorted(_CLOSED & receiver.delivers):
        extra = [
            r for name in ("frame_received", "octets_changed") for r in left[name] if _plane_of(r) == plane
        ]
        rule = Answer(plane, f"nothing else in {plane.value.replace('_', ' ')}", "", {})
        if extra:
            more = f"{_text(extra[0])}; {len(extra)} in all"
            yield _result(stream, rule, Outcome.FAIL, more, "nothing more than the answers")
        else:
            yield _result(stream, rule, Outcome.PASS, "nothing", "nothing more than the answers")


def _fits(wanted: Mapping[str, Any], told: Mapping[str, Any]) -> bool:
    return all(told.get(name) == value for name, value in wanted.items())


def _nearest(wanted: Mapping[str, Any], told: Sequence[dict[str, Any]]) -> dict[str, Any] | None:
    """The record with the most fields in common, of the same plane where there is one."""
    same = [r for r in told if r.get("plane") == wanted.get("plane")]
    return max(same, key=lambda r: sum(r.get(n) == v for n, v in wanted.items()), default=None)


# ---- counters, HFN and BFN --------------------------------------------------------------------------------


def _by_counters(stream: KnownStream, receiver: Receiver, form: LineForm) -> Iterator[AnswerResult]:
    for plane in Plane:
        names = COUNTERS_OF_PLANE.get(plane, ())
        if not names:
            continue
        rule = Answer(plane, f"counters of {plane.value.replace('_', ' ')}", "", {})
        if plane not in receiver.serves or (plane is Plane.LINE and not form.has_flags):
            yield _result(stream, rule, Outcome.NOT_PROVEN, "not told", "")
            continue
        wanted = {name: stream.counters.get(name, 0) for name in names}
        told = {name: receiver.counters.get(name, 0) for name in names}
        differ = [name for name in names if told[name] != wanted[name]] or [n for n in names if wanted[n]]
        outcome = Outcome.PASS if told == wanted else Outcome.FAIL
        expected = _text({name: wanted[name] for name in differ}) or "all 0"
        yield _result(
            stream, rule, outcome, _text({name: told[name] for name in differ}) or "all 0", expected
        )


def _numbers(stream: KnownStream, receiver: Receiver, events: Sequence[Event]) -> Iterator[AnswerResult]:
    """HFN and BFN of each hyperframe, the settings of L1, and the state at the end, as far as they are told."""
    told = [e for e in events if isinstance(e, StatusTold)]
    last = len(stream.numbers)
    for plane, rule, clause, names in (
        (Plane.SYNC, "HFN in Z.64.0, BFN in Z.128.0 and Z.192.0", "CPRI 4.2.7.3", ("bfn", "hfn")),
        (Plane.L1, "version, HDLC rate code and pointer p in their places", "CPRI 4.2.7.6", ("l1",)),
    ):
        answer = Answer(plane, rule, clause, {})
        if plane not in receiver.serves:
            yield _result(stream, answer, Outcome.NOT_PROVEN, "not told", "")
            continue
        wrong = None
        compared = 0
        for status in told:
            at = status.hyperframe
            if at is None or at >= last:
                wrong = (f"hyperframes 0 to {last - 1}", f"hyperframe {at}")
                break
            right: dict[str, Any] = {"bfn": stream.numbers[at][0], "hfn": stream.numbers[at][1]}
            right |= {"l1": {n: v for n, v in stream.l1.items() if n in (status.l1 or {})}}
            seen = {name: getattr(status, name) for name in names}
            seen = {name: value for name, value in seen.items() if value is not None}
            compared += len(seen)
            if any(right[name] != value for name, value in seen.items()):
                wrong = (f"hyperframe {at}: {_text({n: right[n] for n in seen})}", _text(seen))
                break
        if wrong is not None:
            yield _result(stream, answer, Outcome.FAIL, wrong[1], wrong[0])
        elif not compared:
            yield _result(stream, answer, Outcome.NOT_PROVEN, "not told", "")
        else:
            text = f"as sent in {compared} reports"
            yield _result(stream, answer, Outcome.PASS, text, "as sent")
    yield _startup(stream, receiver, events)
    answer = Answer(Plane.SYNC, "HFNSYNC at the end", "CPRI 4.2.9", {})
    if receiver.state is None or Plane.SYNC not in receiver.serves:
        yield _result(stream, answer, Outcome.NOT_PROVEN, "not told", "HFNSYNC")
    else:
        outcome = Outcome.PASS if receiver.state == "HFNSYNC" else Outcome.FAIL
        yield _result(stream, answer, outcome, inert(receiver.state), "HFNSYNC")


def _startup(stream: KnownStream, receiver: Receiver, events: Sequence[Event]) -> AnswerResult:
    """Start-up states, where a receiver tells them at all."""
    answer = Answer(Plane.L1, "start-up states", "CPRI 4.5", {})
    told = [(e.hyperframe, e.new) for e in events if isinstance(e, StartupStateChanged)]
    if not told or Plane.L1 not in receiver.serves:
        return _result(stream, answer, Outcome.NOT_PROVEN, "not told", "")
    right = list(stream.startup)
    expected, observed = (", ".join(f"{state} from {at}" for at, state in rows) for rows in (right, told))
    outcome = Outcome.PASS if told == right else Outcome.FAIL
    return _result(stream, answer, outcome, inert(observed)[:_SHOWN], expected)
