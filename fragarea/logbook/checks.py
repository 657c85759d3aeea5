"""Known-area checks and print checks: added, never changed; a wrong one is taken back by a row beside it."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime
from typing import Any

import sqlalchemy as sa

from fragarea import __version__
from fragarea.logbook.convert import Row, plain, utc_text
from fragarea.logbook.opening import Logbook
from fragarea.logbook.records import CheckRecord, PrintCheck, PrintCorrection
from fragarea.logbook.tables import checks, print_checks, withdrawals
from fragarea.measurement import MeasureSettings


def add_check(logbook: Logbook, check: CheckRecord) -> int:
    """Keep the result of a known-area check; returns its row."""
    return _add(
        logbook,
        checks,
        {
            "taken_on": check.taken_on.isoformat(),
            "reference": check.reference,
            "site": check.site,
            "verdict": check.verdict,
            "bias_percent": plain(check.bias_percent),
            "bias_u_percent": plain(check.bias_u_percent),
            "result": plain(check.result),
        },
    )


def last_check(
    logbook: Logbook, *, reference: str | None = None, site: str | None = None, until: date | None = None
) -> CheckRecord | None:
    """The latest known-area check by date taken, or None.

    Parameters
    ----------
    logbook : Logbook
    reference, site : str, optional
        Only checks with this reference, at this site.
    until : date, optional
        Only checks taken on this day or before: the last one at the time of a measurement.
    """
    query = sa.select(checks).where(_holds(checks)).order_by(checks.c.taken_on.desc(), checks.c.id.desc()).limit(1)
    if reference is not None:
        query = query.where(checks.c.reference == reference)
    if site is not None:
        query = query.where(checks.c.site == site)
    if until is not None:
        query = query.where(checks.c.taken_on <= until.isoformat())
    with logbook.reading() as connection:
        row = connection.execute(query).mappings().first()
    if row is None:
        return None
    return _check_of(row)


def withdraw_check(logbook: Logbook, reference: str) -> CheckRecord | None:
    """Take back the known-area check of a reference that was entered last; returns it, None where none is left."""
    row = _withdraw(logbook, checks, "check_id", reference)
    return _check_of(row) if row else None


def _check_of(row: Row) -> CheckRecord:
    return CheckRecord(
        taken_on=date.fromisoformat(row["taken_on"]),
        reference=row["reference"],
        site=row["site"],
        verdict=row["verdict"],
        bias_percent=math.nan if row["bias_percent"] is None else row["bias_percent"],
        bias_u_percent=math.nan if row["bias_u_percent"] is None else row["bias_u_percent"],
        result=row["result"],
    )


def add_print_check(logbook: Logbook, check: PrintCheck) -> int:
    """Keep a print check; from now on its correction goes with that reference. Returns its row.

    Raises
    ------
    ValueError
        If the factor is not positive or its uncertainty negative, or either is not finite.
    LogbookProblem
    """
    if not (math.isfinite(check.factor) and check.factor > 0):
        raise ValueError(f"factor must be a positive number; got {check.factor}")
    if not (math.isfinite(check.factor_u_rel) and check.factor_u_rel >= 0):
        raise ValueError(f"factor_u_rel must be a number from 0; got {check.factor_u_rel}")
    return _add(
        logbook,
        print_checks,
        {
            "reference": check.reference,
            "nominal_mm": check.nominal_mm,
            "measured_mm": plain(check.measured_mm),
            "factor": check.factor,
            "factor_u_rel": check.factor_u_rel,
            "checked_on": check.checked_on.isoformat(),
            "checked_by": check.checked_by,
        },
    )


def print_checks_of(logbook: Logbook, reference: str) -> list[PrintCheck]:
    """Every check of a reference's print, the one that holds last."""
    query = (
        sa.select(print_checks)
        .where(print_checks.c.reference == reference, _holds(print_checks))
        .order_by(print_checks.c.checked_on, print_checks.c.id)
    )
    with logbook.reading() as connection:
        return [_print_check_of(row) for row in connection.execute(query).mappings()]


def withdraw_print_check(logbook: Logbook, reference: str) -> PrintCheck | None:
    """Take back the print check of a reference that was entered last; returns it, None where none is left."""
    row = _withdraw(logbook, print_checks, "print_check_id", reference)
    return _print_check_of(row) if row else None


def _print_check_of(row: Row) -> PrintCheck:
    return PrintCheck(
        reference=row["reference"],
        nominal_mm=row["nominal_mm"],
        measured_mm=tuple(row["measured_mm"]),
        factor=row["factor"],
        factor_u_rel=row["factor_u_rel"],
        checked_on=date.fromisoformat(row["checked_on"]),
        checked_by=row["checked_by"],
    )


def print_correction(logbook: Logbook, reference: str) -> PrintCorrection:
    """The correction that goes with a reference's print: of its latest check, else of a print nobody measured."""
    found = print_checks_of(logbook, reference)
    if not found:
        unmeasured = MeasureSettings()
        return PrintCorrection(unmeasured.print_factor, unmeasured.print_u_rel, False)
    return PrintCorrection(found[-1].factor, found[-1].factor_u_rel, True)


def _holds(table: sa.Table) -> sa.ColumnElement[bool]:
    column = withdrawals.c.check_id if table is checks else withdrawals.c.print_check_id
    return table.c.id.not_in(sa.select(column).where(column.is_not(None)))


def _withdraw(logbook: Logbook, table: sa.Table, column: str, reference: str) -> Row | None:
    last = sa.select(table).where(table.c.reference == reference, _holds(table)).order_by(table.c.id.desc()).limit(1)
    with logbook.writing() as connection:
        row = connection.execute(last).mappings().first()
        if row is not None:
            connection.execute(sa.insert(withdrawals).values(_stamped({column: row["id"]})))
    return row


def _stamped(row: dict[str, Any]) -> dict[str, Any]:
    return {**row, "software_version": __version__, "recorded_at_utc": utc_text(datetime.now(UTC))}


def _add(logbook: Logbook, table: sa.Table, row: dict[str, Any]) -> int:
    with logbook.writing() as connection:
        return int(connection.execute(sa.insert(table).values(_stamped(row)).returning(table.c.id)).scalar_one())
