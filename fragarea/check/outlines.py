"""The shapes of a known-area sheet, found in a photo with sub-pixel edges."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
import shapely
from shapely import MultiPolygon, Polygon
from skimage.measure import find_contours

from fragarea.area import polygon_area_mm2
from fragarea.check.edges import EdgeResponse, edge_response
from fragarea.check.light import HALO_PX, REACH_PX, FloatImage, LightImage, Mask, ink_coverage, linear_luma
from fragarea.check.placing import DarkPatch, coarse_view, find_shapes
from fragarea.check.sheet import KnownAreaSheet
from fragarea.reference.layout import ReferenceLayout
from fragarea.reference.plane import PlaneMap

_MARGIN_PX = int(HALO_PX + 3 * REACH_PX) + 4
_SMALLEST_RING_PX2 = 12.0
_HALF_RAMP = 0.3

Points = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class ShapeOutline:
    """One known-area shape as a photo shows it.

    Attributes
    ----------
    shape_id : str
    centre_mm : (float, float)
        Centroid, in reference axes.
    area_mm2 : float
        Area of ``outline``.
    outline : MultiPolygon
        In reference axes, mm, on the sheet's plane.
    edge_u_mm : float
        Standard uncertainty of the edge's position that the whole outline shares.
    """

    shape_id: str
    centre_mm: tuple[float, float]
    area_mm2: float
    outline: MultiPolygon
    edge_u_mm: float


def measure_shapes(
    pixels: npt.NDArray[np.uint8],
    plane: PlaneMap,
    layout: ReferenceLayout,
    sheet: KnownAreaSheet,
    *,
    height_mm: float = 0.0,
) -> tuple[ShapeOutline, ...]:
    """Outlines and areas of the known-area shapes in view.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
        Upright sRGB photo.
    plane : PlaneMap
        Solved scale.
    layout : ReferenceLayout
        Reference in view; its window says where to look and its tags how this photo shows an edge.
    sheet : KnownAreaSheet
    height_mm : float
        Height of the sheet above the reference plane.

    Returns
    -------
    tuple of ShapeOutline
        In the order of the sheet. A shape that is covered, cut off or not found is left out.

    Notes
    -----
    Edges are the contour of equal ink share in linear light between local levels of paper and ink, the share being
    the one that the tags' own sides show (one half for an ideal camera). A blur of variance s^2 shrinks the area
    within any closed contour by pi s^2, whatever its shape; that is given back to every ring.

    References
    ----------
    Gage, M., Hamilton, R. S. (1986): The heat equation shrinking convex plane curves; dA/dt = -2 pi.
    """
    light = linear_luma(pixels)
    response = edge_response(light, plane, layout)
    view = coarse_view(light, plane, layout.window_mm or layout.outline_mm, height_mm)
    matched = find_shapes(view, sheet)
    found = (
        _measure(shape.shape_id, matched[shape.shape_id], light, plane, height_mm, response)
        for shape in sheet.shapes
        if shape.shape_id in matched
    )
    return tuple(outline for outline in found if outline is not None)


def _measure(
    shape_id: str, patch: DarkPatch, light: LightImage, plane: PlaneMap, height_mm: float, response: EdgeResponse
) -> ShapeOutline | None:
    rough_px = plane.project(patch.outline_mm, height_mm)
    corner = np.floor(rough_px.min(axis=0)).astype(int) - _MARGIN_PX
    end = np.ceil(rough_px.max(axis=0)).astype(int) + _MARGIN_PX
    if (corner < 0).any() or end[0] > light.shape[1] or end[1] > light.shape[0]:
        return None
    piece = light[corner[1] : end[1], corner[0] : end[0]].astype(float)
    rings = _rings(_share(piece, rough_px - corner, response), response.blur_px2)
    if not rings:
        return None
    outline = _polygon([plane.to_plane(ring + corner, height_mm) for ring in rings])
    return ShapeOutline(
        shape_id=shape_id,
        centre_mm=(outline.centroid.x, outline.centroid.y),
        area_mm2=polygon_area_mm2(outline),
        outline=outline,
        edge_u_mm=response.position_u_px * _mm_per_px(plane, rough_px.mean(axis=0), height_mm),
    )


def _share(piece: FloatImage, rough_px: Points, response: EdgeResponse) -> FloatImage:
    """Share of ink around the shape whose rough outer edge is given, shifted so that true edges lie at one half."""
    region = np.zeros(piece.shape, np.uint8)
    cv2.fillPoly(region, [np.rint(rough_px).astype(np.int32)], 1)
    near = cv2.dilate(region, np.ones((9, 9), np.uint8)).astype(bool)
    middle = (np.median(piece[~near]) + np.percentile(piece[region.astype(bool)], 5)) / 2
    ink = _main_part((piece < middle) & near)
    # The first levels come from a rough mask; the second pass reads them beside the edge just found.
    for _ in range(2):
        coverage = ink_coverage(piece, ink)
        share = np.where(near, coverage.share + response.share_missing(coverage.paper, coverage.ink), 0.0)
        ink = _main_part(share > 0.5)
    return np.where(_beside(ink), share, 0.0)


def _main_part(mask: Mask) -> Mask:
    """Largest connected part of a mask, with pinholes filled."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
    if count < 2:
        return mask
    part = labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    _, holes, sizes, _ = cv2.connectedComponentsWithStats((~part).astype(np.uint8), connectivity=8)
    filled: Mask = part | (sizes[holes, cv2.CC_STAT_AREA] < _SMALLEST_RING_PX2)
    return filled


