"""Crafted captures: what was injected comes out again, whole or cut at the front, in every data format.

The truth of a capture is what was put in; where that does not settle it, the scalar reference receiver, which
shares no code with the decoders. Here both ways are held against each other and against LinkDecoder.
"""

from __future__ import annotations

from collections import Counter
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from decoders.cm_plane.ethernet_encoder import EthernetDamage
from decoders.counters import FRAME_COUNTERS
from decoders.events import FrameReceived, FrameStatus, OctetsChanged, Plane
from decoders.line_coding.characters import CHARACTER_FORMS, LineForm
from decoders.linerates import option_named
from decoders.link.decoder import LinkDecoder
from decoders.link.encoder import LinkEncoder
from decoders.link.settings import LinkSettings, SenderSettings
from monitor.emulation import crafting
from monitor.emulation.emulated_link import DEFAULT_RATE_CODES
from monitor.errors import InputError
from monitor.faults.catalogue import kinds_for, parse_fault
from monitor.reports.decode_records import decode_record, frame_record, vendor_records
from monitor.sources.file import open_file_source

LEAD_BITS = 7
FAULTS = ("hdlc.fcs@14", "ethernet.fcs@16", "vendor.value@18", "sync.hfn@22")
FRAME_NAMES = set(FRAME_COUNTERS.values())


def _craft(
    option: str, form: LineForm, faults: tuple[str, ...], hyperframes: int, lead_bits: int = 0
) -> tuple[bytes, dict[str, Any]]:
    out = bytearray()
    made = crafting.craft(
        SenderSettings(option=option, hdlc_rate_code=DEFAULT_RATE_CODES[option], bfn=7, hfn=130),
        hyperframes,
        form,
        out.extend,
        seed=3,
        faults=[parse_fault(text) for text in faults],
        lead_bits=lead_bits,
    )
    assert made.octets_written == len(out)
    return bytes(out), made.truth


@cache
def _capture(option: str, form: LineForm) -> tuple[bytes, dict[str, Any]]:
    return _craft(
        option, form, FAULTS, 40 if option == "1" else 26, LEAD_BITS if form is LineForm.BITS else 0
    )


class _Decoded:
    """A capture as decoded from a file."""

    def __init__(self, path: Path, form: str | None, option: str | None) -> None:
        source = open_file_source(path, form, option)
        decoder = LinkDecoder(LinkSettings(option=source.option, form=LineForm(source.form)))
        events = []
        for chunk in source.chunks():
            events += decoder.receive(chunk.data)
        source.close()
        events += decoder.finish()
        self.warnings = source.warnings
        self.record = decode_record(decoder)
        self.frames = [frame_record(e) for e in events if isinstance(e, FrameReceived)]
        self.vendor = [line for e in events if isinstance(e, OctetsChanged) for line in vendor_records(e)]


def _moved_back(lines: list[dict[str, Any]], hyperframes: int) -> list[dict[str, Any]]:
    return [line | {"hyperframe": line["hyperframe"] - hyperframes} for line in lines]


