"""The weekly report."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import click

from fragarea.cli.options import DAY, nursery_argument
from fragarea.errors import SettingsProblem

ONE_DAY = timedelta(days=1)
"""East of here it may be tomorrow already."""


@click.command()
@nursery_argument
@click.option(
    "--since",
    type=DAY,
    metavar="DATE",
    help="First day. Default: the day after the last report, or six days earlier.",
)
@click.option("--until", type=DAY, metavar="DATE", help="Last day. Default: the day of the last photo.")
@click.option(
    "--to",
    "target",
    type=click.Path(path_type=Path),
    default=None,
    help="HTML file to write. Default: reports/weekly-DATE.html in the nursery folder, which is written again.",
)
@click.option("--replace", is_flag=True, help="Overwrite the file of --to.")
def weekly(nursery: Path, since: datetime | None, until: datetime | None, target: Path | None, replace: bool) -> None:
    """Write the weekly report of a NURSERY folder: one page to mail, print or read on a phone.

    It shows what was photographed, what changed since the last report, fragments that lose tissue or bleach with
    pictures of now and before, possible exchanges, growth by genotype, the last known-area check, doubts, and every
    fragment. The logbook remembers what it said.

    \b
    Examples:
      fragarea weekly my-nursery
      fragarea weekly my-nursery --since 2026-03-01 --until 2026-03-07 --to march.html
    """
    from fragarea.cli.progress import progress
    from fragarea.logbook import open_logbook
    from fragarea.nursery import load_nursery, load_tables
    from fragarea.nursery_view import logbook_path
    from fragarea.weekly import make_weekly, remember, week_of, write_weekly

    settings = load_nursery(nursery)
    if since and until and since > until:
        raise SettingsProblem(f"--since {since.date()} is after --until {until.date()}. Exchange the two days.")
    if target is not None:
        _check_target(target, replace)
    made_at = datetime.now(settings.zone or UTC)
    if until and until.date() > made_at.date() + ONE_DAY:
        raise SettingsProblem(f"--until {until.date()}: this day is still to come.")
    with open_logbook(logbook_path(settings), create=False) as logbook:
        week = week_of(
            logbook,
            settings,
            load_tables(settings),
            today=made_at.date(),
            since=since.date() if since else None,
            until=until.date() if until else None,
        )
        if week.since > week.until:
            raise SettingsProblem(
                f"--since {week.since} is after the last photo ({week.until}). Give --until as well."
            )
        file = target or settings.folder / "reports" / f"weekly-{week.until}.html"
        with progress("reading photos", "photos read:", 0) as tell:
            page = make_weekly(logbook, week, made_at=made_at, on_progress=tell)
        write_weekly(page, file)
        # after a week without photos the next report still has the one before it to compare with
        if week.seen.stored and not logbook.read_only:
            remember(logbook, week, made_at=made_at)
        remembered = not logbook.read_only
    click.echo(f"weekly report, {week.since} to {week.until}: {file} ({file.stat().st_size / 1e6:.1f} MB)")
    for number, words, _ in page.counts:
        click.echo(f"  {number} {words}")
    if not remembered:
        click.echo("The logbook may not be written, so that the next report cannot compare with this one.", err=True)


def _check_target(target: Path, replace: bool) -> None:
    if target.suffix.lower() not in (".html", ".htm"):
        raise SettingsProblem(f"--to {target}: the name must end in .html.")
    if target.exists() and not replace:
        raise SettingsProblem(f"{target} exists. Give --replace to overwrite it, or another name.")
