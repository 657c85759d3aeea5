"""Mark measurements wrong."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from fragarea.cli.options import DAY, because_option, by_option, nursery_argument, said


@click.command()
@nursery_argument
@click.argument("fragment", required=False)
@click.option("--on", "given_on", type=DAY, metavar="DATE", help="Day of the visit.")
@click.option("--site", default=None, help="Where it stands; needed where several sites have such a place.")
@click.option("--photo", default=None, metavar="NAME", help="One photo of that day. Default: all that show it.")
@by_option
@because_option
@click.option("--undo", is_flag=True, help="Take the mark back.")
def mark_wrong(
    nursery: Path,
    fragment: str | None,
    given_on: datetime | None,
    site: str | None,
    photo: str | None,
    by: str,
    because: str,
    undo: bool,
) -> None:
    """Mark what was measured of a FRAGMENT on one day as wrong; without one, list the marks of a NURSERY folder.

    FRAGMENT is its name, or where it has none its place, as pictures and tables show it (R1 C7). The number stays,
    with the mark beside it in tables, exports and pages; sums, growth and comparisons leave it out. The mark also
    holds when the photo is measured again. Who made it and why stays in the logbook.

    \b
    Examples:
      fragarea mark-wrong my-nursery
      fragarea mark-wrong my-nursery P07 --on 2026-03-07 --by Ana --because "hand in the way"
      fragarea mark-wrong my-nursery "R1 C7" --site TRAY-1 --on 2026-03-07 --by Ana --because "algae"
      fragarea mark-wrong my-nursery P07 --on 2026-03-07 --by Ana --because "it was glare" --undo
    """
    from fragarea.decisions import mark_lines, mark_visits
    from fragarea.logbook import marks_of, open_logbook
    from fragarea.nursery import load_nursery, load_tables
    from fragarea.nursery_view import logbook_path
    from fragarea.report.rounding import round_area

    settings = load_nursery(nursery)
    if fragment is None:
        if given_on or site or photo or by or because or undo:
            raise click.UsageError("name the fragment too.")
        with open_logbook(logbook_path(settings), create=False) as logbook:
            for line in mark_lines(marks_of(logbook)):
                click.echo(line)
        return
    if given_on is None:
        raise click.UsageError("--on DATE is needed: the day of the visit.")
    who, why = said(by, because)
    with open_logbook(logbook_path(settings), create=False) as logbook:
        marked = mark_visits(
            logbook,
            load_tables(settings),
            fragment,
            given_on.date(),
            by=who,
            because=why,
            site=site,
            photo=photo,
            wrong=not undo,
        )
    for one in marked:
        area = " ± ".join(round_area(one.measured.live.area_mm2, one.measured.live.expanded_mm2))
        click.echo(f"{'counts again' if undo else 'marked wrong'}: {one.name}, {one.photo}, {area} cm²")
    click.echo("Draw the pages again: fragarea report")
