"""A small drawn tray with records as the pipeline would make them."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import cv2
import numpy as np
from shapely import MultiPolygon, Point, Polygon

from fragarea.area.records import AreaEstimate, BudgetTerm
from fragarea.doubts import Doubt
from fragarea.measurement import FragmentMeasurement, FragmentStatus, MeasureSettings, PhotoMeasurement
from fragarea.photo.records import CameraInfo
from fragarea.reference.plane import CameraPose
from fragarea.report.rows import ReportRow, rows_of
from fragarea.sites.records import SiteDescription, SiteKind

WIDTH, HEIGHT = 1600, 1200
TISSUE = (20, 160, 40)
PITCH_MM = 30.0
K = np.array([[1800.0, 0, 799.5], [0, 1800.0, 599.5], [0, 0, 1]])
TAKEN = datetime(2026, 3, 7, 10, 15, 30)


def pose(tilt_deg: float = 4.0, turn_deg: float = 7.0) -> CameraPose:
    """A camera 400 mm above the middle of a 280 x 220 mm reference."""
    about_x, _ = cv2.Rodrigues(np.radians([tilt_deg, 0.0, 0.0]))
    about_z, _ = cv2.Rodrigues(np.radians([0.0, 0.0, turn_deg]))
    rotation = about_x @ about_z
    return CameraPose(K, np.zeros(5), rotation, np.array([0, 0, 400.0]) - rotation @ np.array([140.0, 110.0, 0.0]))


def estimate(area_mm2: float, *, shared_u_mm2: float = 0.6, own_u_mm2: float = 2.0) -> AreaEstimate:
    u = float(np.hypot(shared_u_mm2, own_u_mm2))
    terms = (BudgetTerm("scale", shared_u_mm2, True), BudgetTerm("outline", own_u_mm2, False))
    return AreaEstimate(area_mm2, u, 1.96 * u, terms)


def blob(centre_mm: tuple[float, float], radius_mm: float, lobes: int = 5) -> Polygon:
    turn = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    radius = radius_mm * (1 + 0.15 * np.cos(lobes * turn))
    return Polygon(np.column_stack([radius * np.cos(turn), radius * np.sin(turn)]) + centre_mm)


def fragment(position: tuple[int, int] | None = (1, 1), label: str = "", **changes: object) -> FragmentMeasurement:
    """A live fragment on a plug of 25 mm, at its place on the tray."""
    row, column = position or (1, 1)
    centre = (35.0 + PITCH_MM * (column - 1), 50.0 + PITCH_MM * (row - 1))
    live = MultiPolygon([blob(centre, 5.5 + 0.4 * ((row + column) % 4))])
    made = FragmentMeasurement(
        position=position,
        label=label,
        centre_mm=centre,
        plug_radius_mm=12.5,
        status=FragmentStatus.LIVE,
        live=estimate(live.area),
        bleached_mm2=0.0,
        dead_mm2=0.0,
        outline_live=live,
        outline_bleached=MultiPolygon(),
        outline_dead=MultiPolygon(),
        edge_height_mm=4.5,
        confidence=0.9,
    )
    return replace(made, **changes)


def missing(position: tuple[int, int]) -> FragmentMeasurement:
    nothing = AreaEstimate(0.0, 0.0, 0.0, ())
    return fragment(
        position,
        status=FragmentStatus.MISSING,
        live=nothing,
        outline_live=MultiPolygon(),
        plug_radius_mm=None,
        doubts=(Doubt("plug_missing"),),
    )


def tray(rows: int = 5, columns: int = 8) -> tuple[FragmentMeasurement, ...]:
    """A full tray with one fragment missing, one doubtful, one bleached and one partly dead."""
    made = {(r, c): fragment((r, c)) for r in range(1, rows + 1) for c in range(1, columns + 1)}
    made[(1, 2)] = missing((1, 2))
    made[(2, 1)] = replace(made[(2, 1)], doubts=(Doubt("rim_unsure"), Doubt("outline_unsure", "confidence 0.42")))
    whole = made[(2, 2)]
    half = Point(whole.centre_mm).buffer(4.0)
    made[(2, 2)] = replace(whole, outline_bleached=MultiPolygon([half]), bleached_mm2=half.area)
    made[(1, 1)] = replace(
        made[(1, 1)],
        status=FragmentStatus.PARTLY_DEAD,
        outline_dead=MultiPolygon([Point(made[(1, 1)].centre_mm).buffer(9.0).difference(made[(1, 1)].outline_live)]),
        dead_mm2=120.0,
    )
    return tuple(made.values())


def measured(fragments: tuple[FragmentMeasurement, ...] | None = None, **changes: object) -> PhotoMeasurement:
    """A measured photo; its plane is :func:`pose`."""
    made = PhotoMeasurement(
        photo="IMG_0412.jpg",
        sha256="ab" * 32,
        taken_at=TAKEN,
        taken_at_source="exif",
        camera=CameraInfo(),
        width_px=WIDTH,
        height_px=HEIGHT,
        site=SiteDescription(kind=SiteKind.TRAY, name="TRAY-1"),
        settings=MeasureSettings(),
        settings_hash="0123456789abcdef",
        method="tags",
        reference="frame-280x220",
        mm_per_px=0.2222,
        camera_height_mm=400.0,
        tilt_deg=4.0,
        plug_top_mm=4.0,
        plug_top_source="given",
        tags_seen=12,
        tags_used=12,
        rms_px=0.2,
        fragments=tray() if fragments is None else fragments,
        doubts=(Doubt("print_unchecked"),),
        plane=pose(),
    )
    return replace(made, **changes)


def drawn(photo: PhotoMeasurement) -> np.ndarray:
    """The photo that the records describe: green tissue on white plugs on dark ground."""
    pixels = np.full((HEIGHT, WIDTH, 3), 40, np.uint8)
    for item in photo.fragments:
        fill(pixels, photo, np.asarray(Point(item.centre_mm).buffer(12.5).exterior.coords), 4.0, (230, 230, 225))
    for item in photo.fragments:
        for polygon in item.outline_live.geoms:
            fill(pixels, photo, np.asarray(polygon.exterior.coords), item.edge_height_mm, TISSUE)
    return pixels


def fill(pixels: np.ndarray, photo: PhotoMeasurement, ring_mm: np.ndarray, height_mm: float, colour: tuple) -> None:
    assert photo.plane is not None
    points = np.round(photo.plane.project(ring_mm, height_mm) * 16).astype(np.int32)
    cv2.fillPoly(pixels, [points.reshape(-1, 1, 2)], colour, cv2.LINE_8, 4)


def rows(photo: PhotoMeasurement | None = None, **details: object) -> tuple[ReportRow, ...]:
    """Rows of a measured photo, every place named F1, F2 ... unless told otherwise."""
    photo = measured() if photo is None else photo
    names = {f.position or f.label: f"F{i}" for i, f in enumerate(photo.fragments, start=1)}
    details = {"software_version": "0.1.0", "names": names, "genotypes": {"F1": "G3"}} | details
    return rows_of(photo, **details)
