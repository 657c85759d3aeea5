"""Tidy rows: one a fragment and photo, from which every table is made."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import groupby

from fragarea.doubts import Doubt
from fragarea.measurement import FragmentMeasurement, FragmentStatus, PhotoMeasurement
from fragarea.report.words import Place, marked_wrong, natural_key, needs_look, place_of, place_words

COVERAGE_FACTOR = 1.96


@dataclass(frozen=True)
class ReportRow:
    """One fragment on one photo, as tables show it.

    Attributes
    ----------
    site : str
    visit_on : date or None
        Day of the visit.
    taken_at : datetime or None
        Aware when the offset is known.
    photo, sha256 : str
        File name and hash of its bytes.
    fragment, genotype : str
        Recorded names; empty when no placement is recorded.
    row, column : int or None
        On a tray.
    label : str
        Place on a pad, id of a known shape.
    status : FragmentStatus
    live_mm2, live_expanded_mm2 : float
        Live tissue, bleached included, and its expanded uncertainty at 95 %.
    live_shared_u_mm2 : float
        The part of its standard uncertainty that all fragments of the photo share; nan when not known.
    bleached_mm2, dead_mm2 : float
    plug_radius_mm : float or None
        Fitted rim.
    centre_mm : (float, float)
        Middle of the plug, reference axes.
    edge_height_mm : float
        Height of the tissue's edge above the reference plane.
    mm_per_px : float
    tilt_deg : float or None
    doubts, photo_doubts : tuple of Doubt
        About the fragment, and about the whole photo.
    software_version, settings_hash : str
    last_check : str
        Sentence on the last known-area check; empty when there was none.
    """

    site: str
    visit_on: date | None
    taken_at: datetime | None
    photo: str
    sha256: str
    fragment: str
    genotype: str
    row: int | None
    column: int | None
    label: str
    status: FragmentStatus
    live_mm2: float
    live_expanded_mm2: float
    live_shared_u_mm2: float
    bleached_mm2: float
    dead_mm2: float
    plug_radius_mm: float | None
    centre_mm: tuple[float, float]
    edge_height_mm: float
    mm_per_px: float
    tilt_deg: float | None
    doubts: tuple[Doubt, ...]
    photo_doubts: tuple[Doubt, ...]
    software_version: str
    settings_hash: str
    last_check: str = ""

    @property
    def place(self) -> Place:
        """(row, column) on a tray, else the label."""
        return (self.row, self.column) if self.row is not None and self.column is not None else self.label

    @property
    def name(self) -> str:
        """Recorded name, else the place in words."""
        return self.fragment or place_words(self.place) or "fragment"

    @property
    def plug_coverage_percent(self) -> float | None:
        """Live area over the area of the plug's top; None without a fitted rim."""
        if not self.plug_radius_mm:
            return None
        return 100.0 * self.live_mm2 / (math.pi * self.plug_radius_mm**2)

    @property
    def marked_wrong(self) -> bool:
        """Whether a person said that it does not count."""
        return marked_wrong(self.doubts)

    @property
    def needs_look(self) -> bool:
        """Whether a doubt about this fragment asks for a look."""
        return needs_look(self.doubts)


def rows_of(
    measurement: PhotoMeasurement,
    *,
    software_version: str,
    names: Mapping[Place, str] | None = None,
    genotypes: Mapping[str, str] | None = None,
    last_check: str = "",
) -> tuple[ReportRow, ...]:
    """Rows of one measured photo.

    Parameters
    ----------
    measurement : PhotoMeasurement
    software_version : str
    names : mapping of place to fragment name
        As placed on the day of the photo.
    genotypes : mapping of fragment name to genotype
    last_check : str
    """
    return tuple(
        _row(
            measurement,
            fragment,
            (names or {}).get(place_of(fragment), ""),
            genotypes or {},
            software_version,
            last_check,
        )
        for fragment in measurement.fragments
    )


