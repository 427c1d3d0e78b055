"""Each command's arguments: a function and a module of its name, a help line, and the contract's options."""

from __future__ import annotations

import argparse
import ast
from pathlib import Path

import pytest

from monitor.cli import command_arguments
from monitor.cli.command_arguments import COMMANDS, Command
from monitor.cli.command_line import build_parser

FOLDER = Path(command_arguments.__file__).parents[1] / "commands"

CONTRACT = {
    "demo": "--option --seed --pace --hyperframes --ber",
    "watch": "--form --option --baud --yes --plain --every --metrics --web --web-control --listen-any",
    "decode": "--form --option --json --frames --vendor --events --strict --fec --fec-header-xor --baud",
    "craft": "--option --hyperframes --seed --fault --truth --form --fec --scrambling --plan --force",
    "inject": "--fault --json --yes",
    "campaign": "--junit --html --json",
    "delay": "--resets --hops --json --yes",
    "record": "--limit --form --option --metrics",
    "replay": "--speed --paused --at",
    "compare": "--form --option --json",
    "locate": "--chain --form --option --hyperframes --fault --json",
    "export": "--iq --axc --table --words",
    "board": "--pty --tcp",
    "rates": "--pointer --hdlc-rate --json",
    "tell": "--json --yes",
    "accept": "--out --resume --dry-run --yes",
    "evidence": "",
    "completion": "",
}
"""Options that programs outside the project use: none may be renamed or removed."""


def options_of(command: Command) -> set[str]:
    parser = argparse.ArgumentParser(add_help=False)
    command.add_arguments(parser)
    return {option for action in parser._actions for option in action.option_strings}


def test_commands_are_those_of_the_contract() -> None:
    assert {command.name for command in COMMANDS} == set(CONTRACT)


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command.name)
def test_a_command_has_its_function_and_its_options(command: Command) -> None:
    assert command.add_arguments.__name__ == command.name
    assert set(CONTRACT[command.name].split()) <= options_of(command)
    assert command.text[0].islower() and not command.text.endswith(".") and len(command.text) < 90


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command.name)
def test_every_argument_has_a_help_line(command: Command) -> None:
    parser = argparse.ArgumentParser(add_help=False)
    command.add_arguments(parser)
    for action in parser._actions:
        assert action.help, action.option_strings or action.dest
        assert action.help == argparse.SUPPRESS or not action.help.endswith("."), action.help


def test_each_command_has_a_module_that_runs_it() -> None:
    for command in COMMANDS:
        if command.name == "completion":  # of the parser itself
            continue
        tree = ast.parse((FOLDER / f"{command.name}.py").read_text(encoding="utf-8"))
        assert any(isinstance(node, ast.FunctionDef) and node.name == "run" for node in tree.body), (
            command.name
        )


def test_a_command_reads_only_arguments_that_it_has() -> None:
    """`arguments.x` of a command's module is a `dest` of its parser."""
    for command in COMMANDS:
        if command.name == "completion":
            continue
        parser = argparse.ArgumentParser(add_help=False)
        command.add_arguments(parser)
        known = {action.dest for action in parser._actions}
        tree = ast.parse((FOLDER / f"{command.name}.py").read_text(encoding="utf-8"))
        read = {
            node.attr
            for node in ast.walk(tree)
            if isinstance(node, ast.Attribute)
            and isinstance(node.value, ast.Name)
            and node.value.id == "arguments"
        }
        assert read <= known, command.name


def test_defaults_that_the_help_names_are_the_defaults() -> None:
    parser = build_parser()
    choices = next(action for action in parser._actions if action.dest == "command").choices
    assert isinstance(choices, dict)
    for name, command in choices.items():
        for action in command._actions:
            told = (action.help or "").partition("(default: ")[2].partition(")")[0]
            if told and action.default not in (None, argparse.SUPPRESS, False):
                try:
                    same = float(told) == float(action.default)
                except ValueError:
                    same = told == str(action.default)
                assert same, (name, action.option_strings, told, action.default)
