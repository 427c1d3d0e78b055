"""pytest plugin: fixtures that break an emulated link or a board, and look into captures.

Every pytest run loads it where framefray is installed, so it imports nothing of weight until a fixture is used.

A link of one's own settings, one fault, and nothing else may move:

    def test_wrong_fcs_is_counted_once(link):
        link.run(20)
        link.inject("hdlc.fcs")
        link.expect(hdlc_fcs_errors=1, within=60, others=0)

Another line rate, seed or two boards for one test:

    @pytest.mark.framefray(option="4", seed=7, pair=True)
    def test_remote_alarm_is_no_local_one(link):
        link.run(20)
        link.inject("l1.rai:hyperframes=3")
        link.expect(l1_alarm_changes=2, within=4)
        assert link.in_sync

A capture that hardware has left:

    def test_capture_is_clean(capture):
        seen = capture("morning.bits", option="2")
        seen.expect(others=0)
        assert seen.counters["hdlc_frames"] > 0

A board behind a serial line; `link` takes it, too, where --framefray-source names it:

    def test_the_board_tells_wrong_fcs(board):
        board.inject("hdlc.fcs")
        board.expect(hdlc_fcs_errors=1, within=80, others=0)

Two boards, a fault at one and its consequences at the other and back; an emulated REC-A and RE-1, or the boards that
`--framefray-source NAME=SOURCE` names, given twice:

    def test_a_loss_of_signal_comes_back_as_rai(site):
        site.run(20)
        site["REC-A"].inject("line.violation:count=16")
        site.run(300)
        site["RE-1"].expect(code_violations=16, los_events=1, lof_events=1, within=60, others=None)
        site["REC-A"].expect(l1_alarm_changes=(2, 8), others=None)

A chain, with a fault on one of its segments:

    @pytest.mark.framefray(option="2", nodes=("REC-A", "RE-1", "RE-2"))
    def test_a_vendor_octet_is_passed_on(site):
        site.run(20)
        site["REC-A"].inject("vendor.flip")
        site["RE-2"].expect(vendor_changes=2, within=20, others=0)
        site["RE-1"].inject("hdlc.fcs", to="RE-2")
        site["RE-2"].expect(hdlc_fcs_errors=1, within=80, others=0)

`--framefray-receiver MODULE:CLASS`, or `@pytest.mark.framefray(receiver=...)` with that text or the class itself,
puts a receiver of one's own at the end of an emulated link; monitor/campaign/RECEIVERS.md tells what it must have.

`--framefray-source` (emulated, emulated:pair, a board's device or URL, or a capture that `capture()` opens without a
name), `--framefray-option`, `--framefray-baud` and `--framefray-seed` set what a test does not. Write a device with
an =, as `--framefray-source=/dev/ttyUSB0`, for pytest takes a path that stands alone for a place of tests. Faults
are put into a board, which then transmits damaged data, only with `--framefray-yes`; without it those tests are
skipped, as is one that needs a board or a capture where none was named. A source that is not there, or cannot be
opened, is an error of each test that needs it.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from .captures import DecodedCapture
    from .tested_link import BoardLink, TestedLink
    from .tested_site import TestedSite

__all__ = ["board", "capture", "link", "site"]

_MARKER = (
    "framefray(option, seed, pair, pointer_p, hdlc_rate_code, receiver): settings of the `link` fixture;"
    " nodes in place of pair and receiver: of the `site` fixture"
)
_EMULATED = ("emulated", "emulated:pair")
_SETTINGS = frozenset(("option", "seed", "pair", "pointer_p", "hdlc_rate_code", "receiver"))
_SITE_SETTINGS = frozenset(("option", "seed", "nodes", "pointer_p", "hdlc_rate_code"))


class _Sources(argparse.Action):
    """A SOURCE stays as it is; each NAME=SOURCE is one board of a site."""

    def __call__(self, parser: object, namespace: argparse.Namespace, value: Any, *_: object) -> None:
        from ..sources.names import named_source

        name, source = named_source(value)
        if name is None:
            namespace.framefray_source = value
        else:
            named = getattr(namespace, "framefray_boards", ())
            namespace.framefray_boards = (*named, (name, source))


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("framefray")
    group.addoption(
        "--framefray-source",
        default="emulated",
        action=_Sources,
        metavar="SOURCE",
        help="emulated, emulated:pair, a board's device or URL, or a capture; NAME=SOURCE twice: two boards",
    )
    group.addoption(
        "--framefray-option", default=None, metavar="OPTION", help="line bit rate option, 1 to 7 (2)"
    )
    group.addoption("--framefray-baud", type=int, default=None, metavar="N", help="rate of a serial device")
    group.addoption(
        "--framefray-yes", action="store_true", help="let tests make a board transmit damaged data"
    )
    group.addoption(
        "--framefray-receiver",
        default=None,
        metavar="MODULE:CLASS",
        help="receiver under test at the end of an emulated link (the project's decoder)",
    )
    group.addoption("--framefray-seed", type=int, default=1, metavar="N", help="seed of the traffic (1)")


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", _MARKER)


def _settings(request: pytest.FixtureRequest) -> dict[str, Any]:
    """Settings of a link by the command line, and over them those of the test's mark."""
    config = request.config
    settings: dict[str, Any] = {
        "option": config.getoption("framefray_option") or "2",
        "seed": config.getoption("framefray_seed"),
        "pair": config.getoption("framefray_source") == "emulated:pair",
        "receiver": config.getoption("framefray_receiver"),
    }
    return settings | _marked(request, _SETTINGS)


