"""The picture by which a worker checks a photo at a glance: outlines, names, areas, doubts."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image as PillowImage
from PIL import ImageDraw
from shapely import MultiPolygon

from fragarea.doubts import DOUBTS, Doubt
from fragarea.measurement import FragmentMeasurement, FragmentStatus, PhotoMeasurement
from fragarea.reference.plane import PlaneMap
from fragarea.report.fonts import printable
from fragarea.report.labels import Label, Lettering, Plate, place_labels
from fragarea.report.rounding import round_area
from fragarea.report.strips import ALARM, INK, StripLine, key_strip, text_strip
from fragarea.report.strokes import BLEACHED, DEAD, DOUBT_RING, LIVE, PLACE, Image, Points, circle, draw_lines
from fragarea.report.words import (
    Place,
    area_or_state,
    by_weight,
    fragment_name,
    needs_look,
    place_key,
    when_words,
)

# Shares of the picture's longer side. At 2000 px the smallest label is 28 px high: on a phone that shows the
# picture 65 mm wide, about 0.9 mm, still a readable line, and two fingers enlarge it.
SMALLEST_TEXT = 0.014
LARGEST_TEXT = 0.022
STRIP_TEXT = 0.018
STROKE = 0.0011
THINNEST_PX = 2
NAME_LENGTHS = (14, 9)  # characters on a label, where there is room and where there is not
EDGE_STEP_PX = 6.0  # spacing of the edge points that labels keep clear of

WIDEST_RING_PLUGS = 1.15  # of a plug's radius: plugs of a pad stand a little apart
MARGIN_MM = 9.0  # shown around the outermost plugs
BLEACHED_SHARE = 0.05  # of the live area; below, a few pale pixels are no news
MOST_ENLARGED = 2.5  # beyond, enlarging shows blur and no edge


@dataclass(frozen=True)
class _View:
    """The part of a photo that is shown, and its enlargement."""

    left: int
    top: int
    right: int
    bottom: int
    scale: float

    @property
    def size_px(self) -> tuple[int, int]:
        width, height = self.right - self.left, self.bottom - self.top
        return max(1, round(width * self.scale)), max(1, round(height * self.scale))

    def cut(self, pixels: Image) -> Image:
        part = pixels[self.top : self.bottom, self.left : self.right]
        how = cv2.INTER_AREA if self.scale < 1 else cv2.INTER_CUBIC
        return np.asarray(cv2.resize(part, self.size_px, interpolation=how), dtype=np.uint8)

    def place(self, points_px: Points) -> Points:
        # pixel centres are whole numbers, so edges lie at halves
        return np.asarray((points_px - (self.left, self.top) + 0.5) * self.scale - 0.5, dtype=float)


def draw_overlay(
    pixels: Image,
    measurement: PhotoMeasurement,
    *,
    max_side_px: int = 2000,
    names: Mapping[Place, str] | None = None,
) -> Image:
    """Draw the outlines, names, areas and doubts of one photo.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
        The upright photo; not changed.
    measurement : PhotoMeasurement
        With its plane.
    max_side_px : int
        Longest side of the photo's part; the strips of text above and below come on top.
    names : mapping of place to name
        Recorded name of the fragment at a (row, column) or label.

    Returns
    -------
    ndarray of uint8, shape (rows, columns, 3)
        sRGB. Shown is the part of the photo around the fragments, because a tray often fills less than half of a
        photo and labels would be too small to read on a phone.

    Raises
    ------
    ValueError
        If the measurement has no plane (read back from a logbook), or the pixels are not an RGB image.
    """
    if measurement.plane is None:
        raise ValueError("measurement.plane is None; measure the photo again to draw on it")
    if pixels.ndim != 3 or pixels.shape[2] != 3 or pixels.dtype != np.uint8 or 0 in pixels.shape:
        raise ValueError(f"pixels must be uint8 of shape (rows, columns, 3); got {pixels.dtype} {pixels.shape}")
    fragments = sorted(measurement.fragments, key=place_key)
    view = _view(measurement.plane, fragments, measurement, pixels.shape, max_side_px)
    canvas = view.cut(pixels)
    side = max(view.size_px)
    drawn = [_Drawn(f, measurement.plane, view, measurement.site.plug_mm) for f in fragments]
    _draw_outlines(canvas, drawn, stroke_px=_stroke_px(side))
    _write_labels(canvas, drawn, names, side)
    size = max(12, round(STRIP_TEXT * side))
    width = canvas.shape[1]
    head = text_strip(header_lines(measurement), width, size)
    doubts = text_strip(doubt_lines(measurement, names), width, size)
    return np.vstack([head, canvas, _key(width, size, side), doubts])


class _Drawn:
    """A fragment in pixels of the picture."""

    def __init__(self, fragment: FragmentMeasurement, plane: PlaneMap, view: _View, plug_mm: float) -> None:
        self.fragment = fragment
        height = fragment.edge_height_mm

        def rings(shape: MultiPolygon) -> list[Points]:
            return [view.place(plane.project(ring, height)) for ring in rings_of(shape)]

        self.live, self.bleached, self.dead = (
            rings(shape) for shape in (fragment.outline_live, fragment.outline_bleached, fragment.outline_dead)
        )
        rim = view.place(plane.project(ring_mm(fragment, plug_mm), height))
        self.rim = rim if np.isfinite(rim).all() else np.zeros((1, 2))
        self.centre_px = (float(self.rim[:, 0].mean()), float(self.rim[:, 1].mean()))
        self.radius_px = float(np.hypot(*(self.rim - self.centre_px).T).mean())


def rings_of(shape: MultiPolygon) -> list[Points]:
    """Exterior and interior rings as arrays ``(n, 2)`` in mm, without the repeated last point."""
    return [
        np.asarray(ring.coords, dtype=float)[:-1, :2]
        for polygon in shape.geoms
        for ring in (polygon.exterior, *polygon.interiors)
    ]


def reach_mm(fragment: FragmentMeasurement, plug_mm: float, *, dead_within_mm: float = math.inf) -> float:
    """Radius of the circle around the fragment's middle that holds its plug and its tissue, in mm.

    Dead parts farther than `dead_within_mm` from the live tissue do not count, unless nothing is alive.
    """
    live, dead = fragment.outline_live, fragment.outline_dead
    if math.isfinite(dead_within_mm) and not live.is_empty:
        dead = MultiPolygon([part for part in dead.geoms if part.distance(live) <= dead_within_mm])
    rings = [*rings_of(live), *rings_of(dead)]
    tissue = max((float(np.hypot(*(ring - fragment.centre_mm).T).max()) for ring in rings), default=0.0)
    return max(tissue, fragment.plug_radius_mm or (0.0 if rings else plug_mm / 2))


def ring_mm(fragment: FragmentMeasurement, plug_mm: float) -> Points:
    """The plug's rim; where tissue has grown over it, a ring that leaves the neighbours' rings alone."""
    overgrown = min(reach_mm(fragment, plug_mm, dead_within_mm=0.0), WIDEST_RING_PLUGS * plug_mm / 2)
    return circle(fragment.centre_mm, fragment.plug_radius_mm or overgrown)


def _view(
    plane: PlaneMap,
    fragments: Sequence[FragmentMeasurement],
    measurement: PhotoMeasurement,
    shape: tuple[int, ...],
    max_side_px: int,
) -> _View:
    """The part of the photo around the fragments, not too slim; the whole photo when nothing was found."""
    height, width = shape[:2]
    rings = [
        plane.project(circle(f.centre_mm, reach_mm(f, measurement.site.plug_mm) + MARGIN_MM), f.edge_height_mm)
        for f in fragments
    ]
    whole = np.array([(0.0, 0.0), (width - 1.0, height - 1.0)])
    points = np.vstack([ring for ring in rings if np.isfinite(ring).all()] or [whole])
    low = np.clip(points.min(axis=0), 0, (width - 1, height - 1))
    high = np.clip(points.max(axis=0), 0, (width - 1, height - 1))
    spans = high - low
    slim = 0.62 * spans.max()  # a single row of plugs would leave no width for text
    low, high = low - np.maximum(0, slim - spans) / 2, high + np.maximum(0, slim - spans) / 2
    left, top = (max(0, int(np.floor(v))) for v in low)
    right, bottom = (min(end, int(np.ceil(v)) + 1) for end, v in zip((width, height), high, strict=True))
    if right - left < 16 or bottom - top < 16:  # everything lies outside the photo
        left, top, right, bottom = 0, 0, width, height
    scale = min(max_side_px / max(right - left, bottom - top), MOST_ENLARGED)
    return _View(left, top, right, bottom, scale)


def _draw_outlines(canvas: Image, drawn: Sequence[_Drawn], *, stroke_px: int) -> None:
    for item in drawn:
        if needs_look(item.fragment.doubts):
            draw_lines(canvas, [item.rim], DOUBT_RING, width_px=2 * stroke_px)
        elif item.fragment.status is FragmentStatus.MISSING:
            draw_lines(canvas, [item.rim], PLACE, width_px=stroke_px)
    # live over dead where they share an edge: it is the live area that is measured
    for style, kind in ((DEAD, "dead"), (LIVE, "live"), (BLEACHED, "bleached")):
        for item in drawn:
            draw_lines(canvas, getattr(item, kind), style, width_px=stroke_px)


def _stroke_px(side: int) -> int:
    return max(THINNEST_PX, round(STROKE * side))


def _write_labels(canvas: Image, drawn: Sequence[_Drawn], names: Mapping[Place, str] | None, side: int) -> None:
    largest, smallest = (max(8, round(share * side)) for share in (LARGEST_TEXT, SMALLEST_TEXT))
    sizes = sorted({largest, (largest + smallest) // 2, smallest}, reverse=True)
    labels = [_label(item, names) for item in drawn]
    lettering, plates = place_labels(labels, _edge_points(drawn), (canvas.shape[1], canvas.shape[0]), sizes)
    for label, plate in zip(labels, plates, strict=True):
        _write_plate(canvas, plate, lettering, alarmed=label.alarmed)


def _edge_points(drawn: Sequence[_Drawn]) -> Points:
    """Points along all outlines, evenly spaced."""
    rings = [r for item in drawn for r in (*item.live, *item.dead, *item.bleached) if np.isfinite(r).all()]
    return np.vstack([np.empty((0, 2)), *(_every(ring, EDGE_STEP_PX) for ring in rings)])


def _every(ring: Points, step_px: float) -> Points:
    closed = np.vstack([ring, ring[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = np.arange(0.0, along[-1], step_px)
    return np.column_stack([np.interp(at, along, closed[:, 0]), np.interp(at, along, closed[:, 1])])


def _label(item: _Drawn, names: Mapping[Place, str] | None) -> Label:
    name = printable(fragment_name(item.fragment, names))
    long, short = (_abridged(name, length) for length in NAME_LENGTHS)
    alarmed = needs_look(item.fragment.doubts)
    if alarmed:
        long, short = f"! {long}", f"! {short}"
    state = area_or_state(item.fragment)
    if state:
        forms: tuple[tuple[str, str], ...] = ((long, state), (long, state), (short, state), (short, state))
    else:
        value, u = round_area(item.fragment.live.area_mm2, item.fragment.live.expanded_mm2)
        forms = (
            (long, f"{value} ± {u} cm²"),
            (long, f"{value}±{u} cm²"),
            (short, f"{value}±{u} cm²"),
            (short, f"{value}±{u}"),
        )
    return Label(forms, item.centre_px, item.radius_px, alarmed)


def _abridged(name: str, length: int) -> str:
    """A name with its middle left out: names that share a beginning differ at the end."""
    if len(name) <= length:
        return name
    head = (length - 1) // 2
    return f"{name[:head].rstrip()}…{name[head + 1 - length :].lstrip()}"


def _write_plate(canvas: Image, plate: Plate, lettering: Lettering, *, alarmed: bool) -> None:
    left, top, right, bottom = (max(0, round(v)) for v in plate.box)
    part = canvas[top:bottom, left:right]
    # on a dense tray a plate lies over the next plug: its outline stays visible through the plate
    picture = PillowImage.fromarray((part * 0.35).astype(np.uint8))
    draw = ImageDraw.Draw(picture)
    if alarmed:
        frame_px = max(2, lettering.pad_px // 2)
        draw.rectangle([0, 0, picture.size[0] - 1, picture.size[1] - 1], outline=ALARM, width=frame_px)
    for i, line in enumerate(plate.lines):
        face = lettering.strong if i == 0 else lettering.plain
        at = (part.shape[1] / 2, lettering.pad_px + (i + 0.5) * lettering.step_px)
        draw.text(at, line, ALARM if alarmed else INK, font=face, anchor="mm")
    part[:] = np.asarray(picture)


def _key(width: int, size: int, side: int) -> Image:
    note = "planar area ± expanded uncertainty at 95 %, in cm²"
    return key_strip((LIVE, BLEACHED, DEAD), note, width, size, stroke_px=_stroke_px(side))


def header_lines(measurement: PhotoMeasurement) -> tuple[StripLine, ...]:
    """What stands above a picture: photo, date, site, scale, tilt, numbers measured and doubtful."""
    found = [f for f in measurement.fragments if f.status is not FragmentStatus.MISSING]
    counts = [f"{len(found)} measured"]
    for status in (FragmentStatus.DEAD, FragmentStatus.MISSING):
        number = sum(f.status is status for f in measurement.fragments)
        counts += [f"{number} {status.value}"] if number else []
    counts.append(f"{sum(needs_look(f.doubts) for f in measurement.fragments)} doubtful")
    scale = [f"{measurement.mm_per_px:.4g} mm/px by {_scale_by(measurement)}"]
    if measurement.tilt_deg is not None:
        scale.append(f"tilt {measurement.tilt_deg:.0f}°")
    where = " · ".join(part for part in (measurement.site.name, when_words(measurement.taken_at)) if part)
    return (
        StripLine(where, bold=True),
        StripLine(", ".join(counts), bold=True),
        StripLine(f"{measurement.photo} · {' · '.join(scale)}"),
    )


def _scale_by(measurement: PhotoMeasurement) -> str:
    if measurement.method != "tags":
        return measurement.method
    return f"{measurement.reference} ({measurement.tags_used} tags)"


def doubt_lines(measurement: PhotoMeasurement, names: Mapping[Place, str] | None) -> tuple[StripLine, ...]:
    """What stands below a picture: each doubt with the fragments that carry it, the heaviest first, then states."""
    carriers: dict[str, list[str]] = {}
    states: dict[str, list[str]] = {}
    for fragment in sorted(measurement.fragments, key=place_key):
        name = fragment_name(fragment, names)
        for key in dict.fromkeys(doubt.key for doubt in fragment.doubts):
            carriers.setdefault(key, []).append(name)
        for state in _states(fragment):
            states.setdefault(state, []).append(name)
    keys = sorted(carriers, key=lambda key: -DOUBTS[key].weight)
    photo = [_doubt_line(doubt.key, "whole photo") for doubt in by_weight(measurement.doubts)]
    own = [_doubt_line(key, ", ".join(carriers[key])) for key in keys]
    notes = [StripLine(f"{state}: {', '.join(who)}", mark="-") for state, who in states.items()]
    return (*photo, *own, *notes)


def _states(fragment: FragmentMeasurement) -> Iterator[str]:
    if fragment.status is FragmentStatus.PARTLY_DEAD:
        yield FragmentStatus.PARTLY_DEAD.value
    if fragment.bleached_mm2 > BLEACHED_SHARE * fragment.live.area_mm2 > 0:
        yield "partly or wholly bleached"


def _doubt_line(key: str, who: str) -> StripLine:
    return StripLine(f"{DOUBTS[key].title}: {who}", mark="!" if needs_look([Doubt(key)]) else "-")
