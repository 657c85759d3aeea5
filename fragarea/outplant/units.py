"""What can go out: each fragment on a tray or single plug, and each pad as a whole."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

from fragarea.growth import AreaPoint, ErrorPart, FragmentHistory
from fragarea.measurement import FragmentStatus
from fragarea.nursery import Fragment, Nursery, Placement, Site, Tables
from fragarea.sites.records import SiteKind


@dataclass(frozen=True)
class Unit:
    """A fragment or a pad in the nursery, with its areas over time.

    Attributes
    ----------
    name : str
        Of the fragment, or of the pad.
    genotype : str
        Of a pad with several genotypes, their names joined by ``" + "``.
    species, site : str
    kind : SiteKind
    place : str
        Where on the site, as a person says it: ``"R2 C5"``, a label, ``"x 95 y 67"``; empty for a pad.
    row, column : int or None
        On a tray.
    fragments : tuple of str
        The fragments that it is made of.
    colonies : tuple of str
        Broodstock that they were cut from.
    cut_on : date or None
        When the youngest of them was cut; None where that of one of them is not known.
    since : date or None
        First day at the site.
    plug_mm2 : float
        Area of the plug, or of a pad's plugs together.
    points : tuple of AreaPoint
        In order of time; of a pad, sums over its fragments.
    centres_mm : tuple of (x_mm, y_mm)
        Middles of a pad's plugs; empty where one of them is not known, and off pads.
    fused : float or None
        Fused part of a pad's neighbouring pairs; None where it is not known.
    note : str
        What else a person should know before it goes out; empty for nothing.
    """

    name: str
    genotype: str
    species: str
    site: str
    kind: SiteKind
    place: str
    row: int | None
    column: int | None
    fragments: tuple[str, ...]
    colonies: tuple[str, ...]
    cut_on: date | None
    since: date | None
    plug_mm2: float
    points: tuple[AreaPoint, ...]
    centres_mm: tuple[tuple[float, float], ...] = ()
    fused: float | None = None
    note: str = ""


def units_on(
    histories: Iterable[FragmentHistory],
    tables: Tables,
    nursery: Nursery,
    on: date,
    *,
    site_of: Mapping[str, str],
    fused: Mapping[str, float] | None = None,
    notes: Mapping[str, str] | None = None,
) -> tuple[Unit, ...]:
    """Everything that stands in the nursery on a day, in order of site and place.

    Parameters
    ----------
    histories : iterable of FragmentHistory
        With their points up to that day.
    tables : Tables
    nursery : Nursery
    on : date
    site_of : mapping of str to str
        Site of each photo, by its hash: a pad counts its fragments' areas on photos of the pad only.
    fused : mapping of str to float, optional
        Fused part of each pad's neighbouring pairs, by site.
    notes : mapping of str to str, optional
        By fragment.
    """
    by_name = {history.fragment: history for history in histories}
    entries = {entry.fragment: entry for entry in tables.fragments}
    sites = {site.name: site for site in nursery.sites}
    on_pads: dict[str, list[Placement]] = defaultdict(list)
    units, seen = [], set()
    for placement in tables.placements:
        site = sites.get(placement.site)
        if site is None or not placement.holds_on(on) or placement.fragment in seen:
            continue
        seen.add(placement.fragment)
        if site.kind is SiteKind.PAD:
            on_pads[site.name].append(placement)
            continue
        entry = entries.get(placement.fragment, Fragment(placement.fragment, "", ""))
        history = by_name.get(placement.fragment)
        units.append(_fragment(placement, site, entry, history, (notes or {}).get(placement.fragment, "")))
    for name, placements in on_pads.items():
        pieces = [(p, entries.get(p.fragment, Fragment(p.fragment, "", ""))) for p in placements]
        points = _sums(
            [
                [point for point in by_name[p.fragment].points if site_of.get(point.sha256) == name]
                for p in placements
                if p.fragment in by_name
            ]
        )
        told = dict.fromkeys(n for p in placements if (n := (notes or {}).get(p.fragment)))
        units.append(_pad(sites[name], pieces, points, (fused or {}).get(name), "; ".join(told)))
    return tuple(sorted(units, key=_order))


def _order(unit: Unit) -> tuple[str, int, int, str, str]:
    return unit.site, unit.row or 0, unit.column or 0, unit.place, unit.name


def _fragment(placement: Placement, site: Site, entry: Fragment, history: FragmentHistory | None, note: str) -> Unit:
    plug_mm = entry.plug_mm or site.plug_mm
    return Unit(
        name=placement.fragment,
        genotype=entry.genotype,
        species=entry.species,
        site=site.name,
        kind=site.kind,
        place=place_words(placement),
        row=placement.row,
        column=placement.column,
        fragments=(placement.fragment,),
        colonies=(entry.broodstock,) if entry.broodstock else (),
        cut_on=entry.cut_on,
        since=placement.since,
        plug_mm2=math.pi * (plug_mm / 2) ** 2,
        points=history.points if history else (),
        note=note,
    )


def _pad(
    site: Site,
    pieces: Sequence[tuple[Placement, Fragment]],
    points: tuple[AreaPoint, ...],
    fused: float | None,
    note: str,
) -> Unit:
    entries = [entry for _, entry in pieces]
    cut = [entry.cut_on for entry in entries]
    known = [day for day in cut if day is not None]
    return Unit(
        name=site.name,
        genotype=" + ".join(sorted({entry.genotype for entry in entries} - {""})),
        species=" + ".join(sorted({entry.species for entry in entries} - {""})),
        site=site.name,
        kind=site.kind,
        place="",
        row=None,
        column=None,
        fragments=tuple(sorted(entry.fragment for entry in entries)),
        colonies=tuple(sorted({entry.broodstock for entry in entries} - {""})),
        cut_on=max(known) if len(known) == len(cut) else None,
        since=max(placement.since for placement, _ in pieces),
        plug_mm2=sum(math.pi * ((entry.plug_mm or site.plug_mm) / 2) ** 2 for entry in entries),
        points=points,
        centres_mm=_centres(site, [placement for placement, _ in pieces]),
        fused=fused,
        note=note,
    )


def _centres(site: Site, placements: Sequence[Placement]) -> tuple[tuple[float, float], ...]:
    described = {label: (x_mm, y_mm) for label, x_mm, y_mm in site.places_mm}
    found = []
    for placement in placements:
        if placement.x_mm is not None and placement.y_mm is not None:
            found.append((placement.x_mm, placement.y_mm))
        elif placement.place in described:
            found.append(described[placement.place])
    return tuple(found) if len(found) == len(placements) else ()


def place_words(placement: Placement) -> str:
    """Where on its site a fragment stands."""
    if placement.row is not None and placement.column is not None:
        return f"R{placement.row} C{placement.column}"
    if placement.place:
        return placement.place
    if placement.x_mm is not None and placement.y_mm is not None:
        return f"x {placement.x_mm:.0f} y {placement.y_mm:.0f}"
    return ""


def _sums(series: Sequence[Sequence[AreaPoint]]) -> tuple[AreaPoint, ...]:
    """One point a photo: the areas of all pieces on it, with the errors that they share counted as shared."""
    by_photo: dict[str, list[AreaPoint]] = defaultdict(list)
    for points in series:
        for point in points:
            by_photo[point.sha256].append(point)
    sums = []
    for points in by_photo.values():
        shared: dict[str, float] = defaultdict(float)
        for point in points:
            for part in point.parts:
                if part.source:
                    shared[part.source] += part.u_mm2
        own = [part for point in points for part in point.parts if not part.source]
        live = sum(point.area_mm2 for point in points)
        missing = all(point.status is FragmentStatus.MISSING for point in points)
        sums.append(
            replace(
                points[0],
                area_mm2=live,
                parts=(*own, *(ErrorPart(u, source) for source, u in shared.items())),
                status=FragmentStatus.MISSING
                if missing
                else FragmentStatus.LIVE
                if live > 0
                else FragmentStatus.DEAD,
                bleached_mm2=sum(point.bleached_mm2 for point in points),
                dead_mm2=sum(point.dead_mm2 for point in points),
                rim_share=0.0,
                doubts=frozenset().union(*(point.doubts for point in points)),
                marked_wrong=any(point.marked_wrong for point in points),
                fragment_id=0,
            )
        )
    return tuple(sorted(sums, key=lambda point: point.taken_at))