def _row(
    photo: PhotoMeasurement,
    fragment: FragmentMeasurement,
    name: str,
    genotypes: Mapping[str, str],
    software_version: str,
    last_check: str,
) -> ReportRow:
    row, column = fragment.position or (None, None)
    return ReportRow(
        site=photo.site.name,
        visit_on=photo.taken_at.date() if photo.taken_at else None,
        taken_at=photo.taken_at,
        photo=photo.photo,
        sha256=photo.sha256,
        fragment=name,
        genotype=genotypes.get(name, ""),
        row=row,
        column=column,
        label=fragment.label,
        status=fragment.status,
        live_mm2=fragment.live.area_mm2,
        live_expanded_mm2=fragment.live.expanded_mm2,
        live_shared_u_mm2=math.hypot(*(term.u_mm2 for term in fragment.live.terms if term.shared)),
        bleached_mm2=fragment.bleached_mm2,
        dead_mm2=fragment.dead_mm2,
        plug_radius_mm=fragment.plug_radius_mm,
        centre_mm=fragment.centre_mm,
        edge_height_mm=fragment.edge_height_mm,
        mm_per_px=photo.mm_per_px,
        tilt_deg=photo.tilt_deg,
        doubts=fragment.doubts,
        photo_doubts=photo.doubts,
        software_version=software_version,
        settings_hash=photo.settings_hash,
        last_check=last_check,
    )


@dataclass(frozen=True)
class Visit:
    """All rows of one site on one day, in order of place.

    Attributes
    ----------
    site : str
    on : date or None
    rows : tuple of ReportRow
    """

    site: str
    on: date | None
    rows: tuple[ReportRow, ...]

    @property
    def title(self) -> str:
        """Site and day in words."""
        return f"{self.site or 'no site'} · {self.on.isoformat() if self.on else 'date unknown'}"

    @property
    def photo_doubts(self) -> tuple[Doubt, ...]:
        """Doubts about whole photos of the visit, without repeats."""
        return tuple(dict.fromkeys(doubt for row in self.rows for doubt in row.photo_doubts))


def visits_of(rows: Iterable[ReportRow]) -> tuple[Visit, ...]:
    """Group rows by site and day, sites by name, days in order, undated last."""
    ordered = sorted(rows, key=lambda row: (_visit_key(row), row_key(row)))
    return tuple(
        Visit(group[0].site, group[0].visit_on, group)
        for group in (tuple(members) for _, members in groupby(ordered, key=_visit_key))
    )


def _visit_key(row: ReportRow) -> tuple[object, ...]:
    return visit_order(row.site, row.visit_on)


def visit_order(site: str, on: date | None) -> tuple[object, ...]:
    """Sort key of a visit: sites by name, days in order, undated last."""
    return natural_key(site), site, on is None, on or date.min


def row_key(row: ReportRow) -> tuple[object, ...]:
    """Order within a visit: tray positions first, then labels, then names, then photos."""
    on_tray = row.row is not None and row.column is not None
    return not on_tray, row.row or 0, row.column or 0, natural_key(row.label), natural_key(row.fragment), row.photo


def sum_area(rows: Sequence[ReportRow]) -> tuple[float, float]:
    """Sum of the live areas and its expanded uncertainty, both in mm2.

    A fragment that stands on several photos of the visit counts once, with the mean of its areas; what a person
    marked wrong does not count.

    Parameters
    ----------
    rows : sequence of ReportRow
        Of one visit.

    Notes
    -----
    Errors that all fragments of a photo share add up as they are, the others in squares (JCGM 100:2008, equations
    13 and 16 with correlations 1 and 0). Shared parts of different photos are taken as shared too, which can only
    make the interval wider.
    """
    area = shared = own_squares = 0.0
    for members in counted_together(rows):
        area += math.fsum(row.live_mm2 for row in members) / len(members)
        parts = [_parts(row) for row in members]
        shared += math.fsum(part for part, _ in parts) / len(parts)
        own_squares += math.fsum(own**2 for _, own in parts) / len(parts) ** 2
    return area, COVERAGE_FACTOR * math.hypot(shared, math.sqrt(own_squares))


def counted_together(rows: Iterable[ReportRow]) -> list[list[ReportRow]]:
    """The rows of a visit that count in sums, those of one fragment together."""
    groups: dict[object, list[ReportRow]] = {}
    for row in rows:
        if not row.marked_wrong:
            groups.setdefault(row.fragment or (row.place if row.place else id(row)), []).append(row)
    return list(groups.values())


def _parts(row: ReportRow) -> tuple[float, float]:
    """Shared and own standard uncertainty of a row; all of it shared when that is not known."""
    u = row.live_expanded_mm2 / COVERAGE_FACTOR
    if math.isnan(row.live_shared_u_mm2):
        return u, 0.0
    shared = min(row.live_shared_u_mm2, u)
    return shared, math.sqrt(max(0.0, u**2 - shared**2))
