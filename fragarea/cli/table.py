"""Show areas on the terminal."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from fragarea.cli.options import budget_option, day_options, nursery_argument, open_view


@click.command()
@nursery_argument
@day_options
@budget_option
def table(nursery: Path, site: str | None, since: datetime | None, until: datetime | None, budget: bool) -> None:
    """Show the measured areas of a NURSERY folder, one table a site and visit.

    \b
    Examples:
      fragarea table my-nursery
      fragarea table my-nursery --site TRAY-1 --since 2026-03-01
      fragarea table my-nursery --site TRAY-1 --budget
    """
    from rich.console import Console

    from fragarea.area import budget_lines
    from fragarea.report import fragment_name, visit_tables

    view = open_view(nursery, site, since, until)
    console = Console()
    if not view.rows:
        click.echo("Nothing measured yet for this choice. Measure photos first: fragarea measure " + str(nursery))
        return
    for part in visit_tables(view.rows):
        console.print(part)
    if budget:
        for one in view.stored:
            for fragment in one.measurement.fragments:
                click.echo(f"\n{one.measurement.photo}: {fragment_name(fragment, one.names)}")
                for line in budget_lines(fragment.live):
                    click.echo("  " + line)
    if not view.last_check:
        click.echo("No known-area check yet: fragarea check --help tells how to make one.")
