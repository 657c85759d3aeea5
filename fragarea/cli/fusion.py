"""Fusion on pads: how far each is, pair by pair."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

from fragarea.cli.options import FiniteRange, day_options, nursery_argument, usual_workers
from fragarea.errors import SettingsProblem

_MANY_PHOTOS = 100


@click.command()
@nursery_argument
@day_options
@click.option("--visits", is_flag=True, help="Show every visit, not only the last of each pad.")
@click.option("--pairs", is_flag=True, help="Show every pair of neighbours at the last visit.")
@click.option(
    "--neck-mm",
    type=FiniteRange(min=0, min_open=True, max=50),
    default=1.0,
    show_default=True,
    metavar="MM",
    help="A neck at least so wide counts as fused.",
)
@click.option(
    "--to",
    "target",
    type=click.Path(path_type=Path),
    default=None,
    help="File to write: NAME.xlsx with all tables, or NAME.csv with pads and NAME-pairs.csv.",
)
@click.option(
    "--decimal", type=click.Choice([".", ","]), default=".", show_default=True, help="Decimal sign in CSV files."
)
@click.option("--replace", is_flag=True, help="Overwrite the file.")
def fusion(
    nursery: Path,
    site: str | None,
    since: datetime | None,
    until: datetime | None,
    visits: bool,
    pairs: bool,
    neck_mm: float,
    target: Path | None,
    decimal: str,
    replace: bool,
) -> None:
    """Tell how far the pads of a NURSERY folder have fused: contacts, gaps, patches and bare ground.

    \b
    Examples:
      fragarea fusion my-nursery
      fragarea fusion my-nursery --site PAD-1 --visits --pairs
      fragarea fusion my-nursery --since 2026-01-01 --to fusion.xlsx
    """
    from rich.console import Console

    from fragarea.fusion import FusionRules
    from fragarea.fusion_tables import on_terminal, shown_pads, shown_pairs, summary_lines, write_fusion
    from fragarea.fusion_view import view_fusion
    from fragarea.logbook import open_logbook
    from fragarea.nursery import load_nursery, load_tables
    from fragarea.nursery_view import logbook_path
    from fragarea.sites.records import SiteKind

    settings = load_nursery(nursery)
    known = [one.name for one in settings.sites if one.kind is SiteKind.PAD]
    if site is not None and site not in known:
        named = "not a pad" if settings.site(site) else "not described in nursery.toml"
        raise SettingsProblem(f"--site {site}: {named}. Known pads: {', '.join(known) or 'none'}.")
    files = _files(target, replace)
    with open_logbook(logbook_path(settings), create=False) as logbook:
        view = view_fusion(
            logbook,
            load_tables(settings),
            site=site,
            since=since.date() if since else None,
            until=until.date() if until else None,
            rules=FusionRules(neck_mm=neck_mm),
            workers=usual_workers(),
            on_progress=_tell,
        )
    console = Console()
    if view.pads:
        console.print(on_terminal(shown_pads(view, every=visits or len(view.pads) == 1)))
    if pairs and view.pads:
        console.print(on_terminal(shown_pairs(view)))
    for line in summary_lines(view):
        click.echo(line)
    if not view.pads and not view.left_out:
        click.echo('No measured pad for this choice. Measure photos of a site of kind "pad".')
        return
    if files and view.pads:
        write_fusion(view, files, decimal=decimal, made_at=datetime.now(UTC))
        for path in files:
            click.echo(f"wrote {path}")


def _tell(done: int, whole: int) -> None:
    """Progress over photos that fusion has not seen yet, where they take a while."""
    if whole > _MANY_PHOTOS:
        click.echo(f"photos of pads read: {done} of {whole}", err=True)


def _files(target: Path | None, replace: bool) -> tuple[Path, ...]:
    """The files to write; an error where one has another ending, or is there already."""
    if target is None:
        return ()
    kind = target.suffix.lower()
    if kind not in (".csv", ".xlsx"):
        raise SettingsProblem(f"--to {target}: the name must end in .csv or .xlsx.")
    files = (target,) if kind == ".xlsx" else (target, target.with_name(f"{target.stem}-pairs{target.suffix}"))
    for path in files:
        if path.exists() and not replace:
            raise SettingsProblem(f"{path} exists. Give --replace to overwrite it, or another name.")
    return files
