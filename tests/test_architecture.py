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


ROOMS = [
    # decoders/: loose modules first, then each clause of the standard, then one direction whole
    "decoders", "decoders.line_coding", "decoders.frame_structure", "decoders.cm_plane", "decoders.user_plane",
    "decoders.link_delay", "decoders.error_performance", "decoders.link",
    # monitor/: from the ground up
    "monitor", "monitor.process", "monitor.protocol", "monitor.reference",
    "monitor.formats",
    "monitor.sources", "monitor.faults", "monitor.delay",
    "monitor.boards", "monitor.recording", "monitor.emulation", "monitor.links",
    "monitor.campaign", "monitor.metrics",
    "monitor.reports", "monitor.opening",
    "monitor.exports", "monitor.testing", "monitor.site", "monitor.archive",
    "monitor.acceptance", "monitor.tui",
    "monitor.commands",
    "monitor.cli",
]  # fmt: skip
"""From the ground up: a room imports only rooms above it in this list, and its own files."""

LOOSE_IN_MONITOR = {"__init__", "__main__", "arguments", "errors", "opening", "text"}


def module_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def room_of(module: str) -> str:
    """The room that a module of ours stands in; a loose module stands in the ground room, `opening` by itself."""
    if module.startswith("monitor.opening"):
        return "monitor.opening"
    if module == "monitor.__main__":
        return "monitor.cli"
    for room in sorted(ROOMS, key=len, reverse=True):
        if module == room or module.startswith(room + "."):
            return room
    return module


def test_every_room_is_in_the_table() -> None:
    folders = {module_of(p / "__init__.py") for top in ("decoders", "monitor") for p in (ROOT / top).rglob("*/")
               if any(p.glob("*.py"))}  # fmt: skip
    assert folders <= set(ROOMS)
    assert {p.stem for p in (ROOT / "monitor").glob("*.py")} <= LOOSE_IN_MONITOR


@pytest.mark.parametrize("path", [*DECODERS, *MONITOR], ids=lambda p: str(p.relative_to(ROOT)))
def test_every_import_runs_to_a_room_above(path: Path) -> None:
    module = module_of(path)
    if module == "decoders":
        return  # the door: it names what the rooms hold, and loads it when asked
    here = ROOMS.index(room_of(module))
    ours = {name for name in imports(path) if name.split(".")[0] in ("decoders", "monitor")}
    upward = {name for name in ours if ROOMS.index(room_of(name)) > here}
    assert not upward


def test_no_file_imports_itself_by_way_of_others() -> None:
    modules = {module_of(path): path for path in [*DECODERS, *MONITOR]}
    above = {
        module: {n for n in imports(path) if n in modules and n != module} - {"decoders", "monitor"}
        for module, path in modules.items()
        if module != "decoders"
    }
    done: set[str] = set()

    def walk(module: str, trail: tuple[str, ...]) -> None:
        assert module not in trail, " -> ".join((*trail, module))
        if module not in done:
            for other in sorted(above.get(module, ())):
                walk(other, (*trail, module))
            done.add(module)

    for module in sorted(above):
        walk(module, ())


def _name(path: Path) -> str:
    return str(path.relative_to(ROOT))


def _roots(path: Path) -> set[str]:
    return {name.split(".")[0] for name in imports(path)}


def test_the_walk_sees_imports() -> None:
    found = set(imports(ROOT / "monitor" / "commands" / "decode.py"))
    assert {"decoders.link.decoder", "monitor.opening", "decoders.counters.ERROR_COUNTERS"} <= found
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
    if here != Path("boards/serial_port.py"):
        assert "serial" not in roots
    if here.parts[0] != "tui":
        assert "textual" not in roots
    if here.name != "__main__.py" and here.parts[0] != "cli":
        assert not any(name == "monitor.cli" or name.startswith("monitor.cli.") for name in imports(path))
    assert "tests" not in roots


@pytest.mark.parametrize("path", [*DECODERS, *MONITOR], ids=_name)
def test_no_star_imports(path: Path) -> None:
    assert not any(name.endswith(".*") for name in imports(path))


def test_command_line_imports_nothing_heavy() -> None:
    for path in (ROOT / "monitor" / "cli").glob("*.py"):
        at_the_top = {
            (node.module or "").split(".")[0] if isinstance(node, ast.ImportFrom) else node.names[0].name
            for node in ast.parse(path.read_text()).body
            if isinstance(node, ast.Import | ast.ImportFrom)
        }
        assert not at_the_top & {"numpy", "construct", "textual", "rich", "jinja2", "msgspec", "decoders"}
