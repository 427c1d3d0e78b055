"""Compare: known differences in crafted pairs, shifted starts, gaps, forms, numbers that lie, and the verdict."""

from __future__ import annotations

import json
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from decoders.error_performance.bit_error_ratio import upper_bound
from decoders.error_performance.comparison import COMPARED_PLANES, Comparison, plane_map, ratio_bound
from decoders.error_performance.pairing import Numbering, NumberRange, Pairing, lengthen
from decoders.events import Plane
from decoders.line_coding.characters import LineForm
from decoders.linerates import option_named
from decoders.link.settings import SenderSettings
from monitor.emulation.line_writer import LineWriter
from monitor.emulation.sender import EmulatedSender
from monitor.errors import InputError
from monitor.faults.catalogue import parse_fault
from monitor.formats.ffcap import CaptureHeader, CaptureRecordType, gap_payload
from monitor.formats.ffcap_writer import CaptureWriter
from monitor.links.capture_comparison import CompareResult, compare_sources, stretches_text
from monitor.reports.compare_records import compare_record
from monitor.reports.compare_text import compare_lines
from monitor.sources.file import open_file_source
from monitor.sources.source import UNKNOWN_GAP
from tests.support.patience import patience

U8 = NDArray[np.uint8]
ROOT = Path(__file__).parents[3]
H1, H2 = 4096, 8192  # octets of a hyperframe at options 1 and 2 (CPRI V7.0 Table 3)
HYPERFRAMES = 160


def stream(
    form: str = "octets", *faults: str, hyperframes: int = HYPERFRAMES, option: str = "2", lead: int = 0
) -> bytes:
    settings = SenderSettings(option=option, pointer_p=40, hdlc_rate_code=1, bfn=4095, hfn=100)
    sender = EmulatedSender(settings, 11)
    for text in faults:
        sender.schedule(parse_fault(text))
    writer = LineWriter(LineForm(form), option_named(option), lead_bits=lead)
    # One by one, so that traffic does not hang on where the faults are.
    return b"".join(writer.write(sender.batch(1)) for _ in range(hyperframes)) + writer.finish()


@pytest.fixture(scope="module")
def sent_octets() -> bytes:
    return stream()


def compared(
    folder: Path, sent: bytes, received: bytes, forms: tuple[str, str] = ("octets", "octets")
) -> CompareResult:
    paths = (folder / f"sent.{forms[0]}", folder / f"received.{forms[1]}")
    for path, data in zip(paths, (sent, received), strict=True):
        path.write_bytes(data)
    sources = [open_file_source(path, form, "2") for path, form in zip(paths, forms, strict=True)]
    try:
        return compare_sources(*sources)
    finally:
        for source in sources:
            source.close()


def planes(result: CompareResult) -> dict[str, tuple[int, int]]:
    """Octets and bits that differ, of the planes that have any."""
    found = result.comparison.planes
    return {plane.value: (here.octets, here.bits) for plane, here in found.items() if here.octets}


def places(result: CompareResult, plane: Plane) -> list[tuple[int, int, int, int, int, int, int]]:
    return [(d.bfn, d.hfn, d.x, d.w, d.y, d.sent, d.received) for d in result.comparison.planes[plane].first]


@pytest.mark.parametrize("form", ["octets", "flagged", "symbols", "bits"])
def test_the_same_in_any_form_is_equal(tmp_path: Path, sent_octets: bytes, form: str) -> None:
    received = stream(form, lead=7 * (form == "bits"))
    result = compared(tmp_path, sent_octets, received, ("octets", form))
    assert result.comparison.hyperframes == HYPERFRAMES
    assert result.comparison.compared_bits == HYPERFRAMES * H2 * 8
    assert sum(here.compared_bits for here in result.comparison.planes.values()) == HYPERFRAMES * H2 * 8
    assert planes(result) == {}
    assert result.within(0.0, allow_gaps=False)
    assert result.pairing.runs == []


