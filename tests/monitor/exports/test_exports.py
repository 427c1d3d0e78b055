"""export: IQ files, tables, stimulus text, and what it refuses.

- numpy reads .npy, Python's csv module reads CSV, json reads JSON Lines, pyvcd (PyPI) reads the dump: readers by
  other hands.
- SigMF specification 1.2: the keys that must stand in a recording's metadata, and the names of its data types.
- IEEE 1364-2005 clause 18: value change dump.
"""

from __future__ import annotations

import builtins
import csv
import hashlib
import io
import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from vcd.reader import TokenKind, tokenize

from decoders.line_coding.characters import LineForm
from decoders.linerates import option_named
from decoders.link.decoder import LinkDecoder
from decoders.link.settings import LinkSettings
from decoders.user_plane.iq_map import IqMap
from monitor.cli.main import main
from monitor.emulation.traffic import IqTraffic, Tone
from monitor.exports.iq_files import NpyFile
from monitor.exports.line_words import Words, line_words
from monitor.exports.tables import COLUMNS, Table
from monitor.sources.file import open_file_source

TONES_IQ = "M=15,fs=15.36,n=2"


def craft(path: Path, *arguments: str, option: str = "2", hyperframes: int = 20) -> Path:
    words = ["--option", option, "--hyperframes", str(hyperframes), *arguments]
    assert main(["craft", str(path), *words]) == 0
    return path


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return craft(tmp_path_factory.mktemp("exports") / "clean.bits", "--lead-bits", "13")


