"""A site of the nursery as the measuring stages want it."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import date
from pathlib import Path

from fragarea.errors import SettingsProblem
from fragarea.nursery.records import Fragment, Nursery, Placement, Tables
from fragarea.nursery.words import did_you_mean, tidy
from fragarea.sites.records import SiteDescription


def site_description(
    nursery: Nursery, site_name: str, *, tables: Tables | None = None, on: date | None = None
) -> SiteDescription:
    """Describe a site for measuring.

    Parameters
    ----------
    nursery : Nursery
    site_name : str
    tables : Tables, optional
        With `on`: the fragments that stand there set plug diameter and edge height, and, on a pad whose places are
        not described, the places.
    on : date, optional
        Day of the photo.

    Returns
    -------
    SiteDescription
        Where the fragments' edge heights differ, their mean, with an uncertainty that covers the spread (law of
        total variance).

    Raises
    ------
    SettingsProblem
        If the nursery has no such site.
    """
    site = nursery.site(site_name)
    if site is None:
        advice = did_you_mean(site_name, [site.name for site in nursery.sites])
        raise SettingsProblem(f"nursery.toml: site {site_name!r} is not described. {advice}")
    standing = placements_on(tables.placements, site_name, on) if tables and on else ()
    fragments = [part for place in standing if tables and (part := tables.fragment(place.fragment))]
    height_mm, height_u_mm = _edge_height(nursery, fragments, on)
    return SiteDescription(
        kind=site.kind,
        name=site.name,
        reference=site.reference,
        plug_mm=_common_plug(fragments) or site.plug_mm,
        plug_u_mm=site.plug_u_mm,
        rows=site.rows,
        columns=site.columns,
        pitch_mm=site.pitch_mm,
        places_mm=site.places_mm or _places_of(standing),
        reference_offset_mm=site.reference_offset_mm,
        reference_offset_u_mm=site.reference_offset_u_mm,
        edge_height_mm=height_mm,
        edge_height_u_mm=height_u_mm,
    )


def edge_height(nursery: Nursery, species: str, age_days: float | None) -> tuple[float, float]:
    """Height of the tissue edge above the plug top, and its standard uncertainty, in mm.

    Among the rules of the species, the one with the smallest `age_days_max` that the age does not exceed; then the
    one without age; then the nursery's own height. An unknown age fits only a rule without age.
    """
    wanted = tidy(species).casefold()
    fitting = [
        rule
        for rule in nursery.heights
        if rule.species.casefold() == wanted
        and (rule.age_days_max is None or (age_days is not None and age_days <= rule.age_days_max))
    ]
    if not fitting:
        return nursery.edge_height_mm, nursery.edge_height_u_mm
    best = min(fitting, key=lambda rule: math.inf if rule.age_days_max is None else rule.age_days_max)
    return best.edge_height_mm, best.edge_height_u_mm


def placements_on(placements: Iterable[Placement], site: str, day: date) -> tuple[Placement, ...]:
    """Who stands where at a site on a day: `from` included, `to` not; in order of position."""
    standing = [placement for placement in placements if placement.site == site and placement.holds_on(day)]
    return tuple(sorted(standing, key=lambda one: (one.row or 0, one.column or 0, one.place, one.fragment)))


def reference_file(nursery: Nursery, reference: str) -> str:
    """Name of a reference that comes with the project, or the full path of one kept in the nursery folder."""
    return str(nursery.folder / Path(reference)) if reference.lower().endswith(".json") else reference


def _edge_height(nursery: Nursery, fragments: list[Fragment], on: date | None) -> tuple[float, float]:
    if not fragments:
        return nursery.edge_height_mm, nursery.edge_height_u_mm
    pairs = [edge_height(nursery, fragment.species, _age_days(fragment, on)) for fragment in fragments]
    # exact sums: fragments that change places on a tray must not change its description in the last digit
    mean = math.fsum(height for height, _ in pairs) / len(pairs)
    variance = math.fsum(u**2 + (height - mean) ** 2 for height, u in pairs) / len(pairs)
    return mean, math.sqrt(variance)


def _age_days(fragment: Fragment, on: date | None) -> float | None:
    return (on - fragment.cut_on).days if on and fragment.cut_on else None


def _common_plug(fragments: list[Fragment]) -> float | None:
    """The plug diameter of the fragments where they all have the same one."""
    sizes = {fragment.plug_mm for fragment in fragments}
    return sizes.pop() if len(sizes) == 1 else None


def _places_of(standing: tuple[Placement, ...]) -> tuple[tuple[str, float, float], ...]:
    return tuple(
        (one.fragment, one.x_mm, one.y_mm) for one in standing if one.x_mm is not None and one.y_mm is not None
    )
