"""The hand-written captures of tests/vectors, decoded as the JSON beside them says, in every form and cut."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from decoders.counters import COUNTERS
from decoders.line_coding.characters import LineForm
from decoders.link.settings import LinkSettings
from tests.support.streams import decode

VECTORS = Path(__file__).parent
CAPTURES = sorted(p.name for p in VECTORS.iterdir() if p.suffix.removeprefix(".") in list(LineForm))


def _expected(name: str) -> dict[str, Any]:
    expected: dict[str, Any] = json.loads((VECTORS / name).with_suffix(".json").read_text())
    return expected


def test_every_form_is_there() -> None:
    assert {Path(name).suffix.removeprefix(".") for name in CAPTURES} == set(LineForm) - {LineForm.BLOCKS}
    assert len(CAPTURES) == 10


@pytest.mark.parametrize("cut", [None, 1, 4097])
@pytest.mark.parametrize("name", CAPTURES)
def test_capture_decodes_as_written_beside_it(name: str, cut: int | None) -> None:
    expected = _expected(name)
    form = LineForm(Path(name).suffix.removeprefix("."))
    data = (VECTORS / name).read_bytes()
    cuts = None
    if cut == 1:
        # Octet by octet around the places that decide: the start, and 2000 octets at the end.
        cuts = [1] * 500 + [len(data) - 2500] + [1] * 2000
    elif cut:
        cuts = [cut] * (len(data) // cut)
    outcome = decode(data, LinkSettings(option=expected["option"], form=form), cuts)
    record = outcome.record
    counters = dict.fromkeys(COUNTERS, 0) | expected["counters"]
    assert outcome.counters == counters
    assert outcome.frames == expected["frames"]
    assert outcome.vendor == expected["vendor"]
    assert record["l1"] == expected["l1"]
    assert (record["first"], record["last"]) == (expected["first"], expected["last"])
    assert record["hyperframes"] == expected["hyperframes"]
    assert record["trailing_bytes"] == expected["trailing_octets"]
    slip = expected["alignment_slip_bits"] if form is LineForm.BITS else None
    assert record["sync"] == {
        "state": expected["sync_state"],
        "acquired_at_hyperframe": expected["acquired_at_hyperframe"],
        "losses": 0,
        "alignment_slip_bits": slip,
        "fec_codeword_phase_bits": None,
    }


@pytest.mark.parametrize("name", [n for n in CAPTURES if n.endswith(".octets")])
def test_one_octet_changed_is_noticed(name: str) -> None:
    """The vectors can fail: a turned bit in a timing or L1 octet changes what is decoded."""
    expected = _expected(name)
    data = (VECTORS / name).read_bytes()
    settings = LinkSettings(option=expected["option"], form=LineForm.OCTETS)
    good = decode(data, settings)
    width = int(len(data) // expected["hyperframes"]) // 4096
    for x in (2, 64, 128, 194):
        changed = bytearray(data)
        changed[x * 16 * width] ^= 0x04
        outcome = decode(bytes(changed), settings)
        assert (outcome.record, outcome.frames) != (good.record, good.frames), x
