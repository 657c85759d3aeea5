"""What commands show of a nursery: its measurements as report rows, with genotypes and the last check."""

from __future__ import annotations

from collections.abc import Sequence
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
    paths: Sequence[str] | None = None,
) -> NurseryView:
    """Choose measurements by site, days and, where given, paths of photos."""
    stored = tuple(current_measurements(logbook, site=site, since=since, until=until))
    refused = tuple(current_refusals(logbook))
    if paths is not None:
        chosen = set(paths)
        stored = tuple(one for one in stored if one.path in chosen)
        refused = tuple(one for one in refused if one.path in chosen)
    genotypes = {fragment.fragment: fragment.genotype for fragment in tables.fragments}
    sentence = check_sentence(logbook)
    return NurseryView(
        stored=stored,
        rows=rows_of_stored(stored, genotypes=genotypes, last_check=sentence),
        refused=tuple(RefusedPhoto(one.refusal.photo, one.refusal.cause, one.refusal.remedy) for one in refused),
        genotypes=genotypes,
        last_check=sentence,
    )


def check_sentence(logbook: Logbook) -> str:
    """The last known-area check in a sentence; empty when there was none."""
    check = last_check(logbook)
    return summary_sentence(CheckResult.from_dict(check.result), check.taken_on) if check else ""


def logbook_path(nursery: Nursery) -> Path:
    """Where a nursery keeps its logbook."""
    return nursery.folder / LOGBOOK_FILE
