"""Two boards of a site file for `campaign`, `inject` and `delay`."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.errors import InputError
from monitor.site.plan import parse_site_plan
from monitor.site.segment_ends import segment_ends, words_of_ends

SITE = """
name = "Saltmarsh"
option = "2"
[[boards]]
name = "REC-A"
source = "socket://127.0.0.1:1"
[[boards]]
name = "RE-1"
source = "socket://127.0.0.1:2"
[boards.sources]
RE-2 = "socket://127.0.0.1:3"
[[boards]]
name = "RE-2"
source = "socket://127.0.0.1:4"
[[boards]]
name = "RE-3"
[[segments]]
from = "REC-A"
to = "RE-1"
[[segments]]
from = "RE-1"
to = "RE-2"
[[segments]]
from = "RE-2"
to = "RE-3"
"""


@pytest.mark.parametrize(
    ("one", "other", "words"),
    [
        ("REC-A", None, ("REC-A=socket://127.0.0.1:1", "RE-1=socket://127.0.0.1:2")),
        ("RE-1", "REC-A", ("RE-1=socket://127.0.0.1:2", "REC-A=socket://127.0.0.1:1")),
        ("RE-1", "RE-2", ("RE-1=socket://127.0.0.1:3", "RE-2=socket://127.0.0.1:4")),
    ],
)
def test_each_end_is_reached_by_its_port_on_the_segment(
    one: str, other: str | None, words: tuple[str, str]
) -> None:
    assert segment_ends(parse_site_plan(SITE), one, other) == words


@pytest.mark.parametrize(
    ("one", "other", "text"),
    [
        (None, None, "the site has 3 segments; name both boards"),
        ("RE-9", None, "there is no board 'RE-9'; the boards are REC-A, RE-1, RE-2, RE-3"),
        ("RE-1", None, "RE-1 has 2 neighbours; --observe-at REC-A or RE-2"),
        ("REC-A", "RE-2", "no segment joins REC-A and RE-2"),
        ("RE-3", None, "RE-3 has no source for what it receives from RE-2"),
    ],
)
def test_what_cannot_be_is_said(one: str | None, other: str | None, text: str) -> None:
    with pytest.raises(InputError) as error:
        segment_ends(parse_site_plan(SITE), one, other)
    assert text in str(error.value)


def test_a_word_that_is_no_site_file_stays(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(SITE)
    assert words_of_ends(("A=x", "B=y"), "A") == ("A=x", "B=y")
    assert words_of_ends((str(path),), "REC-A") == segment_ends(parse_site_plan(SITE), "REC-A")
    with pytest.raises(InputError, match=r"site\.toml: RE-1 has 2 neighbours"):
        words_of_ends((str(path),), "RE-1")
