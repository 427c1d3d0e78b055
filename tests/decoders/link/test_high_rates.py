"""Options 7A to 10 and version 2 through the whole decoder: every form, any cut, and what each damage counts.

Numbers of counters follow from IEEE 802.3 clause 49 (block code, scrambler 1 + x^39 + x^58), clause 91 (RS(528,514)
corrects 7 symbols of ten bits) and the tables of CPRI V7.0; where a rule is a reading of the project it is said.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from decoders import events as ev
from decoders.errors import SettingsError
from decoders.line_coding.block_forms import FecChoice
from decoders.line_coding.characters import BLOCK_FORMS, CHARACTER_FORMS, LineForm
from decoders.line_coding.code_64b66b import BLOCK_BITS, START, TERMINATE
from decoders.line_coding.rs_fec import CODEWORD_BITS
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import BlockLosRule, BlockSettings, BlockSyncWord, LinkSettings
from decoders.link.sync_places import SyncWordKnownBy
from tests.support.link_streams import Hyperframes, Received, hyperframes, line_data, receive

OCTETS, FLAGGED, BLOCKS, BITS = BLOCK_FORMS
OPTIONS_64B66B = ("7A", "8", "9", "10")
SEED = 0x12345678
_MARGIN = 2  # frames at the end that may not be whole yet


def _settings(option: str, form: LineForm, **blocks: object) -> LinkSettings:
    return LinkSettings(option=option, form=form, blocks=BlockSettings(**blocks))  # type: ignore[arg-type]


def _is_clean(made: Hyperframes, got: Received) -> None:
    assert got.moved == {}
    assert got.decoder.acquired_at_hyperframe == 0
    assert np.array_equal(got.octets, made.octets)
    for plane, sent in made.sent.items():
        frames = got.frames(plane)
        assert len(frames) > 3
        assert frames == sent[: len(frames)]
        assert len(frames) >= len(sent) - _MARGIN


def _flip(data: bytes, *bits: int) -> bytes:
    octets = np.frombuffer(data, np.uint8).copy()
    for bit in bits:
        octets[bit >> 3] ^= 1 << (bit & 7)
    return octets.tobytes()


# ---- clean -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("option", OPTIONS_64B66B)
@pytest.mark.parametrize("form", BLOCK_FORMS)
def test_a_clean_stream_moves_nothing(option: str, form: LineForm) -> None:
    made = hyperframes(option)
    lead = {"7A": 0, "8": 65, "9": 1, "10": 34}[option] if form is BITS else 0
    got = receive(line_data(made, form, lead_bits=lead), _settings(option, form))
    _is_clean(made, got)
    decoder = got.decoder
    assert decoder.alignment_slip_bits == (lead if form is BITS else None)
    assert decoder.sync_word is not None
    assert decoder.sync_word.known_by is SyncWordKnownBy.MEASURED
    assert (decoder.sync_word.word.layout, decoder.sync_word.word.origin) == ("T7_S0", "T")
    assert decoder.fec is None
    assert decoder.trailing_octets == 0


@pytest.mark.parametrize("option", OPTIONS_64B66B)
@pytest.mark.parametrize(("header_xor", "lead"), [(False, 0), (True, 5279), (True, 700)])
def test_a_clean_stream_with_fec_moves_nothing(option: str, header_xor: bool, lead: int) -> None:
    made = hyperframes(option)
    data = line_data(made, BITS, fec=True, header_xor=header_xor, lead_bits=lead)
    for choice in (FecChoice.AUTO, FecChoice.ON):
        got = receive(data, _settings(option, BITS, fec=choice))
        _is_clean(made, got)
        assert got.decoder.alignment_slip_bits == lead % 66
        assert got.decoder.fec is not None
        assert got.decoder.fec.header_xor is header_xor
        assert got.decoder.fec.codeword_phase_bits == lead


@pytest.mark.parametrize("option", ["5", "6", "7"])
@pytest.mark.parametrize("form", CHARACTER_FORMS)
@pytest.mark.parametrize("seed", [SEED, 0])
def test_version_2_is_found_and_taken_off(option: str, form: LineForm, seed: int) -> None:
    made = hyperframes(option, version=2)
    data = line_data(made, form, seed=seed, lead_bits=7 if form is BITS else 0)
    got = receive(data, LinkSettings(option=option, form=form))
    _is_clean(made, got)
    assert got.decoder.scrambling_seed == seed
    assert got.decoder.planes.version.accepted == 2


def test_version_1_has_no_seed() -> None:
    made = hyperframes("7")
    got = receive(line_data(made, FLAGGED), LinkSettings(option="7", form=FLAGGED))
    _is_clean(made, got)
    assert got.decoder.scrambling_seed is None


# ---- any cut ---------------------------------------------------------------------------------------------

_DAMAGED: dict[str, tuple[LineForm, dict[str, object]]] = {
    "bits": (BITS, {"lead_bits": 40}),
    "blocks": (BLOCKS, {}),
    "flagged": (FLAGGED, {}),
    "octets": (OCTETS, {}),
    "fec": (BITS, {"fec": True, "header_xor": True, "lead_bits": 3001}),
}


@pytest.mark.parametrize("name", _DAMAGED)
def test_any_cut_gives_the_same(name: str) -> None:
    form, how = _DAMAGED[name]
    made = hyperframes("7A", 8)
    random = np.random.default_rng(5)
    data = bytearray(line_data(made, form, **how))  # type: ignore[arg-type]
    step = {FLAGGED: 2, BLOCKS: 9}.get(form, 1)
    for at in random.integers(0, len(data) // step, 30).tolist():
        data[at * step] ^= 1 << random.integers(0, 8)
    hole = len(data) * 5 // 9 // step * step  # sync is lost, and found anew
    raw = bytes(data[5 * step : hole] + data[hole + 77 * step :])
    whole = receive(raw, _settings("7A", form))
    assert whole.moved
    assert whole.decoder.losses <= 1
    for cuts in (
        random.integers(1, len(raw) // 6, 20).tolist(),
        random.integers(1, 300, 400).tolist(),
        [65536] * 12,
        [len(raw) // 2 - 3, 1, 1, 1, 1, 1, 1],
    ):
        again = receive(raw, _settings("7A", form), cuts)
        assert again.events == whole.events
        assert again.decoder.counters == whole.decoder.counters
        assert again.decoder.progress == whole.decoder.progress
        assert np.array_equal(again.octets, whole.octets)


@pytest.mark.parametrize("form", [OCTETS, FLAGGED])
def test_any_cut_gives_the_same_with_scrambling(form: LineForm) -> None:
    made = hyperframes("5", 8, version=2)
    data = bytearray(line_data(made, form, seed=SEED))
    scale = len(data) // 8
    data[6 * scale + 4 * scale // 32768] ^= 0x10  # a filler of hyperframe 6
    raw = bytes(data[100:])
    whole = receive(raw, LinkSettings(option="5", form=form))
    assert whole.moved["scrambling_unreliable"] == 1
    for cuts in ([scale] * 8, [scale - 1, scale + 1] * 4, [999] * 200):
        again = receive(raw, LinkSettings(option="5", form=form), cuts)
        assert again.events == whole.events
        assert np.array_equal(again.octets, whole.octets)


# ---- 64B/66B ---------------------------------------------------------------------------------------------


def test_one_bit_error_is_three_of_the_payload_and_nothing_else() -> None:
    """802.3 clause 49.2.10: the descrambler multiplies by 1 + x^39 + x^58, so bits +0, +39 and +58 are wrong."""
    made = hyperframes("8")
    data = line_data(made, BITS)
    random = np.random.default_rng(8)
    size = made.octets[0].size
    for _ in range(12):
        # A block of IQ data in hyperframe 2, where W = 0 is more than 16 octets away.
        block = 2 * size // 8 + 40 * int(random.integers(10, 200)) + int(random.integers(5, 35))
        bit = int(random.integers(0, 64))
        got = receive(_flip(data, BLOCK_BITS * block + 2 + bit), _settings("8", BITS))
        assert got.moved == {}
        differ = got.octets.reshape(-1) ^ made.octets.reshape(-1)
        wrong = np.flatnonzero(np.unpackbits(differ, bitorder="little"))
        assert wrong.tolist() == [64 * block + bit + lag for lag in (0, 39, 58)]


@pytest.mark.parametrize("bit", [0, 1])
def test_a_bad_header_is_one_block_and_its_octets_are_as_received(bit: int) -> None:
    """802.3 clause 49.2.4.3: 00 and 11 are no headers; a data block's is 01."""
    made = hyperframes("7A")
    block = 8192 * 2 + 1000
    data = line_data(made, BITS)
    got = receive(_flip(data, BLOCK_BITS * block + bit), _settings("7A", BITS))
    assert got.moved == {"block_header_errors": 1}
    assert np.array_equal(got.octets, made.octets)
    assert [e for e in got.events if isinstance(e, ev.BlockErrors)] == [ev.BlockErrors(2, 1, 0, 0, 8000)]


