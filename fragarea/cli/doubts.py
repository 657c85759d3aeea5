"""List the named doubts."""

from __future__ import annotations

import click
from rich.console import Console
from rich.table import Table

from fragarea.doubts import DOUBTS

WEIGHTS = {3: "look first", 2: "look", 1: "note"}


@click.command()
def doubts() -> None:
    """Explain every doubt that a measurement can carry: what was seen and what to do.

    \b
    Example:
      fragarea doubts
    """
    table = Table(show_lines=True)
    for heading in ("doubt", "how much it matters", "what was seen", "what to do"):
        table.add_column(heading, overflow="fold")
    for kind in sorted(DOUBTS.values(), key=lambda kind: -kind.weight):
        table.add_row(kind.title, WEIGHTS[kind.weight], kind.seen, kind.do)
    Console().print(table)
