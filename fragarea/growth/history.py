"""From the logbook's records and the nursery's tables to histories: the rim of this package."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from datetime import date, datetime

import shapely
from shapely import MultiPolygon, Point

from fragarea.growth.mixups import MixUp, Seen, Shape, find_mixups, shape_of
from fragarea.growth.records import AreaPoint, ErrorPart, FragmentHistory
from fragarea.logbook import StoredMeasurement
from fragarea.measurement import FragmentMeasurement, FragmentStatus, PhotoMeasurement
from fragarea.nursery import Placement, Tables
from fragarea.sites.records import SiteKind

RIM_BAND_MM = 0.5
"""An edge so near the plug's rim counts as at it: about the uncertainty of rim and outline together."""


def histories_of_record(stored: Iterable[StoredMeasurement], tables: Tables) -> tuple[FragmentHistory, ...]:
    """Histories of all fragments that the record names.

    Parameters
    ----------
    stored : iterable of StoredMeasurement
        Current ones; with outlines where the plug's edge is to be noticed by them.
    tables : Tables

    Returns
    -------
    tuple of FragmentHistory
        In order of name. A photo's places without a recorded fragment are left out.
    """
    points: dict[str, list[AreaPoint]] = defaultdict(list)
    undated: dict[str, int] = defaultdict(int)
    sites: dict[str, str] = {}
    for one in stored:
        photo = one.measurement
        for fragment, name, row in zip(photo.fragments, one.fragment_names, one.fragment_ids, strict=True):
            if not name:
                continue
            sites[name] = photo.site.name
            if photo.taken_at is None:
                undated[name] += 1
            else:
                points[name].append(area_point(photo, fragment, name, photo.taken_at, fragment_id=row))
    known = {fragment.fragment: fragment for fragment in tables.fragments}
    placements: dict[str, list[Placement]] = defaultdict(list)
    for placement in tables.placements:
        placements[placement.fragment].append(placement)
    histories = []
    for name in sorted(sites):
        entry = known.get(name)
        histories.append(
            FragmentHistory(
                fragment=name,
                genotype=entry.genotype if entry else "",
                points=tuple(sorted(points[name], key=lambda point: point.taken_at)),
                site=sites[name],
                cut_on=entry.cut_on if entry else None,
                left_on=_left_on(placements[name]),
                undated=undated[name],
            )
        )
    return tuple(histories)


def area_point(
    photo: PhotoMeasurement, fragment: FragmentMeasurement, name: str, taken_at: datetime, *, fragment_id: int = 0
) -> AreaPoint:
    """One measured fragment as a point of its history, each part of its uncertainty with the name of its source."""
    return AreaPoint(
        taken_at=taken_at.replace(tzinfo=None),
        area_mm2=fragment.live.area_mm2,
        parts=tuple(ErrorPart(term.u_mm2, _source(term.name, photo, name)) for term in fragment.live.terms),
        status=fragment.status,
        bleached_mm2=fragment.bleached_mm2,
        dead_mm2=fragment.dead_mm2,
        rim_share=_rim_share(photo, fragment),
        doubts=frozenset(doubt.key for doubt in fragment.doubts),
        photo=photo.photo,
        sha256=photo.sha256,
        fragment_id=fragment_id,
    )


def mixups_of_record(stored: Iterable[StoredMeasurement], tables: Tables) -> tuple[MixUp, ...]:
    """Doubts about who stands where, from each visit of each tray to the next.

    Parameters
    ----------
    stored : iterable of StoredMeasurement
        Current ones, with outlines.
    tables : Tables

    Returns
    -------
    tuple of MixUp
        In order of time.
    """
    genotypes = {fragment.fragment: fragment.genotype for fragment in tables.fragments}
    visits: dict[str, dict[date, dict[str, Shape]]] = defaultdict(lambda: defaultdict(dict))
    times: dict[tuple[str, date], datetime] = {}
    for one in stored:
        photo = one.measurement
        if photo.taken_at is None or photo.site.kind is not SiteKind.TRAY:
            continue
        day = photo.taken_at.date()
        times.setdefault((photo.site.name, day), photo.taken_at)
        for fragment, name in zip(photo.fragments, one.fragment_names, strict=True):
            if name and fragment.status is not FragmentStatus.MISSING:
                shape = shape_of(fragment.outline_live, fragment.live.area_u_mm2, fragment.centre_mm)
                if shape is not None:
                    visits[photo.site.name][day].setdefault(name, shape)
    found: list[MixUp] = []
    for site, days in visits.items():
        last: dict[str, Shape] = {}
        for day in sorted(days):
            now = days[day]
            both = [name for name in sorted(now) if name in last]
            seen = [Seen(name, genotypes.get(name, ""), last[name], now[name]) for name in both]
            found += find_mixups(seen, site=site, taken_at=times[site, day])
            last = last | now
    return tuple(sorted(found, key=lambda one: (one.taken_at.replace(tzinfo=None), one.site, -one.odds)))


def _source(term: str, photo: PhotoMeasurement, name: str) -> str:
    """Where the error of a term comes from: what has the same source has the same error."""
    this_photo = f"photo {photo.sha256} {term}"
    match term:
        case "print":
            return f"print {photo.reference}"
        case "lens":
            return f"lens {photo.settings.lens_hash}" if photo.settings.lens_hash else this_photo
        case "height":
            # A height that was given once is as wrong at every visit.
            return f"plug tops of {photo.site.name}" if photo.plug_top_source == "given" else this_photo
        case "edge height":
            return f"edge height of {name}"
        case "outline":
            return ""
        case _:
            return this_photo


def _rim_share(photo: PhotoMeasurement, fragment: FragmentMeasurement) -> float | None:
    if photo.site.kind is SiteKind.PAD:
        return 0.0  # tissue grows on over the cement
    if fragment.plug_radius_mm is None or fragment.outline_live.is_empty:
        return None
    inside = Point(fragment.centre_mm).buffer(fragment.plug_radius_mm - RIM_BAND_MM, quad_segs=32)
    edges = shapely.union_all([piece.exterior for piece in MultiPolygon(fragment.outline_live).geoms])
    return float(shapely.difference(edges, inside).length / edges.length) if edges.length > 0 else None


def _left_on(placements: Iterable[Placement]) -> date | None:
    ends = [placement.until for placement in placements]
    return max((end for end in ends if end is not None), default=None) if None not in ends else None
