"""How many pieces to cut for so many outplants by a date."""

from __future__ import annotations

from dataclasses import replace as changed
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from fragarea.cli.forecast import checked_days, lag_option, open_forecast, seed_option
from fragarea.cli.options import DAY, FiniteRange, decimal_option, nursery_argument, replace_option
from fragarea.cli.ready import checked_files
from fragarea.errors import SettingsProblem

_MOST = 1_000_000


class _Want(click.ParamType):
    """``GENOTYPE=NUMBER``."""

    name = "GENOTYPE=NUMBER"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[str, int]:
        if isinstance(value, tuple):
            return value
        genotype, _, number = str(value).rpartition("=")
        if not genotype.strip() or not number.strip().isdecimal() or not 0 < int(number) <= _MOST:
            self.fail(f"{value!r} must be a genotype, = and a whole number above 0, such as G1=20.", param, ctx)
        return " ".join(genotype.split()), int(number)


@click.command("cut-list")
@nursery_argument
@click.option("--by", type=DAY, required=True, metavar="DATE", help="Outplants are wanted by this day (2026-09-01).")
@click.option(
    "--number",
    type=click.IntRange(min=1, max=_MOST),
    default=None,
    metavar="N",
    help="So many living outplants, shared evenly among the genotypes.",
)
@click.option(
    "--want",
    type=_Want(),
    multiple=True,
    metavar="GENOTYPE=N",
    help="So many living outplants of a genotype; may be given several times.",
)
@click.option(
    "--assurance",
    type=FiniteRange(min=0.5, max=0.999),
    default=None,
    metavar="SHARE",
    help="Chance with which each genotype is to reach its number. Default: nursery.toml, else 0.9.",
)
@click.option(
    "--loss-after",
    type=FiniteRange(min=0, max=0.99),
    default=None,
    metavar="SHARE",
    help="Part of the outplants lost after planting. Default: nursery.toml, else 0.2 (common practice).",
)
@click.option(
    "--piece-cm2",
    type=FiniteRange(min=0, min_open=True, max=1000),
    default=None,
    metavar="CM2",
    help="Live tissue of a fresh piece. Default: nursery.toml, else 1.",
)
@click.option("--on", type=DAY, metavar="DATE", help="Cut on this day (2026-03-31). Default: today.")
@lag_option
@seed_option
@click.option(
    "--to",
    "target",
    type=click.Path(path_type=Path),
    default=None,
    help="File to write: NAME.xlsx with all tables, or NAME.csv with the cut list.",
)
@decimal_option
@replace_option
def cut_list(
    nursery: Path,
    by: datetime,
    number: int | None,
    want: tuple[tuple[str, int], ...],
    assurance: float | None,
    loss_after: float | None,
    piece_cm2: float | None,
    on: datetime | None,
    lag_days: float | str,
    seed: int,
    target: Path | None,
    decimal: str,
    replace: bool,
) -> None:
    """Tell how many pieces to cut of each genotype of a NURSERY folder for so many living outplants by a date.

    \b
    Examples:
      fragarea cut-list my-nursery --by 2026-09-01 --number 60
      fragarea cut-list my-nursery --by 2026-09-01 --want G1=20 --want G2=40 --assurance 0.95
      fragarea cut-list my-nursery --by 2026-09-01 --number 60 --loss-after 0.3 --to cut-list.xlsx

    What stands in the nursery already and is ready by then counts; "from stock safe (mean)" is what it gives
    alone.
    """
    from rich.console import Console

    from fragarea.cutting_tables import breadth_table, colonies_table, cut_lines, cut_table, shown_cuts
    from fragarea.cutting_view import even_mix, view_cuts, with_settings
    from fragarea.forecast_tables import planning_lines, speeds_table
    from fragarea.nursery import load_tables
    from fragarea.outplant_tables import ADVICE
    from fragarea.report.plain_tables import terminal_table, write_table_csv, write_tables

    if (number is None) == (not want):
        raise SettingsProblem("Give either --number N, or --want GENOTYPE=N for each genotype.")
    names = [name for name, _ in want]
    if len(set(names)) < len(names):
        raise SettingsProblem("--want: a genotype is named twice. Name each once.")
    today = on.date() if on else datetime.now().date()
    checked_days([by.date()], today, "--by")
    checked_files(replace, to=target)
    settings, view = open_forecast(nursery, today, [by.date()], site=None, lag_days=lag_days, seed=seed)
    settings = changed(
        settings,
        outplanting=with_settings(
            settings.outplanting, assurance=assurance, loss_after=loss_after, piece_cm2=piece_cm2
        ),
    )
    wanted = dict(want) if number is None else even_mix(view, number)
    if not wanted:
        click.echo("Growth is not known yet: planning cuts needs two visits on which fragments grew.")
        click.echo(ADVICE)
        return
    cuts = view_cuts(view, settings, load_tables(settings), wanted, by=by.date(), seed=seed)
    Console().print(terminal_table(shown_cuts(cuts)))
    lines = [*cut_lines(cuts, settings.outplanting), *planning_lines(view, wanted, by.date()), ADVICE]
    for line in lines:
        click.echo(line)
    if target is None:
        return
    if target.suffix.lower() == ".csv":
        write_table_csv(cut_table(cuts), target, decimal=decimal)
    else:
        tables = {
            "Cut list": cut_table(cuts),
            "Broodstock": colonies_table(cuts),
            "Genetic breadth": breadth_table(cuts),
            "Rests on": speeds_table(view),
        }
        write_tables(tables, target, notes=lines, made_at=datetime.now(UTC))
    click.echo(f"wrote {target}")