@pytest.mark.parametrize(("count", "los"), [(15, 0), (16, 1)])
def test_los_by_count_of_headers(count: int, los: int) -> None:
    """16 bad headers in a hyperframe: a setting, as the rule is not known (common practice, no source)."""
    made = hyperframes("7A", 9)
    blocks = 8192 * 3 + 100 * np.arange(1, count + 1)
    data = _flip(line_data(made, BITS), *(BLOCK_BITS * blocks).tolist())
    got = receive(data, _settings("7A", BITS))
    assert got.moved.get("los_events", 0) == los
    assert got.moved["block_header_errors"] == count
    assert got.decoder.state.value == "HFNSYNC"
    lock = receive(data, _settings("7A", BITS, los_rule=BlockLosRule.BLOCK_LOCK))
    assert lock.moved == {"block_header_errors": count}


def test_los_by_block_lock() -> None:
    """802.3 figure 49-12: 16 bad headers of 64 lose lock."""
    made = hyperframes("7A", 8)
    blocks = 8192 * 3 + 640 + 3 * np.arange(16)
    data = _flip(line_data(made, BITS), *(BLOCK_BITS * blocks).tolist())
    for rule in (BlockLosRule.BLOCK_LOCK, BlockLosRule.EITHER):
        got = receive(data, _settings("7A", BITS, los_rule=rule))
        assert (got.moved["block_lock_losses"], got.moved["los_events"], got.moved["lof_events"]) == (1, 1, 1)
    once = receive(_flip(line_data(made, BITS), *(BLOCK_BITS * blocks[:15]).tolist()), _settings("7A", BITS))
    assert once.moved == {"block_header_errors": 15}


