"""Between the records of the program and the columns of the tables; no database here."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, fields
from datetime import UTC, datetime, timedelta, timezone
from enum import Enum
from typing import Any, TypeVar

import shapely
import sqlalchemy as sa
from shapely import MultiPolygon

from fragarea.area.records import AreaEstimate, BudgetTerm
from fragarea.doubts import Doubt
from fragarea.logbook.records import FragmentVisit, Place, Refusal, place_of
from fragarea.measurement import FragmentMeasurement, FragmentStatus, MeasureSettings, PhotoMeasurement
from fragarea.photo.records import CameraInfo
from fragarea.reference.stored import plane_from_dict, plane_to_dict
from fragarea.sites.records import SiteDescription, SiteKind

Row = Mapping[str, Any] | sa.RowMapping
Columns = dict[str, Any]

MEASURED, REFUSED = "measured", "refused"

_Record = TypeVar("_Record")


def plain(value: Any) -> Any:
    """The same value in what JSON knows; nan and infinity become null, which every database's JSON accepts."""
    if isinstance(value, Enum):
        return plain(value.value)
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): plain(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [plain(part) for part in value]
    if value is None or isinstance(value, str | int):
        return value
    return str(value)


def utc_text(moment: datetime) -> str:
    """A moment as UTC text of constant length, so that text order is time order."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds")


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else float(value)


def _or_none(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


# photos and their measurement


def photo_columns(measurement: PhotoMeasurement) -> Columns:
    """What the content of a photo says about itself, whatever the settings."""
    camera = measurement.camera
    return {
        "camera_make": camera.make,
        "camera_model": camera.model,
        "focal_equiv_mm": camera.focal_equiv_mm,
        "focal_mm": camera.focal_mm,
        "width_px": measurement.width_px,
        "height_px": measurement.height_px,
    }


def measurement_columns(measurement: PhotoMeasurement) -> Columns:
    """Columns of a measured photo, without those that the logbook itself keeps."""
    return {
        "photo": measurement.photo,
        "outcome": MEASURED,
        "settings_hash": measurement.settings_hash,
        "settings": plain(asdict(measurement.settings)),
        "site_settings": plain(asdict(measurement.site)),
        "site": measurement.site.name,
        **_taken_at_columns(measurement.taken_at),
        "taken_at_source": measurement.taken_at_source,
        "method": measurement.method,
        "reference": measurement.reference,
        "mm_per_px": _or_none(measurement.mm_per_px),
        "camera_height_mm": measurement.camera_height_mm,
        "tilt_deg": measurement.tilt_deg,
        "plug_top_mm": _or_none(measurement.plug_top_mm),
        "plug_top_source": measurement.plug_top_source,
        "tags_seen": measurement.tags_seen,
        "tags_used": measurement.tags_used,
        "rms_px": _or_none(measurement.rms_px),
        "plane": plane_to_dict(measurement.plane) if measurement.plane is not None else None,
        "try_again": False,
    }


def refusal_columns(refusal: Refusal, settings_hash: str) -> Columns:
    """Columns of a refused photo, without those that the logbook itself keeps."""
    return {
        "photo": refusal.photo,
        "outcome": REFUSED,
        "settings_hash": settings_hash,
        **_taken_at_columns(refusal.taken_at),
        "refused_kind": refusal.kind,
        "refused_cause": refusal.cause,
        "refused_remedy": refusal.remedy,
        "try_again": refusal.try_again,
    }


def measurement_of(
    row: Row, fragments: tuple[FragmentMeasurement, ...], doubts: tuple[Doubt, ...]
) -> PhotoMeasurement:
    """The measurement that a row of measurements joined with its photo holds."""
    return PhotoMeasurement(
        photo=row["photo"],
        sha256=row["sha256"],
        taken_at=taken_at_of(row),
        taken_at_source=row["taken_at_source"],
        camera=CameraInfo(row["camera_make"], row["camera_model"], row["focal_equiv_mm"], row["focal_mm"]),
        width_px=row["width_px"],
        height_px=row["height_px"],
        site=_site_of(row["site_settings"]),
        settings_hash=row["settings_hash"],
        method=row["method"],
        reference=row["reference"],
        mm_per_px=_or_nan(row["mm_per_px"]),
        camera_height_mm=row["camera_height_mm"],
        tilt_deg=row["tilt_deg"],
        plug_top_mm=_or_nan(row["plug_top_mm"]),
        plug_top_source=row["plug_top_source"],
        tags_seen=row["tags_seen"],
        tags_used=row["tags_used"],
        rms_px=_or_nan(row["rms_px"]),
        plane=plane_from_dict(row["plane"]) if row["plane"] else None,
        fragments=fragments,
        doubts=doubts,
        settings=_from_plain(MeasureSettings, row["settings"]),
    )


def refusal_of(row: Row) -> Refusal:
    """The refusal that a row holds."""
    return Refusal(
        photo=row["photo"],
        cause=row["refused_cause"],
        remedy=row["refused_remedy"],
        kind=row["refused_kind"],
        try_again=bool(row["try_again"]),
        taken_at=taken_at_of(row),
    )


def taken_at_of(row: Row) -> datetime | None:
    """When the photo was taken; aware where the offset was known."""
    if row["taken_at"] is None:
        return None
    moment = datetime.fromisoformat(row["taken_at"])
    offset = row["utc_offset_min"]
    return moment if offset is None else moment.replace(tzinfo=timezone(timedelta(minutes=offset)))


def _taken_at_columns(moment: datetime | None) -> Columns:
    if moment is None:
        return {"taken_at": None, "utc_offset_min": None}
    offset = moment.utcoffset()
    minutes = None if offset is None else offset / timedelta(minutes=1)
    return {"taken_at": moment.replace(tzinfo=None).isoformat(), "utc_offset_min": minutes}


def _site_of(data: Mapping[str, Any]) -> SiteDescription:
    return _from_plain(SiteDescription, {**data, "kind": SiteKind(data["kind"])})


def _from_plain(kind: type[_Record], data: Mapping[str, Any]) -> _Record:
    """A settings record as it was; fields that came later take their defaults, those since removed are left out."""
    known = {field.name for field in fields(kind)}  # type: ignore[arg-type]
    return kind(**{name: _tuples(value) for name, value in data.items() if name in known})


def _tuples(value: Any) -> Any:
    return tuple(_tuples(part) for part in value) if isinstance(value, list) else value


# fragments


def fragment_columns(fragment: FragmentMeasurement, names: Mapping[Place, str]) -> Columns:
    """Columns of one measured fragment."""
    row_number, column_number = fragment.position or (None, None)
    return {
        "fragment": names.get(place_of(fragment)) or None,
        "row_number": row_number,
        "column_number": column_number,
        "label": fragment.label,
        "centre_x_mm": float(fragment.centre_mm[0]),
        "centre_y_mm": float(fragment.centre_mm[1]),
        "plug_radius_mm": fragment.plug_radius_mm,
        "status": fragment.status.value,
        "area_mm2": _or_none(fragment.live.area_mm2),
        "area_u_mm2": _or_none(fragment.live.area_u_mm2),
        "expanded_mm2": _or_none(fragment.live.expanded_mm2),
        # written out: some two hundred terms a photo, and asdict would take half the time of recording it
        "budget": [{"name": t.name, "u_mm2": _or_none(t.u_mm2), "shared": t.shared} for t in fragment.live.terms],
        "bleached_mm2": _or_none(fragment.bleached_mm2),
        "dead_mm2": _or_none(fragment.dead_mm2),
        "edge_height_mm": _or_none(fragment.edge_height_mm),
        "confidence": _or_none(fragment.confidence),
    }


def outline_columns(fragments: Sequence[FragmentMeasurement]) -> list[Columns]:
    """Outlines of each fragment as well-known binary (OGC 06-103r4), little-endian, coordinates exact."""
    shapes = [[part.outline_live, part.outline_bleached, part.outline_dead] for part in fragments]
    names = ("live_mm_wkb", "bleached_mm_wkb", "dead_mm_wkb")
    return [dict(zip(names, row, strict=True)) for row in _to_wkb(shapes).tolist()]


def wkb(outline: MultiPolygon) -> bytes:
    """Well-known binary of an outline, the same bytes on every machine."""
    return bytes(_to_wkb(outline))


def _to_wkb(outlines: Any) -> Any:
    return shapely.to_wkb(outlines, byte_order=1, output_dimension=2)


def fragment_of(row: Row, doubts: tuple[Doubt, ...]) -> FragmentMeasurement:
    """The fragment that a row of fragment_measurements holds, joined with its outlines where those are wanted."""
    return FragmentMeasurement(
        position=_position_of(row),
        label=row["label"],
        centre_mm=(row["centre_x_mm"], row["centre_y_mm"]),
        plug_radius_mm=row["plug_radius_mm"],
        status=FragmentStatus(row["status"]),
        live=AreaEstimate(
            _or_nan(row["area_mm2"]),
            _or_nan(row["area_u_mm2"]),
            _or_nan(row["expanded_mm2"]),
            tuple(BudgetTerm(term["name"], _or_nan(term["u_mm2"]), term["shared"]) for term in row["budget"]),
        ),
        bleached_mm2=_or_nan(row["bleached_mm2"]),
        dead_mm2=_or_nan(row["dead_mm2"]),
        outline_live=outline_of(row.get("live_mm_wkb")),
        outline_bleached=outline_of(row.get("bleached_mm_wkb")),
        outline_dead=outline_of(row.get("dead_mm_wkb")),
        edge_height_mm=_or_nan(row["edge_height_mm"]),
        confidence=_or_nan(row["confidence"]),
        doubts=doubts,
    )


def outline_of(data: bytes | None) -> MultiPolygon:
    """The outline in these bytes; empty where none was read."""
    if data is None:
        return MultiPolygon()
    outline = shapely.from_wkb(data)
    if not isinstance(outline, MultiPolygon):
        raise ValueError(f"an outline must be a MultiPolygon; got {outline.geom_type}")
    return outline


def visit_of(row: Row, doubts: tuple[Doubt, ...]) -> FragmentVisit:
    """The point of a fragment's history that a row of fragment_measurements joined with measurements holds."""
    return FragmentVisit(
        fragment_id=row["fragment_id"],
        measurement_id=row["measurement_id"],
        fragment=row["fragment"],
        site=row["site"],
        position=_position_of(row),
        label=row["label"],
        taken_at=taken_at_of(row),
        photo=row["photo"],
        sha256=row["sha256"],
        status=FragmentStatus(row["status"]),
        area_mm2=_or_nan(row["area_mm2"]),
        area_u_mm2=_or_nan(row["area_u_mm2"]),
        expanded_mm2=_or_nan(row["expanded_mm2"]),
        bleached_mm2=_or_nan(row["bleached_mm2"]),
        dead_mm2=_or_nan(row["dead_mm2"]),
        doubts=doubts,
    )


def _position_of(row: Row) -> tuple[int, int] | None:
    return None if row["row_number"] is None else (row["row_number"], row["column_number"])
