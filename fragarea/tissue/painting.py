"""Polygons painted as the share of each pixel that they cover."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

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
