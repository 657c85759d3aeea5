"""Rectified windows of a photo, one for each plug, pad or sheet."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.photo.halves import halved
from fragarea.reference.plane import FloatArray, PlaneMap
from fragarea.sites.records import PlugRim, PlugSighting, SiteDescription, SiteKind, SiteView, Window
from fragarea.sites.rims import NO_MAP, linear_table

# One scale for all living tissue, so that texture looks alike whatever the camera: that at which tissue is read.
TISSUE_MM_PER_PX = 0.25
# Known-area shapes are cut at the photo's own scale, between these.
FINEST_MM_PER_PX = 0.1
COARSEST_MM_PER_PX = 0.4
PLUG_MARGIN_MM = 4.0
# Tissue spreads over the cement between and around the plugs of a pad.
PAD_MARGIN_MM = 30.0
# The map is computed exactly on every sixteenth pixel; in between bilinear, right to 0.01 mm for the widest lenses.
MAP_STEP = 16


def default_mm_per_px(plane: PlaneMap, view: SiteView, site: SiteDescription) -> float:
    """Working resolution of the windows.

    Parameters
    ----------
    plane : PlaneMap
    view : SiteView
    site : SiteDescription

    Returns
    -------
    float
        0.25 mm for living tissue; the photo's own scale, but 0.1 mm at the finest, for known-area shapes.
    """
    if site.kind is not SiteKind.SHAPES or view.region_mm is None:
        return TISSUE_MM_PER_PX
    middle = np.asarray(view.region_mm).reshape(2, 2).mean(axis=0)
    own = photo_mm_per_px(plane, middle, view.plug_top_mm)
    return float(np.clip(own, FINEST_MM_PER_PX, COARSEST_MM_PER_PX))


def photo_mm_per_px(plane: PlaneMap, at_mm: npt.ArrayLike, height_mm: float) -> float:
    """Length that one pixel of the photo covers around a point of the plane at `height_mm`."""
    x, y = np.asarray(at_mm, dtype=float)
    corners = plane.project([(x, y), (x + 1, y), (x, y + 1)], height_mm)
    (a, b), (c, d) = corners[1] - corners[0], corners[2] - corners[0]
    return float(1 / np.sqrt(abs(a * d - b * c)))


def cut_windows(
    pixels: npt.NDArray[np.uint8],
    plane: PlaneMap,
    view: SiteView,
    site: SiteDescription,
    *,
    mm_per_px: float | None = None,
    margin_mm: float | None = None,
) -> tuple[Window, ...]:
    """Rectify the photo around each plug, on the plane of the tissue's edge.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
        The photo.
    plane : PlaneMap
    view : SiteView
        What `find_plugs` found.
    site : SiteDescription
    mm_per_px : float, optional
        Side of a window's pixel; by default as `default_mm_per_px` says.
    margin_mm : float, optional
        Room around the nominal rim; by default 4 mm around single plugs, 30 mm around the plugs of a pad.

    Returns
    -------
    tuple of Window
        On trays and for single plugs one for each plug that is present, in the order of ``view.plugs``. For a pad
        one: around its described places, bounded by the frame's opening, or else the whole opening. For known-area
        shapes one over the whole opening. A known-area sheet has no tissue: its plane is that of its print,
        without the edge height.

    Raises
    ------
    ValueError
        If mm_per_px is not positive.
    """
    if mm_per_px is None:
        mm_per_px = default_mm_per_px(plane, view, site)
    if not mm_per_px > 0:
        raise ValueError(f"mm_per_px must be positive; got {mm_per_px}")
    height_mm = view.plug_top_mm + (0.0 if site.kind is SiteKind.SHAPES else site.edge_height_mm)
    plugs = [plug for plug in view.plugs if plug.present]
    low, high = _regions(plugs, view, site, margin_mm)
    if len(low) == 0:
        return ()
    first = np.floor(low / mm_per_px).astype(int)
    last = np.ceil(high / mm_per_px).astype(int)
    corner = first.min(axis=0)
    # One picture of all, of which the windows are parts: less work than windows that overlap.
    whole = rectify(
        pixels,
        plane,
        origin_mm=corner * mm_per_px,
        size_px=last.max(axis=0) - corner + 1,
        mm_per_px=mm_per_px,
        height_mm=height_mm,
        linear_light=site.kind is SiteKind.SHAPES,
    )
    single = site.kind in (SiteKind.TRAY, SiteKind.SINGLE)
    rims = _rims_on(plugs, plane, view.plug_top_mm, height_mm) if single else [None] * len(low)
    windows = []
    for start, stop, rim in zip(first, last, rims, strict=True):
        (x, y), (x_end, y_end) = start - corner, stop - corner + 1
        part = np.ascontiguousarray(whole[y:y_end, x:x_end])
        origin = (float(start[0] * mm_per_px), float(start[1] * mm_per_px))
        windows.append(Window(part, mm_per_px, origin, height_mm, rim))
    return tuple(windows)


def rectify(
    pixels: npt.NDArray[np.uint8],
    plane: PlaneMap,
    *,
    origin_mm: npt.ArrayLike,
    size_px: npt.ArrayLike,
    mm_per_px: float,
    height_mm: float,
    linear_light: bool = False,
) -> npt.NDArray[np.uint8]:
    """Picture of a rectangle of the plane at `height_mm`, as seen straight from above.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
    plane : PlaneMap
    origin_mm : array_like, shape (2,)
        Where the middle of pixel (0, 0) lies.
    size_px : array_like of int, shape (2,)
        Columns and rows.
    mm_per_px, height_mm : float
    linear_light : bool
        Interpolate light, not sRGB values: slower by half, and edges do not move towards the dark side.

    Returns
    -------
    ndarray of uint8, shape (rows, columns, 3)
        sRGB; outside the photo the nearest pixel is repeated.
    """
    origin = np.asarray(origin_mm, dtype=float)
    columns, rows = (int(n) for n in np.asarray(size_px))
    coarse = _coarse_map(plane, origin, columns, rows, mm_per_px, height_mm)
    part, low, shrink = _part_in_use(pixels, coarse, origin, (columns, rows), mm_per_px, plane, height_mm)
    coarse = (coarse - low + 0.5) / shrink - 0.5
    fine = cv2.resize(coarse.astype(np.float32), None, fx=MAP_STEP, fy=MAP_STEP, interpolation=cv2.INTER_LINEAR)
    fine = fine[MAP_STEP : MAP_STEP + rows, MAP_STEP : MAP_STEP + columns]
    if not linear_light:
        # Fixed-point maps (1/32 px) are twice as fast as float ones.
        whole, rest = cv2.convertMaps(np.ascontiguousarray(fine), NO_MAP, cv2.CV_16SC2)
        return np.asarray(cv2.remap(part, whole, rest, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.uint8)
    light = np.asarray(cv2.LUT(part, linear_table()), np.float32)
    found = cv2.remap(light, fine, NO_MAP, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return _srgb_table()[np.round(found * (len(_srgb_table()) - 1)).astype(np.intp)]


def _coarse_map(
    plane: PlaneMap, origin: FloatArray, columns: int, rows: int, mm_per_px: float, height_mm: float
) -> FloatArray:
    """Photo pixels of the middles of blocks of MAP_STEP x MAP_STEP window pixels, one block more on every side."""
    across = (np.arange(-1, -(-columns // MAP_STEP) + 1) + 0.5) * MAP_STEP - 0.5
    down = (np.arange(-1, -(-rows // MAP_STEP) + 1) + 0.5) * MAP_STEP - 0.5
    x, y = np.meshgrid(origin[0] + across * mm_per_px, origin[1] + down * mm_per_px)
    found = plane.project(np.column_stack([x.ravel(), y.ravel()]), height_mm)
    return found.reshape(len(down), len(across), 2)


def _part_in_use(
    pixels: npt.NDArray[np.uint8],
    coarse: FloatArray,
    origin: FloatArray,
    size_px: tuple[int, int],
    mm_per_px: float,
    plane: PlaneMap,
    height_mm: float,
) -> tuple[npt.NDArray[np.uint8], FloatArray, int]:
    """The part of the photo that is needed, its first pixel, and by how much it was reduced against aliasing."""
    middle = origin + np.asarray(size_px, dtype=float) / 2 * mm_per_px
    shrink = max(1, int(mm_per_px / photo_mm_per_px(plane, middle, height_mm) + 0.2))
    # even steps begin from the half-size photo
    halvings = 2 if shrink % 2 == 0 else 1
    source, step = (halved(pixels), shrink // 2) if halvings == 2 else (pixels, shrink)
    rows, columns = source.shape[:2]
    seen = (coarse + 0.5) / halvings - 0.5
    low = np.clip(np.floor(seen.min(axis=(0, 1))) - 2 * step, 0, (columns - step, rows - step)).astype(int)
    high = np.clip(np.ceil(seen.max(axis=(0, 1))) + 2 * step + 1, low + step, (columns, rows)).astype(int)
    size = (high - low) // step
    end = low + size * step
    part = source[low[1] : end[1], low[0] : end[0]]
    if step > 1:
        part = np.asarray(cv2.resize(part, (int(size[0]), int(size[1])), interpolation=cv2.INTER_AREA), np.uint8)
    return part, halvings * low.astype(float), shrink


def _regions(
    plugs: list[PlugSighting], view: SiteView, site: SiteDescription, margin_mm: float | None
) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest corners ``(n, 2)`` of the windows, mm."""
    middles = np.array([plug.centre_mm for plug in plugs], dtype=float).reshape(-1, 2)
    if site.kind in (SiteKind.TRAY, SiteKind.SINGLE):
        reach = site.plug_mm / 2 + (PLUG_MARGIN_MM if margin_mm is None else margin_mm)
        return middles - reach, middles + reach
    bounds = np.full((2, 2), np.inf) * [[-1], [1]] if view.region_mm is None else np.reshape(view.region_mm, (2, 2))
    if site.kind is SiteKind.PAD and len(middles) and (site.places_mm or view.region_mm is None):
        # Plugs that were merely found may be a few of many under one patch; described places are all there are.
        reach = site.plug_mm / 2 + (PAD_MARGIN_MM if margin_mm is None else margin_mm)
        low, high = (
            np.maximum(middles.min(axis=0) - reach, bounds[0]),
            np.minimum(middles.max(axis=0) + reach, bounds[1]),
        )
        if (high > low).all():
            return low[None], high[None]
    if not np.isfinite(bounds).all():
        return np.zeros((0, 2)), np.zeros((0, 2))
    return bounds[:1], bounds[1:]


