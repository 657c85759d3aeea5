"""Measurements under other names: new rows that supersede the old ones, with the same numbers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

import sqlalchemy as sa

from fragarea.errors import LogbookProblem
from fragarea.logbook.convert import utc_text
from fragarea.logbook.edits import insert_edit, show_marks
from fragarea.logbook.tables import doubts, fragment_measurements, measurements, outlines
from fragarea.logbook.writing import FROM_PHOTO


@dataclass(frozen=True)
class Attribution:
    """A measured photo whose fragments are to have other names.

    Attributes
    ----------
    measurement_id : int
        Of the current measurement.
    names : mapping of int to str
        New name by row of the fragment; fragments that keep theirs are left out.
    settings_hash, placements_hash : str
        With the new placements, so that the photo counts as measured with them.
    """

    measurement_id: int
    names: Mapping[int, str]
    settings_hash: str
    placements_hash: str


def attribute(
    connection: sa.Connection, attributions: Iterable[Attribution], *, edited_by: str, reason: str, name: str
) -> None:
    """Write measurements anew under other names; every name that changes is kept as an edit.

    Parameters
    ----------
    connection : sqlalchemy.Connection
        In a transaction.
    attributions : iterable of Attribution
    edited_by, reason : str
    name : str
        Of the logbook, for errors.

    Raises
    ------
    LogbookProblem
        If a measurement has been superseded meanwhile.
    """
    for one in attributions:
        old = measurements.c.id == one.measurement_id
        row = connection.execute(sa.select(measurements).where(old)).mappings().one()
        if not row["is_current"]:
            raise LogbookProblem(
                f"{name}: {row['path']} has been measured again meanwhile, so nothing was changed. "
                "Run the command again."
            )
        connection.execute(sa.update(measurements).where(old).values(is_current=False))
        new = {
            **{column: value for column, value in row.items() if column != "id"},
            "settings": {**row["settings"], "placements_hash": one.placements_hash},
            "settings_hash": one.settings_hash,
            "is_current": True,
            "supersedes": one.measurement_id,
            "recorded_at_utc": utc_text(datetime.now(UTC)),
            "history_compared": False,
        }
        new_id = connection.execute(sa.insert(measurements).values(new).returning(measurements.c.id)).scalar_one()
        _copy_fragments(connection, one, new_id)
        for fragment_id, new_name in one.names.items():
            insert_edit(connection, fragment_id, edited_by=edited_by, reason=reason, new_fragment=new_name)
        show_marks(connection, new_id)


def _copy_fragments(connection: sa.Connection, one: Attribution, new_id: int) -> None:
    """Fragments, outlines and what was doubted when measuring; doubts from comparing visits are found anew."""
    fragment = fragment_measurements.c
    same = [column for column in fragment if column.name not in ("id", "measurement_id")]
    whole = sa.select(sa.literal(new_id), *same).where(fragment.measurement_id == one.measurement_id)
    names = ["measurement_id", *(column.name for column in same)]
    connection.execute(sa.insert(fragment_measurements).from_select(names, whole.order_by(fragment.number)))
    before, now = fragment_measurements.alias(), fragment_measurements.alias()
    pairs = before.join(now, (before.c.number == now.c.number) & (now.c.measurement_id == new_id))
    of_before = before.c.measurement_id == one.measurement_id
    shapes = [column for column in outlines.c if column.name != "fragment_measurement_id"]
    connection.execute(
        sa.insert(outlines).from_select(
            ["fragment_measurement_id", *(column.name for column in shapes)],
            sa.select(now.c.id, *shapes)
            .select_from(pairs.join(outlines, outlines.c.fragment_measurement_id == before.c.id))
            .where(of_before),
        )
    )
    seen = [doubts.c[name] for name in ("number", "key", "detail", "source")]
    columns = ["measurement_id", "fragment_measurement_id", *(column.name for column in seen)]
    of_photo = sa.select(sa.literal(new_id), sa.null(), *seen).where(
        doubts.c.measurement_id == one.measurement_id,
        doubts.c.fragment_measurement_id.is_(None),
        doubts.c.source == FROM_PHOTO,
    )
    of_fragments = (
        sa.select(sa.literal(new_id), now.c.id, *seen)
        .select_from(pairs.join(doubts, doubts.c.fragment_measurement_id == before.c.id))
        .where(of_before, doubts.c.source == FROM_PHOTO)
    )
    for query in (of_photo, of_fragments):
        connection.execute(sa.insert(doubts).from_select(columns, query))
    numbered = sa.select(fragment.id, fragment.number).where(fragment.measurement_id == one.measurement_id)
    numbers = {row.id: row.number for row in connection.execute(numbered)}
    for fragment_id, new_name in one.names.items():
        this = (fragment.measurement_id == new_id) & (fragment.number == numbers[fragment_id])
        connection.execute(sa.update(fragment_measurements).where(this).values(fragment=new_name))
