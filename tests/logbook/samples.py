"""Measurements as the pipeline would make them, and a logbook's content without what differs from run to run."""

from __future__ import annotations

import hashlib
import sqlite3
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from shapely import MultiPolygon, Point, Polygon

from fragarea.area.records import AreaEstimate, BudgetTerm
from fragarea.doubts import Doubt
from fragarea.measurement import (
    FragmentMeasurement,
    FragmentStatus,
    MeasureSettings,
    PhotoMeasurement,
    settings_hash,
)
from fragarea.photo.records import CameraInfo
from fragarea.reference.plane import CameraPose
from fragarea.sites.records import SiteDescription, SiteKind

TAKEN = datetime(2026, 3, 7, 10, 15, 30)
TRAY = SiteDescription(kind=SiteKind.TRAY, name="TRAY-1", rows=5, columns=8, pitch_mm=27.0)


def fragment(
    position: tuple[int, int] | None = (1, 1), area_mm2: float = 100.0, **changes: Any
) -> FragmentMeasurement:
    """A disc of live tissue, one quarter bleached, with a hole of dead skeleton."""
    row, column = position or (1, 1)
    centre = (27.0 * column + 0.1, 27.0 * row + 0.2)
    radius = float(np.sqrt(area_mm2 / np.pi)) if area_mm2 > 0 else 0.0
    disc = Point(centre).buffer(radius, quad_segs=4)
    hole = Point(centre).buffer(radius / 5, quad_segs=2)
    live = MultiPolygon([Polygon(disc.exterior, [hole.exterior])]) if radius else MultiPolygon()
    made = FragmentMeasurement(
        position=position,
        label="",
        centre_mm=centre,
        plug_radius_mm=12.5,
        status=FragmentStatus.LIVE,
        live=AreaEstimate(area_mm2, 1.0, 1.96, (BudgetTerm("scale", 0.6, True), BudgetTerm("outline", 0.8, False))),
        bleached_mm2=area_mm2 / 4,
        dead_mm2=3.0,
        outline_live=live,
        outline_bleached=MultiPolygon(),
        outline_dead=MultiPolygon([hole]) if radius else MultiPolygon(),
        edge_height_mm=4.5,
        confidence=0.9,
    )
    return replace(made, **changes)


def measured(content: str = "one", **changes: Any) -> PhotoMeasurement:
    """A measured photo of a tray with two fragments; `content` stands for the bytes of its file."""
    made = PhotoMeasurement(
        photo="IMG_0412.jpg",
        sha256=hashlib.sha256(content.encode()).hexdigest(),
        taken_at=TAKEN,
        taken_at_source="exif",
        camera=CameraInfo("maker", "model", 26.0, None),
        width_px=1600,
        height_px=1200,
        site=TRAY,
        settings=MeasureSettings(),
        settings_hash="",
        method="tags",
        reference="frame-280x220",
        mm_per_px=0.2222,
        camera_height_mm=400.0,
        tilt_deg=4.0,
        plug_top_mm=4.0,
        plug_top_source="given",
        tags_seen=12,
        tags_used=11,
        rms_px=0.2,
        fragments=(
            fragment((1, 1), 100.0),
            fragment((1, 2), 80.0, doubts=(Doubt("outline_unsure", "confidence 0.42"), Doubt("rim_unsure"))),
        ),
        doubts=(Doubt("print_unchecked"),),
        plane=CameraPose(np.eye(3), np.zeros(5), np.eye(3), np.array([1.0, 2.0, 400.0])),
    )
    made = replace(made, **changes)
    return (
        made if "settings_hash" in changes else replace(made, settings_hash=settings_hash(made.site, made.settings))
    )


_LINKS = {"measurement_id": "measurements", "fragment_measurement_id": "fragment_measurements"}
_REMEMBERED = {"file_hashes", "packed_areas", "compared_visits"}
"""Tables that can be emptied at any time."""
_NOT_COMPARED = {"recorded_at_utc", "first_seen_at_utc", "edited_at_utc", "id", "supersedes"}


def content_of(file: Path) -> dict[str, list[tuple[Any, ...]]]:
    """Rows of every table, sorted, with times left out and row numbers replaced by what they point to."""
    connection = sqlite3.connect(file)
    connection.row_factory = sqlite3.Row
    try:
        names = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        rows = {name: [dict(row) for row in connection.execute(f'SELECT * FROM "{name}"')] for name in names}
    finally:
        connection.close()
    return {
        name: sorted((_comparable(row, rows) for row in rows[name]), key=repr)
        for name in names
        if name not in _REMEMBERED
    }


def _comparable(row: dict[str, Any], rows: dict[str, list[dict[str, Any]]]) -> tuple[Any, ...]:
    kept = {key: value for key, value in row.items() if key not in _NOT_COMPARED and key not in _LINKS}
    for key in _LINKS.keys() & row.keys():
        kept[key] = _named(rows, _LINKS[key], row[key])
    if "supersedes" in row:
        kept["supersedes"] = _named(rows, "measurements", row["supersedes"])
    return tuple(sorted(kept.items()))


def _named(rows: dict[str, list[dict[str, Any]]], table: str, number: int | None) -> tuple[Any, ...] | None:
    if number is None:
        return None
    row = next(one for one in rows[table] if one["id"] == number)
    if table == "measurements":
        return (row["sha256"], row["path"], row["outcome"], row["settings_hash"])
    return (_named(rows, "measurements", row["measurement_id"]), row["number"])
