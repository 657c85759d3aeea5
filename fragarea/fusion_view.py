"""What commands show of fusion: every pad of a nursery over its visits."""

from __future__ import annotations

import hashlib
import json
import math
import multiprocessing
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import astuple, dataclass
from datetime import date
from itertools import groupby, islice

from fragarea import __version__
from fragarea.fusion import (
    FORM,
    FusionRules,
    Layout,
    PadHistory,
    PadPhoto,
    PadVisit,
    PhotoFragment,
    history_of,
    layouts_of,
    pack,
    unpack,
    visit_of,
)
from fragarea.logbook import Logbook
from fragarea.logbook.pads import (
    KeptVisit,
    PadPlace,
    PadRow,
    PadTissue,
    keep_pad_visits,
    kept_pad_visits,
    pad_rows,
    pad_tissue,
)
from fragarea.nursery import Tables

LAYOUT_VISITS = 5
"""So many first visits tell where the plugs of a pad stand: a later photo changes nothing said of earlier ones."""

OUTLINE_DOUBTS = frozenset({"outline_unsure", "blur", "glare", "dark", "cut_off"})
"""Doubts that say that tissue may be missing from an outline, or be none."""

_PHOTOS_AT_ONCE = 100

_WORTH_PROCESSES = 200  # photos: starting a process takes as long as some fifty
_TO_A_PROCESS = 20

Progressed = Callable[[int, int], None]


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
    workers: int = 1,
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
    workers : int
        Processes for photos that fusion has not seen yet, where these are many.
    on_progress : callable, optional
        Called with the number of such photos that are done, and with how many there are.

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
        [visit for of_site in plans.values() for visit in of_site],
        genotypes,
        rules,
        with_outlines=with_outlines,
        workers=workers,
        on_progress=on_progress or (lambda _done, _all: None),
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
        f"Find them with: fragarea places NURSERY --site '{site}'"
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
    visits: Sequence[_Visit],
    genotypes: Mapping[str, str],
    rules: FusionRules,
    *,
    with_outlines: bool,
    workers: int,
    on_progress: Progressed,
) -> Iterator[PadVisit]:
    """Every visit, in order; what takes long is remembered, where the logbook may be written."""
    sites = {one.row.site for one in visits}
    kept = {} if with_outlines else kept_pad_visits(logbook, site=sites.pop() if len(sites) == 1 else None)
    rules_told = json.dumps([FORM, __version__, astuple(rules)])
    states = {one.row.measurement_id: _state(one, genotypes, rules_told) for one in visits}
    new = [one for one in visits if not _is_kept(kept.get(one.row.measurement_id), states)]
    fresh = {one.row.measurement_id for one in new}
    derived = _derive(logbook, new, genotypes, rules, with_outlines=with_outlines, workers=workers)
    unsaved: list[KeptVisit] = []
    done = 0
    for one in visits:
        number = one.row.measurement_id
        if number not in fresh:
            yield unpack(kept[number].packed)
            continue
        visit = next(derived)
        yield visit
        done += 1
        if not with_outlines and not logbook.read_only:
            unsaved.append(KeptVisit(number, states[number], pack(visit)))
        if len(unsaved) >= _PHOTOS_AT_ONCE or done == len(new):
            keep_pad_visits(logbook, unsaved)
            unsaved = []
            on_progress(done, len(new))


def _is_kept(kept: KeptVisit | None, states: Mapping[int, str]) -> bool:
    return kept is not None and kept.state == states[kept.measurement_id]


def _state(visit: _Visit, genotypes: Mapping[str, str], rules_told: str) -> str:
    """Hash of all besides the photo's measurement that decides what a visit says."""
    layout = visit.layout
    plain = [
        *(rules_told, layout.names, [genotypes.get(name, "") for name in layout.names]),
        *(layout.pairs, [[round(x, 3), round(y, 3)] for x, y in layout.centres_mm]),
    ]
    return hashlib.blake2b(json.dumps(plain).encode(), digest_size=16).hexdigest()


def _derive(
    logbook: Logbook,
    visits: Sequence[_Visit],
    genotypes: Mapping[str, str],
    rules: FusionRules,
    *,
    with_outlines: bool,
    workers: int,
) -> Iterator[PadVisit]:
    """Visits from outlines, in order; many of them in several processes."""

    def photos() -> Iterator[tuple[PadPhoto, Layout]]:
        for start in range(0, len(visits), _PHOTOS_AT_ONCE):
            some = visits[start : start + _PHOTOS_AT_ONCE]
            tissue = pad_tissue(logbook, [one.row.measurement_id for one in some])
            for one in some:
                yield _photo(one.row, tissue[one.row.measurement_id], genotypes), one.layout

    if workers < 2 or len(visits) < _WORTH_PROCESSES:
        for photo, layout in photos():
            yield visit_of(photo, layout, rules, with_outlines=with_outlines)
        return
    from fragarea.batch.processes import leave_ctrl_c_to_parent, starting_processes  # brings in all of measuring

    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, spawn, leave_ctrl_c_to_parent) as pool:
        in_hand: deque[Future[list[PadVisit]]] = deque()
        for batch in _batches(photos(), _TO_A_PROCESS):
            with starting_processes():
                in_hand.append(pool.submit(_visits, batch, rules, with_outlines))
            if len(in_hand) > 2 * workers:
                yield from in_hand.popleft().result()
        while in_hand:
            yield from in_hand.popleft().result()


def _visits(photos: Sequence[tuple[PadPhoto, Layout]], rules: FusionRules, with_outlines: bool) -> list[PadVisit]:
    return [visit_of(photo, layout, rules, with_outlines=with_outlines) for photo, layout in photos]


def _batches(photos: Iterator[tuple[PadPhoto, Layout]], size: int) -> Iterator[list[tuple[PadPhoto, Layout]]]:
    while batch := list(islice(photos, size)):
        yield batch


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
                doubts=tuple(key for key in one.doubts if key in OUTLINE_DOUBTS),
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
