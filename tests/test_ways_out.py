"""Every way out of the program for text goes through the escape of monitor/text: told from the source itself.

Terminal: only process/streams prints. JSON: only `json_text` encodes. Files: only process/output_file and the
writers of recordings open one to write.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[1]
MONITOR = sorted((ROOT / "monitor").rglob("*.py"))

PRINTING = {
    "monitor/process/streams.py",
    "monitor/process/asking.py",  # a question, through `inert`
    "monitor/cli/main.py",  # the one line of a failure, through `inert`; the completion script
    "monitor/faults/table.py",  # a page of the documentation, made by hand
    "monitor/acceptance/plan_reference.py",  # likewise
}
ENCODING = {
    "monitor/text.py",
    "monitor/recording/recorder.py",  # a record inside a capture
    "monitor/emulation/crafted_file.py",  # likewise
}
WRITING = {
    "monitor/process/output_file.py",
    "monitor/process/streams.py",  # the standard streams
    "monitor/acceptance/folder.py",  # a journal that is appended to, line by line
    "monitor/recording/recorder.py",  # pipes and devices; files by process/output_file
    "monitor/tui/event_file.py",  # made new, never over another
}


def calls(path: Path) -> Iterator[tuple[str, ast.Call]]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            yield ast.unparse(node.func), node


def files_that(found: set[str]) -> set[str]:
    return {str(path.relative_to(ROOT)) for path in MONITOR if any(name in found for name, _ in calls(path))}


def test_only_one_module_prints() -> None:
    assert files_that({"print", "sys.stdout.write", "sys.stderr.write"}) <= PRINTING


def test_only_one_function_makes_json() -> None:
    assert files_that({"json.dumps", "json.dump", "msgspec.json.encode", "msgspec.json.Encoder"}) <= ENCODING


def test_only_the_output_rule_opens_files_to_write() -> None:
    def opens(name: str, call: ast.Call) -> bool:
        words = [
            a.value for a in (*call.args, *(k.value for k in call.keywords)) if isinstance(a, ast.Constant)
        ]
        modes = [w for w in words if isinstance(w, str) and set(w) <= set("rwxabt+") and set(w) & set("wxa+")]
        return name.endswith((".write_bytes", ".write_text")) or (
            (name == "open" or name.endswith((".open", "FileIO", "fdopen"))) and bool(modes)
        )

    writing = {str(p.relative_to(ROOT)) for p in MONITOR if any(opens(n, c) for n, c in calls(p))}
    assert writing <= WRITING
