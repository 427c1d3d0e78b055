"""Tables: Python's csv module reads CSV, json reads JSON Lines, and decode says the same."""

import builtins
import csv
import json
from pathlib import Path
from typing import Any

import pytest

from monitor.cli.main import main
from monitor.exports.tables import COLUMNS, Table
from tests.support.exports import decode_lines


@pytest.mark.parametrize("table", ["frames", "vendor", "events"])
def test_json_lines_are_those_of_decode(
    damaged: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], table: str
) -> None:
    out = tmp_path / "table.jsonl"
    assert main(["export", str(damaged), str(out), "--table", table]) == 0
    lines = [json.loads(line) for line in out.read_text().splitlines()]
    assert lines == decode_lines(capsys, str(damaged), f"--{table}") != []


@pytest.mark.parametrize("table", ["frames", "vendor"])
def test_csv_holds_the_same_rows(
    damaged: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], table: str
) -> None:
    out = tmp_path / "table.csv"
    assert main(["export", str(damaged), str(out), "--table", table]) == 0
    with out.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    expected = decode_lines(capsys, str(damaged), f"--{table}")
    assert list(rows[0]) == list(COLUMNS[Table(table)])
    assert rows == [{key: str(value) for key, value in row.items()} for row in expected]
    assert out.read_bytes().count(b"\r\n") == len(rows) + 1


def test_csv_of_counters_is_what_decode_counts(
    damaged: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "counters.csv"
    assert main(["export", str(damaged), str(out), "--table", "counters"]) == 0
    with out.open(newline="") as file:
        rows = {row["counter"]: int(row["value"]) for row in csv.DictReader(file)}
    (record,) = decode_lines(capsys, str(damaged), "--json")
    assert rows == record["counters"]
    assert rows["hdlc_fcs_errors"] == rows["ethernet_fcs_errors"] == rows["hfn_invalid"] == 1


def test_csv_of_events_and_l1_parse(damaged: Path, tmp_path: Path) -> None:
    events, l1 = tmp_path / "events.csv", tmp_path / "l1.csv"
    assert main(["export", str(damaged), str(events), "--table", "events"]) == 0
    assert main(["export", str(damaged), str(l1), "--table", "l1"]) == 0
    with events.open(newline="") as file:
        rows = list(csv.DictReader(file))
    bad = [row for row in rows if row["event"] == "hfn_invalid"]
    assert [(row["hyperframe"], json.loads(row["details"])) for row in bad] == [("9", {"value": 200})]
    with l1.open(newline="") as file:
        changes = list(csv.DictReader(file))
    assert {row["event"] for row in changes} == {"startup_state_changed"}
    assert changes[0]["hyperframe"] == "0"


def test_parquet_without_pyarrow_says_what_to_install(
    clean: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    real = builtins.__import__

    def without(name: str, *rest: Any, **more: Any) -> Any:
        if name.partition(".")[0] == "pyarrow":
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    assert main(["export", str(clean), str(tmp_path / "frames.parquet")]) == 2
    assert "framefray[tables]" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_parquet_rows_come_back(damaged: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    parquet = pytest.importorskip("pyarrow.parquet", reason="needs pyarrow (the tables extra)")
    out = tmp_path / "frames.parquet"
    assert main(["export", str(damaged), str(out)]) == 0
    assert parquet.read_table(out).to_pylist() == decode_lines(capsys, str(damaged), "--frames")
