"""LinkDecoder and LinkEncoder: one direction of a link, whole.

The yardsticks: the same stream in other cuts, the scalar reference receiver of monitor.emulation (it shares no
code with the decoders), and what the encoder was given. Clauses are those of CPRI V7.0.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from decoders.counters import COUNTERS
from decoders.errors import SettingsError
from decoders.events import (
    Alarm,
    AlarmCleared,
    AlarmRaised,
    AlignmentChanged,
    CodeErrors,
    FillerMismatch,
    FrameReceived,
    FrameStatus,
    HfnDiscontinuity,
    L1Accepted,
    Origin,
    Plane,
    PossibleInversion,
    ResetRequested,
    SettingRejected,
    StartupStateChanged,
    SyncByteMissed,
    SyncStateChanged,
    UnexpectedK,
)
from decoders.line_coding.characters import CHARACTER_FORMS, LineForm
from decoders.line_coding.code_8b10b import SymbolEncoder, pack_symbols
from decoders.linerates import option_named
from decoders.link.decoder import HyperframeBlock, LinkDecoder
from decoders.link.encoder import LinkEncoder
from decoders.link.hyperframe_sync import FallBack
from decoders.link.settings import LinkSettings, PlaneSettings, SenderSettings
from monitor.emulation.crafting import craft
from monitor.reference.line_code import Characters
from monitor.reference.receiver import ReferenceSettings, receive_characters
from tests.support.streams import RATE_CODES, Outcome, Stream, as_form, crafted, decode

SYMBOLS, FLAGGED, OCTETS, BITS = LineForm.SYMBOLS, LineForm.FLAGGED, LineForm.OCTETS, LineForm.BITS
slow = settings(
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)

FAULTS: dict[str, tuple[str, ...]] = {
    "clean": (),
    "channels": ("hdlc.fcs@4", "ethernet.code@6", "hdlc.abort@9", "ethernet.fcs@11", "vendor.value@13"),
    "timing": ("sync.hfn@4", "sync.bfn@8:xor=0x123", "sync.comma@12:count=2", "iq.flip@15"),
    "flips": ("line.flip@3:w=0,x=60", "line.flip@9", "line.flip@14:w=0,x=1", "line.disparity@17"),
    "los": ("line.violation@8:count=20",),
    "los at the end": ("line.violation@23:count=40",),
    "nearly los": ("line.violation@8:count=15", "line.violation@9:count=15"),
    "lof": ("sync.comma@7:count=4", "hdlc.fcs@13"),
}
SLIPS: dict[str, tuple[str, ...]] = {
    "slip": ("line.slip@10:bits=1",),
    "slip back": ("line.slip@3:bits=-1", "vendor.value@16"),
}


def _link(option: str, form: LineForm) -> LinkSettings:
    return LinkSettings(option=option, form=form)


def _same(one: Outcome, other: Outcome) -> None:
    assert other.events == one.events
    assert other.record == one.record
    assert other.missed == one.missed


def _check_order(outcome: Outcome) -> None:
    """Events come in the order of their hyperframes."""
    numbers = [e.hyperframe for e in outcome.events if e.hyperframe is not None]
    assert numbers == sorted(numbers)


# ---- the cut of the data ---------------------------------------------------------------------------------


def _cases() -> list[tuple[str, LineForm, str]]:
    cases = [
        (option, form, name)
        for option in ("1", "2", "4")
        for form in CHARACTER_FORMS
        for name in FAULTS
        if form.has_flags or name not in ("flips", "los", "los at the end", "nearly los")
    ]
    return cases + [("1", BITS, name) for name in SLIPS]


@pytest.mark.parametrize(("option", "form", "name"), _cases())
def test_any_cut_gives_the_same(option: str, form: LineForm, name: str) -> None:
    faults = (FAULTS | SLIPS)[name]
    data, _ = crafted(option, form, faults, lead_bits=7 if form is BITS else 0)
    # It begins and ends somewhere, so that there are trailing octets and a part of a word.
    data = data[1501 if form in (OCTETS, BITS) else 1500 : -777]
    link = _link(option, form)
    whole = decode(data, link)
    assert whole.record["hyperframes"] > 10
    _check_order(whole)
    random = np.random.default_rng(len(name))
    period = option_named(option).hyperframe_octets
    for sizes in (
        random.integers(1, 3 * period, 60).tolist(),
        random.integers(1, 200, 300).tolist(),
        [period] * 40,
        [period - 1, period + 1] * 20,
        [2 * period] * 20,
    ):
        _same(whole, decode(data, link, sizes))


@pytest.mark.parametrize("form", CHARACTER_FORMS)
def test_octet_by_octet(form: LineForm) -> None:
    data, _ = crafted("1", form, FAULTS["channels"], lead_bits=3 if form is BITS else 0)
    scale = {OCTETS: 1.0, BITS: 1.25}.get(form, 2.0)
    data = data[int(3.2 * 4096 * scale) : int(7.4 * 4096 * scale)]
    link = _link("1", form)
    whole = decode(data, link)
    assert whole.record["hyperframes"] == 3
    assert len(whole.events) >= 5
    _same(whole, decode(data, link, [1] * len(data)))


@pytest.mark.parametrize("form", CHARACTER_FORMS)
@pytest.mark.parametrize("name", ["lof", "flips", "los"])
def test_octet_by_octet_where_hyperframes_meet(form: LineForm, name: str) -> None:
    if name != "lof" and not form.has_flags:
        form = FLAGGED
    data, _ = crafted("1", form, FAULTS[name])
    period = int(4096 * {OCTETS: 1.0, BITS: 1.25}.get(form, 2.0))
    data = data[period // 2 :]
    link = _link("1", form)
    cuts = [period // 2 - 20, *([1] * 40 + [period - 40]) * 22]
    _same(decode(data, link), decode(data, link, cuts))


@given(
    name=st.sampled_from([*FAULTS, *SLIPS]),
    form=st.sampled_from(CHARACTER_FORMS),
    start=st.integers(0, 9000),
    end=st.integers(0, 9000),
    cuts=st.lists(st.integers(1, 40_000), max_size=12),
)
@settings(slow, max_examples=60)
def test_random_cuts_give_the_same(name: str, form: LineForm, start: int, end: int, cuts: list[int]) -> None:
    if name in SLIPS:
        form = BITS
    elif not form.has_flags and any(f.startswith("line.") for f in FAULTS[name]):
        form = SYMBOLS
    data, _ = crafted("1", form, (FAULTS | SLIPS)[name])
    data = data[start : len(data) - end]
    whole = decode(data, _link("1", form))
    _check_order(whole)
    _same(whole, decode(data, _link("1", form), cuts))


def test_data_may_come_as_any_buffer() -> None:
    data, _ = crafted("1", FLAGGED, FAULTS["channels"])
    whole = decode(data, _link("1", FLAGGED))
    for given_as in (
        bytearray(data),
        memoryview(data),
        np.frombuffer(data, np.uint8),
        np.frombuffer(data, "<u2"),
    ):
        decoder = LinkDecoder(_link("1", FLAGGED))
        events = [*decoder.receive(given_as, now=5), *decoder.finish()]
        assert events == whole.events
        assert decoder.now == 5


def test_blocks_cover_every_hyperframe_once() -> None:
    data, truth = crafted("2", OCTETS)
    blocks: list[tuple[int, bytes]] = []

    def take(block: HyperframeBlock) -> None:
        assert block.octets.shape[1:] == (256, 16, 2)
        blocks.append((block.first, block.octets.tobytes()))

    decoder = LinkDecoder(_link("2", OCTETS), on_block=take)
    for start in range(0, len(data), 50_000):
        decoder.receive(data[start : start + 50_000])
    decoder.finish()
    number = 0
    for first, octets in blocks:
        assert first == number
        number += len(octets) // 8192
    assert number == truth["hyperframes"]
    assert b"".join(octets for _, octets in blocks) == data


# ---- against the scalar reference ------------------------------------------------------------------------


def _compare(symbols: np.ndarray[tuple[int, ...], np.dtype[np.uint16]], option: str, form: LineForm) -> None:
    data = as_form(symbols, form)
    characters = {
        SYMBOLS: Characters.from_symbols,
        FLAGGED: Characters.from_flagged,
        OCTETS: Characters.from_octets,
    }[form](data)
    expected = receive_characters(characters, ReferenceSettings(option), form.has_flags)
    got = decode(data, _link(option, form))
    assert got.counters == expected.counters
    assert got.frames == expected.frames
    assert got.vendor == expected.vendor
    record = got.record
    assert record["hyperframes"] == expected.hyperframes
    assert (record["first"], record["last"]) == (expected.first, expected.last)
    assert record["l1"] == expected.l1
    assert record["trailing_bytes"] == expected.trailing_octets
    sync = record["sync"]
    assert sync["acquired_at_hyperframe"] == expected.acquired_at_hyperframe
    searching = {"XACQ1", "XACQ2"}
    assert sync["state"] == expected.sync_state or {sync["state"], expected.sync_state} == searching


def test_undamaged_streams_agree_with_the_reference() -> None:
    for option in ("1", "2", "4"):
        for form in (SYMBOLS, FLAGGED, OCTETS):
            _compare(Stream(option, 9).symbols(), option, form)


_AT = st.integers(0, 1_000_000)
_DAMAGE = st.one_of(
    st.tuples(st.just("control bits"), _AT, st.integers(1, 30)),
    st.tuples(st.just("iq bits"), _AT, st.integers(1, 30)),
    st.tuples(st.just("burst"), _AT, st.integers(1, 9000)),
    st.tuples(st.just("no comma"), _AT, st.integers(1, 5)),
    st.tuples(
        st.sampled_from(["version", "rate", "alarms", "pointer", "hfn", "bfn"]), _AT, st.integers(1, 14)
    ),
    st.tuples(st.just("stray k"), _AT, st.integers(1, 4)),
    st.tuples(st.just("false sync"), _AT, st.integers(1, 6)),
    st.tuples(st.just("filler"), _AT, st.integers(1, 3)),
    st.tuples(st.just("line bits"), _AT, st.integers(1, 40)),
    st.tuples(st.just("illegal"), _AT, st.integers(13, 18)),
    st.tuples(st.just("dark"), _AT, st.integers(1, 9000)),
    st.tuples(st.just("noise"), _AT, st.integers(1, 9000)),
    st.tuples(st.just("deleted"), _AT, st.sampled_from([1, 2, 17, 4095, 4096, 4097, 9000])),
    st.tuples(st.just("inserted"), _AT, st.integers(1, 3)),
    st.tuples(st.just("repeated"), _AT, st.integers(1, 9000)),
    st.tuples(st.just("start"), _AT, st.just(0)),
    st.tuples(st.just("end"), _AT, st.just(0)),
)
_PLACES = {"version": 2, "rate": 66, "alarms": 130, "pointer": 194, "hfn": 64, "bfn": 128}


def _damage_octets(stream: Stream, kind: str, at: int, amount: int, random: np.random.Generator) -> None:
    octets, size, width = stream.octets, stream.size, stream.option.word_octets
    n = len(octets) // size
    z = at % n
    one_bit = (1 << random.integers(0, 8, amount)).astype(np.uint8)
    match kind:
        case "control bits":
            where = random.integers(0, 256 * n, amount) * 16 * width + random.integers(0, width, amount)
            octets[where] ^= one_bit
        case "iq bits":
            octets[random.integers(0, len(octets), amount)] ^= one_bit
        case "burst":
            part = octets[at % len(octets) :][:amount]
            part[:] = random.integers(0, 256, len(part))
        case "no comma":
            for i in range(z, min(z + amount, n)):
                stream.k.discard(i * size)
                octets[i * size] = 0x50
        case "stray k":
            for place in random.integers(0, len(octets), amount).tolist():
                octets[place] = random.choice([0xBC, 0x1C, 0xFD])
                stream.k.add(place)
        case "false sync":
            for place in range(at % len(octets), len(octets) - width, size)[:amount]:
                octets[place : place + width] = 0x50
                octets[place] = 0xBC
                stream.k.add(place)
        case "filler":
            if width > 1:
                stream.hyperframes[z, 1:width] = random.choice([0xB0, 0x3A, 0xC5, 0], width - 1)
        case _:
            value = int(random.choice([0, 1, 2, 3, 5, 21, 63, 149, 150, 255, int(random.integers(256))]))
            stream.control(_PLACES[kind])[z : z + amount] = value


def _damage_symbols(
    symbols: np.ndarray[tuple[int, ...], np.dtype[np.uint16]],
    kind: str,
    at: int,
    amount: int,
    size: int,
    random: np.random.Generator,
) -> np.ndarray[tuple[int, ...], np.dtype[np.uint16]]:
    n = len(symbols)
    at %= max(n, 1)
    match kind:
        case "line bits":
            symbols[random.integers(0, n, amount)] ^= (1 << random.integers(0, 10, amount)).astype(np.uint16)
        case "illegal":
            first = at // size * size
            where = first + random.choice(size, amount, replace=False)
            symbols[where[where < n]] = 0x3FF
        case "dark":
            symbols[at : at + amount] = 0
        case "noise":
            part = symbols[at : at + amount]
            part[:] = random.integers(0, 1024, len(part))
        case "deleted":
            return np.delete(symbols, slice(at, min(at + amount, n - 1)))
        case "inserted":
            return np.insert(symbols, at, random.integers(0, 1024, amount))
        case "repeated":
            return np.concatenate((symbols[:at], symbols[max(0, at - amount) :]))
        case "start":
            return symbols[at % min(2 * size, n) :]
        case "end":
            return symbols[: max(1, n - at % (3 * size))]
    return symbols


@given(
    option=st.sampled_from(["1", "1", "2", "4"]),
    form=st.sampled_from([SYMBOLS, SYMBOLS, FLAGGED, OCTETS]),
    hyperframes=st.sampled_from([2, 4, 7, 11]),
    seed=st.integers(0, 3),
    damage=st.lists(_DAMAGE, max_size=7),
)
@settings(slow, max_examples=120)
def test_any_damage_agrees_with_the_reference(
    option: str, form: LineForm, hyperframes: int, seed: int, damage: list[tuple[str, int, int]]
) -> None:
    random = np.random.default_rng([seed, *(at for _, at, _ in damage)])
    stream = Stream(option, hyperframes, seed)
    octet_kinds = {
        "control bits",
        "iq bits",
        "burst",
        "no comma",
        "stray k",
        "false sync",
        "filler",
        *_PLACES,
    }
    for kind, at, amount in damage:
        if kind in octet_kinds:
            _damage_octets(stream, kind, at, amount, random)
    symbols = stream.symbols(seed & 1)
    for kind, at, amount in damage:
        if kind not in octet_kinds:
            symbols = _damage_symbols(symbols, kind, at, amount, stream.size, random)
    _compare(symbols, option, form)


# ---- garbage ---------------------------------------------------------------------------------------------


@given(
    data=st.binary(max_size=200),
    repeat=st.sampled_from([1, 1, 50, 400]),
    form=st.sampled_from(CHARACTER_FORMS),
    option=st.sampled_from(["1", "2", "4", "7"]),
    cuts=st.lists(st.integers(1, 30_000), max_size=5),
)
@settings(slow, max_examples=80)
def test_garbage_never_raises(data: bytes, repeat: int, form: LineForm, option: str, cuts: list[int]) -> None:
    data *= repeat
    outcome = decode(data, _link(option, form), cuts)
    _same(decode(data, _link(option, form)), outcome)
    if outcome.record["sync"]["acquired_at_hyperframe"] is None:
        per = {OCTETS: 8, BITS: 10}.get(form, 16)
        assert outcome.record["trailing_bytes"] == 8 * len(data) // per


@pytest.mark.parametrize("form", CHARACTER_FORMS)
@pytest.mark.parametrize("option", ["1", "3", "7"])
@pytest.mark.parametrize("octet", [0x00, 0xFF, 0xBC, 0x50, 0xAA])
def test_constant_lines(form: LineForm, option: str, octet: int) -> None:
    outcome = decode(bytes([octet]) * 300_000, _link(option, form))
    assert outcome.record["hyperframes"] == 0
    assert outcome.record["sync"]["state"] == "XACQ1"
    assert outcome.counters["lof_events"] == 0


@pytest.mark.parametrize("form", CHARACTER_FORMS)
@pytest.mark.parametrize(("made", "read"), [("1", "2"), ("2", "1"), ("4", "3"), ("2", "4")])
def test_wrong_option_finds_no_sync(form: LineForm, made: str, read: str) -> None:
    data, _ = crafted(made, form)
    outcome = decode(data, _link(read, form))
    if (made, read, form.has_flags) == ("1", "2", True):
        # Every second hyperframe of option 1 begins where one of option 2 could; the others stand out.
        assert outcome.counters["unexpected_k"] == outcome.record["hyperframes"]
    else:
        assert outcome.record["hyperframes"] == 0
    assert all(frame["status"] != "good" for frame in outcome.frames)


# ---- word alignment --------------------------------------------------------------------------------------


@pytest.mark.parametrize("lead", [*range(10), 13, 4321])
def test_every_bit_offset_gives_the_same_frames(lead: int) -> None:
    data, truth = crafted("1", BITS, FAULTS["channels"], lead_bits=lead)
    outcome = decode(data, _link("1", BITS))
    assert outcome.record["sync"]["alignment_slip_bits"] == lead % 10
    assert AlignmentChanged(None, lead, lead % 10) in outcome.events
    assert outcome.frames == truth["frames"]
    assert outcome.vendor == truth["vendor"]
    assert outcome.counters == truth["counters"]


@pytest.mark.parametrize("lead", [0, 4, 9])
@pytest.mark.parametrize("bits", [1, -1])
def test_a_bit_more_or_less_is_los_lof_and_a_new_offset(lead: int, bits: int) -> None:
    data, _ = crafted("1", BITS, (f"line.slip@8:bits={bits}",), lead_bits=lead)
    outcome = decode(data, _link("1", BITS))
    moves = [e.slip_bits for e in outcome.events if isinstance(e, AlignmentChanged)]
    assert moves == [lead, (lead + bits) % 10]
    counters = outcome.counters
    assert (counters["los_events"], counters["lof_events"], counters["realignments"]) == (1, 1, 1)
    alarms = [
        (type(e), e.alarm)
        for e in outcome.events
        if isinstance(e, AlarmRaised | AlarmCleared) and e.origin is Origin.LOCAL
    ]
    assert alarms == [
        (AlarmRaised, Alarm.LOS),
        (AlarmRaised, Alarm.LOF),
        (AlarmCleared, Alarm.LOS),
        (AlarmCleared, Alarm.LOF),
    ]
    record = outcome.record
    assert record["sync"]["state"] == "HFNSYNC"
    assert record["sync"]["losses"] == 1
    # The hyperframe of the slip is decoded; of what follows, one is spent on clearing LOS.
    assert record["hyperframes"] + outcome.missed == 24
    assert outcome.missed <= 2


@pytest.mark.parametrize("change", [1, -1, 17])
def test_whole_characters_more_or_less_lose_frame_but_not_signal(change: int) -> None:
    symbols = Stream("1", 16).symbols()
    at = 5 * 4096 + 1000
    symbols = (
        np.delete(symbols, slice(at, at - change)) if change < 0 else np.insert(symbols, at, [0x155] * change)
    )
    outcome = decode(as_form(symbols, SYMBOLS), _link("1", SYMBOLS))
    counters = outcome.counters
    assert (counters["los_events"], counters["lof_events"]) == (0, 1)
    assert counters["missed_sync_bytes"] == 3
    assert counters["code_violations"] + counters["disparity_errors"] <= 1 + (change == 17)
    assert outcome.record["sync"]["state"] == "HFNSYNC"


# ---- sync and its loss (clause 4.2.9) --------------------------------------------------------------------


def _states(outcome: Outcome) -> list[tuple[int | None, str]]:
    return [(e.hyperframe, e.new) for e in outcome.events if isinstance(e, SyncStateChanged)]


def _without_commas(*hyperframes: int, n: int = 16) -> bytes:
    stream = Stream("1", n)
    for z in hyperframes:
        stream.k.discard(z * 4096)
        stream.octets[z * 4096] = 0x50
    return as_form(stream.symbols(), SYMBOLS)


def test_sync_is_told_state_by_state_and_costs_nothing() -> None:
    outcome = decode(_without_commas(), _link("1", SYMBOLS))
    assert _states(outcome) == [(0, "XACQ2"), (1, "XSYNC1"), (2, "XSYNC2"), (3, "HFNSYNC")]
    assert outcome.record["hyperframes"] == 16
    assert outcome.record["sync"]["acquired_at_hyperframe"] == 0
    assert outcome.counters["lof_events"] == 0


def test_one_missing_comma_is_counted_and_loses_nothing() -> None:
    outcome = decode(_without_commas(6), _link("1", SYMBOLS))
    assert _states(outcome)[4:] == [(6, "XSYNC2"), (7, "HFNSYNC")]
    assert SyncByteMissed(6, 0x50) in outcome.events
    assert outcome.counters["missed_sync_bytes"] == 1
    assert outcome.counters["lof_events"] == 0
    assert outcome.record["hyperframes"] == 16


def test_three_missing_commas_lose_frame() -> None:
    outcome = decode(_without_commas(6, 7, 8), _link("1", SYMBOLS))
    assert _states(outcome)[4:8] == [(6, "XSYNC2"), (7, "XSYNC1"), (8, "XACQ1"), (8, "XACQ2")]
    assert outcome.counters["lof_events"] == 1
    assert AlarmRaised(8, Alarm.LOF, Origin.LOCAL) in outcome.events
    # Hyperframes 6 and 7 were still decoded, 8 was not.
    assert outcome.record["hyperframes"] == 15
    assert outcome.missed == 1


def test_other_reading_of_the_arcs_loses_at_the_first() -> None:
    link = LinkSettings("1", SYMBOLS, fall_back=FallBack.TO_START)
    outcome = decode(_without_commas(6), link)
    assert outcome.counters["lof_events"] == 1
    assert outcome.record["hyperframes"] == 15


def test_nothing_is_counted_while_frame_is_lost() -> None:
    """Out of sync the planes stand still; a frame under way counts once as lost_sync."""
    stream = Stream("1", 24)
    lost = slice(8, 16)
    for z in range(8, 16):
        stream.k.discard(z * 4096)
        stream.octets[z * 4096] = 0x50
    stream.control(64)[lost] = 200
    stream.control(130)[lost] = 0x1F
    stream.control(16)[lost] = 0x77
    outcome = decode(as_form(stream.symbols(), SYMBOLS), _link("1", SYMBOLS))
    counters = outcome.counters
    assert counters["lof_events"] == 1
    # Two hyperframes (8 and 9) are still decoded before the third bad sync byte.
    assert counters["missed_sync_bytes"] == 3
    assert counters["hfn_invalid"] == 2
    assert counters["hfn_discontinuities"] == 0
    assert counters["hdlc_lost_sync"] <= 1
    assert counters["ethernet_lost_sync"] == 1
    assert outcome.record["hyperframes"] == 24 - 6
    assert outcome.missed == 6


@pytest.mark.parametrize(
    ("errors", "los"),
    [({5: 15}, 0), ({5: 16}, 1), ({5: 8, 6: 8}, 0), ({5: 15, 6: 15}, 0), ({5: 16, 9: 16}, 2), ({5: 64}, 1)],
)
def test_los_by_errors_in_one_hyperframe(errors: dict[int, int], los: int) -> None:
    """Clause 4.2.10: 16 in one hyperframe, not 8 + 8 in two."""
    faults = tuple(f"line.violation@{z}:count={count}" for z, count in errors.items())
    data, _ = crafted("1", FLAGGED, faults)
    outcome = decode(data, _link("1", FLAGGED))
    assert outcome.counters["code_violations"] == sum(errors.values())
    assert outcome.counters["disparity_errors"] == 0
    assert outcome.counters["los_events"] == outcome.counters["lof_events"] == los
    raised = [e.hyperframe for e in outcome.events if isinstance(e, AlarmRaised) and e.alarm is Alarm.LOS]
    assert raised[:1] == [6][:los]  # at the end of hyperframe 5
    assert sum(e.code_violations for e in outcome.events if isinstance(e, CodeErrors)) == sum(errors.values())


def test_line_that_goes_dark_and_comes_back() -> None:
    symbols = Stream("1", 20).symbols()
    symbols[6 * 4096 + 50 : 9 * 4096 + 70] = 0
    outcome = decode(as_form(symbols, SYMBOLS), _link("1", SYMBOLS))
    assert (outcome.counters["los_events"], outcome.counters["lof_events"]) == (1, 1)
    assert outcome.record["sync"]["state"] == "HFNSYNC"
    # 6 is decoded (LOS is found at its end), 7, 8 and 9 are gone, 10 is clean and clears LOS.
    assert outcome.record["hyperframes"] == 16
    assert outcome.missed == 4
    assert outcome.record["last"] == {"bfn": 0, "hfn": (146 + 19) % 150}


@pytest.mark.parametrize("form", [SYMBOLS, FLAGGED, OCTETS])
@pytest.mark.parametrize("start", [0, 1, 2047, 4095, 4096, 6000])
def test_a_capture_may_begin_anywhere(form: LineForm, start: int) -> None:
    outcome = decode(as_form(Stream("1", 12).symbols()[start:], form), _link("1", form))
    skipped = -(-start // 4096)
    assert outcome.record["hyperframes"] == 12 - skipped
    assert outcome.record["sync"]["acquired_at_hyperframe"] == (skipped * 4096 - start) // 4096 == 0
    assert outcome.record["trailing_bytes"] == 0
    errors = {
        n: v
        for n, v in outcome.moved.items()
        if n not in ("hdlc_frames", "ethernet_frames", "vendor_changes")
    }
    assert errors == {}


def test_whole_hyperframes_before_sync_are_skipped() -> None:
    noise = np.random.default_rng(1).integers(0, 256, 2 * 4096 + 100, np.uint8)
    symbols = np.concatenate((SymbolEncoder().encode(noise), Stream("1", 8).symbols()))
    outcome = decode(as_form(symbols, SYMBOLS), _link("1", SYMBOLS))
    assert outcome.record["sync"]["acquired_at_hyperframe"] == 2
    assert outcome.record["hyperframes"] == 8


@pytest.mark.parametrize("form", [SYMBOLS, OCTETS])
@pytest.mark.parametrize(
    ("octets", "hyperframes", "state"),
    [
        (4095, 0, "XACQ1"),
        (4096, 0, "XACQ1"),
        (4096 + 1025, 1, "XSYNC1"),
        (8192, 2, "XSYNC1"),
        (8193, 2, "XSYNC2"),
        (12288, 3, "XSYNC2"),
        (12289, 3, "HFNSYNC"),
        (16384, 4, "HFNSYNC"),
    ],
)
def test_short_captures(form: LineForm, octets: int, hyperframes: int, state: str) -> None:
    """Two sync bytes in their places confirm one another; one alone could be anything."""
    outcome = decode(as_form(Stream("1", 5).symbols()[:octets], form), _link("1", form))
    assert outcome.record["hyperframes"] == hyperframes
    assert outcome.record["sync"]["state"] == state
    assert outcome.record["trailing_bytes"] == octets - 4096 * hyperframes


@pytest.mark.parametrize("form", CHARACTER_FORMS)
@pytest.mark.parametrize("option", ["1", "2", "4"])
def test_noise_is_not_taken_for_a_short_capture(form: LineForm, option: str) -> None:
    """In 100 000 octets of noise two K28.5 symbols one hyperframe apart are likely."""
    random = np.random.default_rng(int(option))
    for _ in range(12):
        data = random.integers(0, 256, 100_000, np.uint8).tobytes()
        assert decode(data, _link(option, form)).record["hyperframes"] == 0


@pytest.mark.parametrize("option", ["1", "2", "4"])
def test_least_that_confirms_a_hyperframe(option: str) -> None:
    """With K flags one more sync byte; without, its fillers; at option 1, which has none, an HFN that runs."""
    period = option_named(option).hyperframe_octets
    symbols = Stream(option, 2).symbols()
    assert decode(as_form(symbols[: period + 1], FLAGGED), _link(option, FLAGGED)).record["hyperframes"] == 1
    least = period + (1025 if option == "1" else 1)
    for octets, hyperframes in ((least, 1), (least - 1, 0)):
        outcome = decode(as_form(symbols[:octets], OCTETS), _link(option, OCTETS))
        assert outcome.record["hyperframes"] == hyperframes


def test_random_octets_hardly_ever_look_like_option_1() -> None:
    random = np.random.default_rng(15)
    for _ in range(200):
        outcome = decode(random.integers(0, 256, 12_000, np.uint8).tobytes(), _link("1", OCTETS))
        assert outcome.record["hyperframes"] == 0


def test_false_sync_byte_without_partners_is_passed_over() -> None:
    stream = Stream("1", 8)
    for place in (100, 100 + 4096, 100 + 2 * 4096):
        stream.octets[place] = 0xBC
        stream.k.add(place)
    outcome = decode(as_form(stream.symbols()[50:], SYMBOLS), _link("1", SYMBOLS))
    assert outcome.record["hyperframes"] == 7
    # The false one in hyperframe 0 lies before the first sync byte.
    assert outcome.counters["unexpected_k"] == 2


def test_k_elsewhere_is_told_with_its_address() -> None:
    stream = Stream("2", 8)
    for place in (5 * 8192 + 32 * 7 + 2 * 3 + 1, 5 * 8192 + 8000):
        stream.octets[place] = 0x1C
        stream.k.add(place)
    outcome = decode(as_form(stream.symbols(), SYMBOLS), _link("2", SYMBOLS))
    assert [e for e in outcome.events if isinstance(e, UnexpectedK)] == [UnexpectedK(5, 2, 7, 3, 1, 0x1C)]
    assert outcome.counters["unexpected_k"] == 2
    assert outcome.counters["code_violations"] == outcome.counters["missed_sync_bytes"] == 0


@pytest.mark.parametrize("filler", [0x50, 0xC5])
def test_both_fillers_of_table_9(filler: int) -> None:
    stream = Stream("4", 6)
    stream.hyperframes[:, 1] = filler
    for form in (SYMBOLS, OCTETS):
        assert decode(as_form(stream.symbols(), form), _link("4", form)).counters["filler_mismatches"] == 0


def test_wrong_filler_is_only_counted() -> None:
    stream = Stream("4", 6)
    stream.hyperframes[3, 1:5] = (0x50, 0x50, 0xC5, 0x50)
    outcome = decode(as_form(stream.symbols(), SYMBOLS), _link("4", SYMBOLS))
    assert outcome.counters["filler_mismatches"] == 1
    assert FillerMismatch(3, b"\x50\x50\xc5\x50") in outcome.events
    assert outcome.record["sync"]["state"] == "HFNSYNC"


def test_swapped_wires_are_suspected() -> None:
    """Computed: an inverted line stays legal, K28.5 stays K28.5, the fillers read 0xB0."""
    symbols = Stream("2", 12).symbols() ^ np.uint16(0x3FF)
    outcome = decode(as_form(symbols, SYMBOLS), _link("2", SYMBOLS))
    assert sum(isinstance(e, PossibleInversion) for e in outcome.events) == 1
    counters = outcome.counters
    assert counters["filler_mismatches"] == 12
    assert counters["hfn_invalid"] + counters["hfn_discontinuities"] > 3
    assert counters["code_violations"] == counters["los_events"] == counters["lof_events"] == 0
    assert counters["disparity_errors"] <= 1
    assert outcome.record["sync"]["state"] == "HFNSYNC"


# ---- L1 and its filters (clause 4.2.7.6) -----------------------------------------------------------------


def _decode_control(change: Callable[[Stream], None], option: str = "2", n: int = 24) -> Outcome:
    stream = Stream(option, n)
    change(stream)
    return decode(stream.octets.tobytes(), _link(option, OCTETS))


def _accepted(outcome: Outcome) -> list[tuple[int | None, str, int, int]]:
    return [(e.hyperframe, e.field, e.old, e.new) for e in outcome.events if isinstance(e, L1Accepted)]


@pytest.mark.parametrize(
    ("name", "x", "field", "new", "needed"),
    [
        ("pointer", 194, "pointer_p", 50, 4),
        ("rate", 66, "hdlc_rate_code", 2, 4),
        ("version", 2, "version", 3, 5),
    ],
)
def test_a_new_value_is_taken_when_it_has_stood(name: str, x: int, field: str, new: int, needed: int) -> None:
    def for_a_while(hyperframes: int) -> Callable[[Stream], None]:
        def change(stream: Stream) -> None:
            stream.control(x)[8 : 8 + hyperframes] = new

        return change

    old = int(Stream("2", 24).control(x)[0])
    assert _accepted(_decode_control(for_a_while(needed - 1))) == []
    assert _accepted(_decode_control(for_a_while(16))) == [(8 + needed - 1, field, old, new)]
    there_and_back = _accepted(_decode_control(for_a_while(needed)))
    assert there_and_back == [(8 + needed - 1, field, old, new), (8 + 2 * needed - 1, field, new, old)]

    def broken(stream: Stream) -> None:
        stream.control(x)[8:] = new
        stream.control(x)[10] = old

    assert _accepted(_decode_control(broken)) == [(11 + needed - 1, field, old, new)]


def test_frames_follow_the_pointer_from_the_hyperframe_that_brings_it_in() -> None:
    first = LinkEncoder(SenderSettings(option="2", pointer_p=40))
    second = LinkEncoder(SenderSettings(option="2", pointer_p=30, hfn=12))
    data = bytes(range(60)) * 2
    octets = first.encode(12)
    second.encode(4)
    second.ethernet.send(data)
    octets = np.concatenate((octets, LinkEncoder(SenderSettings(option="2", pointer_p=30, hfn=12)).encode(4)))
    octets = np.concatenate((octets, second.encode(12)))
    outcome = decode(octets.tobytes(), _link("2", OCTETS))
    assert _accepted(outcome) == [(15, "pointer_p", 40, 30)]
    assert [(f["plane"], f["status"], f["data"]) for f in outcome.frames] == [
        ("ethernet", "good", data.hex())
    ]


@pytest.mark.parametrize(
    ("x", "value", "counter", "field"),
    [
        (194, 1, "pointer_invalid", "pointer_p"),
        (194, 19, "pointer_invalid", "pointer_p"),
        (2, 0, "version_unknown", "version"),
        (2, 2, "version_unknown", "version"),
        (66, 4, "hdlc_rate_invalid", "hdlc_rate_code"),
        (66, 7, "hdlc_rate_invalid", "hdlc_rate_code"),
    ],
)
def test_values_that_cannot_be(x: int, value: int, counter: str, field: str) -> None:
    def change(stream: Stream) -> None:
        stream.control(x)[10:13] = value

    outcome = _decode_control(change)
    assert outcome.counters[counter] == 3
    assert [e for e in outcome.events if isinstance(e, SettingRejected)] == [
        SettingRejected(10, field, value)
    ]


def test_reserved_bits_of_l1_are_ignored() -> None:
    def change(stream: Stream) -> None:
        for x, reserved in ((66, 0xF8), (130, 0xE0), (194, 0xC0)):
            stream.control(x)[5:15] |= np.uint8(reserved)

    plain = _decode_control(lambda stream: None)
    _same(plain, _decode_control(change))


def test_reset_needs_ten_hyperframes_in_a_row_in_sync() -> None:
    def change(stream: Stream) -> None:
        stream.control(130)[2:8] = 1
        stream.control(130)[12:24] = 1

    outcome = _decode_control(change)
    assert [e.hyperframe for e in outcome.events if isinstance(e, ResetRequested)] == [21]
    stream = Stream("1", 24)
    stream.control(130)[2:] = 1
    for z in (6, 7, 8):
        stream.k.discard(z * 4096)
        stream.octets[z * 4096] = 0x50
    outcome = decode(as_form(stream.symbols(), SYMBOLS), _link("1", SYMBOLS))
    # Hyperframe 8 was not decoded; the ten are counted from the next one on, which is number 8.
    assert [e.hyperframe for e in outcome.events if isinstance(e, ResetRequested)] == [17]


def test_first_hfn_invalid_is_no_discontinuity_afterwards() -> None:
    def change(stream: Stream) -> None:
        stream.control(64)[0] = 200

    stream = Stream("1", 8)
    change(stream)
    outcome = decode(as_form(stream.symbols(), SYMBOLS), _link("1", SYMBOLS))
    assert outcome.counters["hfn_invalid"] == 1
    assert outcome.counters["hfn_discontinuities"] == outcome.counters["bfn_discontinuities"] == 0


def test_hfn_jump_is_found_once() -> None:
    stream = Stream("1", 12)
    stream.control(64)[5:] = np.arange(20, 27)
    outcome = decode(as_form(stream.symbols(), SYMBOLS), _link("1", SYMBOLS))
    jumps = [e for e in outcome.events if isinstance(e, HfnDiscontinuity)]
    assert jumps == [HfnDiscontinuity(5, 1, 20)]


@pytest.mark.parametrize(
    ("planes", "pointer", "rate"),
    [(PlaneSettings(fixed_pointer_p=31), 31, 3), (PlaneSettings(fixed_hdlc_rate_code=2), 40, 2)],
)
def test_fixed_settings_overrule_the_link(planes: PlaneSettings, pointer: int, rate: int) -> None:
    sender = LinkEncoder(SenderSettings(option="2", pointer_p=pointer, hdlc_rate_code=rate))
    sender.ethernet.send(bytes(range(70)))
    sender.hdlc.send(b"Saltmarsh")
    octets = sender.encode(12)
    octets[:, 194, 0, 0], octets[:, 66, 0, 0] = 25, 1  # the announcement is wrong
    octets[6:, 194, 0, 0] = 0
    if planes.fixed_pointer_p is None:
        octets[:, 194, 0, 0] = 40
    else:
        octets[:, 66, 0, 0] = 3
    outcome = decode(octets.tobytes(), LinkSettings("2", OCTETS, planes=planes))
    assert sorted((f["plane"], f["status"]) for f in outcome.frames) == [
        ("ethernet", "good"),
        ("hdlc", "good"),
    ]


def test_start_up_states_of_a_link_that_comes_up() -> None:
    sender = LinkEncoder(SenderSettings(option="1", hdlc_rate_code=2, version=1))
    parts = []
    sender.alarms = 0x02
    parts.append(sender.encode(20))
    sender.alarms = 0
    parts.append(sender.encode(20))
    sender.hdlc.send(b"\x03REC-A")
    parts.append(sender.encode(200))
    outcome = decode(np.concatenate(parts).tobytes(), _link("1", OCTETS))
    states = [(e.hyperframe, e.old + e.new) for e in outcome.events if isinstance(e, StartupStateChanged)]
    closed = next(e.hyperframe for e in outcome.events if isinstance(e, FrameReceived))
    assert closed is not None
    # Sync is there before the first octet of L1 is read, hence D for the moment before RAI.
    assert [s for s in states if s[0]] == [(20, "BD"), (closed, "DE"), (closed + 150, "EF")]
    assert outcome.record["startup_state"] == "F"


# ---- encoder and decoder at every option -----------------------------------------------------------------


def _round_trip(option: str, rate: int, pointer: int, form: LineForm, n: int) -> None:
    sender = LinkEncoder(
        SenderSettings(option=option, hdlc_rate_code=rate, pointer_p=pointer, hfn=145, bfn=4095)
    )
    random = np.random.default_rng([rate, pointer])
    slow = fast = 0
    while sender.hdlc_octets and sender.hdlc.pending_octets < (n - 2) * sender.hdlc_octets - 30:
        sender.hdlc.send(random.integers(0, 256, int(random.integers(3, 14)), np.uint8).tobytes())
        slow += 1
    while sender.ethernet_octets and sender.ethernet.pending_octets < (n - 2) * sender.ethernet_octets - 150:
        sender.ethernet.send(random.integers(0, 256, int(random.integers(60, 400)), np.uint8).tobytes())
        fast += 1
        if fast == 30:
            break
    vendor = random.integers(0, 256, (n, sender.vendor_octets), np.uint8)
    width = sender.option.word_octets
    iq = random.integers(0, 256, (n, 256, 15, width), np.uint8)
    octets = sender.encode(n, vendor=vendor, iq=iq)
    sent = [("hdlc", f.data, f.fcs, f.end_octet // sender.hdlc_octets) for f in sender.hdlc.sent()]
    sent += [
        ("ethernet", f.data, f.fcs, f.end_octet // sender.ethernet_octets) for f in sender.ethernet.sent()
    ]
    assert (slow > 0) is (rate > 0)
    assert (fast > 0) is (pointer > 0)
    if form is OCTETS:
        data = octets.tobytes()
    else:
        symbols = SymbolEncoder().encode(octets.reshape(-1), np.arange(n) * sender.option.hyperframe_octets)
        data = as_form(symbols, form) if form is not BITS else pack_symbols(symbols, 6).tobytes()
    outcome = decode(data, _link(option, form))
    got = [
        (e.plane.value, e.data, e.fcs, e.hyperframe)
        for plane in (Plane.HDLC, Plane.ETHERNET)
        for e in outcome.events
        if isinstance(e, FrameReceived) and e.plane is plane
    ]
    assert got == sent
    assert all(f["status"] == FrameStatus.GOOD for f in outcome.frames)
    counters = outcome.counters
    changes = int(np.count_nonzero(vendor[1:] != vendor[:-1]))
    expected = {
        "hdlc_frames": sum(s[0] == "hdlc" for s in sent),
        "ethernet_frames": sum(s[0] == "ethernet" for s in sent),
        "vendor_changes": changes,
    }
    assert outcome.moved == {name: value for name, value in expected.items() if value}
    assert len(outcome.vendor) == changes
    assert set(counters) == set(COUNTERS)
    record = outcome.record
    assert record["hyperframes"] == n
    assert record["l1"]["hdlc_rate_code"] == rate
    assert record["l1"]["pointer_p"] == pointer
    assert record["trailing_bytes"] == 0


_RATES = [(o, r) for o in RATE_CODES for r in range(7) if option_named(o).hdlc_octets(r) is not None]


@pytest.mark.parametrize(("option", "rate"), _RATES)
def test_every_hdlc_rate_of_every_option(option: str, rate: int) -> None:
    _round_trip(option, rate, 40, OCTETS, 40 if option_named(option).word_octets < 8 else 20)


@pytest.mark.parametrize("option", RATE_CODES)
@pytest.mark.parametrize("pointer", [0, 20, 37, 63])
def test_pointers_at_every_option(option: str, pointer: int) -> None:
    _round_trip(option, RATE_CODES[option], pointer, OCTETS, 60 if option in "123" else 20)


@pytest.mark.parametrize("option", RATE_CODES)
@pytest.mark.parametrize("form", [SYMBOLS, FLAGGED, BITS])
def test_coded_forms_at_every_option(option: str, form: LineForm) -> None:
    _round_trip(option, RATE_CODES[option], 20, form, 30 if option in "12" else 8)


def test_bit_order_of_the_channels_is_a_setting() -> None:
    planes = PlaneSettings(hdlc_lsb_first=False, ethernet_lsb_first=False)
    sender = LinkEncoder(SenderSettings(option="2", planes=planes))
    sender.hdlc.send(b"RE-1")
    sender.ethernet.send(bytes(60))
    data = sender.encode(10).tobytes()
    assert [f["status"] for f in decode(data, LinkSettings("2", OCTETS, planes=planes)).frames] == [
        "good",
        "good",
    ]
    assert "good" not in [f["status"] for f in decode(data, _link("2", OCTETS)).frames]


# ---- mistakes of the caller ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("settings_", "message"),
    [
        (SenderSettings(pointer_p=5), "pointer"),
        (SenderSettings(option="1", hdlc_rate_code=3), "rate code 3"),
        (SenderSettings(hdlc_rate_code=7), "rate code 7"),
        (SenderSettings(filler=0xB0), "filler"),
        (SenderSettings(hfn=150), "HFN"),
        (SenderSettings(bfn=4096), "BFN"),
    ],
)
def test_sender_settings_that_cannot_be(settings_: SenderSettings, message: str) -> None:
    with pytest.raises(SettingsError, match=message):
        LinkEncoder(settings_)


def test_bfn_wraps() -> None:
    sender = LinkEncoder(SenderSettings(bfn=4095, hfn=149))
    assert [sender.timing_of(i) for i in (0, 1, 150, 151)] == [(4095, 149), (0, 0), (0, 149), (1, 0)]


@pytest.mark.parametrize("form", CHARACTER_FORMS)
def test_the_callers_memory_may_be_used_again(form: LineForm) -> None:
    """A source that reads into one buffer over and over gives the same events as one that does not."""
    out = bytearray()
    sender = SenderSettings(option="1", pointer_p=20, hdlc_rate_code=2)
    craft(sender, 12, form, out.extend)
    whole = LinkDecoder(LinkSettings(option="1", form=form))
    expected = whole.receive(bytes(out)) + whole.finish()
    decoder = LinkDecoder(LinkSettings(option="1", form=form))
    buffer = bytearray(1400)
    events = []
    for start in range(0, len(out), len(buffer)):
        part = out[start : start + len(buffer)]
        buffer[: len(part)] = part
        events += decoder.receive(memoryview(buffer)[: len(part)])
        buffer[:] = b"\xee" * len(buffer)
    assert events + decoder.finish() == expected
    assert decoder.counters == whole.counters