def _marked(request: pytest.FixtureRequest, known: frozenset[str]) -> dict[str, Any]:
    """Settings of the test's mark."""
    mark = request.node.get_closest_marker("framefray")
    if mark is None:
        return {}
    unknown = [*map(repr, mark.args), *(set(mark.kwargs) - known)]
    if unknown:
        raise _failed(f"mark framefray: {', '.join(unknown)} is none of its settings; {_MARKER}")
    return dict(mark.kwargs)


@pytest.fixture
def link(request: pytest.FixtureRequest) -> Iterator[TestedLink]:
    """An emulated link of this test's own (monitor.harness.EmulatedLink), or the board (BoardLink)."""
    source = request.config.getoption("framefray_source")
    if _is_board(source):
        if request.node.get_closest_marker("framefray") is not None:
            pytest.skip(f"settings of a link cannot be given to the board at {source}")
        yield request.getfixturevalue("board")
        return
    if source not in _EMULATED:
        _found(request, source)
        pytest.skip(f"faults cannot be put into {source}: link needs emulated, emulated:pair or a board")
    from ..errors import InputError
    from .tested_link import EmulatedLink

    settings = _settings(request)
    try:
        settings["receiver"] = _receiver(settings["receiver"])
        made = EmulatedLink(**settings)
    except InputError as error:
        raise _failed(str(error)) from None
    yield made


def _receiver(chosen: Any) -> Any:
    """What makes the receiver at the end of a link; None for the project's decoder."""
    if chosen is None:
        return None
    from ..campaign.receivers import receiver_named, receiver_of

    return receiver_named(chosen) if isinstance(chosen, str) else receiver_of(chosen)


def _failed(text: str) -> BaseException:
    """To be raised: one line in place of a traceback; an error of the test where a fixture raises it."""
    from ..text import inert

    return pytest.fail.Exception(inert(text), pytrace=False)


def _found(request: pytest.FixtureRequest, name: str) -> Path:
    """The capture of that name, beside the test's file or else from where pytest was started."""
    for path in (request.path.parent / name, Path(name)):
        if path.is_file() or path.is_fifo():
            return path
    word = "is no capture" if Path(name).exists() else "is not there"
    raise _failed(
        f"--framefray-source={name}: {word}; give emulated, emulated:pair, a board's device or URL, or a capture"
    )


def _is_board(source: str) -> bool:
    if source in _EMULATED:
        return False
    from ..sources.names import is_serial

    return is_serial(source)


@pytest.fixture
def board(request: pytest.FixtureRequest) -> Iterator[BoardLink]:
    """The board that --framefray-source names (monitor.harness.BoardLink), its link clean at the start."""
    config = request.config
    source = config.getoption("framefray_source")
    if not _is_board(source):
        if source not in _EMULATED:
            _found(request, source)
        pytest.skip("no board: give --framefray-source DEVICE or URL")
    if not config.getoption("framefray_yes"):
        pytest.skip(f"faults make the board at {source} transmit damaged data: give --framefray-yes")
    from ..errors import MonitorError
    from .tested_link import BoardLink

    try:
        found = BoardLink(
            source, option=config.getoption("framefray_option"), baud=config.getoption("framefray_baud")
        )
    except MonitorError as error:
        raise _failed(str(error)) from None
    yield found
    found.close()


@pytest.fixture
def site(request: pytest.FixtureRequest) -> Iterator[TestedSite]:
    """An emulated site of this test's own, or the boards that --framefray-source NAME=SOURCE names."""
    from ..errors import MonitorError
    from .tested_site import EmulatedSite, LiveSite

    config = request.config
    boards = config.getoption("framefray_boards", ())
    source = config.getoption("framefray_source")
    try:
        if boards:
            if request.node.get_closest_marker("framefray") is not None:
                pytest.skip("settings of a site cannot be given to boards")
            if not config.getoption("framefray_yes"):
                pytest.skip("faults make the boards transmit damaged data: give --framefray-yes")
            option, baud = config.getoption("framefray_option"), config.getoption("framefray_baud")
            found: TestedSite = LiveSite(boards, option=option, baud=baud)
        elif source in _EMULATED:
            usual = {
                "option": config.getoption("framefray_option") or "2",
                "seed": config.getoption("framefray_seed"),
            }
            found = EmulatedSite(**(usual | _marked(request, _SITE_SETTINGS)))
        else:
            pytest.skip("a site has two boards: give --framefray-source NAME=SOURCE twice")
    except MonitorError as error:
        raise _failed(str(error)) from None
    yield found
    found.close()


@pytest.fixture
def capture(request: pytest.FixtureRequest) -> Callable[..., DecodedCapture]:
    """Decodes a capture file: capture(path, form=None, option=None); without a path --framefray-source.

    A relative path counts from the directory of the test's file, or else from where pytest was started.
    """
    from ..errors import InputError
    from .captures import DecodedCapture

    config = request.config

    def decode(
        path: str | Path | None = None, *, form: str | None = None, option: str | None = None
    ) -> DecodedCapture:
        if path is not None:
            found = Path(path)
            beside = request.path.parent / found
            if beside.exists():
                found = beside
        else:
            source = config.getoption("framefray_source")
            if source in _EMULATED:
                pytest.skip("no capture: name one, or give --framefray-source FILE")
            if _is_board(source):
                raise _failed(f"--framefray-source={source}: is a board, no capture; name one in the test")
            found = _found(request, source)
        try:
            return DecodedCapture(found, form=form, option=option or config.getoption("framefray_option"))
        except InputError as error:
            if path is not None:
                raise
            raise _failed(str(error)) from None

    return decode
