"""Every fault of the catalogue: the truth of a crafted capture, what it declares, and that nothing else moves.

The yardstick of a crafted capture is what was put in, and where that does not settle it the scalar reference
receiver; the receiver under test is LinkDecoder. Declared counts follow the clauses the catalogue names.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from typing import Any

import pytest

from decoders.cm_plane.code_4b5b import ERROR_GROUP, INVALID_GROUPS
from decoders.counters import COUNTERS
from decoders.events import AlarmCleared, AlarmRaised, Event, FrameReceived, OctetsChanged, Origin, Plane
from decoders.line_coding.characters import CHARACTER_FORMS, LineForm
from decoders.linerates import option_named
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings, SenderSettings
from monitor.emulation.crafting import Crafted, craft
from monitor.emulation.emulated_link import DEFAULT_RATE_CODES
from monitor.errors import InputError
from monitor.faults.catalogue import CATALOGUE, kinds_for, parse_fault
from monitor.faults.injector import check_fault, reach
from monitor.faults.kinds import Context, Expectation, Fault, FaultKind
from monitor.faults.matrix import Mark, cross_talk_matrix
from monitor.faults.queues import CloseEthernetEncoder
from monitor.faults.verdict import Declared, Observation, judge

AT = 9
POINTER = 40
SEED = 5
LEAD_BITS = 7


def settings_of(option: str, **changes: int) -> SenderSettings:
    return SenderSettings(
        option=option, pointer_p=POINTER, hdlc_rate_code=DEFAULT_RATE_CODES[option], **changes
    )


def length_for(fault: Fault, option: str) -> int:
    """Hyperframes that let a fault come and go, and its frame leave."""
    line = option_named(option)
    rate = line.hdlc_octets(DEFAULT_RATE_CODES[option])
    context = Context(line, pointer_p=POINTER, hdlc_rate_code=DEFAULT_RATE_CODES[option])
    within = fault.expectation(context).within_hyperframes if fault.kind.layer.value == "channel" else 0
    assert rate is not None
    return AT + max(11, within, (reach(fault) or 0) + 9)


class Received:
    """What LinkDecoder makes of a capture."""

    def __init__(self, data: bytes, option: str, form: LineForm) -> None:
        self.decoder = LinkDecoder(LinkSettings(option=option, form=form))
        self.events: list[Event] = [*self.decoder.receive(data), *self.decoder.finish()]
        self.counters = self.decoder.counters

    @property
    def frames(self) -> list[tuple[Any, ...]]:
        found = [e for e in self.events if isinstance(e, FrameReceived)]
        order = {Plane.HDLC: 0, Plane.ETHERNET: 1}
        found.sort(key=lambda e: (e.hyperframe or 0, order[e.plane]))
        return [
            (e.plane.value, e.hyperframe, e.bfn, e.hfn, e.status.value, e.data.hex(), e.fcs.hex())
            for e in found
        ]

    @property
    def vendor(self) -> list[tuple[int, ...]]:
        return [
            (event.hyperframe or 0, c.ns, c.xs, c.y, c.old, c.new)
            for event in self.events
            if isinstance(event, OctetsChanged) and event.plane is Plane.VENDOR
            for c in event.changes()
        ]

    def good(self, plane: str) -> list[str]:
        return [f[5] for f in self.frames if f[0] == plane and f[4] == "good"]


@cache
def captured(
    faults: tuple[str, ...], option: str, form: LineForm, hyperframes: int, settings: SenderSettings
) -> tuple[Crafted, bytes]:
    """A capture and its truth."""
    data = bytearray()
    crafted = craft(
        settings,
        hyperframes,
        form,
        data.extend,
        seed=SEED,
        faults=[parse_fault(text) for text in faults],
        lead_bits=LEAD_BITS if form is LineForm.BITS else 0,
    )
    return crafted, bytes(data)


def made(
    faults: Sequence[Fault],
    option: str = "2",
    form: LineForm = LineForm.BITS,
    hyperframes: int = 40,
    **settings: int,
) -> tuple[Crafted, Received]:
    texts = tuple(fault.text for fault in faults)
    crafted, data = captured(texts, option, form, hyperframes, settings_of(option, **settings))
    return crafted, Received(data, option, form)


@cache
def clean(option: str, form: LineForm, hyperframes: int) -> Received:
    return made((), option, form, hyperframes)[1]


def assert_true(crafted: Crafted, received: Received) -> None:
    """The receiver finds exactly what the truth says."""
    truth = crafted.truth
    wrong = {
        name: (received.counters[name], truth["counters"][name])
        for name in COUNTERS
        if received.counters[name] != truth["counters"][name]
    }
    assert not wrong, f"(received, truth): {wrong}"
    rows = [
        (f["plane"], f["hyperframe"], f["bfn"], f["hfn"], f["status"], f["data"], f["fcs"])
        for f in truth["frames"]
    ]
    assert received.frames == rows
    names = ("hyperframe", "ns", "xs", "y", "old", "new")
    assert received.vendor == [tuple(v[name] for name in names) for v in truth["vendor"]]
    assert received.decoder.hyperframes == truth["hyperframes"]


def difference(received: Received, baseline: Received) -> dict[str, int]:
    moved = {name: received.counters[name] - baseline.counters[name] for name in COUNTERS}
    return {name: by for name, by in moved.items() if by}


def context_of(fault: Fault, option: str, form: LineForm, hyperframes: int) -> Context:
    at = fault.hyperframe or 0
    return Context(
        option_named(option),
        hyperframes - 1 - at,
        at,
        at % 150,
        form.has_flags,
        POINTER,
        DEFAULT_RATE_CODES[option],
    )


def findings(expectation: Expectation, moved: Mapping[str, int]) -> list[str]:
    still = dict.fromkeys(COUNTERS, 0)
    return [f.text for f in judge(Declared(expectation), Observation(still), Observation(still | moved))]


def check(fault: Fault, option: str, form: LineForm) -> None:
    hyperframes = length_for(fault, option)
    crafted, received = made((fault,), option, form, hyperframes)
    assert_true(crafted, received)
    baseline = clean(option, form, hyperframes)
    expectation = fault.expectation(context_of(fault, option, form, hyperframes))
    assert findings(expectation, difference(received, baseline)) == []
    (placed,) = crafted.truth["faults"]
    assert placed["expected"] == {name: by for name, by in expectation.exact.items() if by}
    if "lof_events" in expectation.allowed or fault.kind.plane in ("l1", "line", "delay"):
        return
    # Good frames are the clean capture's, but for what the damaged frame displaces at the end.
    for plane in ("hdlc", "ethernet"):
        if plane == fault.kind.plane:
            extra = [d for d in received.good(plane) if d not in baseline.good(plane)]
            assert len(extra) <= 20
        else:
            assert received.good(plane) == baseline.good(plane)


def fits(fault: Fault, option: str) -> bool:
    try:
        check_fault(fault, option_named(option), POINTER, DEFAULT_RATE_CODES[option])
    except InputError:
        return False
    return True


def of(kind: FaultKind, **values: int) -> Fault:
    return kind.fault(AT, **values)


def edges(kind: FaultKind) -> Iterator[Fault]:
    """Each parameter at its least and its most, the others at their defaults; long ones cut to be quick."""
    for p in kind.parameters:
        low, high = p.low, p.high
        if p.unit == "hyperframes" and p.name != "by":
            low, high = max(low, 1), min(high, 13)
        if p.name == "steps":
            high = 4
        if kind.name == "vendor.value" and p.name == "value":
            low = 1  # 0 is what is there
        for value in (low, high):
            if value != p.default:
                yield of(kind, **{p.name: value})


KINDS = kinds_for(option_named("2")).values()
DEFAULTS = [of(kind) for kind in KINDS]
EDGES = [fault for kind in KINDS for fault in edges(kind)]
OPTIONS = ("1", "2", "4")


def pairs(faults: Sequence[Fault]) -> list[Any]:
    """(fault, option) wherever the fault has a place."""
    return [
        pytest.param(fault, option, id=f"{option}-{fault.text}")
        for fault in faults
        for option in OPTIONS
        if fits(fault, option)
    ]


@pytest.mark.parametrize(("fault", "option"), pairs(DEFAULTS))
def test_defaults(fault: Fault, option: str) -> None:
    check(fault, option, LineForm.BITS)


@pytest.mark.parametrize(("fault", "option"), pairs(EDGES))
def test_edges(fault: Fault, option: str) -> None:
    check(fault, option, LineForm.BITS)


def test_few_faults_have_no_place() -> None:
    """What `pairs` leaves out: fillers at option 1, octets Y beyond the word, parameters that exclude each other."""
    left_out = {f.kind.name for f in DEFAULTS for option in OPTIONS if not fits(f, option)}
    assert left_out == {"sync.filler"}


@pytest.mark.parametrize("form", [LineForm.OCTETS, LineForm.FLAGGED, LineForm.SYMBOLS], ids=str)
@pytest.mark.parametrize("fault", DEFAULTS, ids=lambda f: f.kind.name)
def test_other_forms(fault: Fault, form: LineForm) -> None:
    if fault.kind.name in ("line.slip", "delay.step", "delay.drift"):
        with pytest.raises(InputError, match="needs a form with line bits"):
            made((fault,), "2", form)
        return
    check(fault, "2", form)


@pytest.mark.parametrize("form", CHARACTER_FORMS, ids=str)
@pytest.mark.parametrize("bits", [-990, -10, 10, 1000])
def test_delay_step_of_whole_characters_fits_every_form(bits: int, form: LineForm) -> None:
    check(of(CATALOGUE["delay.step"], bits=bits), "2", form)


ANYWHERE = """sync.comma:count=2 sync.comma:count=3 sync.filler:value=0 line.violation:count=1 line.violation:count=20
l1.rai:hyperframes=1 l1.pointer:hyperframes=6 vendor.flip:bit=1 line.slip:bits=1 line.slip:bits=-1 delay.step:bits=4
delay.step:bits=-30 line.character:characters=1 line.dark:level=1""".split()


@pytest.mark.parametrize("text", ANYWHERE)
@pytest.mark.parametrize("at", [0, 1, 3, 36, 38, 39])
def test_truth_at_the_ends_of_a_capture(text: str, at: int) -> None:
    """Where sync is just being found, or the capture ends before the consequence."""
    assert_true(*made((parse_fault(text.replace(":", f"@{at}:")),)))


# --- what is asked of a receiver, fault by fault -----------------------------------------------------------


def moved_by(
    *texts: str, option: str = "2", form: LineForm = LineForm.BITS, hyperframes: int = 40
) -> dict[str, int]:
    """Counters that move against the same capture without the faults; its truth is checked too."""
    crafted, received = made([parse_fault(t) for t in texts], option, form, hyperframes)
    assert_true(crafted, received)
    moved = difference(received, clean(option, form, hyperframes))
    return {k: v for k, v in moved.items() if k not in ("hdlc_frames", "ethernet_frames")}


def test_los_from_sixteen_errors_in_one_hyperframe() -> None:
    """CPRI clause 4.2.10.2: 16 violations within one hyperframe."""
    assert moved_by("line.violation@12:count=15") == {"code_violations": 15}
    assert moved_by("line.violation@12:count=8", "line.violation@13:count=8") == {"code_violations": 16}
    moved = moved_by("line.violation@12:count=16")
    assert (moved["code_violations"], moved["los_events"], moved["lof_events"]) == (16, 1, 1)
    moved = moved_by("line.violation@12:count=8", "line.violation@12:count=8,w=9")
    assert (moved["code_violations"], moved["los_events"], moved["lof_events"]) == (16, 1, 1)


def test_three_missed_sync_bytes_lose_sync() -> None:
    """CPRI clause 4.2.9, Fig. 26, falling back by one state."""
    assert moved_by("sync.comma@12:count=1") == {"missed_sync_bytes": 1}
    assert moved_by("sync.comma@12:count=2") == {"missed_sync_bytes": 2}
    moved = moved_by("sync.comma@12:count=3")
    assert (moved["missed_sync_bytes"], moved["lof_events"], moved.get("los_events", 0)) == (3, 1, 0)


def test_reset_request_takes_ten_hyperframes() -> None:
    """CPRI clause 4.2.7.6.1 (ten from memory)."""
    assert moved_by("l1.reset@12:hyperframes=9") == {"l1_alarm_changes": 2}
    assert moved_by("l1.reset@12:hyperframes=10") == {"l1_alarm_changes": 2, "reset_requests": 1}


@pytest.mark.parametrize("value", [1, 19])
def test_invalid_pointer_counts_each_hyperframe(value: int) -> None:
    """CPRI clause 4.2.7.7.2: 1 to 19 cannot be."""
    assert moved_by(f"l1.pointer@12:value={value},hyperframes=3") == {"pointer_invalid": 3}


def test_pointer_is_read_without_its_reserved_bits_and_only_after_four_hyperframes() -> None:
    assert moved_by(f"l1.pointer@12:value={0xC0 | POINTER},hyperframes=20") == {}
    assert moved_by("l1.pointer@12:value=30,hyperframes=3") == {}
    assert moved_by("l1.pointer@12:value=30,hyperframes=4") != {}


def test_reserved_bits_are_ignored() -> None:
    for word in range(3):
        assert moved_by(f"l1.reserved@12:word={word},hyperframes=12") == {}
    assert moved_by("l1.alarms@12:mask=0xE0,hyperframes=12") == {}


@pytest.mark.parametrize("option", ["1", "2", "4"])
@pytest.mark.parametrize("group", [ERROR_GROUP, *INVALID_GROUPS])
def test_every_code_group_that_is_no_data(group: int, option: str) -> None:
    """IEEE 802.3 table 24-1: H and the ten invalid ones."""
    assert moved_by(f"ethernet.code@12:group={group},at=7", option=option) == {"ethernet_code_errors": 1}


@pytest.mark.parametrize("which", range(6))
@pytest.mark.parametrize("option", ["1", "2", "4"])
def test_every_broken_delimiter(which: int, option: str) -> None:
    expected = {"ethernet_delimiter_errors": 1}
    assert moved_by(f"ethernet.delimiter@12:which={which}", option=option) == expected


@pytest.mark.parametrize(
    ("text", "counter"),
    [
        ("ethernet.short@12:octets=63", "ethernet_too_short"),
        ("ethernet.size@12:octets=64", None),
        ("ethernet.size@12:octets=1518", None),
        ("ethernet.long@12:octets=1519", "ethernet_too_long"),
        ("ethernet.size@12:octets=1522,tag=1", None),
        ("ethernet.long@12:octets=1523,tag=1", "ethernet_too_long"),
        ("ethernet.gap@12:groups=1", None),
        ("ethernet.preamble@12:fives=0", None),
        ("ethernet.preamble@12:fives=33", "ethernet_delimiter_errors"),
        ("hdlc.abort@12:after=2", "hdlc_aborts"),
        ("hdlc.short@12:octets=2", "hdlc_too_short"),
        ("hdlc.long@12:octets=2049", "hdlc_too_long"),
        ("hdlc.stuffing@12:ones=0", "hdlc_unaligned"),
        ("hdlc.stuffing@12:ones=1", "hdlc_aborts"),
        ("hdlc.flag@12", "hdlc_fcs_errors"),
    ],
)
def test_one_frame_counts_under_one_heading(text: str, counter: str | None) -> None:
    hyperframes = 320 if "hdlc.long" in text else 60
    assert moved_by(text, hyperframes=hyperframes) == ({} if counter is None else {counter: 1})


@pytest.mark.parametrize("how", range(3))
def test_hdlc_frames_may_meet_in_every_legal_way(how: int) -> None:
    """ISO/IEC 13239: one flag may close and open, two flags may share a zero."""
    crafted, received = made((parse_fault(f"hdlc.join@12:how={how},frames=8"),), hyperframes=80)
    assert_true(crafted, received)
    baseline = clean("2", LineForm.BITS, 80)
    assert received.good("hdlc")[: len(baseline.good("hdlc")) - 2] == baseline.good("hdlc")[:-2]


def test_close_frames_are_close() -> None:
    """One idle group between R and J: 5 ones, where a full gap has 120."""

    def octets_of(groups: int) -> int:
        encoder = CloseEthernetEncoder()
        encoder.send(bytes(60))
        encoder.send_close(bytes(60), groups)
        return encoder.pending_octets

    assert octets_of(24) - octets_of(1) == pytest.approx(23 * 5 / 8, abs=1)


def test_inverted_line_keeps_sync_but_not_the_fillers() -> None:
    """Every symbol's complement is legal (computed from IEEE 802.3 table 36-1)."""
    crafted, received = made((parse_fault("line.invert@12:hyperframes=10"),))
    assert_true(crafted, received)
    counters = received.counters
    assert counters["filler_mismatches"] == 10
    assert (counters["los_events"], counters["lof_events"], counters["missed_sync_bytes"]) == (0, 0, 0)
    assert counters["code_violations"] == 0
    assert counters["disparity_errors"] <= 2
    assert counters["hfn_invalid"] + counters["hfn_discontinuities"] > 0


