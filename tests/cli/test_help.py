"""Help that can be read and pasted."""

from __future__ import annotations

import importlib
import re
import shlex

import click
import pytest

from fragarea.cli import COMMANDS, main
from tests.cli.samples import run


def command(name: str) -> click.Command:
    module, attribute = COMMANDS[name][0].split(":")
    found: click.Command = getattr(importlib.import_module(module), attribute)
    return found


def examples(name: str) -> list[str]:
    return re.findall(r"^\s+(fragarea .+)$", command(name).help or "", flags=re.MULTILINE)


@pytest.mark.parametrize("name", COMMANDS)
def test_command_has_help_with_an_example(name: str) -> None:
    shown = run(name, "--help")
    assert shown.exit_code == 0
    first = (command(name).help or "").splitlines()[0]
    assert first.endswith((".", ":", ","))
    assert examples(name)
    assert all(line in shown.output for line in examples(name))


@pytest.mark.parametrize("name", COMMANDS)
def test_options_all_have_help(name: str) -> None:
    bare = [option.name for option in command(name).params if isinstance(option, click.Option) and not option.help]
    assert bare == []


@pytest.mark.parametrize("name", COMMANDS)
def test_examples_use_options_that_exist(name: str) -> None:
    for line in examples(name):
        words = shlex.split(line.split(">")[0], comments=True)
        assert words[:2] == ["fragarea", name]
        # parsed as typed; file names of the examples need not exist for that
        command(name).make_context(name, words[2:], resilient_parsing=True)
        known = {spelling for option in command(name).params for spelling in option.opts}
        assert {word for word in words if word.startswith("--")} <= known


def test_group_lists_every_command_with_a_whole_line() -> None:
    shown = run("--help").output
    for name, (_, line) in COMMANDS.items():
        assert re.search(rf"^  {name} +{re.escape(line)}$", shown, flags=re.MULTILINE)


def test_steps_of_the_first_page_are_commands() -> None:
    steps = re.findall(r"^\s+fragarea (\S+)", main.help or "", flags=re.MULTILINE)
    assert steps
    assert set(steps) <= set(COMMANDS)


def test_help_fits_eighty_columns_but_for_examples() -> None:
    for name in COMMANDS:
        for line in run(name, "--help").output.splitlines():
            assert len(line) <= 80 or line.strip().startswith("fragarea "), (name, line)


def test_unknown_command_names_the_help() -> None:
    result = run("measrue")
    assert result.exit_code == 2
    assert "fragarea --help" in result.output.replace("main", "fragarea")
    assert "measrue" in result.output
