"""The pytest plugin and the harness behind it: the documented examples run, messages say what went wrong."""

from __future__ import annotations

import re
import subprocess
import sys
import textwrap
from importlib.metadata import entry_points
from pathlib import Path

import pytest

import monitor.testing.pytest_plugin as plugin
from monitor.errors import InputError
from monitor.testing.captures import DecodedCapture
from monitor.testing.expectations import LinkExpectationError
from monitor.testing.tested_link import EmulatedLink
from tests.support.boards import running_board

pytest_plugins = ["pytester"]

# Where framefray is installed with its entry point, pytest has the plugin already.
LOAD = (
    [] if list(entry_points(group="pytest11", name="framefray")) else ["-p", "monitor.testing.pytest_plugin"]
)


def examples() -> list[str]:
    """The examples of the plugin's docstring."""
    text = textwrap.dedent(plugin.__doc__ or "")
    blocks = re.findall(r"(?:^    .*\n|^\n)+", text, re.MULTILINE)
    return [textwrap.dedent(block) for block in blocks if "def test_" in block]


@pytest.fixture
def inner(pytester: pytest.Pytester) -> pytest.Pytester:
    pytester.makeini(
        "[pytest]\naddopts = --strict-markers -p no:cacheprovider\n"
        "asyncio_default_fixture_loop_scope = function\n"
    )
    return pytester


def run(inner: pytest.Pytester, *words: str) -> pytest.RunResult:
    return inner.runpytest_inprocess(*LOAD, *words)


def make_capture(path: Path) -> None:
    link = ["craft", str(path), "--option", "2", "--hyperframes", "60"]
    from monitor.cli.main import main

    assert main(link) == 0


def test_there_are_six_examples() -> None:
    assert len(examples()) == 6


def test_documented_examples_pass(inner: pytest.Pytester) -> None:
    make_capture(inner.path / "morning.bits")
    inner.makepyfile("import pytest\n\n\n" + "\n\n".join(examples()))
    run(inner).assert_outcomes(passed=5, skipped=1)


def test_examples_pass_on_a_board(inner: pytest.Pytester) -> None:
    pytest.importorskip("tty", reason="no pseudo-terminals on this system")
    one, other, _, last, *_ = examples()
    inner.makepyfile("import pytest\n\n\n" + "\n\n".join((one, other, last)))
    with running_board("--pty", "--pace", "0") as (name, _process):
        run(inner, f"--framefray-source={name}").assert_outcomes(skipped=3)
        result = run(inner, "-rs", f"--framefray-source={name}", "--framefray-yes")
    result.assert_outcomes(passed=2, skipped=1)
    result.stdout.fnmatch_lines([f"*settings of a link cannot be given to the board at {name}"])


def test_side_effects_and_counts_are_named(inner: pytest.Pytester) -> None:
    inner.makepyfile(
        """
        def test_wrong(link):
            link.run(20)
            link.inject("ethernet.fcs")
            link.expect(hdlc_fcs_errors=1, within=20)
        """
    )
    result = run(inner)
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(
        [
            "*LinkExpectationError: ethernet.fcs:xor=1,octets=0:",
            "*missed: hdlc_fcs_errors: expected +1, observed +0",
            "*side effect: ethernet_fcs_errors: expected no change, observed +1",
        ]
    )
    assert "harness.py" not in result.stdout.str()


def test_options_and_marks_set_the_link(inner: pytest.Pytester) -> None:
    inner.makepyfile(
        """
        import pytest

        def test_options(link):
            assert (link.conditions.option, link.conditions.seed) == ("3", 11)
            assert link.conditions.source == "emulated:pair"

        @pytest.mark.framefray(option="1", pair=False)
        def test_mark(link):
            assert (link.conditions.option, link.conditions.seed) == ("1", 11)
            assert link.conditions.source == "emulated"

        def test_links_are_not_shared(link):
            assert link.hyperframe == 0
            link.run(5)
        """
    )
    words = ["--framefray-option", "3", "--framefray-seed", "11", "--framefray-source", "emulated:pair"]
    run(inner, *words).assert_outcomes(passed=3)


@pytest.mark.parametrize("mark", ["option='11'", "colour='red'", "'2'"])
def test_marks_that_cannot_be_are_told(inner: pytest.Pytester, mark: str) -> None:
    inner.makepyfile(
        f"""
        import pytest

        @pytest.mark.framefray({mark})
        def test_mark(link):
            pass
        """
    )
    run(inner).assert_outcomes(errors=1)


def test_a_capture_from_the_command_line(inner: pytest.Pytester) -> None:
    make_capture(inner.path / "day.bits")
    inner.makepyfile(
        """
        def test_capture(capture):
            capture().expect(others=0)

        def test_link(link):
            raise AssertionError("faults cannot be put into a capture")
        """
    )
    run(inner, "--framefray-source", str(inner.path / "day.bits")).assert_outcomes(passed=1, skipped=1)
    run(inner, "-k", "test_capture").assert_outcomes(skipped=1)


@pytest.mark.parametrize(
    ("source", "words"),
    [
        ("/nope", "--framefray-source=/nope: is not there; give *"),
        ("emulated:ring", "--framefray-source=emulated:ring: is not there; give *"),
        ("/dev/null", "--framefray-source=/dev/null: is no capture; give *"),
        ("/dev/ttyUSB99", "/dev/ttyUSB99: No such file or directory; *"),
        ("socket://127.0.0.1:1", "socket://127.0.0.1:1: *"),
    ],
)
def test_a_source_that_is_not_there_is_an_error(inner: pytest.Pytester, source: str, words: str) -> None:
    inner.makepyfile(
        """
        def test_link(link):
            pass

        def test_board(board):
            pass

        def test_capture(capture):
            capture()
        """
    )
    result = run(inner, "-q", f"--framefray-source={source}", "--framefray-yes")
    result.assert_outcomes(errors=2, failed=1)
    result.stdout.fnmatch_lines([words, words])
    said = result.stdout.str()
    assert "During handling" not in said and "pytest_plugin.py" not in said and "Error:" not in said


