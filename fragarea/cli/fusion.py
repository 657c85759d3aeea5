"""Fusion on pads: how far each is, pair by pair."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fragarea.cli.options import FiniteRange, day_options, nursery_argument, usual_workers
from fragarea.errors import SettingsProblem

if TYPE_CHECKING:
    from fragarea.fusion_view import FusionView
    from fragarea.report.plain_tables import Table

_MANY_PHOTOS = 100

FORECAST_FILES = ("forecast", "forecast-pairs", "past-forecasts")
TIMES_FILES = ("comparison", "curves", "times")
"""Endings of the names of CSV files, in the order of their tables."""


@click.command()
@nursery_argument
@day_options
@click.option("--visits", is_flag=True, help="Show every visit, not only the last of each pad.")
@click.option("--pairs", is_flag=True, help="Show every pair of neighbours at the last visit.")
@click.option(
    "--forecast",
    is_flag=True,
    help="Tell when pairs will meet and pads close, with 80 and 95 % intervals, and how earlier forecasts did.",
)
@click.option(
    "--compare",
    type=click.Choice(["genotype", "spacing", "size"]),
    default=None,
    help="Compare time to contact and to fusion by genotype, by spacing of the plugs or by size at the start.",
)
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
    help="File to write: NAME.xlsx with all tables, or NAME.csv with pads, NAME-pairs.csv and, with --forecast and "
    "--compare, NAME-forecast.csv, NAME-comparison.csv and others.",
)
@click.option(
    "--decimal", type=click.Choice([".", ","]), default=".", show_default=True, help="Decimal sign in CSV files."
)
@click.option(
    "--pictures",
    type=click.Path(path_type=Path),
    default=None,
    metavar="FOLDER",
    help="Folder for pictures of each pad: its visits side by side, the last photo with gaps and contacts, progress.",
)
@click.option("--replace", is_flag=True, help="Overwrite the file or pictures.")
def fusion(
    nursery: Path,
    site: str | None,
    since: datetime | None,
    until: datetime | None,
    visits: bool,
    pairs: bool,
    forecast: bool,
    compare: str | None,
    neck_mm: float,
    target: Path | None,
    decimal: str,
    pictures: Path | None,
    replace: bool,
) -> None:
    """Tell how far the pads of a NURSERY folder have fused: contacts, gaps, patches and bare ground.

    --forecast and --compare rest on all pads and visits up to --until, whatever --since says.

    \b
    Examples:
      fragarea fusion my-nursery
      fragarea fusion my-nursery --site PAD-1 --visits --pairs
      fragarea fusion my-nursery --since 2026-01-01 --to fusion.xlsx
      fragarea fusion my-nursery --forecast --pairs
      fragarea fusion my-nursery --compare genotype --to times.xlsx
      fragarea fusion my-nursery --site PAD-1 --pictures pad-pictures
    """
    from rich.console import Console

    from fragarea import closing_tables as told
    from fragarea.closing_view import view_closing, view_times
    from fragarea.fusion import FusionRules
    from fragarea.fusion.survival import Grouping
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
    more = (*(FORECAST_FILES if forecast else ()), *(TIMES_FILES if compare else ()))
    files = _files(target, replace, more)
    rules, tables, last = FusionRules(neck_mm=neck_mm), load_tables(settings), until.date() if until else None
    closing = times = None
    with open_logbook(logbook_path(settings), create=False) as logbook:

        def view_of(site: str | None, since: date | None) -> FusionView:
            return view_fusion(
                logbook,
                tables,
                site=site,
                since=since,
                until=last,
                rules=rules,
                workers=usual_workers(),
                on_progress=_tell,
            )

        view = view_of(site, since.date() if since else None)
        if view.pads and (forecast or compare):
            every = view_of(None, None).pads if site or since else view.pads
            if forecast:
                closing = view_closing(logbook, settings, tables, every, rules, site=site, until=last)
            if compare:
                times = view_times(tables, every, Grouping(compare), site=site)
    picture_paths: dict[str, tuple[Path, ...]] = {}
    if pictures is not None:
        from fragarea.pad_pictures import picture_files, write_pad_pictures  # bring in all of drawing

        picture_paths = picture_files(pictures, [pad.site for pad in view.pads], replace=replace)
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
    extra: dict[str, Table] = {}
    notes: tuple[str, ...] = ()
    if closing:
        console.print(on_terminal(told.shown_forecasts(closing)))
        if pairs and (waiting := told.shown_pair_forecasts(closing))[1]:
            console.print(on_terminal(waiting))
        for line in told.forecast_lines(closing):
            click.echo(line)
        extra |= told.forecast_tables(closing)
        notes += told.forecast_notes(closing)
    if times:
        console.print(on_terminal(told.shown_times(times)))
        for line in told.times_lines(times):
            click.echo(line)
        extra |= told.times_tables(times)
        notes += told.times_notes()
    if files and view.pads:
        write_fusion(view, files, decimal=decimal, made_at=datetime.now(UTC), more=extra, more_notes=notes)
        for path in files:
            click.echo(f"wrote {path}")
    if picture_paths:
        with open_logbook(logbook_path(settings), create=False) as logbook:
            write_pad_pictures(
                logbook,
                tables,
                settings.folder,
                picture_paths,
                since=since.date() if since else None,
                until=last,
                rules=rules,
                on_written=lambda path: click.echo(f"wrote {path}"),
            )


def _tell(done: int, whole: int) -> None:
    """Progress over photos that fusion has not seen yet, where they take a while."""
    if whole > _MANY_PHOTOS:
        click.echo(f"photos of pads read: {done} of {whole}", err=True)


def _files(target: Path | None, replace: bool, more: tuple[str, ...]) -> tuple[Path, ...]:
    """The files to write; an error where one has another ending, or is there already."""
    if target is None:
        return ()
    kind = target.suffix.lower()
    if kind not in (".csv", ".xlsx"):
        raise SettingsProblem(f"--to {target}: the name must end in .csv or .xlsx.")
    others = tuple(target.with_name(f"{target.stem}-{name}{target.suffix}") for name in ("pairs", *more))
    files = (target,) if kind == ".xlsx" else (target, *others)
    for path in files:
        if path.exists() and not replace:
            raise SettingsProblem(f"{path} exists. Give --replace to overwrite it, or another name.")
    return files
