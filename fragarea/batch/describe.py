"""The site, settings and names that go with one photo of a job."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from fragarea.batch.records import Job, PrintCheckOf
from fragarea.errors import SiteNotFound
from fragarea.measurement import MeasureSettings, settings_hash
from fragarea.nursery import Tables, placements_on, reference_file, site_description, site_for_photo
from fragarea.reference.layout import ReferenceLayout, load_reference
from fragarea.sites.records import SiteDescription

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

Place = tuple[int, int] | str


@dataclass(frozen=True)
class Described:
    """Everything besides the pixels that one photo is measured with.

    Attributes
    ----------
    site : SiteDescription
    settings : MeasureSettings
    layout : ReferenceLayout or None
    """

    site: SiteDescription
    settings: MeasureSettings
    layout: ReferenceLayout | None

    @property
    def hash(self) -> str:
        """Hash under which the logbook keeps the measurement."""
        return settings_hash(self.site, self.settings)


def describe(job: Job, site_name: str, day: date | None, *, zone: str = "") -> Described:
    """Site and settings for a photo of a site taken on a day; `zone` is what its date was given, if anything.

    Raises
    ------
    SettingsProblem
        If the site or its reference is not described.
    """
    site = site_description(job.nursery, site_name, tables=job.tables, on=day)
    layout = _layout(reference_file(job.nursery, site.reference)) if site.reference else None
    settings = replace(
        job.settings,
        lens_hash=_short_hash(job.lens) if job.lens else "",
        reference_hash=_layout_hash(layout) if layout else "",
        placements_hash=placements_hash(job.tables, site_name, day),
        zone=zone,
    )
    checked = print_check_on(job.prints, layout.name, day) if layout else None
    if checked:
        settings = replace(settings, print_factor=checked[2], print_u_rel=checked[3], print_checked=True)
    return Described(site, settings, layout)


def print_check_on(prints: Iterable[PrintCheckOf], reference: str, day: date | None) -> PrintCheckOf | None:
    """The check of the print that lay in a photo of a day: the last one up to then, else the first one made later.

    Without a day the last of all. A new print that is checked later must not correct photos of the old one.
    """
    checks = sorted((one for one in prints if one[0] == reference), key=lambda one: one[1])
    before = [one for one in checks if day is None or one[1] <= day]
    return before[-1] if before else next(iter(checks), None)


def site_of_path(job: Job, path: str) -> str:
    """Site that the user, or the folder of a photo in the logbook's words, names; empty where neither does."""
    try:
        return site_for_photo(job.nursery, job.nursery.folder / path, option=job.site)
    except SiteNotFound:
        return ""


def expected_positions(tables: Tables, site_name: str, day: date | None) -> frozenset[tuple[int, int]] | None:
    """Positions at which a fragment is recorded; None when nothing is recorded for that site and day."""
    if day is None:
        return None
    standing = placements_on(tables.placements, site_name, day)
    positions = frozenset((p.row, p.column) for p in standing if p.row is not None and p.column is not None)
    return positions or None


def names_on(tables: Tables, site_name: str, day: date | None, labels: Iterable[str] = ()) -> dict[Place, str]:
    """Recorded fragment at each place of a site on a day."""
    if day is None:
        return {}
    names: dict[Place, str] = {}
    standing = placements_on(tables.placements, site_name, day)
    for placement in standing:
        if placement.row is not None and placement.column is not None:
            names[(placement.row, placement.column)] = placement.fragment
        elif placement.place:
            names[placement.place] = placement.fragment
    # on a pad without described places, the places are called by the fragments that stand there
    recorded = {placement.fragment for placement in standing}
    names.update({label: label for label in labels if label in recorded})
    return names


@lru_cache(maxsize=64)
def _layout(name_or_file: str) -> ReferenceLayout:
    return load_reference(name_or_file)


@lru_cache(maxsize=64)
def _layout_hash(layout: ReferenceLayout) -> str:
    return _short_hash(layout)


def job_hash(job: Job) -> str:
    """Short hash of all that a batch is given besides its photos: when it changes, refused photos are tried again.

    Where the nursery's folder lies is left out: it may be moved.
    """
    return _short_hash(replace(job, nursery=replace(job.nursery, folder=Path())))


def placements_hash(tables: Tables, site_name: str, day: date | None) -> str:
    """Short hash of the placements: they decide which places count as missed, and whose a place's area is."""
    standing = placements_on(tables.placements, site_name, day) if day else ()
    where = [(p.fragment, p.row, p.column, p.x_mm, p.y_mm, p.place) for p in standing]
    return hashlib.sha256(json.dumps(where).encode()).hexdigest()[:12] if where else ""


def _short_hash(record: DataclassInstance) -> str:
    text = json.dumps(asdict(record), sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:12]