def test_each_fault_is_found_in_its_plane_and_place(tmp_path: Path, sent_octets: bytes) -> None:
    faults = (
        "iq.flip@30:x=12,w=7,y=1,bit=6",
        "vendor.value@51:ns=22,xs=2,y=1,value=0x5A,hyperframes=1",
        "sync.hfn@70:value=201",
        "sync.bfn@80:xor=0x101",
    )
    result = compared(tmp_path, sent_octets, stream("bits", *faults, lead=3), ("octets", "bits"))
    before = np.frombuffer(sent_octets, np.uint8).reshape(-1, 256, 16, 2)
    # The first hyperframe is BFN 4095, HFN 100: the 51st is BFN 0, HFN 0.
    iq = int(before[30, 12, 7, 1])
    assert places(result, Plane.IQ) == [(4095, 130, 12, 7, 1, iq, iq ^ 0x40)]
    vendor = int(before[51, 22 + 64 * 2, 0, 1])
    assert places(result, Plane.VENDOR) == [(0, 1, 150, 0, 1, vendor, 0x5A)]
    assert places(result, Plane.SYNC) == [
        (0, 20, 64, 0, 0, 20, 201),
        (0, 30, 128, 0, 0, 0, 1),
        (0, 30, 192, 0, 0, 0, 1),
    ]
    assert result.received.numbers_corrected == 2
    assert result.comparison.differing_hyperframes == 4
    assert result.comparison.differing_bits == 1 + (vendor ^ 0x5A).bit_count() + (20 ^ 201).bit_count() + 2
    assert set(planes(result)) == {"iq", "vendor", "sync"}


def test_damage_of_the_channels_stays_in_them(tmp_path: Path, sent_octets: bytes) -> None:
    result = compared(tmp_path, sent_octets, stream("octets", "hdlc.fcs@20:xor=0x8001"))
    assert set(planes(result)) == {"hdlc"}
    assert result.comparison.planes[Plane.HDLC].bits >= 2
    assert all(x in (1, 129) and w == 0 for _, _, x, w, _, _, _ in places(result, Plane.HDLC))
    result = compared(tmp_path, sent_octets, stream("octets", "ethernet.fcs@20:xor=1"))
    assert set(planes(result)) == {"ethernet"}
    # One bit of a nibble turns another 4B/5B group (IEEE 802.3 table 24-1): one to five line bits.
    assert 1 <= result.comparison.differing_bits <= 5


def test_line_damage_counts_in_decoded_bits(tmp_path: Path) -> None:
    clean, hurt = stream("symbols"), stream("symbols", "line.flip@40:x=9,w=3,y=0,bit=2")
    result = compared(tmp_path, clean, hurt, ("symbols", "symbols"))
    assert result.comparison.differing_octets == 1
    assert places(result, Plane.IQ)[0][:5] == (4095, 140, 9, 3, 0)
    assert result.received.code_violations + result.received.disparity_errors >= 1
    assert result.sent.code_violations + result.sent.disparity_errors == 0


@pytest.mark.parametrize(("ahead", "behind"), [(0, 1), (1, 0), (10, 47), (120, 3)])
def test_captures_start_where_they_like(tmp_path: Path, sent_octets: bytes, ahead: int, behind: int) -> None:
    result = compared(tmp_path, sent_octets[ahead * H2 + 5 * (ahead > 0) :], sent_octets[behind * H2 :])
    first = ahead + (ahead > 0)
    start = max(first, behind)
    assert planes(result) == {}
    assert result.comparison.hyperframes == HYPERFRAMES - start
    assert result.comparison.first_number == (4095 * 150 + 100 + start) % (4096 * 150)
    assert (result.sent.alone, result.received.alone) == (start - first, start - behind)
    assert (result.sent.alone_inside, result.received.alone_inside) == (0, 0)


