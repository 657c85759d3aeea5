"""Out of the logbook: records in order of time, the same whatever the order of recording."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime, timedelta
from typing import Any

import sqlalchemy as sa

from fragarea.doubts import Doubt
from fragarea.errors import LogbookProblem
from fragarea.logbook.convert import (
    MEASURED,
    REFUSED,
    Row,
    fragment_of,
    measurement_of,
    refusal_of,
    taken_at_of,
    visit_of,
)
from fragarea.logbook.opening import Logbook
from fragarea.logbook.records import FragmentVisit, KnownPhoto, StoredMeasurement, StoredRefusal
from fragarea.logbook.tables import doubts, fragment_measurements, measurements, outlines, photo_names, photos

Condition = sa.ColumnElement[bool]
DoubtsByRow = dict[int | None, tuple[Doubt, ...]]


def current_measurements(
    logbook: Logbook,
    *,
    site: str | None = None,
    since: date | None = None,
    until: date | None = None,
    with_outlines: bool = True,
) -> list[StoredMeasurement]:
    """The measurements that count: for every photo the latest, in order of capture date and path.

    Parameters
    ----------
    logbook : Logbook
    site : str, optional
        Only this site.
    since, until : date, optional
        First and last day, both included, by the camera's clock; photos without a date are left out then.
    with_outlines : bool
        False leaves outlines empty, which is several times quicker where only numbers are wanted.

    Raises
    ------
    LogbookProblem
    """
    conditions: list[Condition] = [measurements.c.is_current, measurements.c.outcome == MEASURED]
    conditions += _in_days(since, until)
    if site is not None:
        conditions.append(measurements.c.site == site)
    return _measurements(logbook, conditions, with_outlines=with_outlines)


def measurements_of(logbook: Logbook, sha256: str) -> list[StoredMeasurement]:
    """Every measurement ever made of a photo, the current one last."""
    found = _measurements(logbook, [measurements.c.sha256 == sha256, measurements.c.outcome == MEASURED])
    return sorted(found, key=lambda one: one.measurement_id)


def current_refusals(
    logbook: Logbook, *, site: str | None = None, since: date | None = None, until: date | None = None
) -> list[StoredRefusal]:
    """Photos of which the last word is a refusal, in order of path.

    Parameters
    ----------
    logbook : Logbook
    site : str, optional
        Only photos in this site's folder.
    since, until : date, optional
        First and last day, both included; photos of which the date could not be read are kept.
    """
    conditions: list[Condition] = [measurements.c.is_current, measurements.c.outcome == REFUSED]
    if site is not None:
        conditions.append(measurements.c.site == site)
    undated = measurements.c.taken_at.is_(None)
    conditions += [undated | condition for condition in _in_days(since, until)]
    query = sa.select(measurements).where(*conditions).order_by(measurements.c.path, measurements.c.id)
    with logbook.reading() as connection, readable(logbook):
        names = _names_by_content(connection)
        return [
            StoredRefusal(
                measurement_id=row["id"],
                path=row["path"],
                paths=frozenset({row["path"]} | names.get(row["sha256"], set())),
                sha256=row["sha256"] or "",
                refusal=refusal_of(row),
                settings_hash=row["settings_hash"],
                software_version=row["software_version"],
                recorded_at=datetime.fromisoformat(row["recorded_at_utc"]),
                is_current=row["is_current"],
            )
            for row in connection.execute(query).mappings()
        ]


def _in_days(since: date | None, until: date | None) -> list[Condition]:
    conditions: list[Condition] = []
    if since is not None:
        conditions.append(measurements.c.taken_at >= since.isoformat())
    if until is not None:
        conditions.append(measurements.c.taken_at < (until + timedelta(days=1)).isoformat())
    return conditions


def _names_by_content(connection: sa.Connection) -> dict[str, set[str]]:
    names: dict[str, set[str]] = defaultdict(set)
    for path, sha256 in connection.execute(sa.select(photo_names.c.path, photo_names.c.sha256)):
        names[sha256].add(path)
    return names


def history_of(logbook: Logbook, fragment: str) -> list[FragmentVisit]:
    """A fragment's visits over all sites it stood at, by current measurements, in order of time.

    Visits whose photo has no date come last.
    """
    return visits(logbook, fragment_measurements.c.fragment == fragment)


def visits(logbook: Logbook, condition: Condition) -> list[FragmentVisit]:
    """Current fragment measurements that meet a condition, in order of time; those without a date last."""
    chosen = (condition, measurements.c.is_current, measurements.c.outcome == MEASURED)
    joined = fragment_measurements.join(measurements)
    query = (
        sa.select(
            *(column for column in fragment_measurements.c if column.name != "budget"),
            fragment_measurements.c.id.label("fragment_id"),
            *(measurements.c[name] for name in ("site", "taken_at", "utc_offset_min", "photo", "sha256")),
        )
        .select_from(joined)
        .where(*chosen)
        .order_by(
            measurements.c.taken_at.is_(None),
            measurements.c.taken_at,
            measurements.c.path,
            fragment_measurements.c.number,
        )
    )
    ids = sa.select(fragment_measurements.c.id).select_from(joined).where(*chosen)
    with logbook.reading() as connection, readable(logbook):
        seen = _doubts(connection, doubts.c.fragment_measurement_id.in_(ids), doubts.c.fragment_measurement_id)
        return [visit_of(row, seen.get(row["fragment_id"], ())) for row in connection.execute(query).mappings()]


def known_photos(logbook: Logbook) -> dict[str, KnownPhoto]:
    """Every photo with a current row, by content hash."""
    columns = ("sha256", "path", "site", "settings_hash", "software_version")
    dated = ("taken_at", "utc_offset_min", "taken_at_source")
    refused = ("outcome", "photo", "refused_kind", "refused_cause", "refused_remedy", "try_again")
    query = sa.select(*(measurements.c[name] for name in columns + dated + refused)).where(
        measurements.c.is_current, measurements.c.sha256.is_not(None)
    )
    with logbook.reading() as connection, readable(logbook):
        names = _names_by_content(connection)
        return {
            row["sha256"]: KnownPhoto(
                sha256=row["sha256"],
                path=row["path"],
                paths=frozenset(names[row["sha256"]]),
                site=row["site"],
                taken_at=taken_at_of(row),
                taken_at_source=row["taken_at_source"] or "",
                settings_hash=row["settings_hash"],
                software_version=row["software_version"],
                refusal=refusal_of(row) if row["outcome"] == REFUSED else None,
            )
            for row in connection.execute(query).mappings()
        }


def _measurements(
    logbook: Logbook, conditions: list[Condition], *, with_outlines: bool = True
) -> list[StoredMeasurement]:
    camera = [column for column in photos.c if column.name not in measurements.c]
    query = (
        sa.select(measurements, *camera)
        .select_from(measurements.join(photos))
        .where(*conditions)
        .order_by(measurements.c.taken_at.is_(None), measurements.c.taken_at, measurements.c.path, measurements.c.id)
    )
    ids = sa.select(measurements.c.id).where(*conditions)
    with logbook.reading() as connection, readable(logbook):
        whole = doubts.c.measurement_id.in_(ids)
        of_photos = _doubts(connection, whole & doubts.c.fragment_measurement_id.is_(None), doubts.c.measurement_id)
        of_fragments = _doubts(
            connection, whole & doubts.c.fragment_measurement_id.is_not(None), doubts.c.fragment_measurement_id
        )
        fragments = _fragment_rows(connection, ids, with_outlines)
        return [
            _stored(row, fragments.get(row["id"], []), of_photos.get(row["id"], ()), of_fragments)
            for row in connection.execute(query).mappings()
        ]


def _stored(
    row: Row, fragment_rows: list[Row], photo_doubts: tuple[Doubt, ...], of_fragments: DoubtsByRow
) -> StoredMeasurement:
    fragments = tuple(fragment_of(part, of_fragments.get(part["id"], ())) for part in fragment_rows)
    return StoredMeasurement(
        measurement_id=row["id"],
        path=row["path"],
        measurement=measurement_of(row, fragments, photo_doubts),
        fragment_names=tuple(part["fragment"] for part in fragment_rows),
        fragment_ids=tuple(part["id"] for part in fragment_rows),
        software_version=row["software_version"],
        recorded_at=datetime.fromisoformat(row["recorded_at_utc"]),
        is_current=row["is_current"],
        supersedes=row["supersedes"],
    )


def _fragment_rows(connection: sa.Connection, ids: Any, with_outlines: bool) -> dict[int, list[Row]]:
    columns: list[Any] = list(fragment_measurements.c)
    source: sa.FromClause = fragment_measurements
    if with_outlines:
        columns += [outlines.c.live_mm_wkb, outlines.c.bleached_mm_wkb, outlines.c.dead_mm_wkb]
        source = fragment_measurements.join(outlines)
    query = (
        sa.select(*columns)
        .select_from(source)
        .where(fragment_measurements.c.measurement_id.in_(ids))
        .order_by(fragment_measurements.c.measurement_id, fragment_measurements.c.number)
    )
    rows: dict[int, list[Row]] = defaultdict(list)
    for row in connection.execute(query).mappings():
        rows[row["measurement_id"]].append(row)
    return rows


def _doubts(connection: sa.Connection, condition: Condition, group: sa.Column[Any]) -> DoubtsByRow:
    query = sa.select(group.label("owner"), doubts.c.key, doubts.c.detail).where(condition)
    grouped: dict[int | None, list[Doubt]] = defaultdict(list)
    for owner, key, detail in connection.execute(query.order_by(doubts.c.number, doubts.c.id)):
        grouped[owner].append(Doubt(key, detail))
    return {owner: tuple(seen) for owner, seen in grouped.items()}


@contextmanager
def readable(logbook: Logbook) -> Iterator[None]:
    """Turn what no version of this program wrote into advice."""
    try:
        yield
    except (ValueError, KeyError, TypeError) as error:
        raise LogbookProblem(
            f"{logbook.name}: it holds something that this version of the program does not know ({error}). "
            "Update the program; nothing was changed."
        ) from error