def _with_special(made: Hyperframes, *more: int, without: tuple[int, ...] = ()) -> Hyperframes:
    kept = sorted({*made.special.tolist(), *more} - set(without))
    return replace(made, special=np.array(kept, np.int64))


@pytest.mark.parametrize("form", [BITS, BLOCKS, FLAGGED])
@pytest.mark.parametrize("gone", [7, 8])
def test_a_sync_word_without_one_of_its_blocks_is_missed_once(form: LineForm, gone: int) -> None:
    made = hyperframes("7A", 8)
    size = made.octets[0].size
    made.octets[5, 0, 0, gone] = 0x50
    sent = _with_special(made, without=(5 * size + gone,))
    got = receive(line_data(sent, form), _settings("7A", form))
    assert got.moved == {"missed_sync_bytes": 1}
    (event,) = (e for e in got.events if isinstance(e, ev.SyncByteMissed))
    assert event == ev.SyncByteMissed(5, TERMINATE if gone == 8 else 0x50, TERMINATE)


@pytest.mark.parametrize("form", [BITS, BLOCKS, FLAGGED])
def test_terminate_and_start_elsewhere_are_unexpected_characters(form: LineForm) -> None:
    made = hyperframes("8", 8)
    size = made.octets[0].size
    at = 5 * size + 8 * 4005
    flat = made.octets.reshape(-1)
    flat[at + 7], flat[at + 8] = TERMINATE, START
    sent = _with_special(made, at + 7, at + 8)
    got = receive(line_data(sent, form), _settings("8", form))
    assert got.moved == {"unexpected_k": 2}
    (event,) = (e for e in got.events if isinstance(e, ev.UnexpectedK))
    assert (event.hyperframe, event.count, event.octet) == (5, 2, TERMINATE)


def test_a_block_of_another_type_is_counted_and_moves_no_hyperframe() -> None:
    """A data header turned into a control header: what was octet 0 is a type; 1E is one that has no place here."""
    made = hyperframes("9", 8)
    size = made.octets[0].size
    at = 4 * size + 8 * 3000
    made.octets.reshape(-1)[at] = 0x1E
    data = line_data(made, BITS)
    block = at // 8
    got = receive(_flip(data, BLOCK_BITS * block, BLOCK_BITS * block + 1), _settings("9", BITS))
    assert got.moved == {"block_type_unexpected": 1}
    assert got.decoder.hyperframes == 8


def test_octets_beside_terminate_and_start_are_counted_and_judged_if_asked_for() -> None:
    made = hyperframes("7A", 8)
    made.octets[5, 0, 0, 12] = 0x51
    data = line_data(made, BLOCKS)
    got = receive(data, _settings("7A", BLOCKS))
    assert got.moved == {"sync_word_filler_mismatches": 1}
    strict = receive(data, _settings("7A", BLOCKS, strict=True))
    assert strict.moved == {"missed_sync_bytes": 1}


