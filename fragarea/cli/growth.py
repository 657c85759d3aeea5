"""Growth per fragment and per genotype, losses and mix-ups."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, date, datetime
from pathlib import Path

import click

from fragarea.cli.options import Lag, check_site, day_options, decimal_option, nursery_argument
from fragarea.errors import SettingsProblem


@click.command()
@nursery_argument
@day_options
@click.option(
    "--lag-days",
    type=Lag(min=0),
    default=0.0,
    show_default=True,
    metavar="DAYS",
    help="Days of healing after cutting that do not count as growth; auto estimates them for each genotype.",
)
@click.option("--fragments", is_flag=True, help="Show a line for every fragment too.")
@click.option(
    "--to",
    "target",
    type=click.Path(path_type=Path),
    default=None,
    help="File to write: NAME.xlsx with all tables, or NAME.csv with fragments and NAME-genotypes.csv,"
    " NAME-comparisons.csv and so on beside it.",
)
@click.option("--each-visit", is_flag=True, help="With --to: rates from each visit to the next too.")
@click.option(
    "--plots",
    type=click.Path(path_type=Path),
    default=None,
    metavar="FOLDER",
    help="Folder for figures as PNG and SVG: radius over time, genotypes, residuals.",
)
@decimal_option
@click.option("--replace", is_flag=True, help="Overwrite the file or figures.")
def growth(
    nursery: Path,
    site: str | None,
    since: datetime | None,
    until: datetime | None,
    lag_days: float | str,
    fragments: bool,
    target: Path | None,
    each_visit: bool,
    plots: Path | None,
    decimal: str,
    replace: bool,
) -> None:
    """Tell how fast the fragments and genotypes of a NURSERY folder grow, and which to look at first.

    \b
    Examples:
      fragarea growth my-nursery
      fragarea growth my-nursery --site TRAY-1 --since 2026-03-01 --fragments
      fragarea growth my-nursery --lag-days auto --to growth.xlsx
      fragarea growth my-nursery --to growth.csv --each-visit --decimal ,
      fragarea growth my-nursery --plots my-nursery/reports/growth
    """
    from rich.console import Console

    from fragarea.growth_tables import NOTES, csv_name, fragment_table, growth_tables, summary_lines
    from fragarea.growth_view import view_growth
    from fragarea.logbook import open_logbook
    from fragarea.nursery import load_nursery, load_tables
    from fragarea.nursery_view import logbook_path
    from fragarea.report.plain_tables import shown_columns, terminal_table, write_table_csv, write_tables

    settings = load_nursery(nursery)
    check_site(settings, site)
    if since and since.date() > date.today():
        raise SettingsProblem(f"--since {since.date()} is a day to come. Give a day up to today.")
    if since and until and since > until:
        raise SettingsProblem(f"--since {since.date()} is after --until {until.date()}. Exchange the two days.")
    if target is not None:
        _check_target(target, replace)
    if plots is not None:
        _check_folder(plots, replace)
    with open_logbook(logbook_path(settings), create=False) as logbook:
        view = view_growth(
            logbook,
            load_tables(settings),
            site=site,
            since=since.date() if since else None,
            until=until.date() if until else None,
            lag_days=None if isinstance(lag_days, str) else lag_days,
        )
    if not view.record.columns.heads:
        click.echo(
            "No measured fragment has a name for this choice. Measure photos, and say in placements.csv where each"
            " fragment stands."
        )
        return
    if fragments:
        columns = ("fragment", "genotype", "measurements", "extension_mm_per_month", "extension_u_mm_per_month")
        Console().print(terminal_table(shown_columns(fragment_table(view), columns)))
    for line in summary_lines(view):
        click.echo(line)
    if target is not None:
        tables = growth_tables(view, each_visit=each_visit)
        if target.suffix.lower() == ".xlsx":
            write_tables(tables, target, notes=NOTES, made_at=datetime.now(UTC))
            click.echo(f"wrote {target}")
        else:
            named = {csv_name(target, title): table for title, table in tables.items()}
            _check_new(named, replace)
            for path, table in named.items():
                write_table_csv(table, path, decimal=decimal)
                click.echo(f"wrote {path}")
    if plots is not None:
        # loaded only here: it takes a second
        from fragarea.report.plots import draw_growth, write_figures

        for path in write_figures(draw_growth((curve for curve, _ in view.fragments), view.genotypes), plots):
            click.echo(f"wrote {path}")


def _check_folder(plots: Path, replace: bool) -> None:
    """An error where the folder for figures is a file, or holds figures already."""
    if plots.exists() and not plots.is_dir():
        raise SettingsProblem(f"--plots {plots}: this is a file. Give a folder.")
    old = sorted(plots.glob("growth-*.svg")) + sorted(plots.glob("growth-*.png"))
    if old and not replace:
        raise SettingsProblem(f"{old[0]} exists. Give --replace to overwrite it, or another folder.")


def _check_target(target: Path, replace: bool) -> None:
    """An error where the name has another ending, or the file is there already."""
    if target.suffix.lower() not in (".csv", ".xlsx"):
        raise SettingsProblem(f"--to {target}: the name must end in .csv or .xlsx.")
    _check_new([target], replace)


def _check_new(paths: Iterable[Path], replace: bool) -> None:
    for path in paths:
        if path.exists() and not replace:
            raise SettingsProblem(f"{path} exists. Give --replace to overwrite it, or another name.")