@pytest.fixture(scope="module")
def damaged(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return craft(
        tmp_path_factory.mktemp("exports") / "damaged.flagged",
        "--fault", "vendor.value@5", "--fault", "hdlc.fcs@6", "--fault", "ethernet.fcs@7", "--fault", "sync.hfn@9",
    )  # fmt: skip


def tone(index: int, count: int, seed: int = 1) -> np.ndarray[Any, Any]:
    """What the emulated sender puts into its container `index`."""
    wave = Tone(100_000.0 * (2 * index + 1 + seed % 3), -12.0, 15_360_000.0)
    return IqTraffic(wave, 15).samples(0, count)


# --- IQ ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("index", [0, 1])
def test_npy_holds_the_tone_that_was_sent(clean: Path, tmp_path: Path, index: int) -> None:
    out = tmp_path / "tone.npy"
    assert main(["export", str(clean), str(out), "--iq", TONES_IQ, "--axc", f"A{index}"]) == 0
    samples = np.load(out)
    assert samples.dtype == np.dtype("<i2") and samples.shape == (20 * 1024, 2)
    np.testing.assert_array_equal(samples, tone(index, len(samples)))
    mapped = np.load(out, mmap_mode="r")
    assert mapped.offset % 64 == 0  # numpy's own alignment


def test_a_stray_place_gives_other_samples(clean: Path, tmp_path: Path) -> None:
    out = tmp_path / "stray.npy"
    assert main(["export", str(clean), str(out), "--iq", "M=15,fs=15.36,b=2"]) == 0
    assert not np.array_equal(np.load(out), tone(0, 20 * 1024))


def test_wide_samples_become_four_octets(clean: Path, tmp_path: Path) -> None:
    out = tmp_path / "wide.npy"
    assert main(["export", str(clean), str(out), "--iq", "M=18,fs=7.68"]) == 0
    assert np.load(out).dtype == np.dtype("<i4")


@pytest.mark.parametrize("counts", [(0,), (5, 0, 7), (1000,)])
def test_npy_header_keeps_its_size_whatever_the_length(counts: tuple[int, ...]) -> None:
    stream = io.BytesIO()
    file = NpyFile(stream, np.dtype("<i2"))
    size = stream.tell()
    parts = [np.arange(2 * n, dtype=np.int16).reshape(n, 2) for n in counts]
    for part in parts:
        file.write(part)
    file.close()
    assert stream.tell() == size and size % 64 == 0
    stream.seek(0)
    np.testing.assert_array_equal(np.load(stream), np.concatenate(parts))


def test_samples_after_lost_sync_are_marked(tmp_path: Path) -> None:
    """K = 2 blocks: what comes after the loss begins with a whole block again."""
    capture = craft(tmp_path / "lost.flagged", "--fault", "sync.comma@20:count=4", hyperframes=40)
    meta, data = tmp_path / "lost.sigmf-meta", tmp_path / "lost.sigmf-data"
    assert main(["export", str(capture), str(data), "--iq", "M=15,fs=1.92"]) == 0
    document = json.loads(meta.read_text())
    (note,) = document["annotations"]
    decoder = LinkDecoder(LinkSettings(option="2", form=LineForm.FLAGGED))
    decoder.receive(capture.read_bytes())
    decoder.finish()
    assert data.stat().st_size == decoder.hyperframes * 128 * 4
    assert note["core:sample_start"] == 22 * 128
    assert "lost" in note["core:comment"]


def test_blocks_begin_where_the_frame_number_says(tmp_path: Path) -> None:
    """K = 3 basic frames a block, which 256 is no multiple of: first at HFN 7, then once more after lost sync."""
    fault = ["--fault", "sync.comma@20:count=4", "--hfn", "7"]
    capture = craft(tmp_path / "lost.flagged", *fault, hyperframes=40)
    plain = craft(tmp_path / "lost.octets", *fault, hyperframes=40)
    rows = np.fromfile(plain, np.uint8).reshape(-1, 16, 2)[:, 1:]
    iq_map = IqMap.parse(option_named("2"), "M=15,fs=1.28")
    # Hyperframes 22 and 23 are lost: the third and fourth sync byte in a row are not there.
    expected = [
        iq_map.unpack(rows[first * 256 : last * 256], (7 + first) * 256)["A0"]
        for first, last in ((0, 22), (24, 40))
    ]
    out = tmp_path / "lost.npy"
    assert main(["export", str(capture), str(out), "--iq", "M=15,fs=1.28"]) == 0
    np.testing.assert_array_equal(np.load(out), np.concatenate(expected))


@pytest.mark.parametrize("asked", ["tone.sigmf-meta", "tone.sigmf-data"])
def test_sigmf_has_the_keys_of_its_specification(clean: Path, tmp_path: Path, asked: str) -> None:
    assert main(["export", str(clean), str(tmp_path / asked), "--iq", TONES_IQ, "--axc", "A0"]) == 0
    data = (tmp_path / "tone.sigmf-data").read_bytes()
    document = json.loads((tmp_path / "tone.sigmf-meta").read_text())
    assert set(document) == {"global", "captures", "annotations"}
    head = document["global"]
    assert all(key.startswith("core:") for key in head)
    assert head["core:datatype"] == "ci16_le"
    assert head["core:sample_rate"] == 15_360_000
    assert [part.isdecimal() for part in head["core:version"].split(".")] == [True] * 3
    assert head["core:sha512"] == hashlib.sha512(data).hexdigest()
    assert document["captures"] == [{"core:sample_start": 0}]
    assert document["annotations"] == []
    samples = np.frombuffer(data, "<i2").reshape(-1, 2)
    np.testing.assert_array_equal(samples, tone(0, 20 * 1024))


# --- tables -----------------------------------------------------------------------------------------------


def decode_lines(capsys: pytest.CaptureFixture[str], *arguments: str) -> list[dict[str, Any]]:
    capsys.readouterr()
    assert main(["decode", *arguments]) == 0
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


@pytest.mark.parametrize("table", ["frames", "vendor", "events"])
def test_json_lines_are_those_of_decode(
    damaged: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], table: str
) -> None:
    out = tmp_path / "table.jsonl"
    assert main(["export", str(damaged), str(out), "--table", table]) == 0
    lines = [json.loads(line) for line in out.read_text().splitlines()]
    assert lines == decode_lines(capsys, str(damaged), f"--{table}") != []


@pytest.mark.parametrize("table", ["frames", "vendor"])
def test_csv_holds_the_same_rows(
    damaged: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], table: str
) -> None:
    out = tmp_path / "table.csv"
    assert main(["export", str(damaged), str(out), "--table", table]) == 0
    with out.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    expected = decode_lines(capsys, str(damaged), f"--{table}")
    assert list(rows[0]) == list(COLUMNS[Table(table)])
    assert rows == [{key: str(value) for key, value in row.items()} for row in expected]
    assert out.read_bytes().count(b"\r\n") == len(rows) + 1


