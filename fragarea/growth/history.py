"""From the logbook's rows and the nursery's tables to areas over time: the rim of this package."""

from __future__ import annotations

import hashlib
import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from functools import cached_property
from itertools import pairwise
from typing import TypeVar

import numpy as np
import shapely

from fragarea.growth.columns import OWN, AreaColumns, Bools, Ints, day_of
from fragarea.growth.mixups import MixUp, Seen, Shape, find_mixups, shapes_of
from fragarea.growth.records import AreaPoint, ErrorPart, FragmentHistory
from fragarea.logbook import (
    MARKED_WRONG,
    AreaPhoto,
    AreaRows,
    ComparedVisit,
    Logbook,
    OutlineRow,
    PhotoAreas,
    area_rows,
    compared_visits_of,
    keep_areas,
    keep_compared_visits,
    live_outlines,
    new_areas,
)
from fragarea.logbook.areas import STATUSES
from fragarea.measurement import FragmentStatus
from fragarea.nursery import Placement, Tables
from fragarea.sites.records import SiteKind

RIM_BAND_MM = 0.5
"""An edge so near the plug's rim counts as at it: about the uncertainty of rim and outline together."""

Item = TypeVar("Item")

_DOUBTS_THAT_COUNT = ("cut_off", "touches_neighbour", "beyond_rim", MARKED_WRONG)
_COMPARED_AS = "1"  # to be raised when comparing changes, so that visits compared before are compared anew
_VISITS_AT_ONCE = 200


@dataclass(frozen=True, eq=False)
class NurseryRecord:
    """All areas of a nursery over time, as the logbook and the tables have them.

    Attributes
    ----------
    columns : AreaColumns
        Fragments in order of name.
    row : ndarray of int64, shape (n,)
        Where each row of `columns` stands in `rows`.
    rows : AreaRows
    sources : tuple of str
        Names of the errors that `columns` numbers.
    genotypes : dict of fragment to genotype
    """

    columns: AreaColumns
    row: Ints
    rows: AreaRows
    sources: tuple[str, ...]
    genotypes: dict[str, str]

    def histories(self, chosen: Bools | None = None) -> tuple[FragmentHistory, ...]:
        """The record as one history a fragment, of all points or of some rows of `columns`."""
        taken = np.arange(len(self.columns)) if chosen is None else np.flatnonzero(chosen)
        bounds = np.searchsorted(self.columns.fragment[taken], np.arange(len(self.columns.heads) + 1)).tolist()
        points = self._points(taken)
        return tuple(
            replace(head, points=tuple(points[begin:end]))
            for head, (begin, end) in zip(self.columns.heads, pairwise(bounds), strict=True)
        )

    def limited(
        self, *, site: str | None = None, since: date | None = None, until: date | None = None
    ) -> NurseryRecord:
        """The record of one site, or of some days, both included; photos without a date are left out then."""
        columns, rows = self.columns, self.rows
        chosen = np.ones(len(columns), dtype=bool)
        photos = np.ones(len(rows.photos), dtype=bool)
        if site is not None:
            photos &= np.array([photo.site == site for photo in rows.photos], dtype=bool)
            chosen &= photos[rows.photo[self.row]]
        if since is not None:
            chosen &= columns.day >= day_of(since)
        if until is not None:
            chosen &= columns.day < day_of(until) + 1
        undated = (
            self._undated(photos) if since is None and until is None else np.zeros(len(columns.heads), dtype=int)
        )
        seen = np.bincount(columns.fragment[chosen], minlength=len(columns.heads)) + undated > 0
        number = np.cumsum(seen) - 1
        kept = columns.rows(chosen)
        heads = [replace(head, undated=int(n)) for head, n in zip(columns.heads, undated, strict=True)]
        if site is not None:
            heads = [replace(head, site=site) for head in heads]
        heads = [head for head, there in zip(heads, seen, strict=True) if there]
        return replace(
            self, columns=replace(kept, heads=tuple(heads), fragment=number[kept.fragment]), row=self.row[chosen]
        )

    def _undated(self, photos: Bools) -> Ints:
        """How many photos without a date each fragment is on, among some photos."""
        dated = np.array([photo.taken_at is not None for photo in self.rows.photos], dtype=bool)
        place = {head.fragment: number for number, head in enumerate(self.columns.heads)}
        counts = np.zeros(len(self.columns.heads), dtype=np.int64)
        for name in self.rows.name[(photos & ~dated)[self.rows.photo]].tolist():
            if (number := place.get(self.rows.names[name])) is not None:
                counts[number] += 1
        return counts

    def _points(self, taken: Ints) -> list[AreaPoint]:
        columns, rows = self.columns, self.rows
        row = self.row[taken]
        sources = dict(enumerate(self.sources)) | {OWN: ""}
        points = []
        for number, photo_number, status, area, bleached, dead, share, u, source, fragment_id in zip(
            row.tolist(),
            rows.photo[row].tolist(),
            rows.status[row].tolist(),
            columns.area_mm2[taken].tolist(),
            rows.bleached_mm2[row].tolist(),
            columns.dead_mm2[taken].tolist(),
            columns.rim_share[taken].tolist(),
            columns.part_u_mm2[taken].tolist(),
            columns.part_source[taken].tolist(),
            rows.fragment_id[row].tolist(),
            strict=True,
        ):
            photo = rows.photos[photo_number]
            assert photo.taken_at is not None, "only dated photos are in the columns"
            points.append(
                AreaPoint(
                    taken_at=photo.taken_at,
                    area_mm2=area,
                    parts=tuple(ErrorPart(size, sources[k]) for size, k in zip(u, source, strict=True) if size > 0),
                    status=STATUSES[status],
                    bleached_mm2=bleached,
                    dead_mm2=dead,
                    rim_share=None if math.isnan(share) else share,
                    doubts=(seen := rows.doubts.get(number, frozenset())),
                    marked_wrong=MARKED_WRONG in seen,
                    photo=photo.photo,
                    sha256=photo.sha256,
                    fragment_id=fragment_id,
                )
            )
        return points


