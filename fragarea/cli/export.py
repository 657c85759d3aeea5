"""Write areas to CSV or XLSX."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

from fragarea.cli.options import day_options, nursery_argument, open_view
from fragarea.errors import SettingsProblem


@click.command()
@nursery_argument
@click.option(
    "--to", "target", type=click.Path(path_type=Path), required=True, help="File to write: NAME.csv or NAME.xlsx."
)
@day_options
@click.option(
    "--decimal",
    type=click.Choice([".", ","]),
    default=".",
    show_default=True,
    help="Decimal sign of CSV; a comma puts semicolons between fields.",
)
@click.option("--replace", is_flag=True, help="Overwrite the file.")
def export(
    nursery: Path,
    target: Path,
    site: str | None,
    since: datetime | None,
    until: datetime | None,
    decimal: str,
    replace: bool,
) -> None:
    """Write the measured areas of a NURSERY folder as a tidy table: a row a fragment and photo, units in the header.

    \b
    Examples:
      fragarea export my-nursery --to areas.csv
      fragarea export my-nursery --to areas.xlsx --site TRAY-1
      fragarea export my-nursery --to areas.csv --decimal ,
    """
    from fragarea.report import write_csv, write_workbook

    kind = target.suffix.lower()
    if kind not in (".csv", ".xlsx"):
        raise SettingsProblem(f"--to {target}: the name must end in .csv or .xlsx.")
    if target.exists() and not replace:
        raise SettingsProblem(f"{target} exists. Give --replace to overwrite it, or another name.")
    view = open_view(nursery, site, since, until)
    if kind == ".csv":
        write_csv(view.rows, target, decimal=decimal)
    else:
        write_workbook(view.rows, target, made_at=datetime.now(UTC))
    click.echo(f"wrote {len(view.rows)} rows to {target}")
