"""Values of the command line: their ranges, and one clear line for each that is outside."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import Any

import pytest

from monitor.arguments import MOST_COUNTED
from monitor.cli import values
from monitor.cli.values import Parser


@pytest.mark.parametrize(
    ("kind", "text", "value"),
    [
        (values.whole, "0x1F", 31),
        (values.whole, "0", 0),
        (values.at_least_one, "300", 300),
        (values.baud, "3000000", 3_000_000),
        (values.share, "0.25", 0.25),
        (values.bit_error_ratio, "1e-6", 1e-6),
        (values.pace, "0", 0.0),
        (values.pace, "750", 750.0),
        (values.refreshes, "4", 4.0),
        (values.file_name, "-", "-"),
    ],
)
def test_values(kind: Callable[[str], Any], text: str, value: Any) -> None:
    assert kind(text) == value


@pytest.mark.parametrize(
    ("kind", "text", "said"),
    [
        (values.whole, "1.5", "'1.5' is not a whole number"),
        (values.whole, "-1", "-1 is negative"),
        (values.whole, "9" * 101, "has more than 100 digits"),
        (values.at_least_one, "0", "0 is less than 1"),
        (values.at_least_one, str(MOST_COUNTED + 1), "is more than"),
        (values.baud, "0", "0 is outside 1 to 2147483647"),
        (values.number, "ten", "'ten' is not a number"),
        (values.share, "1.01", "1.01 is outside 0 to 1"),
        (values.share, "nan", "nan is outside 0 to 1"),
        (values.bit_error_ratio, "0.6", "0.6 is outside 0 to 0.5"),
        (values.pace, "1e10", "hyperframes per second; 0 = as fast as possible"),
        (values.refreshes, "nan", "nan is not above 0"),
        (values.file_name, "", "the name is empty"),
    ],
)
def test_what_is_outside_is_said(kind: Callable[[str], Any], text: str, said: str) -> None:
    with pytest.raises(argparse.ArgumentTypeError) as error:
        kind(text)
    assert said in str(error.value)


def test_a_mistake_is_one_line_without_controls(capsys: pytest.CaptureFixture[str]) -> None:
    parser = Parser(prog="framefray decode")
    parser.add_argument("source")
    with pytest.raises(SystemExit) as end:
        parser.parse_args(["a", "--no\x1b[31m"])
    assert end.value.code == 2
    err = capsys.readouterr().err
    assert err == "framefray: decode: unrecognized arguments: --no\\x1b[31m; see `framefray decode --help`\n"
