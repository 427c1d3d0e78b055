"""Words of the line: the same from every form, with the errors kept."""

from pathlib import Path

import numpy as np
import pytest

from monitor.exports.line_words import Words, line_words
from monitor.sources.file import open_file_source
from tests.support.exports import craft, decode_lines, exported


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
