"""The command locate, run in this process."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.support.chain_locating import sent_hyperframes
from tests.support.commands import outcome

SENT = sent_hyperframes(200)
DAMAGED = SENT.copy()
DAMAGED[120, 84, 0, 0] ^= 1


@pytest.fixture
def captures(tmp_path: Path) -> Path:
    for name, octets in (("one", SENT), ("two", DAMAGED), ("three", DAMAGED)):
        (tmp_path / f"{name}.octets").write_bytes(octets.tobytes())
    return tmp_path


def test_captures_of_named_segments(captures: Path, capfd: pytest.CaptureFixture[str]) -> None:
    words = [f"REC-A>RE-1={captures}/one.octets", f"RE-1>RE-2={captures}/two.octets"]
    status, out, _ = outcome(capfd, "locate", *words, "--json")
    assert status == 1
    assert [damage["segment"] for damage in json.loads(out)["damages"]] == ["RE-1>RE-2"]


def test_nodes_of_a_chain_in_order(captures: Path, capfd: pytest.CaptureFixture[str]) -> None:
    words = [f"RE-1={captures}/one.octets", f"RE-3={captures}/two.octets", "--chain", "REC-A,RE-1,RE-2,RE-3"]
    status, out, _ = outcome(capfd, "locate", *words)
    assert status == 1
    assert "not distinguishable, RE-1>RE-2 or RE-2>RE-3: 0.120" in out


def test_a_site_file(captures: Path, capfd: pytest.CaptureFixture[str]) -> None:
    site = captures / "site.toml"
    boards = [("REC-A", ""), ("RE-1", "one"), ("RE-2", "two"), ("RE-3", "three")]
    text = "".join(
        f'[[boards]]\nname = "{name}"\n' + (f'source = "{source}.octets"\n' if source else "")
        for name, source in boards
    )
    for a, b in (("REC-A", "RE-1"), ("RE-1", "RE-2"), ("RE-2", "RE-3")):
        text += f'[[segments]]\nfrom = "{a}"\nto = "{b}"\n'
    site.write_text(text)
    status, out, _ = outcome(capfd, "locate", site)
    assert status == 1
    assert out.startswith("damage: 1 damage, entered on RE-1>RE-2")


def test_a_clean_chain_ends_with_0_and_one_that_cannot_be_compared_with_1(
    captures: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    clean = [f"RE-1>RE-2={captures}/two.octets", f"RE-2>RE-3={captures}/three.octets"]
    assert outcome(capfd, "locate", *clean)[0] == 0
    (captures / "late.octets").write_bytes(SENT[150:].tobytes())
    (captures / "early.octets").write_bytes(SENT[:100].tobytes())
    apart = [f"REC-A>RE-1={captures}/early.octets", f"RE-1>RE-2={captures}/late.octets"]
    status, out, _ = outcome(capfd, "locate", *apart)
    assert status == 1
    assert out.startswith("incomplete")


def test_an_emulated_chain_with_a_fault(capfd: pytest.CaptureFixture[str]) -> None:
    words = ["--option", "1", "--hyperframes", "100", "--fault", "vendor.flip@60:segment=RE-2>RE-1"]
    status, out, _ = outcome(capfd, "locate", "emulated:chain", *words)
    assert status == 1
    assert out.startswith("damage: 1 damage, entered on RE-2>RE-1")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["one.octets"], "is not NAME=SOURCE"),
        (["REC-A>RE-1=one.octets"], "one point alone"),
        (["REC-A>RE-1=no-such.octets", "RE-1>RE-2=one.octets"], "No such file"),
        (["REC-A>RE-1=one.octets", "RE-2>RE-3=two.octets"], "no segment connects"),
        (
            ["REC-A>RE-1=one.octets", "RE-1>RE-2=two.octets", "--fault", "iq.flip"],
            "--fault is for emulated:chain",
        ),
        (["site.toml", "REC-A>RE-1=one.octets"], "stands alone"),
        (["site.toml", "--chain", "A,B"], "--chain is for NAME=SOURCE"),
        (["emulated:chain", "--fault", "iq.flip"], "no segment is named"),
    ],
)
def test_what_cannot_be_done_is_one_line(
    words: list[str],
    said: str,
    captures: Path,
    capfd: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(captures)
    status, out, err = outcome(capfd, "locate", *words)
    assert (status, out) == (2, "")
    assert said in err and len(err.strip().splitlines()) <= 2


def test_a_capture_without_sync_is_named(captures: Path, capfd: pytest.CaptureFixture[str]) -> None:
    (captures / "dark.octets").write_bytes(bytes(300_000))
    words = [f"REC-A>RE-1={captures}/one.octets", f"RE-1>RE-2={captures}/dark.octets"]
    status, _, err = outcome(capfd, "locate", *words, "--option", "1", "--form", "octets")
    assert status == 2
    assert "RE-1>RE-2" in err or "dark.octets" in err