def test_gaps_are_told_and_cost_nothing_else(tmp_path: Path, sent_octets: bytes) -> None:
    sent = sent_octets[: 30 * H2] + sent_octets[37 * H2 :]
    received = sent_octets[: 90 * H2] + sent_octets[91 * H2 : 120 * H2] + sent_octets[122 * H2 :]
    result = compared(tmp_path, sent, received)
    assert planes(result) == {}
    assert result.comparison.hyperframes == HYPERFRAMES - 10
    assert (result.sent.alone_inside, result.received.alone_inside) == (3, 7)
    runs = [
        (run.side, (run.number - 614_350 - 150) % 614_400, run.hyperframes) for run in result.pairing.runs
    ]
    at = (4095 * 150 + 100 - 614_350 - 150) % 614_400
    assert runs == [
        (1, (at + 30) % 614_400, 7),
        (0, (at + 90) % 614_400, 1),
        (0, (at + 120) % 614_400, 2),
    ]
    assert all(run.inside for run in result.pairing.runs)
    assert result.within(0.0)
    assert not result.within(0.0, allow_gaps=False)


def test_lost_sync_on_the_way_is_a_gap(tmp_path: Path, sent_octets: bytes) -> None:
    result = compared(tmp_path, sent_octets, stream("bits", "line.slip@60"), ("octets", "bits"))
    assert result.received.losses == 1
    assert result.received.alone == 0
    assert 1 <= result.sent.alone_inside <= 3
    last = result.comparison.last_number
    assert last is not None
    assert (last - 4095 * 150 - 100) % 614_400 == HYPERFRAMES - 1
    differing = {hfn for _, hfn, *_ in places(result, Plane.IQ)}
    assert differing <= {10}  # what of hyperframe 60 came after the slip


def test_a_wrong_number_is_not_a_gap(tmp_path: Path, sent_octets: bytes) -> None:
    data = np.frombuffer(sent_octets, np.uint8).reshape(-1, 256, 16, 2).copy()
    data[0, 64, 0, 0] = 7  # the very first
    data[40, 64, 0, 0], data[41, 128, 0, 0] = 99, 77  # two in a row, each another way
    data[-1, 64, 0, 0] = 3  # the very last
    words = data.reshape(-1).astype("<u2")
    words[::H2] |= 0x100
    result = compared(tmp_path, sent_octets, words.tobytes(), ("octets", "flagged"))
    assert result.comparison.hyperframes == HYPERFRAMES
    assert result.received.numbers_corrected == 4
    assert planes(result)["sync"][0] == 4


def test_unlike_streams_are_counted_whole(tmp_path: Path, sent_octets: bytes) -> None:
    rng = np.random.default_rng(8)
    data = np.frombuffer(sent_octets, np.uint8).reshape(-1, 256, 16, 2).copy()
    noise = rng.integers(0, 256, (HYPERFRAMES, 256, 15, 2), dtype=np.uint8)
    wanted = np.count_nonzero(noise != data[:, :, 1:, :])
    flipped = int(np.bitwise_count(noise ^ data[:, :, 1:, :]).sum(dtype=np.int64))
    data[:, :, 1:, :] = noise
    result = compared(tmp_path, sent_octets, data.tobytes())
    assert planes(result) == {"iq": (wanted, flipped)}
    assert result.comparison.planes[Plane.IQ].hyperframes == HYPERFRAMES
    assert len(result.comparison.planes[Plane.IQ].first) == 10
    assert result.ratio.upper > flipped / (HYPERFRAMES * H2 * 8)


def test_nothing_in_common_is_bad_input(tmp_path: Path, sent_octets: bytes) -> None:
    with pytest.raises(InputError, match="no hyperframe is in both"):
        compared(tmp_path, sent_octets[: 40 * H2], sent_octets[60 * H2 :])


def test_other_options_are_bad_input(tmp_path: Path, sent_octets: bytes) -> None:
    (tmp_path / "a.octets").write_bytes(sent_octets)
    (tmp_path / "b.octets").write_bytes(stream(option="3", hyperframes=20))
    sources = [open_file_source(tmp_path / name) for name in ("a.octets", "b.octets")]
    with pytest.raises(InputError, match=r"option 2.*option 3.*same line rate option"):
        compare_sources(*sources)
    for source in sources:
        source.close()


