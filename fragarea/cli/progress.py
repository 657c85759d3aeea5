"""How far a long command is: a bar with time left on a terminal, now and then a plain line elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn

PLAIN_EVERY = 10


@contextmanager
def progress(doing: str, done_word: str, total: int) -> Iterator[Callable[[int, int], None]]:
    """Show progress on standard error while the block runs.

    Parameters
    ----------
    doing, done_word : str
        ``"measuring"`` for the bar, ``"measured"`` for a line.
    total : int

    Yields
    ------
    callable
        To be called with what is done and what there is in all.
    """
    console = Console(stderr=True)
    if not console.is_terminal or not total:
        yield lambda done, all_of_them: _plain(done_word, done, all_of_them)
        return
    columns = (TextColumn(doing), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, TextColumn("left"), TimeRemainingColumn(), console=console) as bar:
        task = bar.add_task(doing, total=total)
        yield lambda done, _all: bar.update(task, completed=done)


def _plain(done_word: str, done: int, total: int) -> None:
    if done % PLAIN_EVERY == 0 or done == total:
        click.echo(f"{done_word} {done} of {total}", err=True)