def rim_at_height(rim: PlugRim, plane: PlaneMap, from_mm: float, to_mm: float) -> PlugRim:
    """The circle that covers the same pixels, on another plane.

    Parameters
    ----------
    rim : PlugRim
        On the plane at `from_mm`.
    plane : PlaneMap
    from_mm, to_mm : float
        Heights above the reference plane.

    Returns
    -------
    PlugRim
    """
    return rims_at_height([rim], plane, from_mm, to_mm)[0]


def rims_at_height(rims: Sequence[PlugRim], plane: PlaneMap, from_mm: float, to_mm: float) -> list[PlugRim]:
    """As `rim_at_height`, for many."""
    if not rims or from_mm == to_mm:
        return list(rims)
    middles = np.array([rim.centre_mm for rim in rims])
    radii = np.array([rim.radius_mm for rim in rims])
    spokes = np.array([(0, 0), (1, 0), (-1, 0), (0, 1), (0, -1)])
    around = middles[:, None] + spokes * radii[:, None, None]
    seen = plane.to_plane(plane.project(around.reshape(-1, 2), from_mm), to_mm).reshape(around.shape)
    moved = np.linalg.norm(seen[:, 1:] - seen[:, :1], axis=2).mean(axis=1)
    return [
        PlugRim((float(x), float(y)), float(radius), rim.centre_u_mm * ratio, rim.radius_u_mm * ratio)
        for rim, (x, y), radius, ratio in zip(rims, seen[:, 0], moved, moved / radii, strict=True)
    ]


def _rims_on(
    plugs: list[PlugSighting], plane: PlaneMap, rim_height_mm: float, height_mm: float
) -> list[PlugRim | None]:
    """The rims of plugs as they appear on the plane at `height_mm`; None for a plug without."""
    moved = iter(rims_at_height([plug.rim for plug in plugs if plug.rim], plane, rim_height_mm, height_mm))
    return [next(moved) if plug.rim else None for plug in plugs]


@lru_cache(maxsize=1)
def _srgb_table() -> npt.NDArray[np.uint8]:
    """8-bit sRGB value of linear light in 16384 steps: fine enough for the darkest 8-bit step (0.0003)."""
    light = np.linspace(0, 1, 16384)
    value = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.round(value * 255).astype(np.uint8)
