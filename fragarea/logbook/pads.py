"""Photos of pads: which there are, who stood where on them, and the tissue that was measured."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from shapely import MultiPolygon

from fragarea.logbook.convert import MEASURED, outline_of
from fragarea.logbook.edits import MARKED_WRONG
from fragarea.logbook.opening import Logbook
from fragarea.logbook.reading import readable
from fragarea.logbook.tables import doubts, fragment_measurements, measurements, outlines, pad_visits
from fragarea.logbook.writing import FROM_PHOTO
from fragarea.measurement import FragmentStatus
from fragarea.sites.records import SiteKind

_IDS_AT_ONCE = 500  # databases bound the number of values in a query


@dataclass(frozen=True)
class PadPlace:
    """One place of a pad on one photo.

    Attributes
    ----------
    fragment : str
        Recorded name; empty where none is recorded.
    label : str
    centre_mm : (float, float)
    plug_radius_mm : float or None
        Fitted rim.
    """

    fragment: str
    label: str
    centre_mm: tuple[float, float]
    plug_radius_mm: float | None


@dataclass(frozen=True)
class PadRow:
    """A measured photo of a pad that counts.

    Attributes
    ----------
    measurement_id : int
    photo, path, sha256, site : str
    taken_at : datetime
        By the camera's clock, without offset.
    mm_per_px, plug_mm : float
    described : bool
        Whether the places of the pad were known when it was measured; otherwise plugs are numbered as found, anew on
        every photo.
    marked_wrong : bool
        A person said of some fragment on it that the measurement does not count.
    places : tuple of PadPlace
    """

    measurement_id: int
    photo: str
    path: str
    sha256: str
    site: str
    taken_at: datetime
    mm_per_px: float
    plug_mm: float
    described: bool
    marked_wrong: bool
    places: tuple[PadPlace, ...]


@dataclass(frozen=True, eq=False)
class PadTissue:
    """The tissue of one place on one photo.

    Attributes
    ----------
    place : PadPlace
    status : FragmentStatus
    live_mm2, live_u_mm2, dead_mm2 : float
    terms_mm2 : dict of str to float
        Standard uncertainties by name of budget term.
    shared_terms : frozenset of str
        Names of those that all fragments of the photo share.
    outline : MultiPolygon
        Live tissue.
    doubts : tuple of str
        Keys of doubts that came of measuring.
    """

    place: PadPlace
    status: FragmentStatus
    live_mm2: float
    live_u_mm2: float
    dead_mm2: float
    terms_mm2: dict[str, float]
    shared_terms: frozenset[str]
    outline: MultiPolygon
    doubts: tuple[str, ...] = ()


def pad_rows(logbook: Logbook, *, site: str | None = None) -> tuple[PadRow, ...]:
    """The dated photos of pads that count, by site and in order of time.

    Parameters
    ----------
    logbook : Logbook
    site : str, optional
        Only this pad.

    Raises
    ------
    LogbookProblem
    """
    fragment = fragment_measurements.c
    chosen = [
        measurements.c.is_current,
        measurements.c.outcome == MEASURED,
        measurements.c.taken_at.is_not(None),
        measurements.c.site_settings["kind"].as_string() == SiteKind.PAD.value,
    ]
    if site is not None:
        chosen.append(measurements.c.site == site)
    names = ("id", "photo", "path", "sha256", "site", "taken_at", "mm_per_px", "site_settings")
    photos = (
        sa.select(*(measurements.c[name] for name in names))
        .where(*chosen)
        .order_by(measurements.c.site, measurements.c.taken_at, measurements.c.path, measurements.c.id)
    )
    columns = ("measurement_id", "fragment", "label", "centre_x_mm", "centre_y_mm", "plug_radius_mm")
    ids = sa.select(measurements.c.id).where(*chosen)
    places = (
        sa.select(*(fragment[name] for name in columns))
        .where(fragment.measurement_id.in_(ids))
        .order_by(fragment.measurement_id, fragment.number)
    )
    marked = sa.select(doubts.c.measurement_id).distinct().where(doubts.c.key == MARKED_WRONG)
    with logbook.reading() as connection, readable(logbook):
        wrong = set(connection.scalars(marked))
        by_photo: dict[int, list[PadPlace]] = defaultdict(list)
        for number, name, label, x_mm, y_mm, radius_mm in connection.execute(places):
            by_photo[number].append(PadPlace(name or "", label, (x_mm, y_mm), radius_mm))
        return tuple(
            PadRow(
                measurement_id=row.id,
                photo=row.photo,
                path=row.path,
                sha256=row.sha256,
                site=row.site,
                taken_at=datetime.fromisoformat(row.taken_at),
                mm_per_px=float("nan") if row.mm_per_px is None else row.mm_per_px,
                plug_mm=row.site_settings["plug_mm"],
                described=bool(row.site_settings.get("places_mm")),
                marked_wrong=row.id in wrong,
                places=tuple(by_photo[row.id]),
            )
            for row in connection.execute(photos)
        )


def pad_tissue(logbook: Logbook, measurement_ids: Sequence[int]) -> dict[int, tuple[PadTissue, ...]]:
    """The tissue on some photos of pads, by row of the measurement."""
    found: dict[int, list[PadTissue]] = {one: [] for one in measurement_ids}
    fragment = fragment_measurements.c
    columns = ("id", "measurement_id", "fragment", "label", "centre_x_mm", "centre_y_mm", "plug_radius_mm", "status")
    numbers = ("area_mm2", "area_u_mm2", "dead_mm2", "budget")
    query = sa.select(*(fragment[name] for name in columns + numbers), outlines.c.live_mm_wkb).select_from(
        fragment_measurements.join(outlines)
    )
    ids = list(found)
    with logbook.reading() as connection, readable(logbook):
        for start in range(0, len(ids), _IDS_AT_ONCE):
            some = ids[start : start + _IDS_AT_ONCE]
            seen: dict[int, list[str]] = defaultdict(list)
            doubted = sa.select(doubts.c.fragment_measurement_id, doubts.c.key).where(
                doubts.c.measurement_id.in_(some),
                doubts.c.fragment_measurement_id.is_not(None),
                doubts.c.source == FROM_PHOTO,
            )
            for number, key in connection.execute(doubted.order_by(doubts.c.number, doubts.c.id)):
                seen[number].append(key)
            rows = connection.execute(
                query.where(fragment.measurement_id.in_(some)).order_by(fragment.measurement_id, fragment.number)
            )
            for row in rows:
                found[row.measurement_id].append(_tissue(row, tuple(seen[row.id])))
    return {one: tuple(rows) for one, rows in found.items()}


@dataclass(frozen=True)
class KeptVisit:
    """What was derived from a photo of a pad.

    Attributes
    ----------
    measurement_id : int
    state : str
        Hash of what it was derived with.
    packed : bytes
    """

    measurement_id: int
    state: str
    packed: bytes


def kept_pad_visits(logbook: Logbook, *, site: str | None = None) -> dict[int, KeptVisit]:
    """What is remembered of pads, or of one, by row of the current measurement."""
    query = (
        sa.select(pad_visits.c.measurement_id, pad_visits.c.state, pad_visits.c.packed)
        .select_from(pad_visits.join(measurements))
        .where(measurements.c.is_current)
    )
    if site is not None:
        query = query.where(measurements.c.site == site)
    with logbook.reading() as connection:
        return {row[0]: KeptVisit(*row) for row in connection.execute(query)}


def keep_pad_visits(logbook: Logbook, visits: Sequence[KeptVisit]) -> None:
    """Remember what was derived from some photos, in place of what was remembered of them."""
    if not visits:
        return
    rows = [{"measurement_id": one.measurement_id, "state": one.state, "packed": one.packed} for one in visits]
    with logbook.writing() as connection:
        old = pad_visits.c.measurement_id == sa.bindparam("this")
        connection.execute(sa.delete(pad_visits).where(old), [{"this": one.measurement_id} for one in visits])
        connection.execute(sa.insert(pad_visits), rows)


def _tissue(row: Any, keys: tuple[str, ...]) -> PadTissue:
    place = PadPlace(row.fragment or "", row.label, (row.centre_x_mm, row.centre_y_mm), row.plug_radius_mm)
    return PadTissue(
        place=place,
        status=FragmentStatus(row.status),
        live_mm2=row.area_mm2 or 0.0,
        live_u_mm2=row.area_u_mm2 or 0.0,
        dead_mm2=row.dead_mm2 or 0.0,
        terms_mm2={term["name"]: term["u_mm2"] or 0.0 for term in row.budget},
        shared_terms=frozenset(term["name"] for term in row.budget if term["shared"]),
        outline=outline_of(row.live_mm_wkb),
        doubts=keys,
    )
