"""The numbers of every fragment as columns, and what was derived from their outlines.

A million rows become arrays here, chunk by chunk; records of :mod:`fragarea.logbook.reading` would take a minute and
several gigabytes.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa
from shapely import MultiPolygon

from fragarea.logbook.convert import MEASURED, outline_of
from fragarea.logbook.opening import Logbook
from fragarea.logbook.reading import readable
from fragarea.logbook.tables import compared_visits, doubts, fragment_measurements, measurements, outlines, rim_shares
from fragarea.measurement import FragmentStatus
from fragarea.sites.records import SiteKind

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

STATUSES = tuple(FragmentStatus)

_ROWS_AT_ONCE = 50_000
_IDS_AT_ONCE = 500  # databases bound the number of values in a query


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
        As remembered; nan where it is not known.
    rim_remembered : ndarray of bool, shape (n,)
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
    rim_remembered: npt.NDArray[np.bool_]
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


def area_rows(logbook: Logbook) -> AreaRows:
    """Read the areas of all fragments that have a recorded name.

    Raises
    ------
    LogbookProblem
    """
    with logbook.reading() as connection, readable(logbook):
        numbers, photos = _photos(connection)
        seen = _doubts(connection)
        names: dict[str, int] = {}
        terms: dict[str, int] = {}
        chunks = [_chunk(rows, numbers, names, terms) for rows in _partitions(connection)]
    n = sum(len(chunk["fragment_id"]) for chunk in chunks)
    term_u = np.zeros((n, len(terms)))
    begun = 0
    for chunk in chunks:
        budget = chunk.pop("term_u_mm2")
        term_u[begun : begun + len(budget), : budget.shape[1]] = budget
        begun += len(budget)
    columns = {key: np.concatenate([chunk[key] for chunk in chunks]) for key in chunks[0]} if chunks else _nothing()
    ordered = sorted(names)
    place = np.empty(len(names), dtype=np.int64)
    place[[names[name] for name in ordered]] = np.arange(len(names))
    columns["name"] = place[columns["name"]]
    rows = np.flatnonzero(np.isin(columns["fragment_id"], np.fromiter(seen, dtype=np.int64, count=len(seen))))
    return AreaRows(
        photos=photos,
        names=tuple(ordered),
        terms=tuple(terms),
        term_u_mm2=term_u,
        doubts={row: seen[columns["fragment_id"][row]] for row in rows.tolist()},
        **columns,
    )


def _photos(connection: sa.Connection) -> tuple[dict[int, int], tuple[AreaPhoto, ...]]:
    """Place of each current measurement's photo, by row of measurements; and the photos."""
    names = ("id", "photo", "path", "sha256", "site", "taken_at", "reference", "settings", "site_settings")
    query = (
        sa.select(*(measurements.c[name] for name in names), measurements.c.plug_top_source)
        .where(measurements.c.is_current, measurements.c.outcome == MEASURED)
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


def _partitions(connection: sa.Connection) -> Iterator[Sequence[sa.Row[Any]]]:
    fragment = fragment_measurements.c
    query = (
        sa.select(
            fragment.id,
            fragment.measurement_id,
            fragment.fragment,
            fragment.status,
            fragment.area_mm2,
            fragment.bleached_mm2,
            fragment.dead_mm2,
            # as text: one call for a chunk reads it several times quicker than one a row
            sa.cast(fragment.budget, sa.Text),
            rim_shares.c.fragment_measurement_id,
            rim_shares.c.rim_share,
        )
        .select_from(fragment_measurements.join(measurements).outerjoin(rim_shares))
        .where(
            measurements.c.is_current,
            measurements.c.outcome == MEASURED,
            fragment.fragment.is_not(None),
            fragment.area_mm2.is_not(None),
        )
        .order_by(fragment.measurement_id, fragment.number)
    )
    return connection.execution_options(yield_per=_ROWS_AT_ONCE).execute(query).partitions()


def _chunk(
    rows: Sequence[sa.Row[Any]], numbers: Mapping[int, int], names: dict[str, int], terms: dict[str, int]
) -> dict[str, Any]:
    ids, measured, fragment, status, area, bleached, dead, budgets, remembered, share = zip(*rows, strict=True)
    statuses = {one.value: code for code, one in enumerate(STATUSES)}
    return {
        "fragment_id": np.array(ids, dtype=np.int64),
        "photo": np.array([numbers[one] for one in measured], dtype=np.int64),
        "name": np.array([names.setdefault(one, len(names)) for one in fragment], dtype=np.int64),
        "status": np.array([statuses[one] for one in status], dtype=np.int64),
        "area_mm2": np.array(area, dtype=float),
        "bleached_mm2": np.array(bleached, dtype=float),
        "dead_mm2": np.array(dead, dtype=float),
        "term_u_mm2": _budgets(budgets, terms),
        "rim_share": np.array(share, dtype=float),
        "rim_remembered": np.array([one is not None for one in remembered], dtype=bool),
    }


def _budgets(texts: Sequence[str], terms: dict[str, int]) -> Floats:
    budgets = json.loads(f"[{','.join(texts)}]")
    row = np.repeat(np.arange(len(budgets)), [len(budget) for budget in budgets])
    column = [terms.setdefault(term["name"], len(terms)) for budget in budgets for term in budget]
    u = np.zeros((len(budgets), len(terms)))
    u[row, np.array(column, dtype=np.int64)] = [term["u_mm2"] for budget in budgets for term in budget]
    return u


def _nothing() -> dict[str, Any]:
    whole = ("fragment_id", "photo", "name", "status")
    real = ("area_mm2", "bleached_mm2", "dead_mm2", "rim_share")
    empty: dict[str, Any] = {name: np.empty(0, dtype=np.int64) for name in whole}
    return empty | {name: np.empty(0) for name in real} | {"rim_remembered": np.empty(0, dtype=bool)}


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


def keep_rim_shares(logbook: Logbook, shares: Mapping[int, float | None]) -> None:
    """Remember which part of each outline lies at its plug's rim."""
    rows = [{"fragment_measurement_id": int(one), "rim_share": share} for one, share in shares.items()]
    if rows:
        with logbook.writing() as connection:
            old = rim_shares.c.fragment_measurement_id == sa.bindparam("this")
            connection.execute(sa.delete(rim_shares).where(old), [{"this": int(one)} for one in shares])
            connection.execute(sa.insert(rim_shares), rows)


def compared_visits_of(logbook: Logbook) -> dict[tuple[str, str], ComparedVisit]:
    """Every comparison remembered, by site and day."""
    with logbook.reading() as connection:
        found = [ComparedVisit(*row) for row in connection.execute(sa.select(compared_visits))]
    return {(one.site, one.day): one for one in found}


def keep_compared_visits(logbook: Logbook, visits: Sequence[ComparedVisit]) -> None:
    """Remember comparisons, in place of older ones of the same visits."""
    if not visits:
        return
    with logbook.writing() as connection:
        old = (compared_visits.c.site == sa.bindparam("a_site")) & (compared_visits.c.day == sa.bindparam("a_day"))
        connection.execute(
            sa.delete(compared_visits).where(old), [{"a_site": one.site, "a_day": one.day} for one in visits]
        )
        connection.execute(
            sa.insert(compared_visits),
            [{"site": v.site, "day": v.day, "state": v.state, "exchanges": v.exchanges} for v in visits],
        )
