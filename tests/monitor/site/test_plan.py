"""Site files: boards, sources, segments; each mistake is one line with its place."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import InputError
from monitor.site.plan import is_site_file, parse_site_plan, plan_of_sources, read_site_plan
from monitor.sources.names import Segment

PLAN = """\
name = "Saltmarsh"
option = 3

[[boards]]
name = "REC-A"
source = "socket://127.0.0.1:4700"

[[boards]]
name = "RE-1"
source = "re-1.ffcap"
[boards.sources]
RE-2 = "/dev/ttyUSB0"

[[boards]]
name = "RE-2"
source = "re-2.bits"
form = "bits"
baud = 3000000

[[boards]]
name = "RE-3"

[[segments]]
from = "REC-A"
to = "RE-1"
length_m = 120
through_basic_frames = 1

[[segments]]
from = "RE-1"
to = "RE-2"
length_m = 40.5
medium = "coax"

[[segments]]
from = "RE-1"
to = "RE-3"
option = "7A"
length_m = 3000
"""


def test_boards_segments_and_points() -> None:
    plan = parse_site_plan(PLAN, Path("/site"))
    assert plan.name == "Saltmarsh"
    assert [point.name for point in plan.points] == ["RE-1>REC-A", "REC-A>RE-1", "RE-2>RE-1", "RE-1>RE-2"]
    assert [point.board for point in plan.points] == ["REC-A", "RE-1", "RE-1", "RE-2"]
    assert plan.points[1].source == "/site/re-1.ffcap" and plan.points[2].source == "/dev/ttyUSB0"
    assert (plan.points[3].form, plan.points[3].baud, plan.points[3].option) == ("bits", 3000000, None)
    assert plan.roots == ("REC-A",) and plan.downstream("RE-1") == ("RE-2", "RE-3")
    assert plan.upstream("RE-3") == "RE-1" and plan.upstream("REC-A") is None
    assert plan.is_downlink(Segment("RE-1", "RE-3")) and not plan.is_downlink(Segment("RE-3", "RE-1"))
    with pytest.raises(InputError, match="no segment RE-2>RE-3"):
        plan.is_downlink(Segment("RE-2", "RE-3"))
    assert [each.option for each in plan.segments] == ["3", "3", "7A"]
    assert plan.segments[0].length_m == 120


def test_delays_are_those_of_the_plan_of_delays() -> None:
    hops = parse_site_plan(PLAN).hop_plan()
    assert hops is not None and hops.controller == "REC-A"
    assert [head.hops for head in hops.delays().heads] == [1, 2, 2]
    # 120 m of fibre with the group index of G.652 fibre at 1310 nm as the plan of delays has it, then 40.5 m of coax.
    segments = parse_site_plan(PLAN).segments
    assert segments[0].one_way_ns == pytest.approx(120 * 1.4676 / 0.299792458, rel=1e-3)
    assert segments[1].one_way_ns == pytest.approx(40.5 / 0.7 / 0.299792458)
    assert parse_site_plan(PLAN.replace("length_m = 120\nthrough_basic_frames = 1\n", "")).hop_plan() is None


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ('name = "RE-1"', 'name = "REC-A"', "line 9: name 'REC-A' is there twice"),
        ('name = "RE-1"', 'name = "RE 1"', "line 9: name 'RE 1' is not of letters"),
        ('name = "RE-1"\n', "", "line 8: name is missing"),
        ('source = "re-1.ffcap"', "source = 3", "line 10: source is not a name of 1 to 1000"),
        ('source = "re-1.ffcap"', 'source = "-"', "line 10: source: standard input cannot be"),
        (
            'source = "re-1.ffcap"',
            'source = "emulated:none"',
            "line 10: source: source 'emulated:none' does not exist",
        ),
        (
            'source = "re-1.ffcap"',
            'surce = "re-1.ffcap"',
            "line 10: unknown key 'surce'; did you mean 'source'?",
        ),
        ("RE-2 = ", "RE-9 = ", "line 12: sources: no segment joins RE-1 and 'RE-9'; did you mean 'RE-"),
        ("RE-2 = ", "REC-A = ", "line 12: sources: REC-A is there already"),
        ('"/dev/ttyUSB0"', '"socket://127.0.0.1:4700"', "RE-2>RE-1 and RE-1>REC-A have the same source"),
        (
            'form = "bits"',
            'form = "bit"',
            "line 17: form 'bit' is none of octets, flagged, symbols, bits, blocks, hex; did",
        ),
        ("baud = 3000000", "baud = 0", "line 18: baud = 0 is outside 1 to"),
        ('to = "RE-2"', 'to = "RE-1"', "line 31: to: two segments lead to RE-1"),
        ('from = "REC-A"', 'from = "RE-1"', "line 24: from: the segments make a loop, RE-1 from RE-1"),
        (
            'from = "REC-A"',
            'from = "RE-2"',
            "line 30: from: the segments make a loop, RE-2 from RE-1 from RE-2",
        ),
        ('to = "RE-3"', 'to = "RE-4"', "line 37: to: there is no board 'RE-4'; did you mean 'RE-"),
        ("length_m = 40.5", "length_m = -1", "line 32: length_m is negative"),
        ("length_m = 40.5\n", "", "line 29: length_m of RE-2 is missing"),
        ("length_m = 120", "lenght_m = 120", "line 26: unknown key 'lenght_m'; did you mean 'length_m'?"),
        (
            'medium = "coax"',
            'medium = "coaxial"',
            "line 33: medium 'coaxial' is none of fibre, coax; did you mean 'coax'?",
        ),
        ("option = 3", "option = 11", "line 2: option: line rate option '11' does not exist"),
        ("option = 3\n", "", "line 22: option (the line rate) of RE-1 is missing"),
        ("[[segments]]", "[[segment]]", "line 23: unknown key 'segment'; did you mean 'segments'?"),
        ("[[boards]]", "[boards]", "not TOML"),
        ('name = "Saltmarsh"', 'name = "a\\u001b[2J"', "line 1: name is not a name"),
    ],
)
def test_mistakes_name_line_and_key(old: str, new: str, text: str) -> None:
    assert old in PLAN
    with pytest.raises(InputError) as caught:
        parse_site_plan(PLAN.replace(old, new, 1))
    assert text in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_site_has_boards_and_a_source() -> None:
    for text, said in (
        ("", r"the site has no \[\[boards\]\]"),
        ("boards = 3", "line 1: boards is not a list of tables"),
        ('[[boards]]\nname = "RE-1"\n', "line 1: no board has a source"),
        ("[[boards]]\n" * 65, r"line 1: 65 \[\[boards\]\]; 64 at most"),
    ):
        with pytest.raises(InputError, match=said):
            parse_site_plan(text)


def test_the_file_is_named(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(PLAN.replace("[[segments]]", "[[segment]]", 1))
    with pytest.raises(InputError) as caught:
        read_site_plan(str(path))
    assert str(caught.value).startswith(f"{path}: line 23: unknown key 'segment'")


def test_the_example_is_read() -> None:
    name = Path(__file__).parents[3] / "captures" / "saltmarsh-site.toml"
    plan = read_site_plan(str(name))
    assert plan.name == "Saltmarsh" and plan.hop_plan() is not None
    assert len(plan.points) == 6 and all(
        point.source == f"emulated:chain/{point.name}" for point in plan.points
    )


def test_sources_without_a_file() -> None:
    plan = plan_of_sources([("RE-1", "a.bits"), (None, "b.bits")])
    assert [(point.name, point.source) for point in plan.points] == [("RE-1", "a.bits"), ("link-2", "b.bits")]
    assert plan.hop_plan() is None and plan.roots == ("RE-1", "link-2")
    for sources, said in (
        ([("A", "a"), ("A", "b")], "the name A is there twice"),
        ([("A", "/dev/ttyUSB0"), ("B", "/dev/ttyUSB0")], "B and A have the same source"),
        ([(None, "x")] * 65, "65 sources; 64 at most"),
        ([("A", "a"), (None, "-")], "standard input cannot be one of several sources; watch it alone"),
    ):
        with pytest.raises(InputError, match=said):
            plan_of_sources(sources)


def test_words_that_name_a_site_file() -> None:
    assert is_site_file("site.toml") and is_site_file("SITE.TOML")
    assert not is_site_file("NAME=site.toml") and not is_site_file("re-1.ffcap")


@given(st.text(alphabet=st.sampled_from(PLAN + "{}[],#'\\-:0"), max_size=40), st.integers(0, len(PLAN)))
@settings(max_examples=150, deadline=None)
def test_a_damaged_file_is_read_or_refused(text: str, at: int) -> None:
    try:
        plan = parse_site_plan(PLAN[:at] + text + PLAN[at + len(text) :])
    except InputError as error:
        assert "\n" not in str(error)
    else:
        assert plan.points and len({point.name for point in plan.points}) == len(plan.points)
        plan.hop_plan()


@pytest.mark.parametrize(
    ("source", "text"),
    [
        ("emulated:chain/RE-1", "line 3: source: segment 'RE-1' is not SENDER>RECEIVER"),
        ("emulated:chains", "line 3: source: source 'emulated:chains' does not exist"),
    ],
)
def test_emulated_sources_that_are_none(source: str, text: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_site_plan(f'[[boards]]\nname = "A"\nsource = "{source}"\n')
    assert text in str(caught.value)
