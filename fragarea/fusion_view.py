"""What commands show of fusion: every pad of a nursery over its visits."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby

from fragarea.fusion import (
    FusionRules,
    Layout,
    PadHistory,
    PadPhoto,
    PadVisit,
    PhotoFragment,
    history_of,
    layouts_of,
    visit_of,
)
from fragarea.logbook import Logbook
from fragarea.logbook.pads import PadPlace, PadRow, PadTissue, pad_rows, pad_tissue
from fragarea.nursery import Tables

LAYOUT_VISITS = 5
"""So many first visits tell where the plugs of a pad stand: a later photo changes nothing said of earlier ones."""

_PHOTOS_AT_ONCE = 100

Progressed = Callable[[int], None]


@dataclass(frozen=True)
class LeftOutPad:
    """A pad of which nothing can be told, and what to do about it."""

    site: str
    why: str


@dataclass(frozen=True)
class FusionView:
    """Fusion over a choice of visits.

    Attributes
    ----------
    pads : tuple of PadHistory
        In order of site; pads without a visit in the choice are left out.
    left_out : tuple of LeftOutPad
    rules : FusionRules
    nameless : tuple of (site, str)
        Places of pads at which no fragment is recorded, so that their genotype is not known.
    """

    pads: tuple[PadHistory, ...]
    left_out: tuple[LeftOutPad, ...]
    rules: FusionRules
    nameless: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class _Visit:
    """The photo that stands for a pad on a day, and what it is to be read with."""

    row: PadRow
    layout: Layout


def view_fusion(
    logbook: Logbook,
    tables: Tables,
    *,
    site: str | None = None,
    since: date | None = None,
    until: date | None = None,
    rules: FusionRules | None = None,
    with_outlines: bool = False,
    on_progress: Progressed | None = None,
) -> FusionView:
    """Compute fusion from a logbook.

    Parameters
    ----------
    logbook : Logbook
    tables : Tables
    site : str, optional
        Only this pad.
    since, until : date, optional
        First and last day shown, both included. Borders and setbacks rest on all visits.
    rules : FusionRules, optional
    with_outlines : bool
        Keep outlines, for pictures: ask for few pads then.
    on_progress : callable, optional
        Called with the number of photos just read.

    Returns
    -------
    FusionView

    Notes
    -----
    The last photo of a day stands for it. Photos with a fragment that a person marked wrong do not count.
    """
    rules = rules or FusionRules()
    genotypes = {fragment.fragment: fragment.genotype for fragment in tables.fragments}
    pads: list[PadHistory] = []
    left_out: list[LeftOutPad] = []
    nameless: dict[tuple[str, str], None] = {}
    by_site = groupby(pad_rows(logbook, site=site), key=lambda row: row.site)
    plans: dict[str, list[_Visit]] = {}
    for name, rows in by_site:
        chosen = _one_a_day(rows)
        if not chosen:
            left_out.append(LeftOutPad(name, _no_visit(name)))
            continue
        plans[name] = _plan(chosen, rules)
        nameless.update({(name, place.label): None for row in chosen for place in _plugs(row) if not place.fragment})
    visits = _read(
        logbook,
        plans,
        genotypes,
        rules,
        with_outlines=with_outlines,
        on_progress=on_progress or (lambda _count: None),
    )
    for name, of_site in groupby(visits, key=lambda visit: visit.site):
        history = history_of(name, of_site, rules)
        shown = tuple(
            one
            for one in history.visits
            if (since is None or one.day >= since) and (until is None or one.day <= until)
        )
        if shown:
            pads.append(PadHistory(name, shown))
    return FusionView(tuple(pads), tuple(left_out), rules, tuple(nameless))


def _no_visit(site: str) -> str:
    return (
        f"the places of its plugs are not described, so they cannot be told apart from visit to visit. "
        f"Look at them with: fragarea places {site}"
    )


def _one_a_day(rows: Iterable[PadRow]) -> list[PadRow]:
    counting = [row for row in rows if row.described and not row.marked_wrong and _plugs(row)]
    return [list(same_day)[-1] for _, same_day in groupby(counting, key=lambda row: row.taken_at.date())]


def _plugs(row: PadRow) -> list[PadPlace]:
    return [place for place in row.places if _is_plug(place)]


def _is_plug(place: PadPlace) -> bool:
    """Places of their own are given to patches that grow on no plug: turf, mostly, and no part of the pad's coral."""
    return bool(place.fragment) or not place.label.startswith("patch ")


def _name(place: PadPlace) -> str:
    return place.fragment or f"place {place.label}"


def _plan(rows: Sequence[PadRow], rules: FusionRules) -> list[_Visit]:
    centres = [{_name(place): place.centre_mm for place in _plugs(row)} for row in rows]
    layouts = layouts_of(centres, rules.reach, settled=LAYOUT_VISITS)
    return [_Visit(row, layout) for row, layout in zip(rows, layouts, strict=True)]


def _read(
    logbook: Logbook,
    plans: Mapping[str, Sequence[_Visit]],
    genotypes: Mapping[str, str],
    rules: FusionRules,
    *,
    with_outlines: bool,
    on_progress: Progressed,
) -> Iterator[PadVisit]:
    """Every visit of every pad, in the order of the plans."""
    whole = [visit for visits in plans.values() for visit in visits]
    for start in range(0, len(whole), _PHOTOS_AT_ONCE):
        some = whole[start : start + _PHOTOS_AT_ONCE]
        tissue = pad_tissue(logbook, [one.row.measurement_id for one in some])
        for one in some:
            photo = _photo(one.row, tissue[one.row.measurement_id], genotypes)
            yield visit_of(photo, one.layout, rules, with_outlines=with_outlines)
        on_progress(len(some))


def _photo(row: PadRow, tissue: Sequence[PadTissue], genotypes: Mapping[str, str]) -> PadPhoto:
    plugs = [one for one in tissue if _is_plug(one.place)]
    return PadPhoto(
        site=row.site,
        taken_at=row.taken_at,
        photo=row.photo,
        sha256=row.sha256,
        measurement_id=row.measurement_id,
        mm_per_px=row.mm_per_px,
        area_u_rel=_shared_u_rel(plugs),
        plug_mm=row.plug_mm,
        fragments=tuple(
            PhotoFragment(
                fragment=_name(one.place),
                genotype=genotypes.get(one.place.fragment, ""),
                centre_mm=one.place.centre_mm,
                status=one.status,
                live_mm2=one.live_mm2,
                live_u_mm2=one.live_u_mm2,
                dead_mm2=one.dead_mm2,
                edge_u_mm=_edge_u_mm(one),
                outline=one.outline,
            )
            for one in plugs
        ),
    )


def _shared_u_rel(plugs: Sequence[PadTissue]) -> float:
    """Of areas, by what all fragments of a photo share; heights weigh alike on all, so the largest tells it best."""
    largest = max(plugs, key=lambda one: one.live_mm2)
    if largest.live_mm2 <= 0:
        return 0.0
    return math.hypot(*(largest.terms_mm2[name] for name in largest.shared_terms)) / largest.live_mm2


def _edge_u_mm(one: PadTissue) -> float:
    """The outline's term of the budget is the length of the outline times the uncertainty of its edge."""
    length = one.outline.length
    return one.terms_mm2.get("outline", 0.0) / length if length > 0 else 0.0
