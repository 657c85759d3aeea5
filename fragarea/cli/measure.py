"""Measure photos: a nursery's batch, or JSON lines outside any nursery."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import click
from click.core import ParameterSource

from fragarea.cli.options import FiniteRange, find_lens, usual_workers
from fragarea.errors import SettingsProblem
from fragarea.measurement import MeasureSettings
from fragarea.sites.records import SiteDescription, SiteKind

DATES = ["%Y-%m-%d", "%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%dT%H:%M%z", "%Y-%m-%dT%H:%M:%S%z"]
NURSERY_ONLY = ("again", "workers", "scheduler", "site", "no_report")
JSON_ONLY = ("site_kind", "reference", "plug_mm", "height_mm", "reference_offset_mm", "rows", "columns", "pitch_mm")


@click.command()
@click.argument("places", nargs=-1, type=click.Path(path_type=Path))
@click.option("--again", is_flag=True, help="Measure all, also what was measured before with the same settings.")
@click.option("--workers", type=click.IntRange(1, 64), default=usual_workers, help="Processes. Default: one a core.")
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    default=None,
    help="Measure on a Dask cluster, whose workers see the nursery folder under the same path. Default: here.",
)
@click.option("--site", default=None, help="Site of all photos. Default: the folder photos/SITE/, or a tag in view.")
@click.option(
    "--on",
    "taken_at",
    type=click.DateTime(DATES),
    metavar="DATE",
    help="Date of all photos: 2026-03-07, or 2026-03-07T09:30+09:00. Default: as in the photo.",
)
@click.option("--lens", "lens_name", default="", help="Lens profile: a name in the nursery's lenses/, or a file.")
@click.option("--no-report", is_flag=True, help="Do not draw overlays, contact sheets and page.")
@click.option("--json", "as_json", is_flag=True, help="Outside any nursery: one JSON object a line and photo.")
@click.option(
    "--site-kind", type=click.Choice([kind.value for kind in SiteKind]), help="With --json: what the photos show."
)
@click.option(
    "--reference",
    default=None,
    help="With --json: a reference's name, its JSON file, or 'none'. Default: frame-280x220, for single card-80x50.",
)
@click.option("--plug-mm", type=FiniteRange(3, 200), metavar="MM", help="With --json: plug diameter. Default: 25.")
@click.option(
    "--height-mm",
    type=FiniteRange(-5, 50),
    metavar="MM",
    help="With --json: tissue edge above plug top. Default: 0.5.",
)
@click.option(
    "--reference-offset-mm",
    type=FiniteRange(-200, 200),
    metavar="MM",
    help="With --json: plug tops above the reference. Default: from the rims.",
)
@click.option("--rows", type=click.IntRange(1, 100), default=None, help="With --json: rows of the tray.")
@click.option("--columns", type=click.IntRange(1, 100), default=None, help="With --json: columns of the tray.")
@click.option(
    "--pitch-mm",
    type=FiniteRange(0, 1000, min_open=True),
    metavar="MM",
    help="With --json: distance between neighbouring plugs.",
)
@click.option(
    "--two-points",
    nargs=5,
    type=float,
    default=None,
    metavar="X1 Y1 X2 Y2 MM",
    help="With --json and one photo: two pixels a known distance apart are the scale.",
)
@click.option("--budget", is_flag=True, help="With --json: add the uncertainty budget of every area.")
@click.pass_context
def measure(
    context: click.Context,
    places: tuple[Path, ...],
    again: bool,
    workers: int,
    scheduler: str | None,
    site: str | None,
    taken_at: datetime | None,
    lens_name: str,
    no_report: bool,
    as_json: bool,
    budget: bool,
    two_points: tuple[float, float, float, float, float] | None,
    **described: Any,
) -> None:
    """Measure the live-tissue area on new photos of a nursery, and keep it in the logbook.

    PLACES are a nursery folder, or photos and folders inside one; by default the nursery that holds the working
    folder. Only photos that are new, or whose settings changed, are measured. Stopping the command loses no finished
    photo; the same command goes on. Exit code 0; 3 where photos are refused, now or since an earlier run; 130 where
    it was stopped.

    \b
    Examples:
      fragarea measure my-nursery
      fragarea measure my-nursery/photos/TRAY-1 --again --workers 2
      fragarea measure /shared/my-nursery --scheduler tcp://10.0.0.5:8786
      fragarea measure --json --site-kind tray --plug-mm 25 tray.jpg > areas.jsonl
      fragarea measure --json --site-kind single --reference none --two-points 120 80 920 85 50 plug.jpg
    """
    if as_json:
        _refuse_nursery_options(context)
        _to_json(context, places, taken_at, lens_name, two_points, budget, described)
        return
    given = [name for name in JSON_ONLY if described[name] is not None] + ["two_points"] * bool(two_points)
    if given:
        names = ", ".join("--" + name.replace("_", "-") for name in given)
        raise click.UsageError(f"{names} goes with --json; in a nursery, nursery.toml describes the sites.")
    if budget:
        raise click.UsageError("--budget goes with --json; in a nursery, ask for it with: fragarea table --budget.")
    from fragarea.cli.batch import measure_nursery

    context.exit(
        measure_nursery(
            places or (Path(),),
            again=again,
            workers=workers,
            scheduler=scheduler,
            site=site,
            taken_at=taken_at,
            lens_name=lens_name,
            with_report=not no_report,
        )
    )


def _refuse_nursery_options(context: click.Context) -> None:
    given = [name for name in NURSERY_ONLY if context.get_parameter_source(name) is ParameterSource.COMMANDLINE]
    if given:
        names = ", ".join("--" + name.replace("_", "-") for name in given)
        raise click.UsageError(f"{names} does not go with --json, which measures outside any nursery.")


def _to_json(
    context: click.Context,
    photos: tuple[Path, ...],
    taken_at: datetime | None,
    lens_name: str,
    two_points: tuple[float, float, float, float, float] | None,
    budget: bool,
    described: dict[str, Any],
) -> None:
    from fragarea.cli.measure_json import measure_to_lines

    if not photos:
        raise click.UsageError("--json needs at least one photo.")
    if described["site_kind"] is None:
        raise click.UsageError("--json needs --site-kind: tray, pad, single or shapes.")
    settings = MeasureSettings()
    if two_points:
        if len(photos) != 1:
            raise click.UsageError("--two-points goes with one photo.")
        settings = replace(settings, two_points_px=two_points[:4], two_points_mm=two_points[4])
    site = _described_site(described, by_hand=two_points is not None)
    lens = find_lens(lens_name, None)
    try:
        code = measure_to_lines(photos, site, settings, lens=lens, taken_at=taken_at, budget=budget)
    except SettingsProblem as problem:
        if not two_points:
            raise
        raise SettingsProblem(f"--two-points: {problem}") from problem
    context.exit(code)


def _described_site(described: dict[str, Any], *, by_hand: bool) -> SiteDescription:
    kind = SiteKind(described["site_kind"])
    usual = "card-80x50" if kind is SiteKind.SINGLE else "frame-280x220"
    reference = described["reference"] or ("none" if by_hand else usual)
    site = SiteDescription(kind=kind, reference="" if reference == "none" else reference)
    if described["plug_mm"] is not None:
        site = replace(site, plug_mm=described["plug_mm"])
    if described["height_mm"] is not None:
        site = replace(site, edge_height_mm=described["height_mm"])
    return replace(
        site,
        reference_offset_mm=described["reference_offset_mm"],
        rows=described["rows"],
        columns=described["columns"],
        pitch_mm=described["pitch_mm"],
    )
