"""When fragments will be ready, and how many by a date."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import click

from fragarea.cli.options import DAY, Lag, check_site, decimal_option, nursery_argument, replace_option
from fragarea.errors import SettingsProblem

MOST_DAYS = 3653


lag_option = click.option(
    "--lag-days",
    type=Lag(min=0),
    default="auto",
    show_default=True,
    metavar="DAYS",
    help="Days of healing after cutting in which a piece hardly spreads; auto estimates them for each genotype.",
)
seed_option = click.option(
    "--seed", type=click.IntRange(min=0), default=1, show_default=True, help="The same seed gives the same draws."
)


@click.command()
@nursery_argument
@click.option("--on", type=DAY, metavar="DATE", help="Forecast from this day (2026-03-31). Default: today.")
@click.option(
    "--by",
    type=DAY,
    multiple=True,
    metavar="DATE",
    help="Count what is ready by this day; may be given several times. Default: in 1, 3 and 6 months.",
)
@click.option("--site", default=None, help="Only what stands at this site. Default: all.")
@click.option("--fragments", is_flag=True, help="Show the dates of every fragment and pad that is not ready yet.")
@lag_option
@seed_option
@click.option(
    "--plot",
    type=click.Path(path_type=Path),
    default=None,
    metavar="FILE",
    help="Draw numbers by date: NAME.png or NAME.svg.",
)
@click.option(
    "--to",
    "target",
    type=click.Path(path_type=Path),
    default=None,
    help="File to write: NAME.xlsx with all tables, or NAME.csv with dates and NAME-stock.csv with numbers by week.",
)
@decimal_option
@replace_option
def forecast(
    nursery: Path,
    on: datetime | None,
    by: tuple[datetime, ...],
    site: str | None,
    fragments: bool,
    lag_days: float | str,
    seed: int,
    plot: Path | None,
    target: Path | None,
    decimal: str,
    replace: bool,
) -> None:
    """Forecast when the fragments of a NURSERY folder will be ready to outplant, and how many will be by a date.

    \b
    Examples:
      fragarea forecast my-nursery
      fragarea forecast my-nursery --by 2026-09-01 --by 2026-12-01 --fragments
      fragarea forecast my-nursery --plot stock.png --to forecast.xlsx

    Numbers stand as: expected (80 % range; 95 % range).
    """
    from rich.console import Console

    from fragarea.forecast_tables import (
        NOTES,
        aside_table,
        dates_table,
        deadlines_table,
        forecast_lines,
        past_sentence,
        past_table,
        shown_dates,
        shown_stock,
        speeds_table,
        stock_table,
        usual_days,
    )
    from fragarea.outplant_tables import ADVICE, readiness_table
    from fragarea.report.plain_tables import terminal_table, write_table_csv, write_tables

    today = on.date() if on else datetime.now().date()
    days = sorted({one.date() for one in by}) or usual_days(today)
    checked_days(days, today, "--by")
    _check_files(target, plot, replace)
    settings, view = open_forecast(nursery, today, days, site=site, lag_days=lag_days, seed=seed)
    console = Console()
    if view.standing.verdicts:
        if fragments:
            console.print(terminal_table(shown_dates(view)))
        console.print(terminal_table(shown_stock(view, days)))
    for line in [*forecast_lines(view, days), ADVICE]:
        click.echo(line)
    if target is not None and target.suffix.lower() == ".csv":
        stock = target.with_name(f"{target.stem}-stock{target.suffix}")
        write_table_csv(dates_table(view, days), target, decimal=decimal)
        write_table_csv(stock_table(view.stock), stock, decimal=decimal)
        click.echo(f"wrote {target}\nwrote {stock}")
    elif target is not None:
        tables = {
            "Dates": dates_table(view, days),
            "Stock by week": stock_table(view.stock),
            "Not forecast": aside_table(view),
            "Deadlines": deadlines_table(view),
            "Rests on": speeds_table(view),
            "Past forecasts": past_table(view),
            "Readiness": readiness_table(view.readiness),
        }
        notes = [*forecast_lines(view, days), past_sentence(view), *NOTES, ADVICE]
        write_tables(tables, target, notes=list(dict.fromkeys(notes)), made_at=datetime.now(UTC))
        click.echo(f"wrote {target}")
    if plot is not None:
        from fragarea.report.stock_plot import stock_figure, write_stock_figure

        title = f"{settings.name}: ready to outplant, forecast of {today}"
        write_stock_figure(stock_figure(view.stock, settings.outplanting, title=title), plot)
        click.echo(f"wrote {plot}")


def open_forecast(
    nursery: Path, today: date, days: list[date], *, site: str | None, lag_days: float | str, seed: int
) -> Any:
    """Settings of a nursery folder, and the forecast of what stands there, counted by week and on some days."""
    import numpy as np

    from fragarea.logbook import open_logbook
    from fragarea.nursery import load_nursery, load_tables
    from fragarea.nursery_view import logbook_path
    from fragarea.outplant import weekly
    from fragarea.outplant_tables import NO_RULES
    from fragarea.outplant_view import view_forecast

    settings = load_nursery(nursery)
    check_site(settings, site)
    if not settings.outplanting.rules:
        raise SettingsProblem(NO_RULES)
    wanted = np.array([float((day - today).days) for day in days])
    with open_logbook(logbook_path(settings), create=False) as logbook:
        view = view_forecast(
            logbook,
            settings,
            load_tables(settings),
            on=today,
            days=np.unique(np.r_[weekly(today, days[-1]), wanted]),
            site=site,
            lag_days=None if isinstance(lag_days, str) else lag_days,
            seed=seed,
        )
    return settings, view


def checked_days(days: list[date], today: date, option: str) -> None:
    """Complain of a day that has passed, or that nobody can forecast."""
    for day in days:
        if day < today:
            raise SettingsProblem(f"{option} {day}: that day has passed; the forecast is made on {today}.")
        if day > today + timedelta(days=MOST_DAYS):
            raise SettingsProblem(f"{option} {day}: more than ten years ahead. Give a day within ten years.")


def _check_files(target: Path | None, plot: Path | None, replace: bool) -> None:
    files: list[Path] = []
    if target is not None:
        if target.suffix.lower() not in (".csv", ".xlsx"):
            raise SettingsProblem(f"--to {target}: the name must end in .csv or .xlsx.")
        files.append(target)
        if target.suffix.lower() == ".csv":
            files.append(target.with_name(f"{target.stem}-stock{target.suffix}"))
    if plot is not None:
        if plot.suffix.lower() not in (".png", ".svg"):
            raise SettingsProblem(f"--plot {plot}: the name must end in .png or .svg.")
        files.append(plot)
    for path in files:
        if path.exists() and not replace:
            raise SettingsProblem(f"{path} exists. Give --replace to overwrite it, or another name.")
