"""White balance and exposure from the grey patches of a reference."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.reference.layout import ReferenceLayout
from fragarea.reference.linear import srgb_to_linear
from fragarea.reference.plane import PhotoScale

FloatArray = npt.NDArray[np.float64]

SAMPLES = 9  # along a side of a patch
LARGEST_CAST = 3.0  # a channel more than three times another is no lamp, water or sky seen in a nursery
CLIPPED = 0.97


@dataclass(frozen=True)
class Light:
    """The light of one photo.

    Attributes
    ----------
    gains : (r, g, b)
        Factors in linear light that make the patches grey; their geometric mean is 1.
    exposure : float
        Factor in linear light, after `gains`, that brings the patches to their reflectance.
    valid : bool
        False when the patches could not be read; gains and exposure are 1 then.
    """

    gains: tuple[float, float, float] = (1.0, 1.0, 1.0)
    exposure: float = 1.0
    valid: bool = False


def light_from_patches(pixels: npt.NDArray[np.uint8], scale: PhotoScale, layout: ReferenceLayout) -> Light:
    """Read the grey patches.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
    scale : PhotoScale
    layout : ReferenceLayout

    Returns
    -------
    Light
        Not valid when fewer than two patches are in view and unclipped, or when they disagree on the light.
    """
    seen = [_patch(pixels, scale, p.centre_mm, p.side_mm) for p in layout.grey_patches]
    pairs = [(rgb, p.reflectance) for rgb, p in zip(seen, layout.grey_patches, strict=True) if rgb is not None]
    if len(pairs) < 2:
        return Light()
    factors = np.array([reflectance / rgb for rgb, reflectance in pairs])
    tints = factors / np.exp(np.log(factors).mean(axis=1, keepdims=True))
    gains = np.exp(np.median(np.log(tints), axis=0))
    gains /= np.exp(np.log(gains).mean())
    exposure = float(np.exp(np.median(np.log(factors).mean(axis=1))))
    spread = float(np.abs(np.log(tints / gains)).max())
    if gains.max() / gains.min() > LARGEST_CAST or spread > 0.5:
        return Light()
    return Light((float(gains[0]), float(gains[1]), float(gains[2])), exposure, valid=True)


def _patch(
    pixels: npt.NDArray[np.uint8], scale: PhotoScale, centre_mm: tuple[float, float], side_mm: float
) -> FloatArray | None:
    """Median linear R, G, B of the middle of a patch; None out of view, clipped or too dark to tell a colour."""
    steps = np.linspace(-0.3, 0.3, SAMPLES) * side_mm
    x, y = np.meshgrid(steps, steps)
    points = scale.plane.project(np.column_stack([x.ravel(), y.ravel()]) + centre_mm, 0.0)
    size = np.array([pixels.shape[1], pixels.shape[0]])
    if np.any(points < 0) or np.any(points > size - 1):
        return None
    where = points.astype(np.float32)[None]
    values = cv2.remap(pixels, where[..., 0], where[..., 1], cv2.INTER_NEAREST)[0]
    light = np.median(srgb_to_linear()[values], axis=0).astype(float)
    return light if light.max() < CLIPPED and light.min() > 0.002 else None
