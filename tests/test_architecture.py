"""Two rooms with one door: who may import whom, read from the source itself."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
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


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def imports(path: Path) -> frozenset[str]:
    """Absolute names of every module that a file imports, anywhere in it."""
    return frozenset(_imports(path))


def _imports(path: Path) -> Iterator[str]:
    package = list(path.relative_to(ROOT).with_suffix("").parts)
    package = package[:-1]
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            module = ".".join([*base, *([node.module] if node.module else [])])
            yield module
            yield from (f"{module}.{alias.name}" for alias in node.names)


ROOMS = {
    "decoders": "terms that all rooms share: options, events, counters, errors",
    "decoders.line_coding": "octets to line bits and back",
    "decoders.frame_structure": "basic frame, hyperframe, control words, BFN and HFN",
    "decoders.cm_plane": "slow and fast C&M, and the packets in them",
    "decoders.user_plane": "IQ data: AxC containers and samples",
    "decoders.link_delay": "delay terms, limits and uncertainty; budgets of chains",
    "decoders.error_performance": "what differs between two streams; bit error ratio and its bound",
    "decoders.link": "one direction whole: decoder and encoder, sync, alarms, start-up",
    "monitor": "errors, text, limits of numbers",
    "monitor.toml_plans": "TOML plans: where a key stands, one-line errors",
    "monitor.process": "streams, signals, questions, output files",
    "monitor.protocol": "records of the serial line; the board side in C99 and Verilog",
    "monitor.reference": "the second receiver: slow, and written without the decoders",
    "monitor.formats": "data formats of line data in files",
    "monitor.sources": "what a source is; files and value change dumps as sources",
    "monitor.faults": "the fault catalogue, the damage, the judge",
    "monitor.delay": "delay through resets; plans of chains",
    "monitor.boards": "boards on a serial line",
    "monitor.recording": "recordings and their replay",
    "monitor.emulation": "emulated boards and links, traffic, crafted captures",
    "monitor.links": "one link watched: snapshots for screens and reports",
    "monitor.campaign": "the negative-test campaign",
    "monitor.metrics": "snapshots for a metrics collector",
    "monitor.reports": "text, JSON, JUnit, HTML",
    "monitor.opening": "a SOURCE word to a source, a board or a link under test",
    "monitor.exports": "formats of other tools",
    "monitor.testing": "links in tests: the pytest plugin",
    "monitor.site": "several links at once: plan, links watched together, where a damage enters",
    "monitor.archive": "many captures",
    "monitor.acceptance": "an acceptance run from a plan",
    "monitor.tui": "the screen",
    "monitor.web": "the screen in a browser",
    "monitor.commands": "one module a command",
    "monitor.cli": "the parser",
}
"""Rooms from the ground up, and what each is: a room imports only rooms above it in this table, and its own files."""

FLOORS = list(ROOMS)

LOOSE_IN_MONITOR = {"__init__", "__main__", "arguments", "errors", "opening", "text"}


def module_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def room_of(module: str) -> str:
    """The room that a module of ours stands in; a loose module stands in the ground room, `opening` by itself."""
    if module.startswith("monitor.opening"):
        return "monitor.opening"
    if module == "monitor.__main__":
        return "monitor.cli"
    for room in sorted(FLOORS, key=len, reverse=True):
        if module == room or module.startswith(room + "."):
            return room
    return module


def test_every_room_is_in_the_table() -> None:
    folders = {module_of(p / "__init__.py") for top in ("decoders", "monitor") for p in (ROOT / top).rglob("*/")
               if any(p.glob("*.py"))}  # fmt: skip
    assert folders <= set(ROOMS)
    assert {p.stem for p in (ROOT / "monitor").glob("*.py")} <= LOOSE_IN_MONITOR
    assert len(LOOSE_IN_MONITOR) <= 6


def test_developers_read_of_the_same_rooms() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text[text.index("| room | is |") :].partition("\n\n")[0].splitlines()[2:]
    told = [tuple(cell.strip(" `") for cell in line.strip("|").split("|", 1)) for line in table]
    here = {room.replace(".", "/"): meaning for room, meaning in ROOMS.items() if _stands(room)}
    assert told == list(here.items())


def _stands(room: str) -> bool:
    path = ROOT.joinpath(*room.split("."))
    return any(path.glob("*.py")) or path.with_suffix(".py").is_file()


@pytest.mark.parametrize("path", [*DECODERS, *MONITOR], ids=lambda p: str(p.relative_to(ROOT)))
def test_every_import_runs_to_a_room_above(path: Path) -> None:
    module = module_of(path)
    if module == "decoders":
        return  # the door: it names what the rooms hold, and loads it when asked
    here = FLOORS.index(room_of(module))
    ours = {name for name in imports(path) if name.split(".")[0] in ("decoders", "monitor")}
    upward = {name for name in ours if FLOORS.index(room_of(name)) > here}
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
    names = {node.id for node in ast.walk(tree(path)) if isinstance(node, ast.Name)}
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
            for node in tree(path).body
            if isinstance(node, ast.Import | ast.ImportFrom)
        }
        assert not at_the_top & {"numpy", "construct", "textual", "rich", "jinja2", "msgspec", "decoders"}


def _public_names(path: Path) -> set[str]:
    """Classes and functions that a module offers: those in its `__all__`, or those without an underscore."""
    body = tree(path).body
    named = {node.name for node in body if isinstance(node, ast.ClassDef | ast.FunctionDef)}
    for node in body:
        if isinstance(node, ast.Assign) and any(getattr(t, "id", "") == "__all__" for t in node.targets):
            return named & set(ast.literal_eval(node.value))
    return {name for name in named if not name.startswith("_")}


NAMED_TWICE: set[str] = set()
"""Public names that still mean two things. May only shrink."""


def test_a_public_name_means_one_thing() -> None:
    homes: dict[str, list[str]] = {}
    for path in [*DECODERS, *MONITOR]:
        if path.name != "__init__.py" and path.parent.name != "commands":  # where `run` is the one name
            for name in _public_names(path):
                homes.setdefault(name, []).append(module_of(path))
    assert {name: where for name, where in homes.items() if len(where) > 1 and name not in NAMED_TWICE} == {}


@pytest.mark.parametrize("path", MONITOR, ids=_name)
def test_imports_inside_a_room_are_relative(path: Path) -> None:
    absolute = [
        node.module
        for node in ast.walk(tree(path))
        if isinstance(node, ast.ImportFrom)
        and not node.level
        and (node.module or "").split(".")[0] == "monitor"
    ]
    assert absolute == []


LONG_FUNCTIONS = {
    "monitor.campaign.facts._facts": 63,
    "monitor.campaign.line_rules.block_rules": 141,
    "monitor.campaign.word_rules.place_rules": 70,
    "monitor.emulation.truth.truth_record": 72,
    "monitor.delay.run.judge_delay": 64,
    "monitor.reports.delay_records.delay_record": 63,
}
"""Functions of more than 60 lines, with their length. May only shrink."""
LONG_CLASSES = {
    "monitor.tui.event_list.EventList": 291,
    "monitor.campaign.due._Work": 344,
    "monitor.tui.views_app.ViewsApp": 268,
    "monitor.emulation.board.RecordBoard": 252,
}
"""Classes of more than 250 lines, with their length. May only shrink."""


def test_functions_and_classes_are_short() -> None:
    for kinds, most, known in (
        ((ast.FunctionDef, ast.AsyncFunctionDef), 60, LONG_FUNCTIONS),
        ((ast.ClassDef,), 250, LONG_CLASSES),
    ):
        long = {
            f"{module_of(path)}.{node.name}": node.end_lineno - node.lineno + 1
            for path in [*DECODERS, *MONITOR]
            for node in ast.walk(tree(path))
            if isinstance(node, kinds)
            and node.end_lineno is not None
            and node.end_lineno - node.lineno >= most
        }
        assert {name: lines for name, lines in long.items() if lines > known.get(name, most)} == {}


WITHOUT_TESTS = ROOT / "tests" / "modules_without_tests.txt"
"""Modules that have no test file of their own, one a line. May only shrink."""


def test_modules_without_a_test_file_only_shrink() -> None:
    listed = set(WITHOUT_TESTS.read_text(encoding="utf-8").split())
    bare = {
        _name(path)
        for path in [*DECODERS, *MONITOR]
        if not path.name.startswith("__")
        and not (ROOT / "tests" / path.relative_to(ROOT)).with_name(f"test_{path.name}").is_file()
    }
    assert bare <= listed, "give the new module a test file"


WITH_MONITOR = {
    "tests/decoders/link/test_decoder.py",
    "tests/decoders/link/test_gaps.py",
    "tests/decoders/test_counters.py",
}
"""Tests of decoders that import monitor. May only shrink."""


def test_tests_of_decoders_keep_to_decoders() -> None:
    found = {
        _name(path)
        for path in (ROOT / "tests" / "decoders").rglob("*.py")
        if any(n.split(".")[0] == "monitor" or n == "tests.support.streams" for n in imports(path))
    }
    assert found <= WITH_MONITOR