def test_no_sync_is_bad_input(tmp_path: Path, sent_octets: bytes) -> None:
    noise = np.random.default_rng(1).integers(0, 256, 20 * H2, dtype=np.uint8).tobytes()
    with pytest.raises(InputError, match="no hyperframe sync"):
        compared(tmp_path, sent_octets, noise)


def cut(path: Path, data: bytes, kept: list[tuple[int, int]], *, known: bool, part: int = 0) -> Path:
    """A recording of these runs (first, end) of hyperframes of option 2; `part` octets of the next before a break."""
    with CaptureWriter(path, CaptureHeader("2", "octets")) as writer:
        for (first, end), before in zip(kept, [None, *kept], strict=False):
            if before is not None:
                gap = first - before[1] if known else UNKNOWN_GAP
                writer.append(CaptureRecordType.GAP, gap_payload(gap), 0)
            writer.append(
                CaptureRecordType.OCTETS, data[first * H2 : end * H2 + part * (end < HYPERFRAMES)], 0
            )
    return path


@pytest.mark.parametrize("part", [0, 700])
@pytest.mark.parametrize("side", [0, 1])
@pytest.mark.parametrize("known", [False, True])
@pytest.mark.parametrize(
    "kept",
    [
        [(0, 60), (90, 160)],
        [(5, 40), (60, 61), (70, 72), (149, 150)],  # a slow line: single hyperframes between breaks
        [(at, at + 1) for at in range(0, 160, 12)],
    ],
)
def test_what_lies_between_breaks_is_laid_beside_its_counterpart(
    tmp_path: Path, sent_octets: bytes, kept: list[tuple[int, int]], known: bool, side: int, part: int
) -> None:
    if not known and len(kept) > 4:
        kept = [(0, 4), *kept[1:]]  # HFN that run over a stretch show octets without K flags to be in sync
    if part and kept[0][1] < 4:
        part = 0
    (tmp_path / "a.octets").write_bytes(sent_octets)
    paths = [tmp_path / "a.octets", cut(tmp_path / "b.ffcap", sent_octets, kept, known=known, part=part)]
    sources = [open_file_source(path) for path in (paths if side else paths[::-1])]
    result = compare_sources(*sources)
    for source in sources:
        source.close()
    first = (4095 * 150 + 100) % 614_400
    assert planes(result) == {} and result.comparison.hyperframes == sum(end - at for at, end in kept)
    missing = [(before[1], after[0]) for before, after in pairwise(kept)]
    assert [(r.side, r.number, r.hyperframes) for r in result.pairing.runs if r.inside] == [
        (1 - side, (first + at) % 614_400, end - at) for at, end in missing
    ]
    sides = (result.sent, result.received)
    assert sides[side].alone == sides[1 - side].breaks_of_unknown_length == sides[side].numbers_corrected == 0
    assert sides[side].breaks_of_unknown_length == (0 if known else len(kept) - 1)
    runs = [kept[0][0], kept[-1][1]] if known else [at for run in kept for at in run]
    assert [at for s in sides[side].stretches for at in (s.first, s.last)] == [
        (first + at - i % 2) % 614_400 for i, at in enumerate(runs)
    ]
    assert not result.within(0.0, allow_gaps=False)