@pytest.mark.parametrize("code", range(12))
def test_every_special_character_out_of_place(code: int) -> None:
    """IEEE 802.3 table 36-2; CPRI clause 4.2.9: the frame position must not move."""
    assert moved_by(f"line.k@12:code={code}") == {"unexpected_k": 1}


def test_hfn_stuck_skipped_and_repeated() -> None:
    """CPRI clause 4.2.7.3."""
    assert moved_by("sync.hfn_stuck@12:hyperframes=3") == {"hfn_discontinuities": 4}
    assert moved_by("sync.jump@12:by=1") == {"hfn_discontinuities": 1}
    assert moved_by("sync.jump@12:by=-1") == {"hfn_discontinuities": 1}
    assert moved_by("sync.jump@12:by=150") == {"bfn_discontinuities": 1}


@pytest.mark.parametrize("at", [8, 9, 10, 11])
@pytest.mark.parametrize("text", ["sync.hfn:value=7", "sync.hfn:value=149", "sync.bfn_stuck:hyperframes=2"])
def test_timing_faults_where_bfn_steps(text: str, at: int) -> None:
    """HFN 0 comes in hyperframe 10: what is declared knows where in the 10 ms frame it stands."""
    name, _, values = text.partition(":")
    fault = parse_fault(f"{name}@{at}:{values}")
    crafted, received = made((fault,), hfn=140)
    assert_true(crafted, received)
    context = Context(option_named("2"), 39 - at, at, (140 + at) % 150)
    # The vendor counter steps with BFN, with or without the fault.
    moved = {
        n: received.counters[n] for n in COUNTERS if n.startswith(("hfn", "bfn")) and received.counters[n]
    }
    assert moved == fault.expected(context)


