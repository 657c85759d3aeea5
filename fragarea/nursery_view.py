"""What commands show of a nursery: its measurements as report rows, with genotypes and known-area checks."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path

from fragarea.check import CheckResult, summary_sentence
from fragarea.logbook import (
    CheckRecord,
    Logbook,
    StoredMeasurement,
    StoredRefusal,
    current_measurements,
    current_refusals,
    last_check,
)
from fragarea.nursery import Nursery, Tables
from fragarea.report import RefusedPhoto, ReportRow, rows_of

LOGBOOK_FILE = "logbook.sqlite"


@dataclass(frozen=True)
class NurseryView:
    """Measurements chosen from a logbook.

    Attributes
    ----------
    stored : tuple of StoredMeasurement
    rows : tuple of ReportRow
        Each with the last known-area check of its reference up to its day.
    refused : tuple of RefusedPhoto
    last_check : str
        Sentence on the last known-area check of all; empty when there was none.
    """

    stored: tuple[StoredMeasurement, ...]
    rows: tuple[ReportRow, ...]
    refused: tuple[RefusedPhoto, ...]
    last_check: str


def view_nursery(
    logbook: Logbook,
    nursery: Nursery,
    tables: Tables,
    *,
    site: str | None = None,
    since: date | None = None,
    until: date | None = None,
    touched_by: Collection[str] | None = None,
) -> NurseryView:
    """Choose measurements by site and days, or by the visits that some photos belong to.

    Refused photos that were deleted since are left out: nothing is left to do about them.

    Parameters
    ----------
    logbook : Logbook
    nursery : Nursery
    tables : Tables
    site : str, optional
    since, until : date, optional
    touched_by : collection of str, optional
        Paths of photos: only their visits, and of the refused photos only these.
    """
    stored = tuple(current_measurements(logbook, site=site, since=since, until=until))
    refused = [
        one for one in current_refusals(logbook, site=site, since=since, until=until) if _still_there(nursery, one)
    ]
    if touched_by is not None:
        visits = {_visit(one) for one in stored if one.path in touched_by}
        stored = tuple(one for one in stored if _visit(one) in visits)
        refused = [one for one in refused if one.paths.intersection(touched_by)]
    return NurseryView(
        stored=stored,
        rows=_rows(logbook, stored, {fragment.fragment: fragment.genotype for fragment in tables.fragments}),
        refused=tuple(RefusedPhoto(one.refusal.photo, one.refusal.cause, one.refusal.remedy) for one in refused),
        last_check=_in_words(last_check(logbook)),
    )


def _still_there(nursery: Nursery, refused: StoredRefusal) -> bool:
    # bytes that are no text are written as \\xff in the logbook: such a file cannot be looked up by that name
    return any("\\x" in path or os.path.lexists(nursery.folder / path) for path in refused.paths)


def _rows(
    logbook: Logbook, stored: Iterable[StoredMeasurement], genotypes: Mapping[str, str]
) -> tuple[ReportRow, ...]:
    @cache
    def sentence(reference: str, until: date | None) -> str:
        # an undated photo may be older than any check
        return _in_words(last_check(logbook, reference=reference, until=until)) if until else ""

    return tuple(
        row
        for one in stored
        for row in rows_of(
            one.measurement,
            software_version=one.software_version,
            names=one.names,
            genotypes=genotypes,
            last_check=sentence(one.measurement.reference, _visit(one)[1]),
        )
    )


def _visit(one: StoredMeasurement) -> tuple[str, date | None]:
    taken = one.measurement.taken_at
    return one.measurement.site.name, taken.date() if taken else None


def _in_words(check: CheckRecord | None) -> str:
    return summary_sentence(CheckResult.from_dict(check.result), check.taken_on) if check else ""


def logbook_path(nursery: Nursery) -> Path:
    """Where a nursery keeps its logbook."""
    return nursery.folder / LOGBOOK_FILE
