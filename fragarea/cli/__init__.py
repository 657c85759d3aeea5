"""The command line: one file a command, no computation."""

from __future__ import annotations

import importlib
import sys
from typing import Any

import click

from fragarea import __version__
from fragarea.errors import FragareaError

__all__ = ["main"]

# name -> "module:attribute"; loaded when asked for, so that help and small commands start at once
COMMANDS = {
    "start": "fragarea.cli.start:start",
    "measure": "fragarea.cli.measure:measure",
    "table": "fragarea.cli.table:table",
    "export": "fragarea.cli.export:export",
    "report": "fragarea.cli.report:report",
    "check": "fragarea.cli.check:check",
    "sheets": "fragarea.cli.sheets:sheets",
    "print-check": "fragarea.cli.print_check:print_check",
    "lens": "fragarea.cli.lens:lens",
    "doubts": "fragarea.cli.doubts:doubts",
}


class _LazyGroup(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, attribute = COMMANDS[cmd_name].split(":")
        command: click.Command = getattr(importlib.import_module(module), attribute)
        return command

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except FragareaError as error:
            raise _Refusal(str(error)) from error


class _Refusal(click.ClickException):
    """One of our own errors: its text as it stands on standard error, exit code 1."""

    def show(self, file: Any = None) -> None:
        click.echo(self.message, err=True)


@click.command(cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="fragarea")
def main() -> None:
    """Measure the live-tissue area of coral nursery fragments from photos.

    \b
    A first table in four steps:
      fragarea start my-nursery                      make a nursery folder
      fragarea sheets --to my-nursery/print          print a reference, lay it around the tray
      (copy photos to my-nursery/photos/TRAY-1/)
      fragarea measure my-nursery                    measure what is new
      fragarea table my-nursery                      show the areas

    The tool advises; people decide. Permits, health checks and local rules come first.
    """


def run() -> None:  # pragma: no cover - exercised through the console script
    """Console entry point with UTF-8 output whatever the terminal's locale."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure:
            reconfigure(encoding="utf-8", errors="backslashreplace")
    main()