def test_bfn_wraps_without_an_error() -> None:
    crafted, received = made((), bfn=4095, hfn=140)
    assert_true(crafted, received)
    assert received.counters["bfn_discontinuities"] == received.counters["hfn_discontinuities"] == 0
    assert crafted.truth["last"] == {"bfn": 0, "hfn": 29}


def test_delay_drift_realigns_at_each_step() -> None:
    crafted, received = made((parse_fault("delay.drift@12:bits=3,steps=4,every=12"),), hyperframes=70)
    assert_true(crafted, received)
    assert received.counters["realignments"] == received.counters["lof_events"] == 4
    assert received.decoder.alignment_slip_bits == 7  # of the first alignment


def test_vendor_value_that_is_there_already_moves_nothing() -> None:
    crafted, received = made((parse_fault("vendor.value@12:value=0"),))
    assert_true(crafted, received)
    assert crafted.truth["faults"][0]["expected"] == {}
    assert received.counters["vendor_changes"] == 0


def test_iq_faults_change_iq_and_nothing_else() -> None:
    data: dict[str, bytes] = {}
    for name in ("iq.flip", "iq.stuck", "iq.constant", "iq.shift", "iq.swap"):
        out = bytearray()
        craft(
            settings_of("2"), 20, LineForm.OCTETS, out.extend, seed=SEED, faults=[parse_fault(f"{name}@12")]
        )
        data[name] = bytes(out)
    plain = bytearray()
    craft(settings_of("2"), 20, LineForm.OCTETS, plain.extend, seed=SEED)
    size = option_named("2").hyperframe_octets
    for name, octets in data.items():
        changed = [i for i in range(len(plain)) if octets[i] != plain[i]]
        assert changed, name
        assert all(i // size == 12 and i // 2 % 16 for i in changed), name
    assert sum(a != b for a, b in zip(data["iq.flip"], plain, strict=True)) == 1


# --- alarms and time ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    ["l1.rai", "l1.lof:hyperframes=5", "l1.alarms:mask=0x1F", "sync.comma:count=4", "line.violation:count=20",
     "line.dark:hyperframes=3", "delay.step:bits=-7", "line.character:characters=-2"],
)  # fmt: skip
def test_alarms_come_and_go_as_declared(text: str) -> None:
    name, _, values = text.partition(":")
    fault = parse_fault(f"{name}@{AT}:{values}")
    _, received = made((fault,))
    expectation = fault.expectation(context_of(fault, "2", LineForm.BITS, 40))
    raised = {(e.alarm, e.origin) for e in received.events if isinstance(e, AlarmRaised)}
    cleared = {(e.alarm, e.origin) for e in received.events if isinstance(e, AlarmCleared)}
    if "l1_alarm_changes" in expectation.tolerated:
        # Z.130.0 was read out of step: whatever stood there may look like remote alarms.
        raised = {a for a in raised if a[1] is Origin.LOCAL}
        cleared = {a for a in cleared if a[1] is Origin.LOCAL}
    assert raised == set(expectation.raised)
    assert cleared == set(expectation.cleared)


