"""A small rectified picture of the part of a photo in which plugs may stand."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.photo.halves import halved
from fragarea.reference.layout import ReferenceLayout
from fragarea.reference.plane import FloatArray, PlaneMap

# Pixels across a plug. 31 show the 2 mm gap between 25 mm plugs as 2 to 3 pixels; finer costs time and finds no more.
PLUG_PX = 31.0
# Off a frame the whole view is looked over, coarser, and not farther than this from the reference.
WIDE_PLUG_PX = 25.0
WIDE_REACH_MM = 220.0
# The longest side of an overview, px; what is larger is shown coarser.
LONGEST_PX = 1200
# A region is at least this large, mm, whatever a strange pose makes of the photo's corners.
LEAST_REGION_MM = 20.0


@dataclass(frozen=True, eq=False)
class Overview:
    """A reduced, roughly rectified picture.

    The mapping to the photo is a homography: lens distortion moves what is seen by less than a millimetre, and
    ``to_photo`` says exactly which pixel of the photo each pixel of the overview shows.

    Attributes
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
    visible : ndarray of bool, shape (rows, columns)
        False outside the photo and on the reference itself.
    px_per_mm : float
    to_photo : ndarray, shape (3, 3)
        Homography from overview pixels to photo pixels.
    """

    pixels: npt.NDArray[np.uint8]
    visible: npt.NDArray[np.bool_]
    px_per_mm: float
    to_photo: FloatArray

    def photo_px(self, points_px: npt.ArrayLike) -> FloatArray:
        """Photo pixels ``(n, 2)`` of overview pixels ``(n, 2)``."""
        return _apply(self.to_photo, points_px)

    def overview_px(self, photo_px: npt.ArrayLike) -> FloatArray:
        """Overview pixels ``(n, 2)`` of photo pixels ``(n, 2)``."""
        return _apply(_inverse(self.to_photo), photo_px)


def look_over(
    pixels: npt.NDArray[np.uint8], plane: PlaneMap, layout: ReferenceLayout | None, plug_mm: float
) -> Overview:
    """Rectify the search region at low resolution.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
    plane : PlaneMap
    layout : ReferenceLayout or None
        With an opening (``window_mm``) only the opening is shown; otherwise everything near the reference.
    plug_mm : float
        Diameter of the discs to look for; sets the resolution.

    Returns
    -------
    Overview
    """
    framed = layout is not None and layout.window_mm is not None
    low, high = search_region_mm(pixels.shape, plane, layout)
    px_per_mm = min((PLUG_PX if framed else WIDE_PLUG_PX) / plug_mm, LONGEST_PX / float((high - low).max()))
    size = np.maximum(np.ceil((high - low) * px_per_mm).astype(int) + 1, 8)
    to_photo = _homography(plane, low, size, px_per_mm)
    small, shrink = _shrunk(pixels, to_photo, size)
    picture = cv2.warpPerspective(
        small,
        shrink @ to_photo,
        (int(size[0]), int(size[1])),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    visible = _visible(pixels.shape, to_photo, size)
    if layout is not None and not framed:
        card = (np.asarray(layout.outline_mm) - low) * px_per_mm
        mask = cv2.fillConvexPoly(visible.astype(np.uint8), np.round(card).astype(np.int32), 0)
        # The card's own edge is a strong straight line; a pixel more keeps its gradient out.
        visible = cv2.erode(mask, np.ones((5, 5), np.uint8)) > 0
    return Overview(np.asarray(picture, dtype=np.uint8), visible, px_per_mm, to_photo)


def search_region_mm(
    shape: tuple[int, ...], plane: PlaneMap, layout: ReferenceLayout | None
) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest (x_mm, y_mm) of the region in which plugs may stand."""
    if layout is not None and layout.window_mm is not None:
        opening = np.asarray(layout.window_mm, dtype=float)
        return opening.min(axis=0), opening.max(axis=0)
    rows, columns = shape[:2]
    corners = plane.to_plane([(0, 0), (columns - 1, 0), (columns - 1, rows - 1), (0, rows - 1)], 0.0)
    # A corner of a strongly bent or tilted view may see the sky.
    corners = corners[np.isfinite(corners).all(axis=1)]
    if len(corners) == 0:
        corners = np.zeros((1, 2))
    middle = np.asarray(layout.centre_mm) if layout is not None else np.median(corners, axis=0)
    low = np.clip(corners.min(axis=0), middle - WIDE_REACH_MM, middle - LEAST_REGION_MM / 2)
    return low, np.clip(corners.max(axis=0), middle + LEAST_REGION_MM / 2, middle + WIDE_REACH_MM)