def test_a_sender_that_starts_anew_behind_a_break_is_told(tmp_path: Path, sent_octets: bytes) -> None:
    """What a board does that was switched off: its numbers go back, and both ends of the range mean nothing."""
    data = sent_octets[50 * H2 : 120 * H2] + sent_octets[60 * H2 : 80 * H2]  # 0.0 to 0.69, then 0.10 to 0.29
    with CaptureWriter(tmp_path / "b.ffcap", CaptureHeader("2", "octets")) as writer:
        writer.append(CaptureRecordType.OCTETS, data[: 70 * H2], 0)
        writer.append(CaptureRecordType.GAP, gap_payload(UNKNOWN_GAP), 0)
        writer.append(CaptureRecordType.OCTETS, data[70 * H2 :], 0)
    (tmp_path / "a.octets").write_bytes(sent_octets)
    for sent in ("a.octets", "b.ffcap"):
        sources = [open_file_source(tmp_path / name) for name in (sent, "b.ffcap")]
        result = compare_sources(*sources)
        for source in sources:
            source.close()
        text = "\n".join(compare_lines(result, passed=True, max_ber=0.0))
        assert "b.ffcap: 90 hyperframes, 0.0 to 0.69, then 0.10 to 0.29, data format octets, 1 gap of" in text
        record = compare_record(result, passed=True, max_ber=0.0)
        assert record["received"]["breaks_of_unknown_length"] == 1
        assert record["received"]["stretches"][1] == {
            "first": {"bfn": 0, "hfn": 10},
            "last": {"bfn": 0, "hfn": 29},
        }
        assert planes(result) == {}
        once = "compared  70 hyperframes of option 2, BFN.HFN 0.0 to 0.69"
        assert (once if sent == "a.octets" else "BFN.HFN 0.0 to 0.69, then 0.10 to 0.29;") in text


