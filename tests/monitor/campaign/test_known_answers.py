"""Known answers: who made them, and that a receiver which shares a mistake with the sender does not pass them."""

from __future__ import annotations

import gzip
import importlib.util
import sys
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import pytest
from crccheck.crc import Crc32, Crc32Iscsi, CrcX25  # type: ignore[import-untyped]
from encdec8b10b import EncDec8B10B  # type: ignore[import-untyped]

from decoders.events import Event, FrameReceived, Plane
from decoders.line_coding.characters import LineForm
from decoders.link.settings import LinkSettings
from monitor.campaign.known_answers import (
    FOLDER,
    AnswerResult,
    Outcome,
    check_known_answers,
    known_streams,
)
from monitor.campaign.receivers import (
    OWN_DECODER,
    SECOND_RECEIVER,
    ProjectReceiver,
    PythonReceiver,
    Receiver,
    ReceiverUnderTest,
)

VECTORS = Path(__file__).parents[2] / "vectors"


def _script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_known_answers", VECTORS / "make_known_answers.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.path.insert(0, str(VECTORS))
    try:
        spec.loader.exec_module(module)
    finally:
        sys.path.remove(str(VECTORS))
    return module


MADE = _script()


def count(results: Iterable[AnswerResult], outcome: Outcome) -> int:
    return sum(result.outcome is outcome for result in results)


def failed(results: Iterable[AnswerResult]) -> set[str]:
    return {result.rule for result in results if not result.passed}


# ---- the streams ----


def test_the_script_makes_the_files_that_ship() -> None:
    made = MADE.known_answers()
    shipped = {path.name for path in FOLDER.iterdir()} - {"README.md"}
    assert shipped == set(made)
    for name, data in made.items():
        there = (FOLDER / name).read_bytes()
        assert (gzip.decompress(there) if name.endswith(".gz") else there) == data, name


def test_the_script_uses_no_code_of_the_project() -> None:
    """It imports the typed tables beside it and the standard library."""
    for name in ("make_known_answers.py", "make_vectors.py"):
        text = (VECTORS / name).read_text()
        lines = [line for line in text.splitlines() if line.startswith(("import ", "from "))]
        assert lines
        assert not any("decoders" in line or "monitor" in line for line in lines)


def test_code_groups_of_the_script_are_those_of_another_hand() -> None:
    """encdec8b10b (PyPI) has bit a in bit 0 and running disparity negative as 0."""
    for value, k in [(v, 0) for v in range(256)] + [(v, 1) for v in MADE.K_MINUS]:
        for plus in (False, True):
            word, after = MADE.encode(value, bool(k), plus)
            next_rd, symbol = EncDec8B10B.enc_8b10b(value, int(plus), k)
            assert int(word[::-1], 2) == symbol, (value, k, plus)
            assert after == bool(next_rd), (value, k, plus)


def test_check_sequences_of_the_script_are_those_of_another_hand() -> None:
    """crccheck (PyPI): CRC-16/X-25, CRC-32, CRC-32C."""
    for octets in (b"123456789", bytes.fromhex("FF0341"), bytes(range(60))):
        assert MADE.fcs16(octets) == CrcX25.calc(octets)
        assert MADE.typed.crc32(octets) == Crc32.calc(octets)
        assert MADE.register(octets, 0x82F63B78, 0xFFFFFFFF) ^ 0xFFFFFFFF == Crc32Iscsi.calc(octets)


def test_every_code_group_has_its_rows() -> None:
    [stream] = [s for s in known_streams() if s.name == "code_groups_8b10b"]
    values = sorted(a.record["new"] for a in stream.answers)
    assert values == sorted([*range(256)] * 2)
    assert len({a.rule for a in stream.answers}) == 512
    [special] = [s for s in known_streams() if s.name == "special_code_groups"]
    assert len({a.rule for a in special.answers if a.rule.startswith("K")}) == 22


# ---- receivers ----


@pytest.mark.parametrize("form", [LineForm.BITS, LineForm.SYMBOLS, LineForm.FLAGGED, LineForm.OCTETS])
def test_the_decoder_knows_every_answer(form: LineForm) -> None:
    results = check_known_answers(OWN_DECODER, form)
    assert [r for r in results if not r.passed] == []
    proven = count(results, Outcome.PASS)
    assert proven > (800 if form in (LineForm.BITS, LineForm.SYMBOLS) else 250)
    if form in (LineForm.BITS, LineForm.SYMBOLS):
        assert proven == len(results)


@pytest.mark.parametrize("form", [LineForm.BITS, LineForm.OCTETS])
def test_the_second_receiver_knows_every_answer_it_gives(form: LineForm) -> None:
    results = check_known_answers(SECOND_RECEIVER, form)
    assert [r for r in results if not r.passed] == []
    assert count(results, Outcome.PASS) > (700 if form is LineForm.BITS else 150)
    assert {r.plane for r in results if r.outcome is Outcome.NOT_PROVEN} >= {Plane.IQ, Plane.L1}


class Silent:
    """Says nothing and claims everything."""

    def __init__(self, option: str, form: str) -> None:
        pass

    def receive(self, data: bytes) -> None:
        pass


def test_a_receiver_that_says_nothing_fails_every_answer() -> None:
    silent = ReceiverUnderTest("silent", lambda s: PythonReceiver(Silent(s.option, s.form.value)))
    results = check_known_answers(silent)
    answers = sum(len(s.answers) for s in known_streams())
    assert sum(not r.passed for r in results) >= answers
    assert not any(r.outcome is Outcome.PASS for r in results if r.rule in {a.rule for s in known_streams()
                   for a in s.answers})  # fmt: skip


def test_a_receiver_that_fails_is_a_failure_of_each_row() -> None:
    def broken(settings: LinkSettings) -> Receiver:
        raise RuntimeError("no \x1b[31mlicence")

    results = check_known_answers(broken)
    assert not any(r.passed for r in results)
    assert r"RuntimeError: no \x1b[31mlicence" in results[0].observed


def changing(rule: str, plane: Plane = Plane.HDLC) -> ReceiverUnderTest:
    """The decoder with the frames of one plane told otherwise."""

    class Changed(ProjectReceiver):
        def _changed(self, events: Sequence[Event]) -> list[Event]:
            out: list[Event] = []
            for event in events:
                if isinstance(event, FrameReceived) and event.plane is plane:
                    if rule == "last octet":
                        event = replace(event, data=event.data[:-1])
                    elif rule == "bits":
                        event = replace(event, data=MADE.reversed_octets(event.data))
                    elif rule == "twice":
                        out.append(event)
                    elif rule == "lost":
                        continue
                out.append(event)
            return out

        def receive(self, data: bytes, /) -> list[Event]:
            return self._changed(super().receive(data))

        def finish(self) -> list[Event]:
            return self._changed(super().finish())

    return ReceiverUnderTest(rule, Changed)


@pytest.mark.parametrize("plane", [Plane.HDLC, Plane.ETHERNET])
@pytest.mark.parametrize("rule", ["last octet", "bits", "lost", "twice"])
def test_frames_are_judged_octet_for_octet(rule: str, plane: Plane) -> None:
    results = check_known_answers(changing(rule, plane))
    wrong = [r for r in results if not r.passed]
    assert wrong
    assert {r.plane for r in wrong} == {plane}
    if rule == "twice":
        assert failed(results) == {f"nothing else in {plane.value}"}


def test_a_row_says_what_differs() -> None:
    results = check_known_answers(changing("last octet"))
    row = next(r for r in results if not r.passed and r.stream == "places_1_1")
    assert row.expected == "data ff0341"
    assert row.observed == "data ff03"