def read_record(logbook: Logbook, tables: Tables) -> NurseryRecord:
    """Read all areas of a nursery.

    Parameters
    ----------
    logbook : Logbook
        What was read of each photo is remembered in it, where it may be written.
    tables : Tables

    Returns
    -------
    NurseryRecord
        A photo's places without a recorded fragment are left out.

    Raises
    ------
    LogbookProblem
    """
    return record_of(area_rows(logbook, also=_remember_areas(logbook)), tables)


def _remember_areas(logbook: Logbook) -> list[PhotoAreas]:
    """Read photos that are not remembered yet, and remember them; gives those that may not be kept."""
    unkept: list[PhotoAreas] = []
    for photos in new_areas(logbook):
        ids = (one for photo in photos for one in photo.fragment_ids.tolist())
        outlines = list(live_outlines(logbook, ids))
        shares = dict(zip((one.fragment_id for one in outlines), rim_shares_of(outlines), strict=True))
        known = [photo.with_rims({one: x for one, x in shares.items() if x is not None}) for photo in photos]
        if logbook.read_only:
            unkept += known
        else:
            keep_areas(logbook, known)
    return unkept


def record_of(rows: AreaRows, tables: Tables) -> NurseryRecord:
    """The record that some rows of the logbook and the tables make."""
    on_pad = np.array([photo.kind is SiteKind.PAD for photo in rows.photos], dtype=bool)
    days = np.array([np.nan if photo.taken_at is None else day_of(photo.taken_at) for photo in rows.photos])
    day = days[rows.photo]
    # photos are in order of time already
    order = np.lexsort([rows.photo, rows.name])
    order = order[~np.isnan(day[order])]
    doubted = {key: np.zeros(len(rows.name), dtype=bool) for key in _DOUBTS_THAT_COUNT}
    for row, keys in rows.doubts.items():
        for key in keys & doubted.keys():
            doubted[key][row] = True
    source, sources = _sources(rows)
    whole = AreaColumns(
        heads=_heads(rows, tables),
        fragment=rows.name,
        day=day,
        area_mm2=rows.area_mm2,
        dead_mm2=rows.dead_mm2,
        rim_share=np.where(on_pad[rows.photo], 0.0, rows.rim_share),  # on a pad tissue grows on over the cement
        missing=rows.status == STATUSES.index(FragmentStatus.MISSING),
        dead=rows.status == STATUSES.index(FragmentStatus.DEAD),
        **doubted,
        part_u_mm2=rows.term_u_mm2,
        part_source=source,
    )
    genotypes = {fragment.fragment: fragment.genotype for fragment in tables.fragments}
    return NurseryRecord(whole.rows(order), order, rows, sources, genotypes)


