"""Options 7A to 10 and protocol version 2 on the command line: what is crafted is what is decoded, in every form."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.support.commands import outcome

FAULTS = (
    "--fault",
    "hdlc.fcs@2",
    "--fault",
    "ethernet.fcs@3",
    "--fault",
    "vendor.value@5:ns=20,xs=1,value=0xA5",
)


def crafted(capfd: pytest.CaptureFixture[str], out: Path, *words: str) -> dict[str, Any]:
    truth = out.with_suffix(".json")
    status, _, err = outcome(capfd, "craft", out, "--hyperframes", "9", *FAULTS, "--truth", truth, *words)
    assert status == 0, err
    record: dict[str, Any] = json.loads(truth.read_text())
    return record


@pytest.mark.parametrize("suffix", ["octets", "flagged", "blocks", "bits", "ffcap"])
def test_every_form_of_64b66b_gives_the_truth(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], suffix: str
) -> None:
    out = tmp_path / f"a.{suffix}"
    truth = crafted(capfd, out, "--option", "7A")
    status, text, _ = outcome(capfd, "decode", out, "--json")
    record = json.loads(text)
    assert status == 0 and record["link"]["option"] == "7A" and record["link"]["line_code"] == "64b66b"
    for name in (
        "hdlc_frames",
        "hdlc_fcs_errors",
        "ethernet_frames",
        "ethernet_fcs_errors",
        "vendor_changes",
    ):
        assert record["counters"][name] == truth["counters"][name], name
    assert record["counters"]["block_header_errors"] == 0


@pytest.mark.parametrize("header_xor", ["on", "off"])
def test_codewords_are_found_and_said(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], header_xor: str
) -> None:
    out = tmp_path / "a.bits"
    truth = crafted(
        capfd, out, "--option", "8", "--fec", "on", "--fec-header-xor", header_xor, "--lead-bits", "1234"
    )
    record = json.loads(outcome(capfd, "decode", out, "--json")[1])
    assert (record["link"]["fec"], record["link"]["fec_header_xor"]) == ("on", header_xor)
    assert record["sync"]["fec_codeword_phase_bits"] == 1234
    assert record["counters"]["ethernet_fcs_errors"] == truth["counters"]["ethernet_fcs_errors"] == 1
    text = outcome(capfd, "decode", out)[1]
    assert "64B/66B, data format bits, RS-FEC" in text and "codeword phase 1234 bits" in " ".join(
        text.split()
    )
    assert "code_violations" not in text  # a counter of 8B/10B
    status, _, err = outcome(capfd, "decode", out, "--fec", "off")
    assert status == 2 and "no hyperframe sync found" in err


def test_scrambling_of_version_2_is_found(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "a.bits"
    crafted(capfd, out, "--option", "5", "--scrambling", "0x12345678")
    record = json.loads(outcome(capfd, "decode", out, "--json")[1])
    assert record["link"]["scrambling"] == {"version": 2, "seed": 0x12345678}
    assert record["l1"]["protocol_version"] == 2
    assert f"scrambled with seed {0x12345678}" in " ".join(outcome(capfd, "decode", out)[1].split())


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("a.symbols", "--option", "8"), "form symbols is not valid for option 8"),
        (("a.blocks", "--option", "2"), "form blocks is not valid for option 2"),
        (("a.bits", "--option", "2", "--fec", "on"), "option 2 has no RS-FEC"),
        (("a.bits", "--option", "4", "--scrambling", "1"), "option 4 has no scrambling"),
    ],
)
def test_what_an_option_does_not_have(
    capfd: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    status, out, err = outcome(capfd, "craft", *words)
    assert (status, out) == (2, "") and said in err and err.count("\n") == 1


@pytest.mark.parametrize("suffix", ["octets", "flagged", "blocks", "ffcap", "bits"])
def test_list_and_decoder_say_the_same_of_rs_fec(
    suffix: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """CPRI V7.0 clause 6.9: octets, flagged words and blocks are what stands behind RS-FEC, and do not show it."""
    out, truth = tmp_path / f"sent.{suffix}", tmp_path / "truth.json"
    words = ("--option", "7A", "--fec", "on", "--hyperframes", "5", "--truth", str(truth))
    status, _, err = outcome(capfd, "craft", str(out), *words)
    shows = suffix == "bits"
    assert status == 0 and ("is what stands behind RS-FEC" in err) is not shows
    status, text, _ = outcome(capfd, "decode", str(out), "--json")
    made, seen = json.loads(truth.read_text()), json.loads(text)
    told = ("fec", "fec_shows", "fec_header_xor")
    assert [made["link"][name] for name in told] == [seen["link"][name] for name in told]
    assert (seen["link"]["fec"], seen["link"]["fec_shows"]) == ("on" if shows else "off", shows)
    assert made["sent_with_fec"] is True
    status, text, _ = outcome(capfd, "decode", str(out))
    assert ("RS-FEC does not show in it" in " ".join(text.split())) is not shows
