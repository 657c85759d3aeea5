"""Which pixels of a window are live tissue: one function for a window, one for all windows of a photo."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.sites.records import PlugRim, Window
from fragarea.tissue.records import Surface, TissueMap

Pixels = npt.NDArray[np.uint8]


class Gains(Protocol):
    """What the grey patches tell about the light."""

    @property
    def gains(self) -> npt.NDArray[np.float64] | tuple[float, float, float]:
        """Factors for R, G, B in linear light that make grey grey."""
        ...


def segment_tissue(
    pixels: Pixels,
    mm_per_px: float,
    rim: tuple[tuple[float, float], float] | None = None,
    light: Gains | None = None,
) -> TissueMap:
    """Label one window.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
        Rectified sRGB window.
    mm_per_px : float
        Side of a pixel in mm. Positive.
    rim : ((x, y), radius) or None
        Middle and radius of the plug's rim in pixels; None where it is not known, and on pads.
    light : Light or None
        White balance from grey patches, when in view.

    Returns
    -------
    TissueMap
        Same rows and columns as `pixels`.

    Raises
    ------
    ValueError
        If `pixels` is not a colour image of bytes, or `mm_per_px` is not positive and finite.
    """
    _check(pixels, mm_per_px)
    place = None
    if rim is not None:
        (x, y), radius = rim
        place = PlugRim((x * mm_per_px, y * mm_per_px), radius * mm_per_px)
    return segment_windows([Window(pixels, mm_per_px, (0.0, 0.0), 0.0, place)], light)[0]


def segment_windows(windows: Sequence[Window], light: Gains | None = None) -> tuple[TissueMap, ...]:
    """Label all windows of one photo; a window's map may draw on the others, whatever their order.

    Parameters
    ----------
    windows : sequence of Window
    light : Light or None
        White balance from grey patches, when in view.

    Returns
    -------
    tuple of TissueMap
        One for each window, in the same order.

    Raises
    ------
    ValueError
        If a window's pixels are not a colour image of bytes, or its scale is not positive and finite.
    """
    for window in windows:
        _check(window.pixels, window.mm_per_px)
    return tuple(_by_colour(window) for window in windows)


def _by_colour(window: Window) -> TissueMap:
    lab = cv2.cvtColor(cv2.GaussianBlur(window.pixels, (0, 0), 1.0).astype(np.float32) / 255, cv2.COLOR_RGB2Lab)
    rows, columns = lab.shape[:2]
    y, x = np.mgrid[:rows, :columns]
    inside = np.ones((rows, columns), bool)
    if window.rim is not None:
        middle = window.to_px([window.rim.centre_mm])[0]
        inside = np.hypot(x - middle[0], y - middle[1]) < window.rim.radius_mm / window.mm_per_px - 1
    bright = lab[inside]
    plug = np.median(bright[bright[:, 0] >= np.percentile(bright[:, 0], 70)], axis=0)
    away = np.hypot(lab[..., 1] - plug[1], lab[..., 2] - plug[2]) + 0.4 * np.maximum(plug[0] - lab[..., 0], 0)
    probability = (1 / (1 + np.exp(-(away - 13.0) / 3.0))).astype(np.float32) * inside
    labels = np.where(probability > 0.5, Surface.LIVE, Surface.OTHER).astype(np.uint8)
    return TissueMap(labels, probability)


def _check(pixels: Pixels, mm_per_px: float) -> None:
    if pixels.dtype != np.uint8 or pixels.ndim != 3 or pixels.shape[2] != 3 or 0 in pixels.shape:
        raise ValueError(f"pixels must be uint8 of shape (rows, columns, 3); got {pixels.dtype} {pixels.shape}")
    if not (np.isfinite(mm_per_px) and mm_per_px > 0):
        raise ValueError(f"mm_per_px must be positive and finite; got {mm_per_px}")