def _heads(rows: AreaRows, tables: Tables) -> tuple[FragmentHistory, ...]:
    known = {fragment.fragment: fragment for fragment in tables.fragments}
    placements: dict[str, list[Placement]] = defaultdict(list)
    for placement in tables.placements:
        placements[placement.fragment].append(placement)
    last = np.zeros(len(rows.names), dtype=np.int64)
    np.maximum.at(last, rows.name, rows.photo)
    undated = np.array([photo.taken_at is None for photo in rows.photos], dtype=bool)
    counts = np.bincount(rows.name[undated[rows.photo]], minlength=len(rows.names))
    heads = []
    for number, name in enumerate(rows.names):
        entry = known.get(name)
        heads.append(
            FragmentHistory(
                fragment=name,
                genotype=entry.genotype if entry else "",
                points=(),
                site=rows.photos[last[number]].site,
                cut_on=entry.cut_on if entry else None,
                left_on=_left_on(placements[name]),
                undated=int(counts[number]),
            )
        )
    return tuple(heads)


def _sources(rows: AreaRows) -> tuple[Ints, tuple[str, ...]]:
    """Number of the error of each term of each row, and the names of the errors."""
    numbers: dict[str, int] = {}

    def number(name: str) -> int:
        return numbers.setdefault(name, len(numbers)) if name else OWN

    source = np.empty(rows.term_u_mm2.shape, dtype=np.int64)
    for k, term in enumerate(rows.terms):
        if term == "edge height":
            of_names = np.array([number(f"edge height of {name}") for name in rows.names], dtype=np.int64)
            source[:, k] = of_names[rows.name]
        else:
            of_photos = np.array([number(error_source(term, photo)) for photo in rows.photos], dtype=np.int64)
            source[:, k] = of_photos[rows.photo]
    return source, tuple(numbers)


def error_source(term: str, photo: AreaPhoto) -> str:
    """Where the error of a term comes from: what has the same source has the same error. Empty for none shared."""
    this_photo = f"photo {photo.sha256} {term}"
    match term:
        case "print":
            return f"print {photo.reference}"
        case "lens":
            return f"lens {photo.lens_hash}" if photo.lens_hash else this_photo
        case "height":
            # A height that was given once is as wrong at every visit.
            return f"plug tops of {photo.site}" if photo.plug_top_source == "given" else this_photo
        case "outline":
            return ""
        case _:
            return this_photo


def rim_shares_of(rows: Sequence[OutlineRow]) -> list[float | None]:
    """Part of each outline's outer edge that lies at the rim of its plug or beyond; None without tissue or rim."""
    shares: list[float | None] = [None] * len(rows)
    sound = [i for i, row in enumerate(rows) if row.plug_radius_mm is not None and not row.outline.is_empty]
    if not sound:
        return shares
    outlines = np.array([rows[i].outline for i in sound])
    centres = np.array([rows[i].centre_mm for i in sound])
    limits = np.array([rows[i].plug_radius_mm for i in sound], dtype=float) - RIM_BAND_MM
    points, owner = shapely.get_coordinates(outlines, return_index=True)
    reaching = np.zeros(len(sound), dtype=bool)
    reaching[owner[np.hypot(*(points - centres[owner]).T) > limits[owner]]] = True
    pieces, owner = shapely.get_parts(outlines, return_index=True)
    edges = shapely.multilinestrings(shapely.get_exterior_ring(pieces), indices=owner)
    inside = shapely.buffer(shapely.points(centres[reaching]), limits[reaching], quad_segs=32)
    beyond = np.zeros(len(sound))
    beyond[reaching] = shapely.length(shapely.difference(edges[reaching], inside))
    for i, part, length in zip(sound, beyond.tolist(), shapely.length(edges).tolist(), strict=True):
        shares[i] = part / length if length > 0 else None
    return shares


def mixups_of(logbook: Logbook, record: NurseryRecord) -> tuple[MixUp, ...]:
    """Doubts about who stands where, from each visit of each tray to the next.

    Parameters
    ----------
    logbook : Logbook
        Comparisons are remembered in it, where it may be written; only new visits cost time.
    record : NurseryRecord
        Of the whole logbook: what a visit is compared with lies before it.

    Returns
    -------
    tuple of MixUp
        In order of time.

    Raises
    ------
    LogbookProblem
    """
    known = compared_visits_of(logbook)
    found: list[MixUp] = []
    new: list[_TrayVisit] = []
    for visit in _tray_visits(record):
        before = known.get((visit.site, visit.day))
        if before is not None and before.state == visit.state:
            found += [_mixup_of(visit, one) for one in before.exchanges]
        else:
            new.append(visit)
    for some in _batches(iter(new), _VISITS_AT_ONCE):
        wanted = {int(one) for visit in some for one in (*visit.before, *visit.now)}
        rows = list(live_outlines(logbook, wanted))
        found_shapes = shapes_of(
            [row.outline for row in rows], [row.area_u_mm2 for row in rows], [row.centre_mm for row in rows]
        )
        shapes = {row.fragment_id: shape for row, shape in zip(rows, found_shapes, strict=True)}
        kept = []
        for visit in some:
            seen = list(_seen(visit, shapes))
            mixups = find_mixups(seen, site=visit.site, taken_at=visit.taken_at)
            found += mixups
            plain = [{"moves": [list(move) for move in one.moves], "odds": one.odds} for one in mixups]
            kept.append(ComparedVisit(visit.site, visit.day, visit.state, plain))
        if not logbook.read_only:
            keep_compared_visits(logbook, kept)
    return tuple(sorted(found, key=lambda one: (one.taken_at, one.site, -one.odds)))


