"""Outlines painted into a window: coverage of each pixel, label images."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import shapely
from shapely import MultiPolygon

from fragarea.sites.records import Window
from fragarea.tissue.records import Surface, TissueMap, TissueOutlines

FINE = 2  # fine pixels along a pixel
SHIFT = 4  # fixed-point bits of vertices
SOFTEN_PX = 0.7  # spreads the step over about three pixels, so that linear interpolation finds one half where it was


def paint_coverage(rings: Sequence[npt.NDArray[np.float64]], shape: tuple[int, int]) -> npt.NDArray[Any]:
    """Paint rings by the even-odd rule, softened by 0.7 pixels.

    Parameters
    ----------
    rings : sequence of ndarray, shape (n, 2)
        ``(x, y)`` in pixels, whole numbers at pixel centres; holes are rings inside rings.
    shape : (rows, columns)

    Returns
    -------
    ndarray of float32, shape `shape`
        0 outside, 1 inside, 0.5 on the rings.
    """
    canvas = np.zeros(shape, np.float32)
    if not rings:
        return canvas
    points = np.concatenate(rings)
    low = np.maximum(np.floor(points.min(axis=0)).astype(int) - 4, 0)
    high = np.minimum(np.ceil(points.max(axis=0)).astype(int) + 5, (shape[1], shape[0]))
    if (high <= low).any():
        return canvas
    size = high - low
    fine = np.zeros((size[1] * FINE, size[0] * FINE), np.uint8)
    vertices = [np.round((((ring - low) + 0.5) * FINE - 0.5) * 2**SHIFT).astype(np.int32) for ring in rings]
    cv2.fillPoly(fine, vertices, 255, lineType=cv2.LINE_8, shift=SHIFT)
    # Filling takes in the border's own fine pixels, half of which lie outside: they count half.
    cv2.polylines(fine, vertices, True, 128, lineType=cv2.LINE_8, shift=SHIFT)
    share = cv2.resize(fine, (int(size[0]), int(size[1])), interpolation=cv2.INTER_AREA)
    soft = cv2.GaussianBlur(share, (0, 0), SOFTEN_PX, borderType=cv2.BORDER_REPLICATE)
    np.multiply(soft, np.float32(1 / 255), out=canvas[low[1] : high[1], low[0] : high[0]])
    return canvas


def paint_map(outlines: TissueOutlines, window: Window) -> TissueMap:
    """Outlines as a label image.

    Parameters
    ----------
    outlines : TissueOutlines
    window : Window
        Gives size, scale and origin.

    Returns
    -------
    TissueMap
        Same rows and columns as the window.
    """
    shape = window.pixels.shape[:2]
    live, bleached, dead = (
        paint_coverage(rings_px(part, window), shape) for part in (outlines.live, outlines.bleached, outlines.dead)
    )
    labels = np.asarray(live > 0.5).view(np.uint8)  # 1 is LIVE
    labels[(live > 0.5) & (bleached > 0.5)] = Surface.BLEACHED
    labels[(live <= 0.5) & (dead > 0.5)] = Surface.DEAD
    return TissueMap(labels, live, outlines.confidence, outlines.edge_u_mm, outlines.doubts)


def rings_px(outline: MultiPolygon, window: Window) -> list[npt.NDArray[np.float64]]:
    """All rings of an outline in pixels of a window."""
    points, ring = shapely.get_coordinates(shapely.get_rings(shapely.get_parts(outline)), return_index=True)
    if not len(points):
        return []
    return np.split(window.to_px(points), np.flatnonzero(np.diff(ring)) + 1)
