"""The numbers of every fragment as columns, and what was derived from their outlines.

A million rows become arrays here; records of :mod:`fragarea.logbook.reading` would take a minute and gigabytes. So
the numbers of each photo are kept packed too, once they were read: what is recorded never changes, and what people
correct is recorded anew. Doubts come and go, and are never packed.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from importlib import import_module
from typing import Any

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa
from shapely import MultiPolygon

from fragarea.logbook.convert import MEASURED, outline_of
from fragarea.logbook.opening import Logbook
from fragarea.logbook.reading import readable
from fragarea.logbook.tables import (
    compared_visits,
    doubts,
    fragment_measurements,
    measurements,
    outlines,
    packed_areas,
)
from fragarea.measurement import FragmentStatus
from fragarea.sites.records import SiteKind

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

STATUSES = tuple(FragmentStatus)

_CURRENT = (measurements.c.is_current, measurements.c.outcome == MEASURED)
_FORM = 1  # of a packed photo; to be raised when what is packed, or the order of the states, changes
_FIXED = 6  # numbers of a packed fragment before its budget terms
_IDS_AT_ONCE = 500  # databases bound the number of values in a query
_PHOTOS_AT_ONCE = 50


@dataclass(frozen=True)
class AreaPhoto:
    """What areas need to know of their photo.

    Attributes
    ----------
    photo, path, sha256, site : str
    kind : SiteKind
    taken_at : datetime or None
        By the camera's clock, without offset.
    reference, lens_hash, plug_top_source : str
        Where errors come from.
    """

    photo: str
    path: str
    sha256: str
    site: str
    kind: SiteKind
    taken_at: datetime | None
    reference: str
    lens_hash: str
    plug_top_source: str


@dataclass(frozen=True, eq=False)
class AreaRows:
    """All current measurements of fragments that have a recorded name, a row each.

    Attributes
    ----------
    photos : tuple of AreaPhoto
        In order of capture date and path; those without a date last.
    names : tuple of str
        Fragments, in order of name.
    fragment_id : ndarray of int64, shape (n,)
        Row in the logbook.
    photo, name, status : ndarray of int64, shape (n,)
        Place in `photos`, `names`, `STATUSES`.
    area_mm2, bleached_mm2, dead_mm2 : ndarray of float64, shape (n,)
    terms : tuple of str
        Names of budget terms.
    term_u_mm2 : ndarray of float64, shape (n, terms)
        Zero where a row has no such term.
    rim_share : ndarray of float64, shape (n,)
        Part of the outline at the rim of the plug; nan where it is not known.
    doubts : dict of int to frozenset of str
        Keys of the doubts about a row; rows without any are not named.
    """

    photos: tuple[AreaPhoto, ...]
    names: tuple[str, ...]
    fragment_id: Ints
    photo: Ints
    name: Ints
    status: Ints
    area_mm2: Floats
    bleached_mm2: Floats
    dead_mm2: Floats
    terms: tuple[str, ...]
    term_u_mm2: Floats
    rim_share: Floats
    doubts: dict[int, frozenset[str]]


@dataclass(frozen=True)
class OutlineRow:
    """A live outline with the plug it lies on.

    Attributes
    ----------
    fragment_id : int
    outline : MultiPolygon
        Reference axes, mm.
    centre_mm : (float, float)
    plug_radius_mm : float or None
    area_u_mm2 : float
    """

    fragment_id: int
    outline: MultiPolygon
    centre_mm: tuple[float, float]
    plug_radius_mm: float | None
    area_u_mm2: float


@dataclass(frozen=True)
class ComparedVisit:
    """What came of comparing one visit of a tray with what its fragments looked like before.

    Attributes
    ----------
    site, day : str
    state : str
        Hash of what was compared.
    exchanges : list
        Plain JSON values.
    """

    site: str
    day: str
    state: str
    exchanges: list[Any]


@dataclass(frozen=True, eq=False)
class PhotoAreas:
    """The numbers of one photo's named fragments, as :class:`AreaRows` holds them for all.

    Attributes
    ----------
    measurement_id : int
    names, terms : tuple of str
    numbers : ndarray of float64, shape (fragments, 6 + terms)
        Row in the logbook, status, live, bleached and dead area, share at the rim, and budget terms.
    """

    measurement_id: int
    names: tuple[str, ...]
    terms: tuple[str, ...]
    numbers: Floats

    @property
    def fragment_ids(self) -> Ints:
        """Rows in the logbook."""
        return self.numbers[:, 0].astype(np.int64)

    def with_rims(self, shares: Mapping[int, float]) -> PhotoAreas:
        """The same with shares at the rim, by row in the logbook."""
        numbers = self.numbers.copy()
        numbers[:, 5] = [shares.get(one, np.nan) for one in self.fragment_ids.tolist()]
        return replace(self, numbers=numbers)


def area_rows(logbook: Logbook, *, also: Iterable[PhotoAreas] = ()) -> AreaRows:
    """The areas of all fragments that have a recorded name, on photos whose areas are remembered.

    Parameters
    ----------
    logbook : Logbook
    also : iterable of PhotoAreas
        Of photos whose areas could not be remembered.

    Raises
    ------
    LogbookProblem
    """
    with logbook.reading() as connection, readable(logbook):
        photo_number, photos = _photos(connection)
        seen = _doubts(connection)
        known = [_unpacked(number, packed) for number, packed in _remembered(connection)]
    # another program may have kept meanwhile what this one could not
    once = {one.measurement_id: one for one in (*also, *known)}
    known = [one for number, one in once.items() if number in photo_number]
    names = [name for one in known for name in one.names]
    ordered = sorted(set(names))
    place = {name: number for number, name in enumerate(ordered)}
    terms = tuple(dict.fromkeys(term for some in dict.fromkeys(one.terms for one in known) for term in some))
    numbers = np.concatenate([_by_terms(one, terms) for one in known]) if known else np.empty((0, _FIXED))
    fragment_id = numbers[:, 0].astype(np.int64)
    rows = np.flatnonzero(np.isin(fragment_id, np.fromiter(seen, dtype=np.int64, count=len(seen))))
    return AreaRows(
        photos=photos,
        names=tuple(ordered),
        fragment_id=fragment_id,
        photo=np.repeat(
            [photo_number[one.measurement_id] for one in known], [len(one.names) for one in known]
        ).astype(np.int64),
        name=np.array([place[name] for name in names], dtype=np.int64),
        status=numbers[:, 1].astype(np.int64),
        area_mm2=numbers[:, 2],
        bleached_mm2=numbers[:, 3],
        dead_mm2=numbers[:, 4],
        rim_share=numbers[:, 5],
        terms=terms,
        term_u_mm2=numbers[:, _FIXED:],
        doubts={row: seen[fragment_id[row]] for row in rows.tolist()},
    )


def new_areas(logbook: Logbook) -> Iterator[list[PhotoAreas]]:
    """Areas of current photos that are not remembered yet, some photos at a time; no share at the rim is known."""
    remembered = sa.select(packed_areas.c.measurement_id).where(packed_areas.c.form == _FORM)
    query = sa.select(measurements.c.id).where(*_CURRENT, measurements.c.id.not_in(remembered))
    with logbook.reading() as connection:
        wanted = connection.scalars(query.order_by(measurements.c.id)).all()
    for start in range(0, len(wanted), _PHOTOS_AT_ONCE):
        some = wanted[start : start + _PHOTOS_AT_ONCE]
        with logbook.reading() as connection, readable(logbook):
            yield _read(connection, some)


def keep_areas(logbook: Logbook, photos: Sequence[PhotoAreas]) -> None:
    """Remember the areas of some photos; two programs that do so at once write the same."""
    rows = [{"measurement_id": one.measurement_id, "form": _FORM, "packed": _packed(one)} for one in photos]
    with logbook.writing() as connection:
        _put(connection, packed_areas, rows)


def _put(connection: sa.Connection, table: sa.Table, rows: Sequence[Mapping[str, Any]]) -> None:
    """Insert rows, in place of those with the same key."""
    if not rows:
        return
    # each database has its own words for it; only those of the one at hand are loaded
    insert = import_module(f"sqlalchemy.dialects.{connection.dialect.name}").insert(table)
    others = {column.name: insert.excluded[column.name] for column in table.c if not column.primary_key}
    connection.execute(insert.on_conflict_do_update(index_elements=list(table.primary_key), set_=others), rows)


def _read(connection: sa.Connection, measurement_ids: Sequence[int]) -> list[PhotoAreas]:
    fragment = fragment_measurements.c
    names = ("id", "measurement_id", "fragment", "status", "area_mm2", "bleached_mm2", "dead_mm2")
    query = (
        # the budget as text: read for a photo in one call, which is several times quicker than one a row
        sa.select(*(fragment[name] for name in names), sa.cast(fragment.budget, sa.Text).label("budget"))
        .where(
            fragment.measurement_id.in_(measurement_ids),
            fragment.fragment.is_not(None),
            fragment.area_mm2.is_not(None),
        )
        .order_by(fragment.measurement_id, fragment.number)
    )
    by_photo: dict[int, list[Any]] = {one: [] for one in measurement_ids}
    for row in connection.execute(query):
        by_photo[row.measurement_id].append(row)
    return [_photo_areas(one, rows) for one, rows in by_photo.items()]


def _photo_areas(measurement_id: int, rows: Sequence[Any]) -> PhotoAreas:
    budgets = json.loads(f"[{','.join(row.budget for row in rows)}]")
    terms = {name: k for k, name in enumerate(dict.fromkeys(term["name"] for one in budgets for term in one))}
    numbers = np.zeros((len(rows), _FIXED + len(terms)))
    for line, row, budget in zip(numbers, rows, budgets, strict=True):
        status = STATUSES.index(FragmentStatus(row.status))
        line[:_FIXED] = (row.id, status, row.area_mm2, row.bleached_mm2, row.dead_mm2, np.nan)
        for term in budget:
            line[_FIXED + terms[term["name"]]] = term["u_mm2"]
    return PhotoAreas(measurement_id, tuple(row.fragment for row in rows), tuple(terms), numbers)


def _packed(areas: PhotoAreas) -> bytes:
    """A line of JSON with the words, and the numbers as little-endian doubles."""
    head = json.dumps([areas.names, areas.terms]).encode()
    return head + b"\n" + areas.numbers.astype("<f8").tobytes()


def _unpacked(measurement_id: int, packed: bytes) -> PhotoAreas:
    head, _, numbers = packed.partition(b"\n")
    names, terms = json.loads(head)
    made = np.frombuffer(numbers, dtype="<f8").reshape(len(names), _FIXED + len(terms))
    return PhotoAreas(measurement_id, tuple(names), tuple(terms), made)


def _by_terms(areas: PhotoAreas, terms: tuple[str, ...]) -> Floats:
    """The numbers of a photo with a column for each of these terms."""
    if areas.terms == terms:
        return areas.numbers
    made = np.zeros((len(areas.names), _FIXED + len(terms)))
    made[:, :_FIXED] = areas.numbers[:, :_FIXED]
    made[:, [_FIXED + terms.index(term) for term in areas.terms]] = areas.numbers[:, _FIXED:]
    return made


def _remembered(connection: sa.Connection) -> Iterable[sa.Row[int, bytes]]:
    query = sa.select(packed_areas.c.measurement_id, packed_areas.c.packed)
    joined = query.select_from(packed_areas.join(measurements))
    return connection.execute(joined.where(*_CURRENT, packed_areas.c.form == _FORM))


def _photos(connection: sa.Connection) -> tuple[dict[int, int], tuple[AreaPhoto, ...]]:
    """Place of each current measurement's photo, by row of measurements; and the photos."""
    names = ("id", "photo", "path", "sha256", "site", "taken_at", "reference", "settings", "site_settings")
    query = (
        sa.select(*(measurements.c[name] for name in names), measurements.c.plug_top_source)
        .where(*_CURRENT)
        .order_by(measurements.c.taken_at.is_(None), measurements.c.taken_at, measurements.c.path, measurements.c.id)
    )
    numbers: dict[int, int] = {}
    photos: list[AreaPhoto] = []
    for row in connection.execute(query):
        numbers[row.id] = len(photos)
        photos.append(
            AreaPhoto(
                row.photo,
                row.path,
                row.sha256,
                row.site,
                SiteKind(row.site_settings["kind"]),
                None if row.taken_at is None else datetime.fromisoformat(row.taken_at),
                row.reference,
                row.settings.get("lens_hash", ""),
                row.plug_top_source,
            )
        )
    return numbers, tuple(photos)