def timed(path: Path, data: bytes, start_ns: int, cut: int) -> Path:
    header = CaptureHeader("2", "octets", start_time_ns=start_ns)
    with CaptureWriter(path, header) as writer:
        for at in range(0, len(data), cut):
            writer.append(CaptureRecordType.OCTETS, data[at : at + cut], 7_000 + at * 10**9 // (H2 * 15_000))
    return path


def test_clocks_give_the_latency(tmp_path: Path, sent_octets: bytes) -> None:
    one = timed(tmp_path / "a.ffcap", sent_octets, 10**18, 100_000)
    two = timed(tmp_path / "b.ffcap", bytes(100) + sent_octets[: 100 * H2], 10**18 + 25_000, 77_777)
    sources = [open_file_source(path) for path in (one, two)]
    result = compare_sources(*sources)
    for source in sources:
        source.close()
    assert result.latency is not None
    # 25 us later, and 100 octets later in its stream: 100 / 8192 of a hyperframe of 66.67 us
    expected = 25_000 + 100 / H2 * 1e9 / 15_000
    assert result.latency.mean_ns == pytest.approx(expected, abs=2)
    assert result.latency.most_ns - result.latency.least_ns < 4
    assert "sent to received: mean" in "\n".join(compare_lines(result, passed=True, max_ber=0.0))


def run_compare(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "monitor", "compare", *words]
    return subprocess.run(
        command, capture_output=True, text=True, cwd=ROOT, check=False, timeout=patience(60)
    )


def test_the_command_gives_verdicts(tmp_path: Path, sent_octets: bytes) -> None:
    one, two = tmp_path / "a.octets", tmp_path / "b.bits"
    one.write_bytes(sent_octets)
    two.write_bytes(stream("bits", "iq.flip@30", lead=1))
    result = run_compare(str(one), str(one))
    assert (result.returncode, result.stderr) == (0, "")
    assert result.stdout.startswith("pass: no bit differs")
    result = run_compare(str(one), str(two), "--json")
    assert result.returncode == 1
    record: dict[str, Any] = json.loads(result.stdout)
    assert (record["schema"], record["verdict"]) == ("framefray.compare/1", "fail")
    assert record["differences"] == {"hyperframes": 1, "octets": 1, "bits": 1}
    assert record["planes"]["iq"]["first"][0]["address"] == "#130.100.5.0"
    ratio = record["bit_error_ratio"]
    bits = HYPERFRAMES * H2 * 8
    assert ratio["ratio"] == 1 / bits
    assert ratio["upper"] == pytest.approx(upper_bound(bits, 1, 0.95))
    assert run_compare(str(one), str(two), "--max-ber", "1e-6").returncode == 0
    for wrong in (["--max-ber", "2"], ["--confidence", "1"], ["--option", "3"]):
        result = run_compare(str(one), str(two), *wrong)
        assert result.returncode == 2
        assert result.stderr.startswith("framefray: ")
        assert result.stderr.count("\n") == 1


def test_the_report_says_what_differs(tmp_path: Path, sent_octets: bytes) -> None:
    received = stream("octets", "vendor.value@51:hyperframes=1", "iq.flip@30")
    result = compared(tmp_path, sent_octets, received[20 * H2 : 100 * H2] + received[105 * H2 :])
    text = "\n".join(compare_lines(result, passed=False, max_ber=0.0))
    assert text.startswith("fail: ")
    assert "#130.100.5.0" in text
    assert "5 from 0.50, inside the common range" in text
    assert "has no recording times" in text
    record = compare_record(result, passed=False, max_ber=0.0)
    assert json.loads(json.dumps(record)) == record
    assert record["sent"]["alone"] == 25


# --- the parts


@pytest.mark.parametrize(
    ("option", "pointer", "code"), [("1", 0, 1), ("2", 20, 3), ("7", 63, 6), ("4", 40, 0)]
)
def test_every_octet_has_one_plane(option: str, pointer: int, code: int) -> None:
    line = option_named(option)
    sizes = dict(
        zip(COMPARED_PLANES, np.bincount(plane_map(line, pointer, code), minlength=8).tolist(), strict=True)
    )
    y = line.word_octets
    assert sum(sizes.values()) == line.hyperframe_octets
    assert sizes[Plane.IQ] == 256 * 15 * y
    assert sizes[Plane.SYNC] == y + 3  # the sync word with its fillers, HFN and BFN (clause 4.2.7.3)
    assert sizes[Plane.L1] == 4  # version, rate, alarms, pointer (clause 4.2.7.6)
    assert sizes[Plane.HDLC] == line.hdlc_octets(code)
    assert sizes[Plane.ETHERNET] == line.ethernet_octets(pointer)
    assert sizes[Plane.CTRL_AXC] == 4 * 4 * y


def frames(numbers: list[int]) -> U8:
    """Hyperframes that carry nothing but BFN and HFN; a number below 0 has an HFN that cannot be."""
    octets = np.zeros((len(numbers), 256, 16, 1), np.uint8)
    for row, number in zip(octets, numbers, strict=True):
        row[64, 0, 0] = number % 150 if number >= 0 else 200
        row[128, 0, 0], row[192, 0, 0] = number // 150 & 255, number // 150 >> 8 & 15
    return octets


@pytest.mark.parametrize("cut", [1, 2, 3, 5, 100])
@pytest.mark.parametrize(
    ("seen", "settled"),
    [
        ([5, 6, 7, 8], [5, 6, 7, 8]),
        ([614_398, 614_399, 0, 1], [614_398, 614_399, 0, 1]),
        ([5, 6, 900, 8, 9], [5, 6, 7, 8, 9]),
        ([900, 6, 7, 8], [5, 6, 7, 8]),
        ([-1, -1, 7, 8], [5, 6, 7, 8]),
        ([5, 6, 7, 900], [5, 6, 7, 8]),
        ([5, 6, 20, 21, 22], [5, 6, 20, 21, 22]),
        ([5, 6, 20, 21, 3, 4], [5, 6, 20, 21, 3, 4]),
        ([5, 6, -1, 20, 21], [5, 6, 7, 20, 21]),
        ([5, 6, -1, -1, -1, 10], [5, 6, 7, 8, 9, 10]),
        ([42], [42]),
        ([-1], [0]),
    ],
)
def test_numbers_are_settled_whatever_the_cut(seen: list[int], settled: list[int], cut: int) -> None:
    numbering = Numbering()
    octets = frames(seen)
    held = octets[:0]
    out: list[int] = []
    for start in range(0, len(octets), cut):
        held = np.concatenate((held, octets[start : start + cut]))
        numbers = numbering.settle(held)
        out += numbers.tolist()
        held = held[len(numbers) :]
        assert len(held) <= 4
    out += numbering.settle(held, finish=True).tolist()
    assert out == settled


def test_pairs_do_not_hang_on_the_cut() -> None:
    sent = [*range(10, 60), *range(70, 90), *range(30, 40)]
    received = [*range(20, 80), *range(85, 95), *range(30, 36)]
    results = []
    for cut in (1, 3, 7, 1000):
        pairing = Pairing()
        sides = [frames(sent), frames(received)]
        at, matched = [0, 0], []
        while (side := pairing.wanted()) is not None:
            piece = sides[side][at[side] : at[side] + cut]
            at[side] += cut
            for found in pairing.add(side, piece if len(piece) else None):
                assert np.array_equal(found.sent, found.received)
                matched += found.numbers.tolist()
        results.append((matched, pairing.alone, pairing.alone_inside, pairing.runs))
    assert results[0][0] == [*range(20, 60), *range(70, 80), *range(85, 90), *range(30, 36)]
    assert results[0][1] == [10 + 5 + 4, 10 + 5]
    assert results[0][2] == [5, 15]
    assert all(result == results[0] for result in results)


def test_gaps_of_a_stream_do_not_hang_on_the_cut() -> None:
    sent = [*range(10, 100)]
    received = [*range(12, 20), 25, 31, 32, 7, 60, 61, 62, 70]  # 7 is 52 with a wrong number
    gaps: dict[int, int | None] = {8: 5, 9: None, 11: 19, 12: 7, 15: None}
    results = []
    for cut in (1, 2, 3, 1000):
        pairing = Pairing()
        sides = [frames(sent), frames(received)]
        at, matched = [0, 0], []
        while (side := pairing.wanted()) is not None:
            begin, at[side] = at[side], at[side] + cut
            piece = sides[side][begin : at[side]]
            told = [(i - begin, n) for i, n in gaps.items() if begin <= i < at[side]] if side else []
            for found in pairing.add(side, piece if len(piece) else None, told):
                matched += found.numbers.tolist()
        results.append((matched, pairing.alone, pairing.runs, pairing.sides[1].stretches))
    assert results[0][0] == [*range(12, 20), 25, 31, 32, 52, 60, 61, 62, 70]
    assert [(s.first, s.last) for s in results[0][3]] == [(12, 25), (31, 62), (70, 70)]
    assert all(result == results[0] for result in results)


def test_many_stretches_are_told_in_short() -> None:
    stretches: list[NumberRange] = []
    for number in range(0, 900, 150):
        lengthen(stretches, np.arange(number, number + 3), broken=True)
    assert stretches_text(stretches) == "0.0 to 0.2, then 1.0 to 1.2, then 2.0 to 2.2 and 3 more ranges"
    assert stretches_text(stretches[:4]).endswith("then 2.0 to 2.2, then 3.0 to 3.2")


def test_a_jump_of_one_side_alone_costs_a_second_at_most() -> None:
    pairing = Pairing()
    sent = [*range(5000, 5100), *range(100, 150), *range(5150, 40_000)]
    for side, numbers in ((0, sent), (1, [*range(5000, 40_000)])):
        for start in range(0, len(numbers), 5000):
            list(pairing.add(side, frames(numbers[start : start + 5000])))
        list(pairing.add(side, None))
    assert pairing.alone[1] == 15_000
    assert pairing.pairs == 100 + 40_000 - 5100 - 15_000


def test_large_counts_are_bounded_as_small_ones() -> None:
    bits = 10**9
    exact = upper_bound(bits, 100_000)
    beyond = ratio_bound(bits, 100_001)
    assert ratio_bound(bits, 100_000) == exact
    assert beyond == pytest.approx(exact, rel=3e-5)
    assert beyond > exact
    assert ratio_bound(100, 100) == 1.0


def test_comparing_nothing_counts_nothing() -> None:
    comparison = Comparison(option_named("1"))
    comparison.compare(np.zeros(0, np.int64), frames([]), frames([]))
    assert (comparison.hyperframes, comparison.compared_bits, comparison.first_number) == (0, 0, None)
