"""What weekly reports said, so that the next one can say what changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

import sqlalchemy as sa

from fragarea import __version__
from fragarea.logbook.convert import plain, utc_text
from fragarea.logbook.opening import Logbook
from fragarea.logbook.tables import measurements, weekly_reports


@dataclass(frozen=True)
class KeptReport:
    """A weekly report that was made.

    Attributes
    ----------
    since, until : date
        First and last day that it tells of.
    made_at : datetime
        UTC.
    said : mapping
        What it said, as plain JSON values.
    """

    since: date
    until: date
    made_at: datetime
    said: Mapping[str, Any]


def keep_report(logbook: Logbook, report: KeptReport) -> None:
    """Keep what a weekly report said; one that was made for the same days before stays beside it."""
    row = {
        "first_day": report.since.isoformat(),
        "last_day": report.until.isoformat(),
        "said": plain(report.said),
        "software_version": __version__,
        "recorded_at_utc": utc_text(report.made_at),
    }
    with logbook.writing() as connection:
        connection.execute(sa.insert(weekly_reports).values(row))


def last_report(logbook: Logbook, *, before: date) -> KeptReport | None:
    """The report with the latest last day before a day, as it was made last; None where there is none."""
    query = (
        sa.select(weekly_reports)
        .where(weekly_reports.c.last_day < before.isoformat())
        .order_by(weekly_reports.c.last_day.desc(), weekly_reports.c.id.desc())
        .limit(1)
    )
    with logbook.reading() as connection:
        row = connection.execute(query).mappings().first()
    if row is None:
        return None
    return KeptReport(
        since=date.fromisoformat(row["first_day"]),
        until=date.fromisoformat(row["last_day"]),
        made_at=datetime.fromisoformat(row["recorded_at_utc"]).astimezone(UTC),
        said=row["said"],
    )


def count_late(logbook: Logbook, *, taken_before: date, recorded_after: datetime) -> int:
    """How many photos that were taken before a day were recorded, or recorded anew, after a moment."""
    query = (
        sa.select(sa.func.count())
        .select_from(measurements)
        .where(
            measurements.c.is_current,
            measurements.c.taken_at < taken_before.isoformat(),
            measurements.c.recorded_at_utc > utc_text(recorded_after),
        )
    )
    with logbook.reading() as connection:
        return int(connection.execute(query).scalar_one())
