"""Which fragments and pads are ready to outplant."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

from fragarea.cli.options import DAY, check_site, decimal_option, nursery_argument, replace_option
from fragarea.errors import SettingsProblem


@click.command()
@nursery_argument
@click.option("--on", type=DAY, metavar="DATE", help="Judge as of this day (2026-03-31). Default: today.")
@click.option("--site", default=None, help="Only this site. Default: all.")
@click.option("--all", "every", is_flag=True, help="Show what is not ready too, and why.")
@click.option(
    "--pull-list",
    type=click.Path(path_type=Path),
    default=None,
    metavar="FILE.pdf",
    help="Write what is ready, by place on the tray, as a page to print and tick.",
)
@click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Of the pull list."
)
@click.option(
    "--to",
    "target",
    type=click.Path(path_type=Path),
    default=None,
    help="File to write: NAME.xlsx with all tables, or NAME.csv with every fragment and pad.",
)
@decimal_option
@replace_option
def ready(
    nursery: Path,
    on: datetime | None,
    site: str | None,
    every: bool,
    pull_list: Path | None,
    paper: str,
    target: Path | None,
    decimal: str,
    replace: bool,
) -> None:
    """Tell which fragments and pads of a NURSERY folder are ready to outplant, by the rules in its nursery.toml.

    \b
    Examples:
      fragarea ready my-nursery
      fragarea ready my-nursery --all --site TRAY-1 --on 2026-03-31
      fragarea ready my-nursery --pull-list pull.pdf --to ready.xlsx
    """
    from rich.console import Console

    from fragarea.logbook import open_logbook
    from fragarea.nursery import load_nursery, load_tables
    from fragarea.nursery_view import logbook_path
    from fragarea.outplant import State
    from fragarea.outplant_tables import (
        ADVICE,
        NO_RULES,
        closed_lines,
        idle_lines,
        readiness_by_genotype,
        readiness_lines,
        readiness_table,
        ready_table,
        shown_readiness,
    )
    from fragarea.outplant_view import view_readiness
    from fragarea.report.plain_tables import terminal_table, write_table_csv, write_tables

    settings = load_nursery(nursery)
    check_site(settings, site)
    if not settings.outplanting.rules:
        raise SettingsProblem(NO_RULES)
    checked_files(replace, to=target, pull_list=pull_list)
    nursery_tables = load_tables(settings)
    with open_logbook(logbook_path(settings), create=False) as logbook:
        view = view_readiness(
            logbook, settings, nursery_tables, on=on.date() if on else datetime.now().date(), site=site
        )
    told = [*readiness_lines(view), *closed_lines(settings.outplanting, [view.on])]
    told += [*idle_lines(settings.outplanting, nursery_tables.fragments), ADVICE]
    console = Console()
    if (every and view.verdicts) or view.of(State.READY):
        console.print(terminal_table(shown_readiness(view, every=every)))
    if view.verdicts:
        console.print(terminal_table(readiness_by_genotype(view)))
    for line in told:
        click.echo(line)
    if target is not None:
        if target.suffix.lower() == ".csv":
            write_table_csv(readiness_table(view), target, decimal=decimal)
        else:
            tables = {
                "Readiness": readiness_table(view),
                "Pull list": ready_table(view),
                "By genotype": readiness_by_genotype(view),
            }
            write_tables(tables, target, notes=told, made_at=datetime.now(UTC))
        click.echo(f"wrote {target}")
    if pull_list is not None:
        from fragarea.pull_list import write_pull_list

        write_pull_list(view, settings, pull_list, paper=paper)
        click.echo(f"wrote {pull_list}")


def checked_files(replace: bool, *, to: Path | None = None, pull_list: Path | None = None) -> None:
    """Complain of a file with a wrong ending, or one that is there already."""
    for option, path, endings in (("--to", to, (".csv", ".xlsx")), ("--pull-list", pull_list, (".pdf",))):
        if path is None:
            continue
        if path.suffix.lower() not in endings:
            raise SettingsProblem(f"{option} {path}: the name must end in {' or '.join(endings)}.")
        if path.exists() and not replace:
            raise SettingsProblem(f"{path} exists. Give --replace to overwrite it, or another name.")
