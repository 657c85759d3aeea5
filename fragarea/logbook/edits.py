"""People's corrections: who, when, why, and what stood before."""

from __future__ import annotations

from datetime import UTC, datetime

import sqlalchemy as sa
from shapely import MultiPolygon

from fragarea.logbook.convert import outline_of, plain, utc_text, wkb
from fragarea.logbook.opening import Logbook
from fragarea.logbook.records import Edit
from fragarea.logbook.tables import edits, fragment_measurements


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
    with logbook.writing() as connection:
        query = sa.select(fragment_measurements).where(fragment_measurements.c.id == fragment_id)
        old = connection.execute(query).mappings().first()
        if old is None:
            raise ValueError(f"there is no fragment measurement {fragment_id} to edit")
        row = {
            "fragment_measurement_id": fragment_id,
            "edited_at_utc": utc_text(datetime.now(UTC)),
            "edited_by": edited_by,
            "reason": reason,
            "old_row": plain(dict(old)),
            "new_fragment": new_fragment,
            "new_outline_mm_wkb": None if new_outline is None else wkb(new_outline),
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
            )
            for row in connection.execute(query).mappings()
        ]
