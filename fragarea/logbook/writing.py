"""Into the logbook: one transaction a photo; what was recorded stays."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime

import sqlalchemy as sa

from fragarea import __version__
from fragarea.doubts import Doubt
from fragarea.logbook.convert import (
    MEASURED,
    Columns,
    Row,
    fragment_columns,
    measurement_columns,
    outline_columns,
    photo_columns,
    refusal_columns,
    utc_text,
)
from fragarea.logbook.edits import show_marks
from fragarea.logbook.opening import Logbook
from fragarea.logbook.records import Place, Refusal
from fragarea.logbook.tables import (
    doubts,
    fragment_measurements,
    measurements,
    outlines,
    photo_names,
    photos,
    storable,
)
from fragarea.measurement import PhotoMeasurement, settings_hash

FROM_PHOTO, FROM_HISTORY = "photo", "history"


def record(
    logbook: Logbook,
    measurement: PhotoMeasurement,
    *,
    path: str = "",
    names: Mapping[Place, str] | None = None,
    also_at: Iterable[str] = (),
    again: bool = False,
    software_version: str = __version__,
) -> int:
    """Record the measurement of one photo, all of it or nothing.

    An earlier measurement of the same content stays; the new one supersedes it. Where the current one was made by
    the same program with the same settings, nothing is added unless `again`.

    Parameters
    ----------
    logbook : Logbook
    measurement : PhotoMeasurement
    path : str
        Of the photo, relative to the nursery folder; its name when left out.
    names : mapping of place to str
        Recorded fragment at each place on the day of the photo.
    also_at : iterable of str
        Other paths with the same content.
    again : bool
    software_version : str

    Returns
    -------
    int
        ``measurement_id`` of the row that is now current.

    Raises
    ------
    LogbookProblem
    ValueError
        If ``measurement.settings`` are not those of its ``settings_hash``.
    """
    _check_settings(measurement)
    where = path or measurement.photo
    columns = {**measurement_columns(measurement), "software_version": software_version, "path": where}
    with logbook.writing() as connection:
        _keep_photo(connection, measurement.sha256, measurement.photo, where, photo_columns(measurement))
        add_names(connection, measurement.sha256, [where, *also_at])
        before = _current(connection, measurement.sha256, where)
        if before and not again and _same(before, columns):
            return int(before["id"])
        new = _insert(connection, measurement.sha256, columns, before)
        _insert_fragments(connection, new, measurement, names or {})
        _insert_doubts(connection, new, [(None, measurement.doubts)])
        show_marks(connection, new)
        return new


def record_refusal(
    logbook: Logbook,
    refusal: Refusal,
    *,
    path: str = "",
    sha256: str = "",
    site: str = "",
    settings_hash: str = "",
    also_at: Iterable[str] = (),
    software_version: str = __version__,
) -> int:
    """Record that a photo was refused.

    A refusal supersedes an earlier measurement of the same content, unless it is one to try again: a photo that could
    not be read today keeps what was measured when it could. The same refusal twice is one row.

    Parameters
    ----------
    logbook : Logbook
    refusal : Refusal
    path : str
        Of the photo, relative to the nursery folder; its name when left out.
    sha256 : str
        Empty for a file that could not be read at all.
    site : str
        Where the photo belongs, as far as its folder tells.
    settings_hash : str
        Hash of the settings under which it was refused.
    also_at : iterable of str
    software_version : str

    Returns
    -------
    int
        ``measurement_id`` of its row.

    Raises
    ------
    LogbookProblem
    """
    where = path or refusal.photo
    columns = {
        **refusal_columns(refusal, settings_hash),
        "site": site,
        "software_version": software_version,
        "path": where,
        "sha256": sha256 or None,
    }
    with logbook.writing() as connection:
        if sha256:
            _keep_photo(connection, sha256, refusal.photo, where, {})
            add_names(connection, sha256, [where, *also_at])
        latest = _latest(connection, sha256, where)
        if latest and _same(latest, columns):
            return int(latest["id"])
        before = _current(connection, sha256, where)
        if before and before["outcome"] == MEASURED and refusal.try_again:
            return _insert(connection, sha256, columns, None, is_current=False)
        return _insert(connection, sha256, columns, before)


def add_names(connection: sa.Connection, sha256: str, paths: Sequence[str]) -> None:
    """Note under which paths a content was seen."""
    known = set(connection.scalars(sa.select(photo_names.c.path).where(photo_names.c.sha256 == sha256)))
    new = [path for path in dict.fromkeys(map(storable, paths)) if path not in known]
    if new:
        seen = utc_text(datetime.now(UTC))
        rows = [{"path": path, "sha256": sha256, "first_seen_at_utc": seen} for path in new]
        connection.execute(sa.insert(photo_names), rows)


def record_names(logbook: Logbook, paths_by_content: Mapping[str, Sequence[str]]) -> None:
    """Note more paths of contents that the logbook knows, in one transaction; unknown contents are left out."""
    if not paths_by_content:
        return
    with logbook.writing() as connection:
        known = set(connection.scalars(sa.select(photos.c.sha256)))
        for sha256, paths in paths_by_content.items():
            if sha256 in known:
                add_names(connection, sha256, paths)


def _check_settings(measurement: PhotoMeasurement) -> None:
    expected = settings_hash(measurement.site, measurement.settings)
    if measurement.settings_hash != expected:
        raise ValueError(
            f"{measurement.photo}: settings and site give the hash {expected}, "
            f"the measurement says {measurement.settings_hash}"
        )


def _keep_photo(connection: sa.Connection, sha256: str, name: str, path: str, columns: Columns) -> None:
    """A row for the content; a photo that was refused before it could be decoded learns its size and camera."""
    known = connection.execute(sa.select(photos).where(photos.c.sha256 == sha256)).mappings().first()
    if known is None:
        seen = utc_text(datetime.now(UTC))
        row = {"sha256": sha256, "name": name, "path": path, "first_seen_at_utc": seen, **columns}
        connection.execute(sa.insert(photos).values(row))
    elif columns and known["width_px"] is None:
        connection.execute(sa.update(photos).where(photos.c.sha256 == sha256).values(columns))


def _current(connection: sa.Connection, sha256: str, path: str) -> Row | None:
    """The row that a new one supersedes: of the same content, else of a file at this path that could not be read."""
    query = sa.select(measurements).where(
        (measurements.c.sha256 == sha256) | _unread(path), measurements.c.is_current
    )
    # rows without content last, wherever a database puts nulls
    return connection.execute(query.order_by(measurements.c.sha256.is_(None), measurements.c.id)).mappings().first()


def _unread(path: str) -> sa.ColumnElement[bool]:
    return measurements.c.sha256.is_(None) & (measurements.c.path == path)


def _latest(connection: sa.Connection, sha256: str, path: str) -> Row | None:
    same = measurements.c.sha256 == sha256 if sha256 else measurements.c.sha256.is_(None)
    at_path = sa.true() if sha256 else measurements.c.path == path
    query = sa.select(measurements).where(same, at_path).order_by(measurements.c.id.desc()).limit(1)
    return connection.execute(query).mappings().first()


_IDENTITY = (
    *("outcome", "settings_hash", "software_version", "refused_kind", "refused_cause", "refused_remedy"),
    # the date and the site can be given on the command line, which changes no number and so no hash
    *("taken_at", "site"),
)


def _same(row: Row, columns: Columns) -> bool:
    return all(row[name] == _as_stored(columns.get(name)) for name in _IDENTITY)


def _as_stored(value: str | None) -> str | None:
    return None if value is None else storable(value)


def _insert(
    connection: sa.Connection, sha256: str, columns: Columns, before: Row | None, *, is_current: bool = True
) -> int:
    done = _unread(columns["path"])
    if before:
        done |= measurements.c.id == before["id"]
    connection.execute(sa.update(measurements).where(done, measurements.c.is_current).values(is_current=False))
    row = {
        **columns,
        "sha256": sha256 or None,
        "is_current": is_current,
        "supersedes": before["id"] if before else None,
        "recorded_at_utc": utc_text(datetime.now(UTC)),
        "history_compared": not is_current,
    }
    new = connection.execute(sa.insert(measurements).values(row).returning(measurements.c.id)).scalar_one()
    return int(new)


def _insert_fragments(
    connection: sa.Connection, measurement_id: int, measurement: PhotoMeasurement, names: Mapping[Place, str]
) -> None:
    if not measurement.fragments:
        return
    rows = [
        {**fragment_columns(fragment, names), "measurement_id": measurement_id, "number": number}
        for number, fragment in enumerate(measurement.fragments)
    ]
    returning = sa.insert(fragment_measurements).returning(fragment_measurements.c.id, sort_by_parameter_order=True)
    ids = connection.execute(returning, rows).scalars().all()
    shapes = zip(ids, outline_columns(measurement.fragments), strict=True)
    connection.execute(sa.insert(outlines), [{"fragment_measurement_id": one, **columns} for one, columns in shapes])
    _insert_doubts(
        connection,
        measurement_id,
        [(fragment_id, fragment.doubts) for fragment_id, fragment in zip(ids, measurement.fragments, strict=True)],
    )


def _insert_doubts(
    connection: sa.Connection, measurement_id: int, seen: Iterable[tuple[int | None, Sequence[Doubt]]]
) -> None:
    """Doubts of fragments, or of the whole photo under None."""
    rows = [
        {
            "measurement_id": measurement_id,
            "fragment_measurement_id": fragment_id,
            "number": number,
            "key": doubt.key,
            "detail": doubt.detail,
            "source": FROM_PHOTO,
        }
        for fragment_id, doubts_seen in seen
        for number, doubt in enumerate(doubts_seen)
    ]
    if rows:
        connection.execute(sa.insert(doubts), rows)
