"""Dark squares on bright paper: where tags may be."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.photo.halves import halved
from fragarea.reference.plane import FloatArray

GreyImage = npt.NDArray[np.uint8]

# Outlines smaller than this, in pixels of the reduced image, are too rough to read by.
LEAST_SIDE_PX = 10
# A square seen at 45 degrees fills half its upright box; strong perspective takes a little more.
LEAST_FILL = 0.4
# Share of the outline's length by which a straight side may bow or notch.
CORNER_SHARE = 0.05


@dataclass(frozen=True, eq=False)
class ReducedImage:
    """A grey image made smaller by whole factors.

    Attributes
    ----------
    grey : ndarray of uint8
    factor : int
        A pixel here covers ``factor`` x ``factor`` pixels of the photo.
    """

    grey: GreyImage
    factor: int

    def to_photo(self, points_px: FloatArray) -> FloatArray:
        """Photo pixels of pixels here; whole numbers are pixel centres in both."""
        return (points_px + 0.5) * self.factor - 0.5

    def from_photo(self, points_px: FloatArray) -> FloatArray:
        """Pixels here of photo pixels."""
        return (points_px + 0.5) / self.factor - 0.5


def reductions(pixels: npt.NDArray[np.uint8], smallest_side_px: int = 240) -> list[ReducedImage]:
    """The photo in grey at full size and halved again and again, largest first.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3) or (rows, columns)
    smallest_side_px : int
        No side gets shorter than this.

    Returns
    -------
    list of ReducedImage
        From half size on; a photo too small to halve comes back at full size.
    """
    images: list[ReducedImage] = []
    current, factor = pixels, 1
    while min(current.shape[:2]) // 2 >= smallest_side_px:
        current, factor = to_grey(halved(current)), 2 * factor
        images.append(ReducedImage(current, factor))
    return images or [ReducedImage(to_grey(pixels), 1)]


def to_grey(pixels: npt.NDArray[np.uint8]) -> GreyImage:
    """Grey values of an RGB image; a grey one as it is."""
    return pixels if pixels.ndim == 2 else np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), dtype=np.uint8)


def find_dark_squares(
    image: ReducedImage,
    *,
    block_px: int,
    darker_by: int,
    least_side_px: int = LEAST_SIDE_PX,
    enclosing: bool = False,
) -> FloatArray:
    """Quadrilaterals around regions darker than their surroundings.

    Parameters
    ----------
    image : ReducedImage
    block_px : int
        Side of the square over which the mean is taken that a region must be darker than; odd, in pixels of `image`,
        about as wide as a tag.
    darker_by : int
        Of 255 grey values. Few things are much darker than what surrounds them, so more is quicker.
    least_side_px : int
        Regions narrower than this, in pixels of `image`, are passed over.
    enclosing : bool
        Only regions that enclose something brighter, as the border of a tag does and the hole of a grating does not.

    Returns
    -------
    ndarray, shape (n, 4, 2)
        Corners in photo pixels, clockwise as seen; good to about a pixel of `image`.
    """
    dark = cv2.adaptiveThreshold(
        image.grey, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, block_px, darker_by
    )
    return _quads_around(dark, image, least_side_px, enclosing=enclosing)


def find_squares_below(image: ReducedImage, level: int) -> FloatArray:
    """Quadrilaterals around regions darker than one grey value, as :func:`find_dark_squares`.

    Where hard shadows cross a tag, its surroundings say little, but ink in the sun may still be darker than paper in
    the shade.
    """
    _, dark = cv2.threshold(image.grey, level, 255, cv2.THRESH_BINARY_INV)
    return _quads_around(dark, image, LEAST_SIDE_PX)


def _quads_around(
    dark: npt.NDArray[Any], image: ReducedImage, least_side_px: int, *, enclosing: bool = False
) -> FloatArray:
    contours, tree = cv2.findContours(dark, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE)
    if enclosing and len(contours):
        contours = [contour for contour, links in zip(contours, tree[0], strict=True) if links[2] >= 0]
    large = [contour for contour in contours if len(contour) >= 4]
    quads = [quad for contour in large if (quad := _as_quad(contour, least_side_px)) is not None]
    if not quads:
        return np.zeros((0, 4, 2))
    return image.to_photo(_half_pixel_wider(_clockwise(np.array(quads, dtype=float))))


def _as_quad(contour: npt.NDArray[Any], least_side_px: int) -> npt.NDArray[np.int32] | None:
    _, _, width, height = cv2.boundingRect(contour)
    if min(width, height) < least_side_px or max(width, height) > 3 * min(width, height):
        return None
    # The hull, not the outline itself: a highlight or a hair may break the border's side.
    hull = cv2.convexHull(contour)
    if cv2.contourArea(hull) < LEAST_FILL * width * height:
        return None
    quad = cv2.approxPolyDP(hull, CORNER_SHARE * cv2.arcLength(hull, True), True)
    return np.asarray(quad[:, 0], dtype=np.int32) if len(quad) == 4 else None


def _clockwise(quads: FloatArray) -> FloatArray:
    x, y = quads[..., 0], quads[..., 1]
    turn = (x * np.roll(y, -1, axis=1) - y * np.roll(x, -1, axis=1)).sum(axis=1)
    return np.where((turn < 0)[:, None, None], quads[:, ::-1], quads)


def _half_pixel_wider(quads: FloatArray) -> FloatArray:
    # Contours run through the centres of the outermost pixels; the region ends half a pixel further out.
    outwards = quads - quads.mean(axis=1, keepdims=True)
    length = np.linalg.norm(outwards, axis=2, keepdims=True)
    return np.asarray(quads + outwards / np.maximum(length, 1e-9) * np.sqrt(0.5), dtype=float)