def test_csv_of_counters_is_what_decode_counts(
    damaged: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "counters.csv"
    assert main(["export", str(damaged), str(out), "--table", "counters"]) == 0
    with out.open(newline="") as file:
        rows = {row["counter"]: int(row["value"]) for row in csv.DictReader(file)}
    (record,) = decode_lines(capsys, str(damaged), "--json")
    assert rows == record["counters"]
    assert rows["hdlc_fcs_errors"] == rows["ethernet_fcs_errors"] == rows["hfn_invalid"] == 1


def test_csv_of_events_and_l1_parse(damaged: Path, tmp_path: Path) -> None:
    events, l1 = tmp_path / "events.csv", tmp_path / "l1.csv"
    assert main(["export", str(damaged), str(events), "--table", "events"]) == 0
    assert main(["export", str(damaged), str(l1), "--table", "l1"]) == 0
    with events.open(newline="") as file:
        rows = list(csv.DictReader(file))
    bad = [row for row in rows if row["event"] == "hfn_invalid"]
    assert [(row["hyperframe"], json.loads(row["details"])) for row in bad] == [("9", {"value": 200})]
    with l1.open(newline="") as file:
        changes = list(csv.DictReader(file))
    assert {row["event"] for row in changes} == {"startup_state_changed"}
    assert changes[0]["hyperframe"] == "0"


def test_parquet_without_pyarrow_says_what_to_install(
    clean: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    real = builtins.__import__

    def without(name: str, *rest: Any, **more: Any) -> Any:
        if name.partition(".")[0] == "pyarrow":
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    assert main(["export", str(clean), str(tmp_path / "frames.parquet")]) == 2
    assert "framefray[tables]" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_parquet_rows_come_back(damaged: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    parquet = pytest.importorskip("pyarrow.parquet", reason="needs pyarrow (the tables extra)")
    out = tmp_path / "frames.parquet"
    assert main(["export", str(damaged), str(out)]) == 0
    assert parquet.read_table(out).to_pylist() == decode_lines(capsys, str(damaged), "--frames")


# --- stimulus ---------------------------------------------------------------------------------------------


def mem_words(path: Path) -> list[int]:
    return [int(line, 16) for line in path.read_text().splitlines() if not line.startswith("//")]


def exported(tmp_path: Path, capture: Path, *arguments: str) -> list[int]:
    out = tmp_path / "words.hex"
    assert main(["export", str(capture), str(out), "--force", *arguments]) == 0
    return mem_words(out)


def test_symbols_are_those_on_the_line(tmp_path: Path) -> None:
    """The same stream crafted as symbols and as bits behind 13 lead bits gives the same words."""
    plain = craft(tmp_path / "a.symbols", "--fault", "line.violation@3:count=3")
    bits = craft(tmp_path / "a.bits", "--fault", "line.violation@3:count=3", "--lead-bits", "13")
    words = np.frombuffer(plain.read_bytes(), "<u2").tolist()
    assert exported(tmp_path, plain) == words
    assert exported(tmp_path, bits) == words


def test_flagged_words_from_every_form_agree(tmp_path: Path) -> None:
    words = [
        exported(tmp_path, craft(tmp_path / f"a.{form}"), "--words", "flagged", "--limit", "5")
        for form in ("octets", "flagged", "symbols", "bits", "hex", "ffcap")
    ]
    assert all(other == words[0] for other in words)
    assert len(words[0]) == 5 * 8192
    assert [i for i, word in enumerate(words[0]) if word & 0x100] == [8192 * z for z in range(5)]


@pytest.mark.parametrize(
    "fault", ["line.violation@3:count=7", "line.disparity@4", "line.flip@5:x=7,w=2,bit=1", "sync.comma@6"]
)
def test_coding_flagged_words_again_keeps_the_errors(
    tmp_path: Path, fault: str, capsys: pytest.CaptureFixture[str]
) -> None:
    capture = craft(tmp_path / "a.flagged", "--fault", fault)
    again = tmp_path / "again.symbols"
    np.array(exported(tmp_path, capture), "<u2").tofile(again)
    records = [
        decode_lines(capsys, str(path), "--json", "--option", "2")[0]["counters"] for path in (capture, again)
    ]
    assert records[0] == records[1]


def test_a_k_character_that_does_not_exist_becomes_a_violation(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capture = craft(tmp_path / "a.flagged", option="1", hyperframes=6)
    words = np.fromfile(capture, "<u2")
    words[9000] = 0x142
    words.tofile(capture)
    again = tmp_path / "again.symbols"
    np.array(exported(tmp_path, capture), "<u2").tofile(again)
    (record,) = decode_lines(capsys, str(again), "--json", "--option", "1")
    assert record["counters"]["code_violations"] == 1
    assert record["counters"]["disparity_errors"] == record["counters"]["unexpected_k"] == 0


def test_words_begin_with_a_sync_byte_wherever_the_capture_does(tmp_path: Path) -> None:
    whole = craft(tmp_path / "a.symbols", hyperframes=6)
    cut = tmp_path / "cut.symbols"
    cut.write_bytes(whole.read_bytes()[2 * 5000 :])
    words = exported(tmp_path, cut, "--form", "symbols", "--option", "2")
    assert words == exported(tmp_path, whole)[8192:]


@pytest.mark.parametrize("form", ["bits", "symbols", "flagged", "octets"])
def test_any_cut_of_the_stream_gives_the_same_words(tmp_path: Path, form: str) -> None:
    lead = ["--lead-bits", "7"] if form == "bits" else []
    capture = craft(tmp_path / f"a.{form}", *lead, option="1", hyperframes=6)
    for kind in Words:
        parts = [
            np.concatenate(list(line_words(open_file_source(capture, form, "1", chunk_octets=size), kind)))
            for size in (64, 997, 5122, 1 << 20)
        ]
        for part in parts[1:]:
            np.testing.assert_array_equal(parts[0], part)
        assert len(parts[0]) == 6 * 4096


def test_comments_of_a_memory_file_name_the_seed(tmp_path: Path) -> None:
    out = tmp_path / "line.mem"
    assert main(["export", "emulated", str(out), "--hyperframes", "2", "--seed", "77"]) == 0
    comments = [line for line in out.read_text().splitlines() if line.startswith("//")]
    assert any("seed 77" in line for line in comments)
    assert any("option 2" in line for line in comments)
    assert comments[-1] == "// 16384 words"


def vcd_values(path: Path) -> tuple[dict[str, str], dict[str, list[tuple[int, str]]]]:
    """Names by identifier and (time, value) changes by name, read by pyvcd."""
    names: dict[str, str] = {}
    changes: dict[str, list[tuple[int, str]]] = {}
    now = 0
    with path.open("rb") as file:
        for token in tokenize(file):
            if token.kind is TokenKind.VAR:
                names[token.var.id_code] = token.var.reference
                changes[token.var.reference] = []
            elif token.kind is TokenKind.CHANGE_TIME:
                assert token.time_change >= now
                now = token.time_change
            elif token.kind in (TokenKind.CHANGE_SCALAR, TokenKind.CHANGE_VECTOR):
                change = token.scalar_change if token.kind is TokenKind.CHANGE_SCALAR else token.vector_change
                changes[names[change.id_code]].append((now, str(change.value)))
    return names, changes


def sampled(changes: list[tuple[int, str]], times: list[int]) -> list[str]:
    at = np.searchsorted([time for time, _ in changes], times, side="right") - 1
    return [changes[i][1] for i in at.tolist()]


@pytest.mark.parametrize("words", ["symbols", "flagged"])
def test_pyvcd_reads_the_dump(tmp_path: Path, words: str) -> None:
    capture = craft(tmp_path / "a.bits", option="1", hyperframes=4)
    out = tmp_path / "line.vcd"
    names = ["--data-name", "rx_data", "--clock-name", "rx_clk"]
    names += ["--k-name", "rx_k"] if words == "flagged" else []
    options = ["--words", words, "--limit", "2"]
    assert main(["export", str(capture), str(out), *options, *names]) == 0
    expected = exported(tmp_path, capture, *options)
    found, changes = vcd_values(out)
    assert set(found.values()) == {"rx_data", "rx_clk"} | ({"rx_k"} if words == "flagged" else set())
    edges = [time for time, value in changes["rx_clk"] if value == "1"]
    step = Fraction(10 * 10**15, 614_400_000)
    assert edges == [int((n + Fraction(1, 2)) * step + Fraction(1, 2)) for n in range(len(expected))]
    data = [int(value) for value in sampled(changes["rx_data"], edges)]
    if words == "flagged":
        k = [int(value) for value in sampled(changes["rx_k"], edges)]
        assert [flag << 8 | octet for flag, octet in zip(k, data, strict=True)] == expected
    else:
        assert data == expected


def test_a_dump_without_clock_has_a_time_step_for_each_character(tmp_path: Path) -> None:
    out = tmp_path / "line.vcd"
    assert main(["export", "emulated", str(out), "--option", "3", "--hyperframes", "2", "--limit", "1"]) == 0
    times = [int(line[1:]) for line in out.read_text().splitlines() if line.startswith("#")]
    octets = option_named("3").hyperframe_octets
    assert len(times) == octets + 1
    assert times[-1] == round(Fraction(10**15, 15_000))
    assert "$timescale 1 fs $end" in out.read_text()


def test_a_file_name_cannot_end_a_comment(tmp_path: Path) -> None:
    capture = craft(tmp_path / "a $end b\n.bits", option="1", hyperframes=3)
    out = tmp_path / "line.vcd"
    assert main(["export", str(capture), str(out), "--limit", "1"]) == 0
    names, _ = vcd_values(out)
    assert list(names.values()) == ["symbol"]


# --- refusals ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["o.xyz"], "unknown suffix"),
        (["o"], "unknown suffix"),
        (["o.npy"], "--iq"),
        (["o.npy", "--iq", TONES_IQ], "choose one with --axc"),
        (["o.npy", "--iq", TONES_IQ, "--axc", "B7"], "A0, A1"),
        (["o.npy", "--iq", "M=40"], "'M=40'"),
        (["o.csv", "--iq", TONES_IQ], "--iq is for .npy"),
        (["o.pcapng", "--table", "frames"], "--table is for"),
        (["o.csv", "--limit", "3"], "--limit is for"),
        (["o.vcd", "--data-name", "3x"], "no identifier"),
        (["o.vcd", "--k-name", "k"], "--words flagged"),
        (["o.vcd", "--data-name", "a", "--clock-name", "a"], "repeat"),
        (["missing/o.csv"], "No such file"),
    ],
)
def test_bad_usage_is_one_line_and_status_2(
    clean: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    arguments: list[str],
    says: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["export", str(clean), *arguments]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert says in captured.err and captured.err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_what_is_there_stays_without_force(
    clean: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "frames.csv"
    out.write_text("mine")
    assert main(["export", str(clean), str(out)]) == 2
    assert "--force" in capsys.readouterr().err
    assert out.read_text() == "mine"
    assert main(["export", str(clean), str(out), "--force"]) == 0
    assert out.read_text().startswith("plane,")


def test_a_sigmf_sibling_is_not_written_over(clean: Path, tmp_path: Path) -> None:
    (tmp_path / "tone.sigmf-meta").write_text("mine")
    out = tmp_path / "tone.sigmf-data"
    assert main(["export", str(clean), str(out), "--iq", "M=15,fs=15.36"]) == 2
    assert not out.exists()


def test_the_source_is_never_written_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capture = craft(tmp_path / "a.bits", option="1", hyperframes=3)
    hidden = capture.rename(tmp_path / "line.hex")
    before = hidden.read_bytes()
    assert main(["export", str(hidden), str(hidden), "--form", "bits", "--force"]) == 2
    assert "source itself" in capsys.readouterr().err
    assert hidden.read_bytes() == before


@pytest.mark.parametrize("out", ["o.csv", "o.pcapng", "o.hex", "o.vcd"])
def test_noise_gives_no_file(tmp_path: Path, capsys: pytest.CaptureFixture[str], out: str) -> None:
    noise = tmp_path / "noise.symbols"
    np.random.default_rng(3).integers(0, 1024, 50_000).astype("<u2").tofile(noise)
    arguments = ["--form", "symbols", "--option", "1"]
    assert main(["export", str(noise), str(tmp_path / out), *arguments]) == 2
    assert capsys.readouterr().err.splitlines()[-1].startswith("framefray: ")
    assert [path.name for path in tmp_path.iterdir()] == ["noise.symbols"]


def test_an_emulated_source_needs_an_end(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["export", "emulated", str(tmp_path / "o.hex")]) == 2
    assert "--hyperframes" in capsys.readouterr().err