def test_marker_and_options_are_documented(inner: pytest.Pytester) -> None:
    assert "framefray(option" in run(inner, "--markers").stdout.str()
    assert "--framefray-source" in run(inner, "--help").stdout.str()


def test_the_plugin_loads_nothing_of_weight() -> None:
    heavy = ("numpy", "construct", "textual", "jinja2", "msgspec")
    code = f"import sys, monitor.testing.pytest_plugin; print([m for m in {heavy} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


# --- the harness itself -----------------------------------------------------------------------------------


@pytest.fixture
def link() -> EmulatedLink:
    made = EmulatedLink(seed=3)
    made.run(20)
    return made


def test_each_fault_is_judged_by_itself(link: EmulatedLink) -> None:
    at = link.inject("hdlc.fcs")
    assert at == 20
    link.expect(hdlc_fcs_errors=1, within=60)
    link.expect(hdlc_fcs_errors=1, others=0)
    link.inject("vendor.flip")
    link.run(4)
    assert link.moved["vendor_changes"] == 2
    link.expect(vendor_changes=2)
    assert link.counters["hdlc_fcs_errors"] == 1
    assert [place.text.split(":")[0] for place in link.placed] == ["hdlc.fcs", "vendor.flip"]


def test_within_is_counted_from_the_fault(link: EmulatedLink) -> None:
    link.inject("hdlc.fcs")
    link.run(60)
    with pytest.raises(LinkExpectationError, match=r"late: detected after \d+ hf, expected within 0 hf"):
        link.expect(hdlc_fcs_errors=1, within=0)


def test_ranges_and_other_counters(link: EmulatedLink) -> None:
    link.inject("line.slip")
    link.run(20)
    link.expect(los_events=1, code_violations=(1, 8192), others=None)
    with pytest.raises(
        LinkExpectationError, match=r"side effect: lof_events: expected no change, observed \+1"
    ):
        link.expect(los_events=1)
    assert link.in_sync


def test_several_faults_count_together_until_they_are_judged(link: EmulatedLink) -> None:
    link.inject("l1.rai")
    link.inject("sync.hfn@25")
    link.run(10)
    link.expect(l1_alarm_changes=2, hfn_invalid=1)
    link.mark()
    link.run(5)
    link.expect()


def test_what_cannot_be_is_refused(link: EmulatedLink) -> None:
    with pytest.raises(InputError, match="did you mean hdlc_fcs_errors"):
        link.expect(hdlc_fcs_error=1)
    with pytest.raises(InputError, match="next to be sent"):
        link.inject("hdlc.fcs@3")
    with pytest.raises(InputError, match=r"did you mean hdlc\.fcs"):
        link.inject("hdlc.fc")
    with pytest.raises(InputError, match="1 hyperframe or more"):
        link.run(0)
    with pytest.raises(InputError, match="HDLC rate code"):
        EmulatedLink(option="1", hdlc_rate_code=6)


def test_a_link_of_64b66b_is_tested_like_any_other() -> None:
    link = EmulatedLink(option="8")
    link.run(20)
    link.inject("line.header")
    link.run(10)
    link.expect(block_type_unexpected=(0, 1), unexpected_k=(0, 1), within=20)


def test_a_capture_must_be_as_expected(tmp_path: Path) -> None:
    from monitor.cli.main import main

    path = tmp_path / "broken.bits"
    words = ["craft", str(path), "--hyperframes", "80", "--fault", "hdlc.fcs@20", "--fault", "sync.hfn@30"]
    assert main(words) == 0
    seen = DecodedCapture(path)
    seen.expect(hdlc_fcs_errors=1, hfn_invalid=1)
    with pytest.raises(
        LinkExpectationError,
        match=r"broken\.bits:\n.*side effect: hfn_invalid: expected no change, obs",
    ):
        seen.expect(hdlc_fcs_errors=1)


def test_a_receiver_of_ones_own(inner: pytest.Pytester) -> None:
    """One that hears no wrong FCS: the test that puts one in must fail, with the project's decoder it passes."""
    inner.makepyfile(
        deaf="""
        from decoders.line_coding.characters import LineForm
        from decoders.link.decoder import LinkDecoder
        from decoders.link.settings import LinkSettings

        class Deaf:
            def __init__(self, option, form):
                self.decoder = LinkDecoder(LinkSettings(option, LineForm(form)))

            def receive(self, data):
                events = self.decoder.receive(data)
                return [e for e in events if getattr(e, "status", None) != "fcs"]

            state = property(lambda self: self.decoder.state)
        """
    )
    inner.makepyfile(
        """
        import pytest
        from deaf import Deaf

        def test_option(link):
            link.run(20)
            assert link.in_sync
            link.inject("hdlc.fcs")
            link.expect(hdlc_fcs_errors=1, within=60)

        @pytest.mark.framefray(receiver=Deaf)
        def test_class(link):
            test_option(link)

        @pytest.mark.framefray(receiver="deaf:Nobody")
        def test_no_such_class(link):
            pass
        """
    )
    result = run(inner)
    result.assert_outcomes(passed=1, failed=1, errors=1)
    told = "*receiver 'deaf:Nobody' cannot be loaded: AttributeError*"
    result.stdout.fnmatch_lines([told, "*hdlc_fcs_errors: expected +1, observed +0*"])
    run(inner, "--framefray-receiver=deaf:Deaf", "-k", "option").assert_outcomes(failed=1)
