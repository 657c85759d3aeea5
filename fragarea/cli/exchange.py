"""Decide whether fragments changed places."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from fragarea.cli.options import DAY, because_option, by_option, nursery_argument, said


@click.command()
@nursery_argument
@click.argument("fragments", nargs=-1)
@click.option("--on", "given_on", type=DAY, metavar="DATE", help="The first visit on which they stood so.")
@by_option
@because_option
@click.option("--as-recorded", is_flag=True, help="They stand as recorded: set the doubt aside.")
@click.option("--undo", is_flag=True, help="Take back what was decided about them.")
@click.option("--dry-run", is_flag=True, help="Only show what would change.")
def exchange(
    nursery: Path,
    fragments: tuple[str, ...],
    given_on: datetime | None,
    by: str,
    because: str,
    as_recorded: bool,
    undo: bool,
    dry_run: bool,
) -> None:
    """List FRAGMENTS of a NURSERY folder that may have changed places, or say that they did.

    Without fragments: what seems likely by the outlines, with the odds, and what was decided. With two fragments (or
    more, each standing where the next one was recorded): they changed places between the visit before DATE and DATE.
    Their lines in the placements table end on that day and new ones follow; the former table is kept in
    former-tables/. What was measured from that day on goes to the other name; no photo is measured again. Who decided
    and why stays in the logbook. Nothing is renamed without a person.

    \b
    Examples:
      fragarea exchange my-nursery
      fragarea exchange my-nursery P35 P38 --on 2026-03-07 --by Ana --because "washed plugs" --dry-run
      fragarea exchange my-nursery P35 P38 --on 2026-03-07 --by Ana --because "washed plugs"
      fragarea exchange my-nursery P35 P38 --on 2026-03-07 --by Ana --because "looked" --as-recorded
      fragarea exchange my-nursery P35 P38 --on 2026-03-07 --by Ana --because "wrong tray" --undo
    """
    from fragarea.decisions import (
        accept_exchange,
        exchange_lines,
        list_exchanges,
        plan_exchange,
        plan_lines,
        plan_undo,
        set_aside,
        take_back,
    )
    from fragarea.logbook import open_logbook
    from fragarea.nursery import load_nursery
    from fragarea.nursery_view import logbook_path

    settings = load_nursery(nursery)
    if not fragments:
        if given_on or by or because or as_recorded or undo or dry_run:
            raise click.UsageError("name the fragments too.")
        with open_logbook(logbook_path(settings), create=False) as logbook:
            for line in exchange_lines(list_exchanges(logbook, settings), str(nursery)):
                click.echo(line)
        return
    if as_recorded and undo:
        raise click.UsageError("--as-recorded and --undo do not go together.")
    if given_on is None:
        raise click.UsageError("--on DATE is needed: the first visit on which they stood so.")
    who, why, on = *said(by, because), given_on.date()
    with open_logbook(logbook_path(settings), create=False) as logbook:
        if as_recorded:
            if dry_run:
                raise click.UsageError("--as-recorded changes no table, so there is nothing to show first.")
            one = set_aside(logbook, settings, fragments, on, by=who, because=why)
            click.echo(f"set aside: {' and '.join(one.fragments)} stand as recorded on {on}")
            return
        plan = (plan_undo if undo else plan_exchange)(logbook, settings, fragments, on, by=who, because=why)
        for line in plan_lines(plan):
            click.echo(line)
        if dry_run:
            click.echo("nothing was changed (--dry-run)")
            return
        former = (take_back if undo else accept_exchange)(logbook, settings, plan)
    if former:
        click.echo(f"the table as it was is kept: {former}")
    done = "taken back" if undo else "done; to take it back: the same command with --undo"
    click.echo(f"{done}. Draw the pages again: fragarea report")
