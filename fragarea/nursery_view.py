"""What commands show of a nursery: its measurements as report rows, with genotypes and the last check."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from fragarea.check import CheckResult, summary_sentence
from fragarea.logbook import Logbook, StoredMeasurement, current_measurements, current_refusals, last_check
from fragarea.nursery import Nursery, Tables
from fragarea.publish import rows_of_stored
from fragarea.report import RefusedPhoto, ReportRow

LOGBOOK_FILE = "logbook.sqlite"


@dataclass(frozen=True)
class NurseryView:
    """Measurements chosen from a logbook.

    Attributes
    ----------
    stored : tuple of StoredMeasurement
    rows : tuple of ReportRow
    refused : tuple of RefusedPhoto
    genotypes : dict of fragment to genotype
    last_check : str
        Sentence on the last known-area check; empty when there was none.
    """

    stored: tuple[StoredMeasurement, ...]
    rows: tuple[ReportRow, ...]
    refused: tuple[RefusedPhoto, ...]
    genotypes: dict[str, str]
    last_check: str


def view_nursery(
    logbook: Logbook,
    tables: Tables,
    *,
    site: str | None = None,
    since: date | None = None,
    until: date | None = None,
    touched_by: Collection[str] | None = None,
) -> NurseryView:
    """Choose measurements by site and days, or by the visits that some photos belong to.

    Parameters
    ----------
    logbook : Logbook
    tables : Tables
    site : str, optional
    since, until : date, optional
    touched_by : collection of str, optional
        Paths of photos: only their visits, and of the refused photos only these.
    """
    stored = tuple(current_measurements(logbook, site=site, since=since, until=until))
    refused = tuple(current_refusals(logbook))
    if touched_by is not None:
        visits = {_visit(one) for one in stored if one.path in touched_by}
        stored = tuple(one for one in stored if _visit(one) in visits)
        refused = tuple(one for one in refused if one.path in touched_by)
    genotypes = {fragment.fragment: fragment.genotype for fragment in tables.fragments}
    sentence = check_sentence(logbook)
    return NurseryView(
        stored=stored,
        rows=rows_of_stored(stored, genotypes=genotypes, last_check=sentence),
        refused=tuple(RefusedPhoto(one.refusal.photo, one.refusal.cause, one.refusal.remedy) for one in refused),
        genotypes=genotypes,
        last_check=sentence,
    )


def _visit(one: StoredMeasurement) -> tuple[str, date | None]:
    taken = one.measurement.taken_at
    return one.measurement.site.name, taken.date() if taken else None


def check_sentence(logbook: Logbook) -> str:
    """The last known-area check in a sentence; empty when there was none."""
    check = last_check(logbook)
    return summary_sentence(CheckResult.from_dict(check.result), check.taken_on) if check else ""


def logbook_path(nursery: Nursery) -> Path:
    """Where a nursery keeps its logbook."""
    return nursery.folder / LOGBOOK_FILE
