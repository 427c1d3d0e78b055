"""Every behaviour of the table, through decode, tell, record and the screen: exit status, output, time, memory."""

from __future__ import annotations

import inspect
import re
import sys
import threading
import time
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from monitor.boards import serial_port
from monitor.boards.board import BoardSource
from monitor.boards.serial_port import SerialLine
from monitor.errors import MonitorError
from monitor.links.pipeline import Pipeline
from monitor.tui.app import FrayApp
from tests.hostile.behaviours import BEHAVIOURS
from tests.hostile.hostile_board import Behaviour, HostilePort
from tests.support.commands import outcome

MOST_SECONDS = 6.0
"""Of the clock, for one command; a busy machine makes them longer, a hang makes them endless."""
MOST_MEBIBYTES = 96
MOST_OUTPUT = 600_000
MOST_LINE = 5_000
COMMANDS = ("decode", "tell", "record")

FLOODS = [behaviour for behaviour in BEHAVIOURS if "board.many" in inspect.getsource(behaviour.script)]

pytestmark = pytest.mark.timeout(60)


@pytest.fixture(scope="module")
def port() -> Iterator[HostilePort]:
    port = HostilePort(BEHAVIOURS[0])
    yield port
    port.close()


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """A board of the table answers at once or never, so nobody has to wait long for it."""
    defaults = BoardSource.__init__.__kwdefaults__
    assert defaults is not None
    monkeypatch.setitem(defaults, "answer_s", 0.03)
    monkeypatch.setattr(serial_port, "POLL_S", 0.02)


def _mebibytes(name: str) -> float:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(name):
            return int(line.split()[1]) / 1024
    raise AssertionError(name)


@contextmanager
def limits() -> Iterator[None]:
    """AssertionError where time or memory of what is done inside go beyond the limits."""
    memory = sys.platform == "linux"
    if memory:
        Path("/proc/self/clear_refs").write_text("5")  # the peak begins anew
        before = _mebibytes("VmRSS")
    begun = time.monotonic()
    yield
    assert time.monotonic() - begun < MOST_SECONDS
    if memory:
        assert _mebibytes("VmHWM") - before < MOST_MEBIBYTES


def assert_inert(text: str) -> None:
    """Nothing but lines of printable text: no control, no bidirectional override, no lone surrogate."""
    for character in set(text) - set("\n\t"):
        assert unicodedata.category(character) not in ("Cc", "Cf", "Cs", "Zl", "Zp"), repr(character)


def words_of(command: str, port: HostilePort, folder: Path) -> list[str | Path]:
    if command == "tell":
        return ["tell", port.name, "status"]
    if command == "decode":
        return ["decode", port.name, "--no-reconnect"]
    return ["record", port.name, folder / "out.ffcap", "--limit", "30hf", "--no-reconnect"]


def check_command(
    command: str, behaviour: Behaviour, port: HostilePort, folder: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    with limits():
        status, out, err = outcome(capfd, *words_of(command, port, folder))
    said = f"{command}: {status}\n{out[-2000:]}\n{err[-2000:]}"
    assert "Traceback" not in err, said
    assert status in getattr(behaviour, command), said
    assert_inert(out + err)
    assert len(out) + len(err) < MOST_OUTPUT, said
    assert max((len(line) for line in (out + err).splitlines()), default=0) < MOST_LINE, said
    if status == 2:
        assert err.strip(), said
    if behaviour.says and status == 2 and command != "record":
        assert behaviour.says in err, said
    if command == "record":
        capture = folder / "out.ffcap"
        if capture.exists() and capture.stat().st_size > 200:
            assert outcome(capfd, "decode", capture, "--json")[0] in (0, 2)


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("behaviour", BEHAVIOURS, ids=lambda b: b.name.replace(" ", "-"))
def test_a_hostile_board_ends_in_words(
    behaviour: Behaviour, command: str, port: HostilePort, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    port.behaviour, port.many = behaviour, 1
    check_command(command, behaviour, port, tmp_path, capfd)


@pytest.mark.parametrize("behaviour", BEHAVIOURS, ids=lambda b: b.name.replace(" ", "-"))
async def test_a_hostile_board_on_the_screen(behaviour: Behaviour, port: HostilePort) -> None:
    port.behaviour, port.many = behaviour, 1
    with limits():
        try:
            source = BoardSource(SerialLine(port.name, reconnect=False))
        except MonitorError as error:
            assert behaviour.screen is not True, str(error)
            return
        assert behaviour.screen is not False
        pipeline = Pipeline(source)
        stop = threading.Event()
        reading = threading.Thread(target=pipeline.run, args=(stop,), daemon=True)
        app = FrayApp(pipeline, live=False)
        try:
            async with app.run_test(size=(80, 24)) as pilot:
                reading.start()
                reading.join(1.5)
                app.tick()
                await pilot.press("2")
                await pilot.pause()
                app.tick()
                await pilot.pause()
                rows = [strip.text for strip in app.screen._compositor.render_strips()]
        finally:
            stop.set()
            source.close()
            reading.join(5.0)
    assert pipeline.failure is None or isinstance(pipeline.failure, MonitorError)
    assert len(rows) == 24
    assert_inert("\n".join(rows))
    assert re.search(r"\w", "".join(rows))


def test_the_table_is_long_enough() -> None:
    assert len(BEHAVIOURS) >= 60
    assert len({behaviour.name for behaviour in BEHAVIOURS}) == len(BEHAVIOURS)


@pytest.mark.slow
@pytest.mark.parametrize("command", ["decode", "record"])
@pytest.mark.parametrize("behaviour", FLOODS, ids=lambda b: b.name.replace(" ", "-"))
def test_a_flood_takes_no_more_memory_when_it_is_longer(
    behaviour: Behaviour,
    command: str,
    port: HostilePort,
    tmp_path: Path,
    capfd: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Twenty times as much of what floods; the same limit of memory."""
    port.behaviour, port.many = behaviour, 20
    monkeypatch.setattr(sys.modules[__name__], "MOST_SECONDS", 60.0)
    monkeypatch.setattr(sys.modules[__name__], "MOST_OUTPUT", 20 * MOST_OUTPUT)
    check_command(command, behaviour, port, tmp_path, capfd)
