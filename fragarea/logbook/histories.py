"""Which histories are to be compared anew, and the doubts that come of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import sqlalchemy as sa

from fragarea.doubts import Doubt
from fragarea.logbook.convert import MEASURED
from fragarea.logbook.opening import Logbook
from fragarea.logbook.reading import visits
from fragarea.logbook.records import FragmentVisit
from fragarea.logbook.tables import doubts, fragment_measurements, measurements
from fragarea.logbook.writing import FROM_HISTORY

_AFTER_PHOTO_DOUBTS = 1000
_NAMES_AT_ONCE = 500  # databases bound the number of values in a query


@dataclass(frozen=True)
class HistoryKey:
    """What makes measurements on several photos one history.

    Attributes
    ----------
    fragment : str
        Recorded name; empty where none is recorded, and the place stands for it.
    site : str
    position : (row, column) or None
    """

    fragment: str
    site: str = ""
    position: tuple[int, int] | None = None


@dataclass(frozen=True)
class Uncompared:
    """Measurements recorded since histories were last compared.

    Attributes
    ----------
    measurement_ids : tuple of int
    keys : tuple of HistoryKey
        Histories that they, or measurements that they superseded, belong to.
    """

    measurement_ids: tuple[int, ...]
    keys: tuple[HistoryKey, ...]


def uncompared(logbook: Logbook) -> Uncompared:
    """What changed since histories were last compared.

    Fragments without a recorded name and without a row and column belong to no history: places found on a pad are
    numbered anew on every photo.
    """
    new = sa.select(measurements.c.id).where(~measurements.c.history_compared)
    before = sa.select(measurements.c.supersedes).where(
        ~measurements.c.history_compared, measurements.c.supersedes.is_not(None)
    )
    columns = (
        fragment_measurements.c.fragment,
        measurements.c.site,
        fragment_measurements.c.row_number,
        fragment_measurements.c.column_number,
    )
    query = (
        sa.select(*columns)
        .distinct()
        .select_from(fragment_measurements.join(measurements))
        .where(measurements.c.id.in_(new) | measurements.c.id.in_(before), measurements.c.outcome == MEASURED)
        .order_by(*columns)
    )
    with logbook.reading() as connection:
        ids = tuple(connection.scalars(new.order_by(measurements.c.id)))
        found = [_key(*row) for row in connection.execute(query)]
    return Uncompared(ids, tuple(dict.fromkeys(key for key in found if key is not None)))


def _key(fragment: str | None, site: str, row: int | None, column: int | None) -> HistoryKey | None:
    if fragment:
        return HistoryKey(fragment)
    if site and row is not None and column is not None:
        return HistoryKey("", site, (row, column))
    return None


def histories_of(logbook: Logbook, keys: Iterable[HistoryKey]) -> dict[HistoryKey, list[FragmentVisit]]:
    """Visits of each history by current measurements, in order of time."""
    found: dict[HistoryKey, list[FragmentVisit]] = {key: [] for key in keys}
    names = [key.fragment for key in found if key.fragment]
    for start in range(0, len(names), _NAMES_AT_ONCE):
        for visit in visits(logbook, fragment_measurements.c.fragment.in_(names[start : start + _NAMES_AT_ONCE])):
            found[HistoryKey(visit.fragment or "")].append(visit)
    for site in dict.fromkeys(key.site for key in found if not key.fragment):
        for visit in visits(logbook, fragment_measurements.c.fragment.is_(None) & (measurements.c.site == site)):
            found.get(HistoryKey("", site, visit.position), []).append(visit)
    return found


def keep_comparison(logbook: Logbook, found: Mapping[int, Doubt | None], measurement_ids: Iterable[int]) -> None:
    """Replace the doubts that came of earlier comparisons, in one transaction.

    Parameters
    ----------
    logbook : Logbook
    found : mapping of fragment_id to Doubt or None
        Every visit that was compared.
    measurement_ids : iterable of int
        Those of :func:`uncompared`, which now count as compared.
    """
    ids, done = list(found), list(measurement_ids)
    with logbook.writing() as connection:
        old = (doubts.c.fragment_measurement_id == sa.bindparam("this")) & (doubts.c.source == FROM_HISTORY)
        if ids:
            connection.execute(sa.delete(doubts).where(old), [{"this": one} for one in ids])
        rows = _doubt_rows(connection, found)
        if rows:
            connection.execute(sa.insert(doubts), rows)
        if done:
            compared = sa.update(measurements).where(measurements.c.id == sa.bindparam("this"))
            connection.execute(compared.values(history_compared=True), [{"this": one} for one in done])


def _doubt_rows(connection: sa.Connection, found: Mapping[int, Doubt | None]) -> list[dict[str, object]]:
    rows = []
    for fragment_id, doubt in found.items():
        if doubt is None:
            continue
        owner = sa.select(fragment_measurements.c.measurement_id).where(fragment_measurements.c.id == fragment_id)
        rows.append(
            {
                "measurement_id": connection.scalars(owner).one(),
                "fragment_measurement_id": fragment_id,
                "number": _AFTER_PHOTO_DOUBTS,
                "key": doubt.key,
                "detail": doubt.detail,
                "source": FROM_HISTORY,
            }
        )
    return rows
