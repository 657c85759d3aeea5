"""The columns of every exported table, each with its unit and its explanation."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime

from fragarea.measurement import FragmentStatus
from fragarea.report.rows import ReportRow

Value = str | int | float | date | datetime | None


@dataclass(frozen=True)
class Column:
    """One column.

    Attributes
    ----------
    header : str
        With the unit at its end; stable, so that scripts can rely on it.
    meaning : str
        For the notes of a workbook.
    value : function of a ReportRow
    decimals : int
        Of numbers in a file: finer than any uncertainty, so that nothing is rounded twice.
    measured : bool
        Whether it is an area of the fragment; left empty for a missing one, whose 0 nobody measured.
    typed : bool
        Whether it holds text that a user chose, which may begin like a formula.
    """

    header: str
    meaning: str
    value: Callable[[ReportRow], Value]
    decimals: int = 0
    measured: bool = False
    typed: bool = False

    def of(self, row: ReportRow) -> Value:
        """The value; empty where it is no finite number, and for what a missing fragment cannot have."""
        if self.measured and row.status is FragmentStatus.MISSING:
            return None
        value = self.value(row)
        return None if isinstance(value, float) and not math.isfinite(value) else value


def _offset(row: ReportRow) -> str:
    text = row.taken_at.strftime("%z") if row.taken_at else ""
    return f"{text[:3]}:{text[3:5]}" if text else ""


def _titles(row: ReportRow, *, whole_photo: bool) -> str:
    return "; ".join(str(doubt) for doubt in (row.photo_doubts if whole_photo else row.doubts))


COLUMNS: tuple[Column, ...] = (
    Column("site", "Tray, pad or place of single plugs.", lambda r: r.site, typed=True),
    Column("visit_date", "Day on which the photo was taken.", lambda r: r.visit_on),
    Column("taken_at", "Local time at which the photo was taken.", lambda r: r.taken_at),
    Column("utc_offset", "Offset of that time from UTC; empty when the photo does not tell.", _offset),
    Column("photo", "File name of the photo.", lambda r: r.photo, typed=True),
    Column("photo_sha256", "Hash of the photo's bytes: its identity.", lambda r: r.sha256),
    Column(
        "fragment",
        "Name of the fragment by the placements; empty when none is recorded.",
        lambda r: r.fragment,
        typed=True,
    ),
    Column("genotype", "Genotype of the fragment.", lambda r: r.genotype, typed=True),
    Column("row", "Row on the tray, from 1.", lambda r: r.row),
    Column("column", "Column on the tray, from 1.", lambda r: r.column),
    Column("label", "Place on a pad, or id of a known shape.", lambda r: r.label, typed=True),
    Column("status", "live, partly dead, dead or missing.", lambda r: r.status.value),
    Column(
        "live_area_cm2",
        "Planar area of live tissue, bleached tissue included.",
        lambda r: r.live_mm2 / 100,
        5,
        True,
    ),
    Column(
        "live_area_u95_cm2",
        "Expanded uncertainty of the live area: with 95 % confidence the area lies within plus or minus this.",
        lambda r: r.live_expanded_mm2 / 100,
        5,
        True,
    ),
    Column(
        "live_area_u_shared_cm2",
        "The part of its standard uncertainty that all fragments of the photo share (scale, print, height).",
        lambda r: r.live_shared_u_mm2 / 100,
        5,
        True,
    ),
    Column(
        "bleached_area_cm2",
        "Planar area of bleached tissue: live, but white.",
        lambda r: r.bleached_mm2 / 100,
        5,
        True,
    ),
    Column("dead_area_cm2", "Planar area of bare skeleton.", lambda r: r.dead_mm2 / 100, 5, True),
    Column(
        "plug_coverage_percent",
        "Live area over the area of the plug's top; empty without a fitted rim.",
        lambda r: r.plug_coverage_percent,
        2,
        True,
    ),
    Column("centre_x_mm", "Middle of the plug, to the right in the reference's axes.", lambda r: r.centre_mm[0], 3),
    Column("centre_y_mm", "Middle of the plug, downwards in the reference's axes.", lambda r: r.centre_mm[1], 3),
    Column("edge_height_mm", "Height of the tissue's edge above the reference plane.", lambda r: r.edge_height_mm, 3),
    Column("scale_mm_per_px", "Length that one pixel covers on the reference plane.", lambda r: r.mm_per_px, 6),
    Column("tilt_deg", "Angle between the camera's view and the vertical.", lambda r: r.tilt_deg, 2),
    Column(
        "needs_look",
        "yes when a doubt about the fragment asks for a look.",
        lambda r: "yes" if r.needs_look else "no",
    ),
    Column(
        "marked_wrong",
        "yes when a person said that this measurement does not count; the doubts tell who and why.",
        lambda r: "yes" if r.marked_wrong else "no",
    ),
    Column("doubts", "Doubts about the fragment, see the list of doubts.", lambda r: _titles(r, whole_photo=False)),
    Column("photo_doubts", "Doubts about the whole photo.", lambda r: _titles(r, whole_photo=True)),
    Column("software_version", "Version of fragarea that measured.", lambda r: r.software_version),
    Column(
        "settings_hash", "Hash of everything besides the photo that changes its numbers.", lambda r: r.settings_hash
    ),
    Column("last_check", "The last known-area check before the measurement.", lambda r: r.last_check),
)

HEADERS: tuple[str, ...] = tuple(column.header for column in COLUMNS)

UNCERTAINTY_NOTES = (
    "Areas are planar: the outline of the tissue projected straight down, not its surface.",
    "The uncertainty is expanded by 1.96 (95 %) and combines scale, print, height, outline and lens after "
    "JCGM 100:2008.",
    "Numbers in this table are not rounded to their uncertainty, so that rates can be computed from them; round "
    "results once, at the end.",
    "When areas of one photo are added, the shared part of their uncertainty adds up as it is, the rest in squares.",
    "The areas of a missing fragment are left empty.",
)
