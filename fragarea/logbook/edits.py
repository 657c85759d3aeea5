"""People's corrections and marks: who, when, why, and what stood before."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
from shapely import MultiPolygon

from fragarea.logbook.convert import outline_of, plain, taken_at_of, utc_text, wkb
from fragarea.logbook.opening import Logbook
from fragarea.logbook.records import Edit, Place
from fragarea.logbook.tables import doubts, edits, fragment_measurements, measurements

FROM_PERSON = "person"
MARKED_WRONG = "marked_wrong"

_AFTER_OTHER_DOUBTS = 3000


@dataclass(frozen=True)
class Mark:
    """A measurement that a person marked wrong.

    Attributes
    ----------
    fragment_id : int
        Its current row in the logbook.
    fragment : str
        Recorded name; empty where none is recorded.
    place : (row, column) or str
        Where it sits: its label off a tray.
    site : str
    photo : str
    taken_at : datetime or None
    said : str
        Who marked it, and why.
    """

    fragment_id: int
    fragment: str
    place: Place
    site: str
    photo: str
    taken_at: datetime | None
    said: str


def add_edit(
    logbook: Logbook,
    fragment_id: int,
    *,
    edited_by: str,
    reason: str,
    new_fragment: str | None = None,
    new_outline: MultiPolygon | None = None,
) -> int:
    """Keep a person's correction beside the measurement, which stays as it is.

    Parameters
    ----------
    logbook : Logbook
    fragment_id : int
        One of ``StoredMeasurement.fragment_ids``.
    edited_by, reason : str
    new_fragment : str, optional
        Name of the fragment that this really is.
    new_outline : MultiPolygon, optional
        Live tissue as the person sees it, reference axes, mm.

    Returns
    -------
    int
        Row of the edit.

    Raises
    ------
    ValueError
        If there is no such fragment measurement.
    LogbookProblem
    """
    outline = None if new_outline is None else wkb(new_outline)
    with logbook.writing() as connection:
        return insert_edit(
            connection,
            fragment_id,
            edited_by=edited_by,
            reason=reason,
            new_fragment=new_fragment,
            new_outline_mm_wkb=outline,
        )


def insert_edit(connection: sa.Connection, fragment_id: int, **columns: Any) -> int:
    """Add a row to the edits with the fragment's row as it stands; see :func:`add_edit`."""
    query = sa.select(fragment_measurements).where(fragment_measurements.c.id == fragment_id)
    old = connection.execute(query).mappings().first()
    if old is None:
        raise ValueError(f"there is no fragment measurement {fragment_id} to edit")
    row = {
        "fragment_measurement_id": fragment_id,
        "edited_at_utc": utc_text(datetime.now(UTC)),
        "old_row": plain(dict(old)),
        **columns,
    }
    return int(connection.execute(sa.insert(edits).values(row).returning(edits.c.id)).scalar_one())


def edits_of(logbook: Logbook, fragment_id: int) -> list[Edit]:
    """Corrections of one fragment on one photo, oldest first."""
    query = sa.select(edits).where(edits.c.fragment_measurement_id == fragment_id).order_by(edits.c.id)
    with logbook.reading() as connection:
        return [
            Edit(
                fragment_id=row["fragment_measurement_id"],
                edited_at=datetime.fromisoformat(row["edited_at_utc"]),
                edited_by=row["edited_by"],
                reason=row["reason"],
                old_row=row["old_row"],
                new_fragment=row["new_fragment"],
                new_outline=None if row["new_outline_mm_wkb"] is None else outline_of(row["new_outline_mm_wkb"]),
                marked_wrong=row["marked_wrong"],
            )
            for row in connection.execute(query).mappings()
        ]


def mark_wrong(
    logbook: Logbook, fragment_ids: Iterable[int], *, marked_by: str, reason: str, wrong: bool = True
) -> None:
    """Keep a person's word that measurements are wrong, or are not; their numbers stay as they are.

    The mark belongs to the photo and the place on it: it holds too when the photo is measured again.

    Parameters
    ----------
    logbook : Logbook
    fragment_ids : iterable of int
        Of current measurements.
    marked_by, reason : str
    wrong : bool
        False takes the mark back.

    Raises
    ------
    ValueError
        If there is no such fragment measurement.
    LogbookProblem
    """
    with logbook.writing() as connection:
        for fragment_id in fragment_ids:
            insert_edit(connection, fragment_id, edited_by=marked_by, reason=reason, marked_wrong=wrong)
            owner = sa.select(fragment_measurements.c.measurement_id).where(fragment_measurements.c.id == fragment_id)
            measurement_id = connection.scalars(owner).one()
            show_marks(connection, measurement_id)
            # what is wrong explains no other visit, so the history is to be compared anew
            this = sa.update(measurements).where(measurements.c.id == measurement_id)
            connection.execute(this.values(history_compared=False))


def show_marks(connection: sa.Connection, measurement_id: int) -> None:
    """Let the doubts of a measurement say which of its fragments people marked wrong on this photo."""
    fragment = fragment_measurements.c
    place = (fragment.row_number, fragment.column_number, fragment.label)
    photo = sa.select(measurements.c.sha256).where(measurements.c.id == measurement_id).scalar_subquery()
    said = (
        sa.select(*place, edits.c.marked_wrong, edits.c.edited_by, edits.c.reason)
        .select_from(edits.join(fragment_measurements).join(measurements))
        .where(measurements.c.sha256 == photo, edits.c.marked_wrong.is_not(None))
        .order_by(edits.c.id)
    )
    last = {tuple(row[:3]): row for row in connection.execute(said)}
    if not last:
        return
    old = (doubts.c.measurement_id == measurement_id) & (doubts.c.source == FROM_PERSON)
    connection.execute(sa.delete(doubts).where(old))
    there = connection.execute(sa.select(fragment.id, *place).where(fragment.measurement_id == measurement_id))
    rows = [
        {
            "measurement_id": measurement_id,
            "fragment_measurement_id": row.id,
            "number": _AFTER_OTHER_DOUBTS,
            "key": MARKED_WRONG,
            "detail": f"{mark.edited_by}: {mark.reason}",
            "source": FROM_PERSON,
        }
        for row in there
        if (mark := last.get(tuple(row[1:]))) is not None and mark.marked_wrong
    ]
    if rows:
        connection.execute(sa.insert(doubts), rows)


def marks_of(logbook: Logbook) -> list[Mark]:
    """Every current measurement that is marked wrong, in order of capture date and fragment."""
    query = (
        sa.select(
            doubts.c.fragment_measurement_id,
            doubts.c.detail,
            *(fragment_measurements.c[name] for name in ("fragment", "row_number", "column_number", "label")),
            *(measurements.c[name] for name in ("site", "photo", "taken_at", "utc_offset_min")),
        )
        .select_from(
            doubts.join(fragment_measurements).join(
                measurements, fragment_measurements.c.measurement_id == measurements.c.id
            )
        )
        .where(doubts.c.source == FROM_PERSON, measurements.c.is_current)
        .order_by(measurements.c.taken_at.is_(None), measurements.c.taken_at, fragment_measurements.c.fragment)
    )
    with logbook.reading() as connection:
        return [
            Mark(
                fragment_id=row["fragment_measurement_id"],
                fragment=row["fragment"] or "",
                place=row["label"] if row["row_number"] is None else (row["row_number"], row["column_number"]),
                site=row["site"],
                photo=row["photo"],
                taken_at=taken_at_of(row),
                said=row["detail"],
            )
            for row in connection.execute(query).mappings()
        ]