@dataclass(frozen=True, eq=False)
class _TrayVisit:
    """Fragments of a tray on one day, and what each looked like when it was seen there last."""

    site: str
    day: str
    taken_at: datetime
    names: tuple[str, ...]
    genotypes: tuple[str, ...]
    before: Ints  # rows of the logbook
    now: Ints

    @cached_property
    def state(self) -> str:
        """Hash of what is compared."""
        words = "\n".join((_COMPARED_AS, *self.names, "", *self.genotypes))
        numbers = np.concatenate([self.before, self.now]).astype("<i8").tobytes()
        return hashlib.blake2b(words.encode() + numbers, digest_size=16).hexdigest()


def _tray_visits(record: NurseryRecord) -> Iterator[_TrayVisit]:
    columns, rows = record.columns, record.rows
    on_tray = np.array([photo.kind is SiteKind.TRAY for photo in rows.photos], dtype=bool)
    sites = sorted({photo.site for photo in rows.photos})
    number = {site: code for code, site in enumerate(sites)}
    site_of = np.array([number[photo.site] for photo in rows.photos], dtype=np.int64)
    photo = rows.photo[record.row]
    counts = ~columns.missing & ~columns.marked_wrong & (columns.area_mm2 > 0)
    seen = np.flatnonzero(on_tray[photo] & counts)
    site, day = site_of[photo[seen]], np.floor(columns.day[seen]).astype(np.int64)
    fragment = columns.fragment[seen]
    # the first photo of a day tells what a fragment looked like; columns are in order of time
    order = np.lexsort([np.arange(len(seen)), day, fragment, site])
    first = np.r_[True, (np.diff(site[order]) != 0) | (np.diff(fragment[order]) != 0) | (np.diff(day[order]) != 0)]
    order = order[first[: len(order)]]
    again = np.flatnonzero((np.diff(site[order]) == 0) & (np.diff(fragment[order]) == 0)) + 1
    now, before = order[again], order[again - 1]
    by_visit = np.lexsort([fragment[now], day[now], site[now]])
    now, before = now[by_visit], before[by_visit]
    bounds = np.flatnonzero((np.diff(site[now]) != 0) | (np.diff(day[now]) != 0)) + 1
    ids = rows.fragment_id[record.row]
    for some in np.split(np.arange(len(now)), bounds) if len(now) else []:
        there, then = seen[now[some]], seen[before[some]]
        names = tuple(columns.heads[i].fragment for i in columns.fragment[there].tolist())
        earliest = rows.photos[photo[there].min()]
        assert earliest.taken_at is not None, "only dated photos are in the columns"
        yield _TrayVisit(
            site=earliest.site,
            day=f"{earliest.taken_at:%Y-%m-%d}",
            taken_at=earliest.taken_at,
            names=names,
            genotypes=tuple(record.genotypes.get(name, "") for name in names),
            before=ids[then],
            now=ids[there],
        )


def _seen(visit: _TrayVisit, shapes: Mapping[int, Shape | None]) -> Iterator[Seen]:
    ids = zip(visit.before.tolist(), visit.now.tolist(), strict=True)
    for name, genotype, (before, now) in zip(visit.names, visit.genotypes, ids, strict=True):
        first, second = shapes.get(before), shapes.get(now)
        if first is not None and second is not None:
            yield Seen(name, genotype, first, second)


def _mixup_of(visit: _TrayVisit, plain: Mapping[str, object]) -> MixUp:
    moves, odds = plain["moves"], plain["odds"]
    assert isinstance(moves, list)
    assert isinstance(odds, float | int)
    return MixUp(visit.site, visit.taken_at, tuple((first, second) for first, second in moves), float(odds))


def _batches(items: Iterable[Item], size: int) -> Iterator[list[Item]]:
    batch: list[Item] = []
    for item in items:
        batch.append(item)
        if len(batch) == size:
            yield batch
            batch = []
    if batch:
        yield batch


def _left_on(placements: Iterable[Placement]) -> date | None:
    ends = [placement.until for placement in placements]
    return max((end for end in ends if end is not None), default=None) if None not in ends else None
