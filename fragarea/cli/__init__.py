"""The command line: one file a command, no computation."""

from __future__ import annotations

import importlib
import os
import sys
from typing import Any

import click

from fragarea import __version__
from fragarea.errors import FragareaError

__all__ = ["main"]

# name -> "module:attribute", a line of help; loaded when asked for, so that help and small commands start at once
COMMANDS = {
    "start": ("fragarea.cli.start:start", "Make a nursery folder to fill in."),
    "sheets": ("fragarea.cli.sheets:sheets", "Write references and known-area sheets to print."),
    "print-check": ("fragarea.cli.print_check:print_check", "Enter lengths measured on a print."),
    "lens": ("fragarea.cli.lens:lens", "Fit a lens profile from photos of a printed board."),
    "measure": ("fragarea.cli.measure:measure", "Measure new photos, into the logbook or as JSON."),
    "table": ("fragarea.cli.table:table", "Show areas on the terminal."),
    "export": ("fragarea.cli.export:export", "Write areas to a CSV or XLSX file."),
    "report": ("fragarea.cli.report:report", "Draw overlays, contact sheets and the page again."),
    "growth": ("fragarea.cli.growth:growth", "Growth of fragments and genotypes, losses, mix-ups."),
    "fusion": ("fragarea.cli.fusion:fusion", "How far pads have fused: contacts, gaps, patches."),
    "places": ("fragarea.cli.places:places", "Where the plugs of a pad stand, found and confirmed."),
    "ready": ("fragarea.cli.ready:ready", "Which fragments and pads are ready to outplant."),
    "forecast": ("fragarea.cli.forecast:forecast", "When fragments will be ready, and how many by a date."),
    "cut-list": ("fragarea.cli.cut_list:cut_list", "How many pieces to cut for so many outplants by a date."),
    "weekly": ("fragarea.cli.weekly:weekly", "Write the weekly report: one page to mail or print."),
    "exchange": ("fragarea.cli.exchange:exchange", "Say that fragments changed places, or did not."),
    "mark-wrong": ("fragarea.cli.mark_wrong:mark_wrong", "Mark a measurement that does not count."),
    "adapt": ("fragarea.cli.adapt:adapt", "Learn from outlines that people have put right."),
    "check": ("fragarea.cli.check:check", "Check a camera on photos of the known-area sheet."),
    "doubts": ("fragarea.cli.doubts:doubts", "Explain the doubts that a measurement can carry."),
}
ERROR_EXIT, STOPPED_EXIT = 1, 130


class _LazyGroup(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, attribute = COMMANDS[cmd_name][0].split(":")
        command: click.Command = getattr(importlib.import_module(module), attribute)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except FragareaError as error:
            raise _Refusal(str(error)) from error
        except KeyboardInterrupt as stop:
            raise _Stopped("Stopped; nothing that was finished is lost. The same command goes on.") from stop
        except BrokenPipeError:
            raise  # click ends quietly when the reader of a pipe has seen enough
        except OSError as error:
            raise _Refusal(_in_words(error)) from error


def _in_words(error: OSError) -> str:
    """What the system refused, for which file, and what to look at."""
    remedy = "Check that it exists, may be read and written, and that the disk has room"
    return f"{error.filename or 'output'}: {error.strerror or error}. {remedy}."


class _Refusal(click.ClickException):
    """An error the user can mend: its text as it stands on standard error."""

    exit_code = ERROR_EXIT

    def show(self, file: Any = None) -> None:
        click.echo(self.message, err=True)


class _Stopped(_Refusal):
    """Ctrl-C: the exit code that shells use for it."""

    exit_code = STOPPED_EXIT


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
    try:
        main()
    finally:
        _let_go_of_output()


def _let_go_of_output() -> None:
    """Drop what could not be written: it was told already, and the interpreter would tell it again as it ends."""
    try:
        sys.stdout.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