@pytest.mark.parametrize("option", ["8", "9", "10"])
def test_octets_from_y_16_on_move_no_counter(option: str) -> None:
    made = hyperframes(option)
    made.octets[:, :, 0, 16:] = np.random.default_rng(1).integers(0, 256, made.octets[:, :, 0, 16:].shape)
    for form in (BITS, OCTETS):
        _is_clean(made, receive(line_data(made, form), _settings(option, form)))


def _other_layout(terminate_at: int, start_first: bool) -> Hyperframes:
    """Hyperframes of option 7A with another sync word; what stands behind /T/ in its block is idle (07)."""
    made = hyperframes("7A", 8)
    size = made.octets[0].size
    rows = made.octets.reshape(8, -1)
    rows[:, :16] = 0x50
    t_block, s_block = (size - 8, 0) if start_first else (0, 8)
    rows[:, t_block : t_block + 8] = [0x50] * terminate_at + [TERMINATE] + [0x07] * (7 - terminate_at)
    rows[:, s_block] = START
    places = np.array(sorted((t_block + terminate_at, s_block)))
    special = (np.arange(8)[:, None] * size + places).reshape(-1)
    return replace(made, special=special)


@pytest.mark.parametrize("form", [BITS, FLAGGED, OCTETS])
@pytest.mark.parametrize(("terminate_at", "start_first"), [(0, False), (3, False), (7, True)])
def test_another_layout_is_measured_and_said_once(
    form: LineForm, terminate_at: int, start_first: bool
) -> None:
    made = _other_layout(terminate_at, start_first)
    got = receive(line_data(made, form), _settings("7A", form))
    assert got.moved == {}
    word = got.decoder.sync_word
    assert word is not None
    assert word.word == BlockSyncWord(terminate_at, start_first)
    assert word.known_by is SyncWordKnownBy.MEASURED
    told = [e for e in got.events if isinstance(e, ev.SyncWordDiffers)]
    assert told == [ev.SyncWordDiffers(0, f"T{terminate_at}_S0", "S" if start_first else "T")]
    # Beginning with /S/ the /T/ block of the first hyperframe stands at its end.
    assert got.decoder.hyperframes >= 7


def test_a_layout_that_was_chosen_is_assumed() -> None:
    chosen = BlockSyncWord(3)
    got = receive(line_data(_other_layout(3, False), BITS), _settings("7A", BITS, sync_word=chosen))
    assert got.decoder.hyperframes == 8
    assert got.decoder.sync_word is not None
    assert got.decoder.sync_word.known_by is SyncWordKnownBy.ASSUMED
    wrong = receive(line_data(hyperframes("7A"), BITS), _settings("7A", BITS, sync_word=chosen))
    assert wrong.decoder.hyperframes == 0


def test_one_hyperframe_more_than_begun_is_not_measured() -> None:
    """Of two sync words with a running HFN behind only one of them nothing is seen to run."""
    made = hyperframes("7A")
    size = made.octets[0].size
    data = line_data(made, FLAGGED)[: 2 * (size + 16)]
    got = receive(data, _settings("7A", FLAGGED))
    assert got.decoder.hyperframes == 1
    assert got.decoder.sync_word is not None
    assert got.decoder.sync_word.known_by is SyncWordKnownBy.ASSUMED


@pytest.mark.parametrize(("more", "realignments"), [(1, 1), (65, 1), (66, 0), (132, 0)])
def test_bits_more_on_the_line_are_a_realignment_unless_they_are_whole_blocks(
    more: int, realignments: int
) -> None:
    made = hyperframes("7A", 11)
    bits = np.unpackbits(np.frombuffer(line_data(made, BITS), np.uint8), bitorder="little")
    at = BLOCK_BITS * (8192 * 4 + 3000)
    noise = np.random.default_rng(2).integers(0, 2, more, np.uint8)
    data = np.packbits(np.concatenate((bits[:at], noise, bits[at:])), bitorder="little").tobytes()
    got = receive(data, _settings("7A", BITS))
    assert got.moved.get("realignments", 0) == realignments
    assert got.moved["lof_events"] == 1
    assert got.decoder.state.value == "HFNSYNC"
    assert got.decoder.alignment_slip_bits == 0


# ---- RS-FEC ----------------------------------------------------------------------------------------------


def _wrong_symbols(data: bytes, codeword: int, symbols: int) -> bytes:
    base = CODEWORD_BITS * codeword
    return _flip(data, *(base + 10 * (11 * n + 3) + n % 10 for n in range(symbols)))