def _doubts(connection: sa.Connection) -> dict[int, frozenset[str]]:
    query = (
        sa.select(doubts.c.fragment_measurement_id, doubts.c.key)
        .select_from(doubts.join(measurements, doubts.c.measurement_id == measurements.c.id))
        .where(measurements.c.is_current, doubts.c.fragment_measurement_id.is_not(None))
    )
    keys: dict[int, set[str]] = defaultdict(set)
    for owner, key in connection.execute(query):
        keys[owner].add(key)
    shared: dict[frozenset[str], frozenset[str]] = {}  # few combinations, on many rows
    return {owner: shared.setdefault(one := frozenset(found), one) for owner, found in keys.items()}


def live_outlines(logbook: Logbook, fragment_ids: Iterable[int]) -> Iterator[OutlineRow]:
    """Live outlines of some fragment measurements, in order of their numbers."""
    wanted = sorted(int(one) for one in fragment_ids)
    fragment = fragment_measurements.c
    query = sa.select(
        fragment.id,
        outlines.c.live_mm_wkb,
        fragment.centre_x_mm,
        fragment.centre_y_mm,
        fragment.plug_radius_mm,
        fragment.area_u_mm2,
    ).select_from(fragment_measurements.join(outlines))
    for start in range(0, len(wanted), _IDS_AT_ONCE):
        with logbook.reading() as connection, readable(logbook):
            some = query.where(fragment.id.in_(wanted[start : start + _IDS_AT_ONCE])).order_by(fragment.id)
            rows = connection.execute(some).all()
        for number, outline, x, y, radius, u in rows:
            yield OutlineRow(number, outline_of(outline), (x, y), radius, 0.0 if u is None else u)


def compared_visits_of(logbook: Logbook) -> dict[tuple[str, str], ComparedVisit]:
    """Every comparison remembered, by site and day."""
    with logbook.reading() as connection:
        found = [ComparedVisit(*row) for row in connection.execute(sa.select(compared_visits))]
    return {(one.site, one.day): one for one in found}


def keep_compared_visits(logbook: Logbook, visits: Sequence[ComparedVisit]) -> None:
    """Remember comparisons, in place of older ones of the same visits."""
    rows = [{"site": v.site, "day": v.day, "state": v.state, "exchanges": v.exchanges} for v in visits]
    with logbook.writing() as connection:
        _put(connection, compared_visits, rows)
