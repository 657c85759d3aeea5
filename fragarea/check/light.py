"""Light in a photo: linear luma, and the levels of paper and ink around a shape."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

LightImage = npt.NDArray[np.float32]
FloatImage = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

# Sharpening and blur reach about this far from an edge; levels are read beyond it.
HALO_PX = 4.5
# Weights of the local fits fall off over this length.
REACH_PX = 6.0


def linear_luma(pixels: npt.NDArray[np.uint8]) -> LightImage:
    """Light of an sRGB image, 0 to 1, proportional to what fell on the sensor.

    Luma, not the three channels: JPEG keeps it at full resolution while colour is stored at half, and cameras
    sharpen it alone, so that the channels' own edges lie up to 0.1 px apart.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)

    Returns
    -------
    ndarray of float32, shape (rows, columns)

    References
    ----------
    IEC 61966-2-1 (sRGB transfer function); ITU-R BT.601 (luma weights, as JPEG files use them).
    """
    level = np.arange(256) / 255
    light = np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4).astype(np.float32)
    return light[cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)]


def local_plane(image: FloatImage, where: Mask, reach_px: float) -> FloatImage:
    """Level of `image` fitted around every pixel by a plane through the pixels in `where`.

    A Gaussian of standard deviation `reach_px` weighs the neighbours. The plane lets the level go on past the last
    pixel in `where` along its slope; far away, where weights vanish, the fit over the whole mask takes over.
    """
    rows, columns = image.shape
    y, x = np.mgrid[:rows, :columns].astype(float)
    x -= columns / 2
    y -= rows / 2
    weight = where.astype(float)
    fields = [weight * f for f in (1.0, x, y, x * x, x * y, y * y, image, image * x, image * y)]
    near = [cv2.GaussianBlur(f, (0, 0), reach_px, borderType=cv2.BORDER_CONSTANT) for f in fields]
    # A trace of the whole mask's own moments: it decides only where the Gaussian has nothing left to say.
    count = max(float(weight.sum()), 1.0)
    s, sx, sy, sxx, sxy, syy, t, tx, ty = (
        n + 1e-5 * float(f.sum()) / count for n, f in zip(near, fields, strict=True)
    )
    s = np.maximum(s, 1e-12)
    mx, my, mt = sx / s, sy / s, t / s
    # A pixel's own spread, 1/12, keeps the slope of a lone row of pixels finite.
    cxx, cxy, cyy = sxx / s - mx * mx + 1 / 12, sxy / s - mx * my, syy / s - my * my + 1 / 12
    cxt, cyt = tx / s - mx * mt, ty / s - my * mt
    determinant = cxx * cyy - cxy * cxy
    slope_x = (cyy * cxt - cxy * cyt) / determinant
    slope_y = (cxx * cyt - cxy * cxt) / determinant
    return mt + slope_x * (x - mx) + slope_y * (y - my)


@dataclass(frozen=True, eq=False)
class InkCoverage:
    """Share of ink in the pixels around one shape, and the levels it was read between.

    Attributes
    ----------
    share : ndarray of float64, shape (rows, columns)
        0 on paper, 1 on ink, between them at the edge; exactly 0 and 1 further than ``HALO_PX`` from it.
    paper, ink : ndarray of float64, shape (rows, columns)
        Linear light of each, as it would be at every pixel near the edge.
    """

    share: FloatImage
    paper: FloatImage
    ink: FloatImage


def ink_coverage(light: FloatImage, shape: Mask) -> InkCoverage:
    """Share of ink in each pixel, from local levels of paper and ink in linear light.

    Parameters
    ----------
    light : ndarray of float64, shape (rows, columns)
        Linear light around one shape.
    shape : ndarray of bool, shape (rows, columns)
        The shape, right to about a pixel.

    Returns
    -------
    InkCoverage
    """
    inside = cv2.distanceTransform(shape.astype(np.uint8), cv2.DIST_L2, 5)
    outside = cv2.distanceTransform((~shape).astype(np.uint8), cv2.DIST_L2, 5)
    # A small shape has no ink beyond the halo; its core must do.
    depth = min(HALO_PX, 0.6 * float(inside.max()))
    ink = local_plane(light, inside > depth, REACH_PX)
    paper = _paper_level(light, (outside > HALO_PX) & (outside < HALO_PX + 3 * REACH_PX))
    share = np.clip((paper - light) / np.maximum(paper - ink, 1e-3), -0.5, 1.5)
    share[inside > HALO_PX] = 1.0
    share[outside > HALO_PX] = 0.0
    return InkCoverage(share, paper, ink)


def _paper_level(light: FloatImage, where: Mask) -> FloatImage:
    level = local_plane(light, where, REACH_PX)
    # Specks of dirt and neighbouring print are no paper.
    clean = where & (np.abs(light - level) < 0.15 * np.maximum(level, 1e-3))
    return local_plane(light, clean, REACH_PX)