@pytest.mark.parametrize(
    ("symbols", "moved"),
    [
        (1, {"fec_corrected_codewords": 1, "fec_corrected_symbols": 1}),
        (7, {"fec_corrected_codewords": 1, "fec_corrected_symbols": 7}),
    ],
)
@pytest.mark.parametrize("header_xor", [False, True])
def test_up_to_seven_wrong_symbols_are_corrected(
    symbols: int, moved: dict[str, int], header_xor: bool
) -> None:
    """802.3 clause 91.5.3.3: RS(528,514) corrects up to 7 symbols."""
    made = hyperframes("8")
    data = line_data(made, BITS, fec=True, header_xor=header_xor)
    got = receive(_wrong_symbols(data, 300, symbols), _settings("8", BITS))
    assert got.moved == moved
    assert np.array_equal(got.octets, made.octets)
    # 128 codewords a hyperframe, 640 octets each
    assert [e for e in got.events if isinstance(e, ev.CodewordErrors)] == [
        ev.CodewordErrors(2, 1, symbols, 0, 0, 640 * (300 - 256))
    ]


def test_eight_wrong_symbols_are_eighty_bad_blocks() -> None:
    """A word that cannot be corrected adds its 80 blocks to the bad headers, and so raises LOS by their count."""
    made = hyperframes("8", 10)
    data = _wrong_symbols(line_data(made, BITS, fec=True), 128 * 4 + 60, 8)
    got = receive(data, _settings("8", BITS))
    assert got.moved["fec_uncorrected_codewords"] == 1
    assert got.moved["block_header_errors"] == 80
    assert (got.moved["los_events"], got.moved["lof_events"]) == (1, 1)
    assert "fec_corrected_codewords" not in got.moved
    assert "fec_lock_losses" not in got.moved
    assert got.decoder.state.value == "HFNSYNC"


def test_fec_said_to_be_off_finds_nothing() -> None:
    data = line_data(hyperframes("7A"), BITS, fec=True)
    got = receive(data, _settings("7A", BITS, fec=FecChoice.OFF))
    assert got.decoder.hyperframes == 0
    assert got.events == []


# ---- version 2 -------------------------------------------------------------------------------------------


def test_another_seed_holds_from_its_hyperframe_on() -> None:
    made = hyperframes("6", 8, version=2)
    size = made.octets[0].size
    first, second = (line_data(made, FLAGGED, seed=seed) for seed in (SEED, 77))
    got = receive(first[: 2 * 4 * size] + second[2 * 4 * size :], LinkSettings(option="6", form=FLAGGED))
    assert got.moved == {"scrambling_seed_changes": 1}
    assert np.array_equal(got.octets, made.octets)
    assert got.decoder.scrambling_seed == 77
    told = [e for e in got.events if isinstance(e, ev.ScramblingSeedChanged)]
    assert told == [ev.ScramblingSeedChanged(4, SEED, 77)]


def test_a_wrong_filler_makes_one_hyperframe_unreliable() -> None:
    """The last seed is used, with which the one octet reads wrong, and counts as what it is."""
    made = hyperframes("7", 8, version=2)
    made.octets[4, 0, 0, 9] ^= 0x04
    got = receive(line_data(made, FLAGGED, seed=SEED), LinkSettings(option="7", form=FLAGGED))
    assert got.moved == {"scrambling_unreliable": 1, "filler_mismatches": 1}
    assert np.array_equal(got.octets, made.octets)
    assert got.decoder.scrambling_seed == SEED


@pytest.mark.parametrize(("option", "form"), [("4", FLAGGED), ("8", BITS), ("10", OCTETS)])
def test_version_2_where_there_is_no_scrambling_is_unknown(option: str, form: LineForm) -> None:
    """CPRI V7.0: version 2 is for options 5, 6 and 7."""
    made = hyperframes(option, 6, version=2)
    got = receive(line_data(made, form), LinkSettings(option=option, form=form))
    assert got.moved == {"version_unknown": 6}
    assert np.array_equal(got.octets, made.octets)
    assert got.decoder.scrambling_seed is None


# ---- what is refused -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("option", "form", "settings", "says"),
    [
        ("8", LineForm.SYMBOLS, {}, "no ten-bit symbols"),
        ("2", BLOCKS, {}, r"line code 8B/10B; .*blocks: 64B/66B only \(options 7A, 8, 9, 10\)"),
        ("8", OCTETS, {"fec": FecChoice.ON}, "FEC is in the form bits only"),
    ],
)
def test_what_an_option_does_not_have_is_refused(
    option: str, form: LineForm, settings: dict[str, object], says: str
) -> None:
    with pytest.raises(SettingsError, match=says):
        LinkDecoder(_settings(option, form, **settings))