def _beside(ink: Mask) -> Mask:
    reach = int(HALO_PX) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    return cv2.dilate(ink.astype(np.uint8), kernel).astype(bool)


def _rings(share: FloatImage, blur_px2: float) -> list[Points]:
    """The outer ring and, after it, the holes: pixel coordinates (x, y), arrays of shape (n, 2).

    Straight lines between pixels draw a contour up to 0.05 px off where sharpening lets the edge rise steeper on one
    side than on the other, and a spline is hardly better. The pixels themselves know how much they hold, so the
    rings are moved along their normals, all by the same, until they enclose as much.
    """
    closed = [c[:, ::-1] for c in find_contours(share, 0.5) if len(c) > 4 and (c[0] == c[-1]).all()]
    areas = [Polygon(ring).area for ring in closed]
    if not closed:
        return []
    outer = int(np.argmax(areas))
    shape = Polygon(closed[outer])
    holes = [
        ring
        for i, ring in enumerate(closed)
        if i != outer and areas[i] > _SMALLEST_RING_PX2 and shape.contains(Polygon(ring).representative_point())
    ]
    rings = [closed[outer], *holes]
    drawn = areas[outer] - sum(Polygon(ring).area for ring in holes)
    lengths = [Polygon(ring).length for ring in rings]
    grow = (_held_px2(share, rings) - drawn) / sum(lengths)
    # A blur draws every ring in, towards the paper where it is a hole.
    signs = [1.0] + [-1.0] * len(holes)
    blurs = [np.pi * blur_px2 / length for length in lengths]
    return [_moved(share, r, grow + sign * blur) for r, sign, blur in zip(rings, signs, blurs, strict=True)]


def _held_px2(share: FloatImage, rings: list[Points]) -> float:
    """Area of ink as the pixels count it: ink in full, paper not at all, by a ramp between.

    The ramp spans the middle of the edge alone, so that what sharpening adds beside the edge is cut off; a pixel
    at one half counts half.
    """
    region = np.zeros(share.shape, np.uint8)
    cv2.fillPoly(region, [np.rint(ring).astype(np.int32) for ring in rings], 1)
    near = cv2.dilate(region, np.ones((5, 5), np.uint8)).astype(bool)
    return float(np.clip((share[near] - 0.5) / (2 * _HALF_RAMP) + 0.5, 0.0, 1.0).sum())


def _moved(share: FloatImage, ring: Points, outwards_px: float) -> Points:
    """A ring moved by `outwards_px` from ink to paper."""
    from scipy.ndimage import map_coordinates  # slow to load, and only sheets of known areas need it

    smooth = cv2.GaussianBlur(share, (0, 0), 1.0)
    at = [ring[:, 1], ring[:, 0]]
    gradient = np.column_stack([map_coordinates(np.gradient(smooth, axis=axis), at, order=1) for axis in (1, 0)])
    return ring - outwards_px * gradient / np.maximum(np.hypot(*gradient.T), 1e-9)[:, None]


def _mm_per_px(plane: PlaneMap, at_px: Points, height_mm: float) -> float:
    square = np.array([(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)]) + at_px
    return float(np.sqrt(Polygon(plane.to_plane(square, height_mm)).area / 4))


def _polygon(rings_mm: list[Points]) -> MultiPolygon:
    parts = shapely.get_parts(shapely.make_valid(Polygon(rings_mm[0], rings_mm[1:])))
    return MultiPolygon([part for part in parts if part.geom_type == "Polygon" and part.area > 0])
