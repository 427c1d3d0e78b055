"""Stimulus text: IEEE 1364-2005 clause 18 (value change dump, read by pyvcd) and $readmemh text."""

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from vcd.reader import TokenKind, tokenize

from decoders.linerates import option_named
from monitor.cli.main import main
from tests.support.exports import craft, exported


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
