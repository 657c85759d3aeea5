"""From a tissue map to outlines in mm: contours at half probability, to a fraction of a pixel."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import shapely
from shapely import MultiPolygon, Polygon

from fragarea.doubts import Doubt
from fragarea.sites.records import Window
from fragarea.tissue.records import Surface, TissueMap, TissueOutlines
from fragarea.tissue.sampling import sample_rows

Points = npt.NDArray[np.float64]
Image = npt.NDArray[Any]

# A polyp of the common nursery corals is 1-2 mm across, so smaller pieces are noise unless the map is sure of them.
SPECK_MM2 = 1.5
SURE_SPECK_MM2 = 0.6
SURE = 0.9
# 0.3 mm: pale growing margins are that wide, so tissue that passes the rim by less may still lie on the plug top.
RIM_TOLERANCE_MM = 0.3
# The contour of a pixel image is known to a tenth of a pixel at best, whatever the map says.
LEAST_EDGE_U_PX = 0.1
# A border pixel has a neighbour below one half, so that the half level lies within a pixel's diagonal of it.
NOTHING = MultiPolygon()
WAY_PX = np.array([0.0, 0.5, 1.0, 1.5], np.float32)


@dataclass(frozen=True, eq=False)
class PlacedRings:
    """Closed rings around the tissue of many windows, window by window.

    Attributes
    ----------
    points_mm : ndarray, shape (n, 2)
        Ring after ring, reference axes.
    lengths : ndarray of int, shape (r,)
        Points of each ring.
    window : ndarray of int, shape (r,)
        Which window each ring belongs to; never falling.
    outer : ndarray of int, shape (r,)
        The ring that each hole lies in; for an outer ring itself.
    """

    points_mm: Points
    lengths: npt.NDArray[np.intp]
    window: npt.NDArray[np.intp]
    outer: npt.NDArray[np.intp]


def trace_outlines(tissue_map: TissueMap, window: Window) -> TissueOutlines:
    """Trace the outlines of live, bleached and dead surface.

    Pieces of live tissue below 1.5 mm2 are dropped, unless the map is sure of them (probability above 0.9 somewhere)
    and they have at least 0.6 mm2: the last remnant of a dying fragment is kept. The same holds for holes, bleached
    and dead pieces, without the exception.

    Parameters
    ----------
    tissue_map : TissueMap
        Of the same window.
    window : Window
        Gives scale and origin; its pixels are not looked at.

    Returns
    -------
    TissueOutlines
        Valid polygons in reference axes, mm; ``bleached`` lies in ``live``, ``dead`` outside it.

    Raises
    ------
    ValueError
        If map and window differ in size.
    """
    shape = window.pixels.shape[:2]
    if tissue_map.live_probability.shape != shape or tissue_map.labels.shape != shape:
        raise ValueError(
            f"map and window must have the same rows and columns; got {tissue_map.live_probability.shape} and {shape}"
        )
    live = _trace(tissue_map.live_probability, window.to_mm, sure_speck_mm2=SURE_SPECK_MM2)
    bleached = dead = NOTHING
    if tissue_map.labels.max() > Surface.LIVE:
        bleached = _part(tissue_map.labels, Surface.BLEACHED, window)
        dead = _part(tissue_map.labels, Surface.DEAD, window)
    return TissueOutlines(
        live=live,
        bleached=_clean(shapely.intersection(bleached, live)) if not bleached.is_empty else bleached,
        dead=_clean(shapely.difference(dead, live)) if not dead.is_empty else dead,
        edge_u_mm=least_edge_u_mm(tissue_map.edge_u_mm, window),
        confidence=tissue_map.confidence,
        doubts=tissue_map.doubts + rim_doubts(live, window),
    )


def least_edge_u_mm(edge_u_mm: float, window: Window) -> float:
    """No edge is known better than to a tenth of a pixel."""
    return max(edge_u_mm, LEAST_EDGE_U_PX * window.mm_per_px)


def _part(labels: npt.NDArray[np.uint8], surface: Surface, window: Window) -> MultiPolygon:
    mask = labels == surface
    # Blurred by half a pixel more than a pixel's own width, so that the contour does not follow the pixel stairs.
    soft = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 1.0, borderType=cv2.BORDER_REPLICATE)
    return trace_level(soft, window.to_mm)


def outlines_of_rings(rings: PlacedRings, count: int, frames_mm: npt.NDArray[np.float64]) -> list[MultiPolygon]:
    """Join rings to the outlines of live tissue of many windows at once.

    Outer rings below 0.6 mm2 and holes below 1.5 mm2 are left out; rings that cross are mended.

    Parameters
    ----------
    rings : PlacedRings
    count : int
        Number of windows.
    frames_mm : ndarray, shape (count, 4)
        Left, top, right and bottom of each window; what passes them is cut off.

    Returns
    -------
    list of MultiPolygon
        Valid, one for each window.
    """
    if not len(rings.window):
        return [NOTHING] * count
    index = np.repeat(np.arange(len(rings.lengths)), rings.lengths)
    lines = shapely.linearrings(rings.points_mm, indices=index)
    area_mm2 = shapely.area(shapely.polygons(lines))
    is_outer = rings.outer == np.arange(len(rings.outer))
    keep = area_mm2 >= np.where(is_outer, SURE_SPECK_MM2, SPECK_MM2)
    keep &= keep[rings.outer]
    # each outer ring is followed by its holes
    order = np.lexsort((~is_outer, rings.outer, rings.window))
    order = order[keep[order]]
    if not len(order):
        return [NOTHING] * count
    outers, place = np.unique(rings.outer[order], return_inverse=True)
    # np.unique sorts: rings are numbered window by window, so its order is that of `order`
    polygons = shapely.polygons(lines[order], indices=place)
    windows = rings.window[outers]
    whole = np.full(count, NOTHING, dtype=object)
    filled = np.unique(windows)
    whole[filled] = shapely.multipolygons(polygons, indices=np.searchsorted(filled, windows))
    for bad in np.flatnonzero(~shapely.is_valid(whole)):
        parts = shapely.make_valid(polygons[windows == bad])
        whole[bad] = _clean(shapely.union_all(parts))
    low, high = shapely.bounds(whole)[:, :2], shapely.bounds(whole)[:, 2:]
    for over in np.flatnonzero((low < frames_mm[:, :2]).any(axis=1) | (high > frames_mm[:, 2:]).any(axis=1)):
        # clip_by_rect is faster, but what it cuts may touch itself
        whole[over] = _clean(shapely.intersection(whole[over], shapely.box(*frames_mm[over])))
    return list(whole)


def trace_level(level: Image, to_mm: Callable[[Points], Points]) -> MultiPolygon:
    """Outlines of what lies above one half in an image, but for pieces and holes below 1.5 mm2.

    Parameters
    ----------
    level : ndarray of float32, shape (rows, columns)
    to_mm : callable
        From pixels ``(n, 2)`` to reference axes.

    Returns
    -------
    MultiPolygon
        Valid.
    """
    return _trace(level, to_mm, sure_speck_mm2=SPECK_MM2)


def cut_to(part: MultiPolygon, other: Polygon | MultiPolygon, *, inside: bool) -> MultiPolygon:
    """What of an outline lies inside or outside another, but for pieces below 1.5 mm2."""
    if part.is_empty:
        return NOTHING
    rest = _clean(shapely.intersection(part, other) if inside else shapely.difference(part, other))
    return MultiPolygon([piece for piece in rest.geoms if piece.area >= SPECK_MM2])


def _trace(level: Image, to_mm: Callable[[Points], Points], *, sure_speck_mm2: float) -> MultiPolygon:
    """Polygons with holes where `level` is above one half."""
    left, top, width, height = cv2.boundingRect((level > 0.02).view(np.uint8))
    if width == 0:
        return NOTHING
    # A frame of zeros closes what runs into the window's edge.
    padded = cv2.copyMakeBorder(
        level[top : top + height, left : left + width], 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0.0
    )
    corner = np.array([left - 1.0, top - 1.0])
    inside = np.asarray(padded > 0.5).view(np.uint8)
    chains, tree = cv2.findContours(inside, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    if not chains:
        return NOTHING
    contours = half_level(padded, [chain.reshape(-1, 2) for chain in chains])
    rings = [to_mm(points + corner) for points in contours]
    polygons: list[Polygon] = []
    for index, points in enumerate(rings):
        if tree[0][index][3] >= 0 or len(points) < 3:
            continue
        area_mm2 = _area(points)
        if area_mm2 < sure_speck_mm2 or (area_mm2 < SPECK_MM2 and _peak(padded, chains[index]) < SURE):
            continue
        polygons.append(Polygon(points, _holes(rings, tree[0], index)))
    return _joined(polygons)


def _joined(polygons: list[Polygon]) -> MultiPolygon:
    if not polygons:
        return NOTHING
    # Contours of one level are simple and apart, all but the rare one with a pinched pixel, which is mended.
    whole = shapely.multipolygons(polygons)
    if shapely.is_valid(whole):
        return whole
    return _clean(shapely.union_all([shapely.make_valid(polygon) for polygon in polygons]))


def _holes(rings: list[Points], tree: npt.NDArray[Any], outer: int) -> list[Points]:
    holes = []
    child = int(tree[outer][2])
    while child >= 0:
        if len(rings[child]) >= 3 and _area(rings[child]) >= SPECK_MM2:
            holes.append(rings[child])
        child = int(tree[child][0])
    return holes


def half_level(level: Image, chains: list[npt.NDArray[Any]]) -> list[Points]:
    """Move the border pixels of each chain outwards, down the slope, to where the level falls to one half."""
    border = np.concatenate(chains)
    column, row = border[:, 0], border[:, 1]
    down = np.empty(border.shape, np.float32)
    down[:, 0] = cv2.Sobel(level, cv2.CV_32F, 1, 0, scale=-1)[row, column]
    down[:, 1] = cv2.Sobel(level, cv2.CV_32F, 0, 1, scale=-1)[row, column]
    down /= np.maximum(np.hypot(down[:, 0], down[:, 1])[:, None], 1e-6)
    start = border.astype(np.float32)
    along = sample_rows(level, start[:, :1] + down[:, :1] * WAY_PX, start[:, 1:] + down[:, 1:] * WAY_PX)
    # The first step on whose far end the level is below one half; the border pixel itself is above.
    below = along[:, 1:] < 0.5
    step = np.where(below.any(axis=1), below.argmax(axis=1), 0)
    each = np.arange(len(start))
    near, far = along[each, step], along[each, step + 1]
    part = np.clip((near - 0.5) / np.maximum(near - far, 1e-6), 0, 1)
    points = start + down * ((step + part) * (WAY_PX[1] - WAY_PX[0]))[:, None]
    ends = np.cumsum([len(chain) for chain in chains])
    return [points[end - len(chain) : end].astype(np.float64) for end, chain in zip(ends, chains, strict=True)]


def _area(points: Points) -> float:
    x, y = (points - points[0]).T
    # The first point is the origin: the edges that end there add nothing.
    return abs(float(x[:-1] @ y[1:] - y[:-1] @ x[1:])) / 2


def _peak(level: Image, chain: npt.NDArray[Any]) -> float:
    x, y, width, height = cv2.boundingRect(chain)
    return float(level[y : y + height, x : x + width].max())


def _clean(shape: shapely.Geometry) -> MultiPolygon:
    parts = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon" and part.area > 1e-9]
    return MultiPolygon(parts)


def rim_doubts(live: MultiPolygon, window: Window) -> tuple[Doubt, ...]:
    """Whether live tissue passes the rim of its plug."""
    if window.rim is None or live.is_empty:
        return ()
    (x, y), radius = window.rim.centre_mm, window.rim.radius_mm
    left, top, right, bottom = live.bounds
    if max(x - left, right - x, y - top, bottom - y) < radius / np.sqrt(2):
        return ()  # not even the corners of the bounds reach the rim
    points = shapely.get_coordinates(live) - (x, y)
    over_mm = float(np.hypot(points[:, 0], points[:, 1]).max()) - radius
    return (Doubt("beyond_rim", f"by {over_mm:.1f} mm"),) if over_mm > RIM_TOLERANCE_MM else ()