def _homography(plane: PlaneMap, low: FloatArray, size: npt.NDArray[np.int_], px_per_mm: float) -> FloatArray:
    across, down = np.meshgrid(np.linspace(0, size[0] - 1, 7), np.linspace(0, size[1] - 1, 7))
    grid = np.column_stack([across.ravel(), down.ravel()])
    matrix, _ = cv2.findHomography(grid, plane.project(grid / px_per_mm + low, 0.0))
    return np.asarray(matrix, dtype=float)


def _shrunk(
    pixels: npt.NDArray[np.uint8], to_photo: FloatArray, size: npt.NDArray[np.int_]
) -> tuple[npt.NDArray[np.uint8], FloatArray]:
    """The part of the photo in the region, reduced by whole numbers, and the matrix from photo to reduced pixels."""
    corners = _apply(to_photo, [(0, 0), (size[0], 0), (size[0], size[1]), (0, size[1])])
    area = cv2.contourArea(corners.astype(np.float32))
    step = max(1, int(0.9 * np.sqrt(area / float(size[0] * size[1]))))
    # even steps begin from the half-size photo
    halvings = 2 if step >= 2 else 1
    source, step = (halved(pixels), step // 2) if halvings == 2 else (pixels, step)
    corners = (corners + 0.5) / halvings - 0.5
    rows, columns = source.shape[:2]
    low = np.clip(np.floor(corners.min(axis=0)).astype(int) - step, 0, [columns - step, rows - step])
    high = np.clip(np.ceil(corners.max(axis=0)).astype(int) + step, low + step, [columns, rows])
    across, down = (high - low) // step
    part = source[low[1] : low[1] + down * step, low[0] : low[0] + across * step]
    small = cv2.resize(part, (int(across), int(down)), interpolation=cv2.INTER_AREA)
    scale = halvings * step
    shift = (0.5 - halvings * low) / scale - 0.5
    matrix = np.array([[1 / scale, 0, shift[0]], [0, 1 / scale, shift[1]], [0, 0, 1]])
    return np.asarray(small, dtype=np.uint8), matrix


def _visible(shape: tuple[int, ...], to_photo: FloatArray, size: npt.NDArray[np.int_]) -> npt.NDArray[np.bool_]:
    """Overview pixels that show the photo, less a margin of 2 px in which gradients are not to be trusted."""
    rows, columns = shape[:2]
    edge = _apply(_inverse(to_photo), [(0, 0), (columns - 1, 0), (columns - 1, rows - 1), (0, rows - 1)])
    mask = np.zeros((int(size[1]), int(size[0])), np.uint8)
    cv2.fillConvexPoly(mask, np.round(np.clip(edge, -1e6, 1e6)).astype(np.int32), 1)
    return cv2.erode(mask, np.ones((5, 5), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=1) > 0


def _apply(matrix: FloatArray, points: npt.ArrayLike) -> FloatArray:
    flat = np.asarray(points, dtype=float).reshape(-1, 2)
    ends = np.column_stack([flat, np.ones(len(flat))]) @ matrix.T
    return np.asarray(ends[:, :2] / ends[:, 2:], dtype=float)


def _inverse(matrix: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.inv(matrix), dtype=float)
