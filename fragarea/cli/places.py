"""Where the plugs of a pad stand, as found on a photo, confirmed by a person."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fragarea.cli.options import DAY, nursery_argument
from fragarea.errors import SettingsProblem

if TYPE_CHECKING:
    from fragarea.logbook.pads import PadRow


@click.command()
@nursery_argument
@click.option("--site", required=True, help="The pad.")
@click.option("--on", type=DAY, metavar="DATE", help="Visit to take the places from. Default: the first.")
@click.option("--confirm", is_flag=True, help="Write the places into nursery.toml.")
def places(nursery: Path, site: str, on: datetime | None, confirm: bool) -> None:
    """Show where the plugs of a pad of a NURSERY folder were found, and keep the places once you confirm them.

    Plugs of a pad are told apart from visit to visit by their places. Measure a photo on which the plugs' rims still
    show, compare the numbers below with its picture in reports/overlays/, and confirm.

    \b
    Examples:
      fragarea places my-nursery --site PAD-2
      fragarea places my-nursery --site PAD-2 --on 2026-03-07 --confirm
    """
    from rich.console import Console

    from fragarea.fusion import neighbours
    from fragarea.logbook import open_logbook
    from fragarea.logbook.pads import pad_rows
    from fragarea.nursery import load_nursery
    from fragarea.nursery.section import SETTINGS_FILE
    from fragarea.nursery.site_places import with_places
    from fragarea.nursery_view import logbook_path
    from fragarea.report.pictures import write_whole
    from fragarea.report.plain_tables import Value, terminal_table
    from fragarea.sites.records import SiteKind

    settings = load_nursery(nursery)
    pad = settings.site(site)
    if pad is None or pad.kind is not SiteKind.PAD:
        known = ", ".join(one.name for one in settings.sites if one.kind is SiteKind.PAD) or "none"
        raise SettingsProblem(f"--site {site}: no pad of this name in {SETTINGS_FILE}. Known pads: {known}.")
    if pad.places_mm:
        raise SettingsProblem(
            f"{SETTINGS_FILE}: {site} has {len(pad.places_mm)} places already. Take them out to find them anew."
        )
    with open_logbook(logbook_path(settings), create=False) as logbook:
        row = _chosen(pad_rows(logbook, site=site), site, on)
    found = [(place.label, *place.centre_mm) for place in row.places if place.plug_radius_mm is not None]
    lines: list[tuple[Value, ...]] = [
        (place.label, f"{place.centre_mm[0]:.1f}", f"{place.centre_mm[1]:.1f}", f"{2 * place.plug_radius_mm:.1f}")
        for place in row.places
        if place.plug_radius_mm is not None
    ]
    Console().print(terminal_table((("place", "x_mm", "y_mm", "rim_mm"), lines)))
    spacing = neighbours([(x, y) for _, x, y in found], 1.35)[2]
    apart = f", {spacing:.1f} mm apart" if len(found) > 1 else ""
    click.echo(f"{len(found)} plugs{apart}, on {row.path} of {row.taken_at:%Y-%m-%d}.")
    if not confirm:
        click.echo("Compare with its picture in reports/overlays/. Where all plugs are found, give --confirm.")
        return
    file = settings.folder / SETTINGS_FILE
    words = f"as found on {row.photo} of {row.taken_at:%Y-%m-%d}"
    write_whole(file, with_places(file.read_bytes(), site, found, found=words))
    click.echo(f"wrote {file}")
    click.echo(
        "Now say in placements.csv which fragment stands at which place (columns fragment, site, place and from), "
        "and run: fragarea measure"
    )


def _chosen(rows: Sequence[PadRow], site: str, on: datetime | None) -> PadRow:
    """The photo whose plugs count: that with most rims, of the first visit that shows any or of the one asked for."""
    showing = [row for row in rows if not row.described and _rims(row)]
    if on is not None:
        showing = [row for row in showing if row.taken_at.date() == on.date()]
    if not showing:
        day = f" of {on:%Y-%m-%d}" if on else ""
        cause = "shows the rims of its plugs" if rows else "was measured"
        raise SettingsProblem(
            f"{site}: no photo{day} {cause}. Measure a photo taken before tissue grew over the rims, or write the "
            "places into nursery.toml by hand."
        )
    first = showing[0].taken_at.date()
    return max((row for row in showing if row.taken_at.date() == first), key=_rims)


def _rims(row: PadRow) -> int:
    return sum(place.plug_radius_mm is not None for place in row.places)
