"""`watch` of a site without a terminal, and the words that name one."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.commands.site_watch import plan_of_words
from monitor.errors import InputError
from tests.support.commands import outcome

CAPTURES = Path(__file__).parents[3] / "captures"


def test_words_that_name_a_site() -> None:
    assert plan_of_words(["one.bits"]) is None and plan_of_words(["RE-1=one.bits"]) is None
    plan = plan_of_words(["RE-1=one.bits", "two.bits"])
    assert plan is not None and [point.name for point in plan.points] == ["RE-1", "link-2"]
    plan = plan_of_words([str(CAPTURES / "saltmarsh-site.toml")])
    assert plan is not None and plan.name == "Saltmarsh"
    with pytest.raises(InputError, match="a site file stands alone"):
        plan_of_words([str(CAPTURES / "saltmarsh-site.toml"), "two.bits"])
    with pytest.raises(InputError, match=r"none\.toml: No such file"):
        plan_of_words(["none.toml"])


def test_a_site_in_words(capfd: pytest.CaptureFixture[str]) -> None:
    words = [f"RE-1={CAPTURES / 'clean.bits'}", f"RE-2={CAPTURES / 'cm-faults.octets'}"]
    status, out, err = outcome(capfd, "watch", "--headless", *words)
    assert status == 0 and err == ""
    assert "site: 2 links" in out and "RE-1: ended" in out
    # captures/README.md: two damaged frames of each C&M channel.
    assert "  hyperframes  36 decoded, 0 lost, 0 not received\n  errors       hdlc 2, ethernet 2\n" in out
    status, out, err = outcome(capfd, "watch", "--headless", words[0], "RE-2=nothere.bits")
    assert status == 2 and "RE-2: failed (nothere.bits: No such file or directory)" in out
    assert "no hyperframe sync found: RE-2" in err


def test_a_mistake_in_a_site_file_is_one_line(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "site.toml"
    path.write_text('[[boards]]\nname = "RE-1"\nsorce = "x.bits"\n')
    status, out, err = outcome(capfd, "watch", path)
    assert (status, out) == (2, "")
    assert err == f"framefray: {path}: line 3: unknown key 'sorce'; did you mean 'source'?\n"


def test_one_named_source_is_the_screen_of_one_link(capfd: pytest.CaptureFixture[str]) -> None:
    status, out, _ = outcome(capfd, "watch", "--headless", f"RE-1={CAPTURES / 'clean.bits'}")
    assert status == 0 and "clean.bits" in out