def _check_less(got: _Decoded, truth: dict[str, Any], lost: int) -> None:
    """`got` is the truth less its first `lost` hyperframes.

    Of each C&M channel at most one frame more may be missing: that which had begun before (or whose opening
    idle had). A vendor octet has no predecessor in the first hyperframe, so no change there.
    """
    expected_counters = dict(truth["counters"])
    for plane in (Plane.HDLC, Plane.ETHERNET):
        left = [f for f in truth["frames"] if f["plane"] == plane and f["hyperframe"] >= lost]
        expected = _moved_back(left, lost)
        frames = [f for f in got.frames if f["plane"] == plane]
        missing = len(expected) - len(frames)
        assert 0 <= missing <= (lost > 0)
        assert frames == expected[missing:]
        statuses = Counter(f["status"] for f in frames)
        for status in FrameStatus:
            if (plane, status) in FRAME_COUNTERS:
                expected_counters[FRAME_COUNTERS[plane, status]] = statuses[status.value]
    vendor = [line for line in truth["vendor"] if line["hyperframe"] > lost or not lost]
    assert got.vendor == _moved_back(vendor, lost)
    expected_counters["vendor_changes"] = len(vendor)
    record = got.record
    assert record["counters"] == expected_counters
    assert record["hyperframes"] == truth["hyperframes"] - lost
    assert record["last"] == truth["last"]
    hfn = truth["first"]["hfn"] + lost
    assert record["first"] == {"bfn": truth["first"]["bfn"] + hfn // 150, "hfn": hfn % 150}
    assert record["sync"]["acquired_at_hyperframe"] == 0
    assert record["sync"]["state"] == "HFNSYNC"
    assert record["trailing_bytes"] == 0


@pytest.mark.parametrize("form", CHARACTER_FORMS)
@pytest.mark.parametrize("option", ["1", "2", "3", "4", "7"])
def test_whole_capture_is_its_truth(option: str, form: LineForm, tmp_path: Path) -> None:
    data, truth = _capture(option, form)
    assert {f["status"] for f in truth["frames"]} == {"good", "fcs"}
    assert truth["vendor"]
    path = tmp_path / f"whole.{form.value}"
    path.write_bytes(data)
    for said in ((None, None), (form.value, option)):
        got = _Decoded(path, *said)
        assert got.record["link"]["option"] == option
        _check_less(got, truth, 0)
        slip = LEAD_BITS if form is LineForm.BITS else None
        assert got.record["sync"]["alignment_slip_bits"] == slip


@pytest.mark.parametrize("form", CHARACTER_FORMS)
@pytest.mark.parametrize("option", ["1", "2", "3", "4", "7"])
def test_capture_cut_at_the_front_is_the_rest_of_it(option: str, form: LineForm, tmp_path: Path) -> None:
    data, truth = _capture(option, form)
    period = option_named(option).hyperframe_octets
    random = np.random.default_rng([ord(option), len(form.value)])
    path = tmp_path / f"cut.{form.value}"
    line = np.unpackbits(np.frombuffer(data, np.uint8), bitorder="little") if form is LineForm.BITS else None
    for attempt in range(3):
        cut = int(random.integers(1, 8 * period)) if attempt else 1
        slip = None
        if line is not None:
            bits = 10 * cut - int(random.integers(10))
            path.write_bytes(np.packbits(line[bits:], bitorder="little").tobytes())
            slip = (LEAD_BITS - bits) % 10
            lost = max(0, -(-(bits - LEAD_BITS) // (10 * period)))
        else:
            path.write_bytes(data[cut * (1 if form is LineForm.OCTETS else 2) :])
            lost = -(-cut // period)
        for said in ((None, None), (form.value, option)):
            got = _Decoded(path, *said)
            _check_less(got, truth, lost)
            assert got.record["sync"]["alignment_slip_bits"] == slip


@pytest.mark.parametrize("form", [LineForm.FLAGGED, LineForm.SYMBOLS])
def test_words_cut_in_the_middle_are_found_again(form: LineForm, tmp_path: Path) -> None:
    """An odd number of octets cut off: with nothing said the words are put right or the user is told."""
    data, truth = _capture("2", form)
    path = tmp_path / f"odd.{form.value}"
    path.write_bytes(data[2 * 8192 + 1 :])
    try:
        got = _Decoded(path, None, None)
    except InputError as error:
        assert b"odd." in str(error).encode()
    else:
        assert got.warnings
        _check_less(got, truth, 2)


@pytest.mark.parametrize("form", CHARACTER_FORMS)
def test_capture_cut_at_the_end_has_trailing_octets(form: LineForm, tmp_path: Path) -> None:
    data, truth = _capture("2", form)
    octets = 5 * 8192 + 1234
    size = {LineForm.OCTETS: octets, LineForm.BITS: (10 * octets + LEAD_BITS + 7) // 8}.get(form, 2 * octets)
    path = tmp_path / f"end.{form.value}"
    path.write_bytes(data[:size])
    record = _Decoded(path, form.value, "2").record
    assert record["hyperframes"] == 5
    assert record["trailing_bytes"] == 1234
    assert record["first"] == truth["first"]


def _kinds() -> list[str]:
    return [name for name in kinds_for(option_named("2")) if name.split(".")[0] not in ("line", "delay")]


@pytest.mark.parametrize("name", _kinds())
def test_truth_by_intent_is_truth_by_reference(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    fault = f"{name}@20"
    if parse_fault(fault).needs_receiver:
        pytest.skip("its consequence is always worked out by the reference")
    by_intent_data, by_intent = _craft("2", LineForm.SYMBOLS, (fault,), 48)
    assert not by_intent["computed"]
    monkeypatch.setattr(crafting, "_must_be_computed", lambda *_: True)
    by_reference_data, by_reference = _craft("2", LineForm.SYMBOLS, (fault,), 48)
    assert by_reference["computed"]
    assert by_intent_data == by_reference_data
    for field in ("counters", "frames", "vendor", "hyperframes", "first", "last", "faults"):
        assert by_intent[field] == by_reference[field], field


def test_a_first_hfn_that_cannot_be_is_no_jump_afterwards() -> None:
    _, truth = _craft("1", LineForm.SYMBOLS, ("sync.hfn@0:value=200",), 12)
    assert truth["counters"]["hfn_invalid"] == 1
    assert truth["counters"]["hfn_discontinuities"] == 0


def test_same_settings_same_capture() -> None:
    one, two = (_craft("1", LineForm.OCTETS, FAULTS, 30) for _ in range(2))
    assert one == two


def test_faults_with_no_place_are_refused() -> None:
    for text, message in (("hdlc.fcs@30", "ends with 29"), ("vendor.value@3:ns=50", "vendor")):
        with pytest.raises(InputError, match=message):
            _craft("1", LineForm.OCTETS, (text,), 30)


@pytest.mark.parametrize("octets", range(60, 72))
def test_frame_ended_by_idle_where_hyperframes_meet(octets: int) -> None:
    """It counts in the hyperframe that settles it, whatever the cut of the data."""
    sender = LinkEncoder(SenderSettings(option="1", hdlc_rate_code=2, pointer_p=63))
    sender.ethernet.send(bytes(octets), EthernetDamage(omit_esd_r=True))
    data = sender.encode(50).tobytes()
    whole = LinkDecoder(LinkSettings(option="1"))
    expected = [e for e in [*whole.receive(data), *whole.finish()] if isinstance(e, FrameReceived)]
    (sent,) = sender.ethernet.sent()
    assert [(e.hyperframe, e.status) for e in expected] == [(sent.end_octet // 4, FrameStatus.DELIMITER)]
    pieces = LinkDecoder(LinkSettings(option="1"))
    got = [e for start in range(0, len(data), 4096) for e in pieces.receive(data[start : start + 4096])]
    assert [e for e in got if isinstance(e, FrameReceived)] == expected
