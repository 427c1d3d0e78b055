"""Two rooms with one door: who may import whom, read from the source itself."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
DECODERS = sorted((ROOT / "decoders").rglob("*.py"))
MONITOR = sorted((ROOT / "monitor").rglob("*.py"))
WORLD = {
    "asyncio", "logging", "multiprocessing", "os", "pathlib", "random", "select", "selectors", "serial", "signal",
    "socket", "subprocess", "tempfile", "threading", "time", "datetime", "io", "shutil", "sys", "argparse",
}  # fmt: skip
"""Modules through which code touches files, clocks, threads, the terminal or chance."""


def imports(path: Path) -> Iterator[str]:
    """Absolute names of every module that a file imports, anywhere in it."""
    package = list(path.relative_to(ROOT).with_suffix("").parts)
    package = package[:-1]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            module = ".".join([*base, *([node.module] if node.module else [])])
            yield module
            yield from (f"{module}.{alias.name}" for alias in node.names)


def _name(path: Path) -> str:
    return str(path.relative_to(ROOT))


def _roots(path: Path) -> set[str]:
    return {name.split(".")[0] for name in imports(path)}


def test_the_walk_sees_imports() -> None:
    found = set(imports(ROOT / "monitor" / "commands" / "decode.py"))
    assert {"decoders.link", "monitor.opening", "monitor.counters.ERROR_COUNTERS"} <= found
    assert "monitor.tui.app" in set(imports(ROOT / "monitor" / "commands" / "watch.py"))  # inside a function
    assert len(DECODERS) > 10
    assert len(MONITOR) > 20


@pytest.mark.parametrize("path", DECODERS, ids=_name)
def test_decoders_are_pure(path: Path) -> None:
    roots = _roots(path)
    assert not roots & (WORLD | {"monitor", "tests", "textual", "rich", "jinja2", "msgspec"})
    names = {node.id for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.Name)}
    assert not names & {"open", "print", "input"}
    assert not any(name.startswith("numpy.random") for name in imports(path))


@pytest.mark.parametrize("path", MONITOR, ids=_name)
def test_monitor_keeps_to_its_rooms(path: Path) -> None:
    here = path.relative_to(ROOT / "monitor")
    roots = _roots(path)
    if here != Path("sources/serial_port.py"):
        assert "serial" not in roots
    if here.parts[0] != "tui":
        assert "textual" not in roots
    if here.name != "__main__.py":
        assert not any(name == "monitor.cli" or name.startswith("monitor.cli.") for name in imports(path))
    assert "tests" not in roots


@pytest.mark.parametrize("path", [*DECODERS, *MONITOR], ids=_name)
def test_no_star_imports(path: Path) -> None:
    assert not any(name.endswith(".*") for name in imports(path))


def test_command_line_imports_nothing_heavy() -> None:
    tree = ast.parse((ROOT / "monitor" / "cli.py").read_text())
    at_the_top = {
        (node.module or "").split(".")[0] if isinstance(node, ast.ImportFrom) else node.names[0].name
        for node in tree.body
        if isinstance(node, ast.Import | ast.ImportFrom)
    }
    assert not at_the_top & {"numpy", "construct", "textual", "rich", "jinja2", "msgspec", "decoders"}
