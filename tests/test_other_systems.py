"""framefray where the system is not POSIX: its modules and signals are taken away, and commands run all the same.

One process refuses to import pty, tty, termios, fcntl and resource, lacks the signals and functions that other
systems lack, and runs what a laptop at the bench needs: craft, decode, compare, campaign, record, replay, the screen.
"""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.patience import patience

ROOT = Path(__file__).parents[1]

BLOCKED = ("pty", "tty", "termios", "fcntl", "resource")
DRIVER = "textual.drivers.headless_driver:HeadlessDriver"
"""The toolkit's driver of this system's terminal is not what is tested here."""
SCRIPT = """
import asyncio, importlib.abc, json, os, signal, socket, sys

BLOCKED = {blocked!r}

class Blocker(importlib.abc.MetaPathFinder):
    def find_spec(self, name, path=None, target=None):
        if name in BLOCKED:
            raise ModuleNotFoundError(f"No module named {{name!r}}", name=name)

sys.meta_path.insert(0, Blocker())
for name in BLOCKED:
    sys.modules.pop(name, None)
for name in ("SIGHUP", "SIGUSR1", "SIGUSR2", "SIGQUIT", "SIGTSTP", "SIGCONT", "SIGWINCH", "SIGPIPE", "SIGALRM"):
    delattr(signal, name)
for name in ("pread", "openpty", "killpg", "getuid", "mkfifo", "fork", "ttyname"):
    delattr(os, name)
loop = asyncio.new_event_loop()  # its own pair of sockets is of this system
del socket.AF_UNIX

import contextlib, io
from monitor.cli.main import main

def run(*words):
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            status = main(list(words))
        except SystemExit as end:
            status = end.code
    print(json.dumps(["RUN", words[0], status, out.getvalue(), err.getvalue()]), file=real)

real = sys.stdout
run("--help")
run("craft", "a.bits", "--option", "1", "--hyperframes", "12", "--fault", "hdlc.fcs@4", "--truth", "a.json")
run("decode", "a.bits")
run("compare", "a.bits", "a.bits")
run("export", "a.bits", "a.csv")
run("campaign", "emulated", "--option", "1", "--only", "vendor.value", "--hyperframes", "40", "--html", "c.html")
run("inject", "emulated", "--option", "1", "--fault", "vendor.value", "--hyperframes", "40")
run("record", "emulated", "r.ffcap", "--option", "1", "--hyperframes", "20", "--pace", "0", "--note", "bench 3")
run("replay", "r.ffcap", "--headless")
run("watch", "r.ffcap", "--headless")
run("delay", "emulated", "--resets", "3")
run("board", "--pty")
run("board", "--loopback", "pair", "--link", "./pair.socket", "--tcp", "127.0.0.1:0")

from monitor.links.pipeline import Pipeline
from monitor.opening import SourceRequest, link_settings, open_source
from monitor.tui.app import FrayApp

async def screen():
    request = SourceRequest(source="emulated", option="1", hyperframes=50, pace=0)
    source = open_source(request)
    app = FrayApp(Pipeline(source, link_settings(request, source)))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("2", "3", "1", "question_mark", "escape")
        await pilot.pause()
        shown = app.screen is not None
        await pilot.press("q")
    return shown

print(json.dumps(["SCREEN", loop.run_until_complete(screen())]), file=real)
print(json.dumps(["LOADED", sorted(set(BLOCKED) & set(sys.modules))]), file=real)
"""


@pytest.fixture(scope="module")
def lines(tmp_path_factory: pytest.TempPathFactory) -> list[list[object]]:
    folder = tmp_path_factory.mktemp("desk")
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT.format(blocked=BLOCKED)],
        cwd=folder,
        env={"PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin", "NO_COLOR": "1", "TEXTUAL_DRIVER": DRIVER},
        capture_output=True,
        text=True,
        timeout=patience(120),
        check=False,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    return [json.loads(line) for line in done.stdout.splitlines() if line.startswith("[")]


def test_commands_run_without_posix(lines: list[list[object]]) -> None:
    ran = [line[1:] for line in lines if line[0] == "RUN"]
    statuses = [(name, status) for name, status, _, _ in ran]
    wanted = [
        "--help",
        "craft",
        "decode",
        "compare",
        "export",
        "campaign",
        "inject",
        "record",
        "replay",
        "watch",
        "delay",
    ]
    assert statuses == [*((name, 0) for name in wanted), ("board", 2), ("board", 2)], ran
    assert not any("Traceback" in str(out) + str(err) for _, _, out, err in ran)


def test_what_is_not_there_is_said_plainly(lines: list[list[object]]) -> None:
    pty, pair = (str(line[4]) for line in lines if line[1:2] == ["board"])
    assert pty == "framefray: --pty: this system has no pseudo-terminals; use --tcp 127.0.0.1:PORT\n"
    assert "this system has no sockets at a path; give HOST:PORT" in pair


def test_the_screen_starts_without_posix(lines: list[list[object]]) -> None:
    assert ["SCREEN", True] in lines
    assert ["LOADED", []] in lines


def test_one_module_names_what_only_posix_has() -> None:
    """And imports it where it is used, not at its head."""
    for path in sorted((ROOT / "monitor").rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        named = {
            (alias.name, node in tree.body)
            for node in ast.walk(tree)
            if isinstance(node, ast.Import)
            for alias in node.names
            if alias.name in BLOCKED
        }
        assert not any(at_head for _, at_head in named), path
        assert not named or path.relative_to(ROOT / "monitor") == Path("process/posix.py")
