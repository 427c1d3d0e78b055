"""What the export command refuses, in one line and before anything is written."""

from pathlib import Path

import numpy as np
import pytest

from monitor.cli.main import main
from tests.support.exports import TONES_IQ, craft


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return craft(tmp_path_factory.mktemp("exports") / "clean.bits", "--lead-bits", "13")


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