@pytest.mark.parametrize(("fault", "option"), pairs(DEFAULTS))
def test_everything_shows_within_the_hyperframes_declared(fault: Fault, option: str) -> None:
    """The same capture, cut off so many hyperframes after the fault's own."""
    hyperframes = length_for(fault, option)
    expectation = fault.expectation(context_of(fault, option, LineForm.BITS, hyperframes))
    _, data = captured((fault.text,), option, LineForm.BITS, hyperframes, settings_of(option))
    read = AT + expectation.within_hyperframes + 1
    bits = LEAD_BITS + read * option_named(option).hyperframe_line_bits + 1001
    received = Received(data[: bits // 8], option, LineForm.BITS)
    wanted = {name: by for name, by in expectation.exact.items() if by}
    if fault.kind.name == "line.invert":
        wanted["filler_mismatches"] = min(wanted.get("filler_mismatches", 0), 1)
    found = {name: received.counters[name] for name in wanted}
    if fault.kind.name == "line.invert":
        found = {name: min(by, 1) for name, by in found.items()}
    assert found == wanted


# --- declarations ------------------------------------------------------------------------------------------


def test_names_of_the_contract_are_there() -> None:
    names = """line.flip line.burst line.violation line.disparity line.slip sync.comma sync.hfn sync.bfn sync.filler
    l1.reset l1.rai l1.sdi l1.los l1.lof l1.pointer l1.version l1.rate hdlc.fcs hdlc.abort hdlc.short
    hdlc.unaligned hdlc.stuffing ethernet.fcs ethernet.code ethernet.delimiter ethernet.short ethernet.long
    vendor.value vendor.flip iq.flip iq.stuck iq.constant delay.step delay.drift""".split()
    assert set(names) <= set(CATALOGUE)


@pytest.mark.parametrize("kind", CATALOGUE.values(), ids=lambda k: k.name)
def test_declarations_are_whole(kind: FaultKind) -> None:
    assert kind.meaning
    assert kind.source
    assert len({p.name for p in kind.parameters}) == len(kind.parameters)
    for p in kind.parameters:
        assert p.low <= p.default <= p.high
        assert p.meaning
    context = Context(option_named("2"))
    expectation = kind.fault().expectation(context)
    named = {*expectation.exact, *expectation.tolerated, *expectation.allowed}
    assert named <= set(COUNTERS)
    assert expectation.within_hyperframes >= 1
    assert all(expectation.tolerated.values())
    assert parse_fault(kind.fault(3).text) == kind.fault(3)


def test_cross_talk_matrix_is_what_a_receiver_shows() -> None:
    """The rows that CPRI V7.0 clause 4.2 implies: a fault of one plane leaves the counters of the others still."""
    matrix = cross_talk_matrix()
    assert list(matrix) == [kind.name for kind in KINDS]
    for fault in DEFAULTS:
        hyperframes = length_for(fault, "2")
        _, received = made((fault,), "2", LineForm.BITS, hyperframes)
        moved = difference(received, clean("2", LineForm.BITS, hyperframes))
        row = matrix[fault.kind.name]
        for name in COUNTERS:
            if row[name] is Mark.STILL:
                assert not moved.get(name), (fault.kind.name, name)
            if row[name] is Mark.MUST:
                assert moved.get(name), (fault.kind.name, name)
    planes = {"hdlc": "hdlc_", "ethernet": "ethernet_", "vendor": "vendor_"}
    for name, row in matrix.items():
        plane = name.split(".", maxsplit=1)[0]
        if plane in planes:
            assert all(not mark or counter.startswith(planes[plane]) for counter, mark in row.items())


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("line.burst@12:count=50,span=40", "count=50 does not fit"),
        ("line.burst@12:x=255,w=15,span=4000", "beyond the end"),
        ("ethernet.sfd@12:nibble=13", "right one"),
        ("ethernet.size@12:octets=1522", "too long without a tag"),
        ("ethernet.long@12:tag=1", "legal with a tag"),
        ("line.slip@12:bits=0", "changes nothing"),
        ("vendor.flip@12:ns=40", "not vendor specific"),
        ("vendor.value@12:y=2", "words of option 2 have 2 octets"),
    ],
)
def test_what_cannot_be_is_told(text: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        made((parse_fault(text),))


def test_filler_fault_needs_fillers() -> None:
    with pytest.raises(InputError, match="no octets beside the sync byte"):
        made((parse_fault("sync.filler@12"),), "1")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("line.flop", "did you mean line.flip"),
        ("line.flip@x", "not a hyperframe number"),
        ("line.flip@3:z=1", "none of its parameters"),
        ("line.flip@3:bit", "not key=value"),
        ("line.flip@3:bit=10", "out of range 0 to 9"),
        ("line.flip@3:bit=a", "not a whole number"),
    ],
)
def test_text_that_is_no_fault(text: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        parse_fault(text)


def test_cuts_need_time_between_them() -> None:
    with pytest.raises(InputError, match="leave at least"):
        made((parse_fault("line.slip@12"), parse_fault("delay.step@20")))


def test_findings_name_what_moved_otherwise() -> None:
    expectation = parse_fault("hdlc.fcs").expectation(Context(option_named("2")))
    assert findings(expectation, {"hdlc_fcs_errors": 1, "hdlc_frames": -1}) == []
    assert findings(expectation, {}) == ["hdlc_fcs_errors: expected +1, observed +0"]
    assert findings(expectation, {"hdlc_fcs_errors": 1, "hfn_invalid": 2}) == [
        "hfn_invalid: expected no change, observed +2"
    ]
    flip = parse_fault("line.flip").expectation(Context(option_named("2")))
    assert findings(flip, {"disparity_errors": 3}) == [
        "code_violations + disparity_errors: expected +1..+2, observed +3"
    ]
    assert flip.allowed["code_violations"] == (0, 2)
