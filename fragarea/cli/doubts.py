"""List the named doubts."""

from __future__ import annotations

from textwrap import fill

import click

from fragarea.doubts import DOUBTS, DoubtKind

WEIGHTS = {3: "Look first", 2: "Look", 1: "Note"}
WIDTH = 80


@click.command()
def doubts() -> None:
    """Explain every doubt that a measurement can carry: what was seen and what to do.

    A doubt never changes a number. Those to look at first come first.

    \b
    Example:
      fragarea doubts
    """
    for weight, heading in WEIGHTS.items():
        click.secho(f"{heading}\n", bold=True)
        for kind in DOUBTS.values():
            if kind.weight == weight:
                click.echo(_paragraph(kind) + "\n")


def _paragraph(kind: DoubtKind) -> str:
    """Title and stored name, then what was seen and what to do, for 80 columns."""
    parts = (("seen: ", kind.seen), ("do:   ", kind.do))
    lines = [
        fill(text, WIDTH - 1, initial_indent=f"  {head}", subsequent_indent=" " * (2 + len(head)))
        for head, text in parts
    ]
    return "\n".join([f"{kind.title} ({kind.key})", *lines])
