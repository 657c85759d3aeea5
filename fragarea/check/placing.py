"""Which dark patch of the photo is which shape of the sheet, and how the sheet lies."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, islice, product

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.check.light import LightImage
from fragarea.check.sheet import KnownAreaSheet, nominal_mm2, polygon_mm
from fragarea.reference.plane import PlaneMap

COARSE_MM_PER_PX = 0.4
# A patch is one shape when it lies this near to its place and its area is this near to the nominal one.
_NEAR_MM = 3.0
_AREA_SHARE = 0.2
# Ink counts as darker than this share of the paper's light; deep shadow stripes ask for less, pale ink for more.
_DARK_SHARES = (0.5, 0.35, 0.25, 0.65)
# A sheet in view is found within some tens of guesses; the rest is a bound on clutter.
_MOST_GUESSES = 2000
_MOST_PATCHES = 200


@dataclass(frozen=True, eq=False)
class CoarseView:
    """The sheet's surroundings seen from above, coarsely.

    Attributes
    ----------
    light : ndarray of float32, shape (rows, columns)
        Linear light; 0 outside the photo.
    origin_mm : (float, float)
        Place of the middle of pixel (0, 0).
    """

    light: npt.NDArray[np.float32]
    origin_mm: tuple[float, float]

    def to_mm(self, points_px: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Reference coordinates ``(n, 2)`` of pixels ``(n, 2)``."""
        return np.asarray(points_px, dtype=float) * COARSE_MM_PER_PX + np.asarray(self.origin_mm)


@dataclass(frozen=True, eq=False)
class DarkPatch:
    """A connected dark patch of the coarse view.

    Attributes
    ----------
    centre_mm : (float, float)
    area_mm2 : float
    outline_mm : ndarray, shape (n, 2)
        Its outer edge, right to about half a millimetre.
    """

    centre_mm: tuple[float, float]
    area_mm2: float
    outline_mm: npt.NDArray[np.float64]


def coarse_view(
    light: LightImage, plane: PlaneMap, window_mm: tuple[tuple[float, float], ...], height_mm: float
) -> CoarseView:
    """Rectify the window of the reference at ``COARSE_MM_PER_PX``."""
    low, high = np.min(window_mm, axis=0), np.max(window_mm, axis=0)
    columns, rows = (np.ceil((high - low) / COARSE_MM_PER_PX).astype(int) + 1).tolist()
    x, y = np.meshgrid(np.arange(columns), np.arange(rows))
    places = np.column_stack([x.ravel(), y.ravel()]) * COARSE_MM_PER_PX + low
    pixels = plane.project(places, height_mm).astype(np.float32).reshape(rows, columns, 2)
    # One coarse pixel covers several of the photo; a blur first keeps noise and thin lines from aliasing.
    smooth = cv2.GaussianBlur(light, (0, 0), 1.0)
    view = cv2.remap(smooth, pixels[..., 0], pixels[..., 1], cv2.INTER_LINEAR, borderValue=0.0)
    return CoarseView(np.asarray(view, dtype=np.float32), (float(low[0]), float(low[1])))


def find_shapes(view: CoarseView, sheet: KnownAreaSheet) -> dict[str, DarkPatch]:
    """Patches by shape id, at the threshold that finds most of the sheet's shapes."""
    best: dict[str, DarkPatch] = {}
    for share in _DARK_SHARES:
        best = max(best, match_shapes(dark_patches(view, sheet, share), sheet), key=len)
        if len(best) == len(sheet.shapes):
            break
    return best


def dark_patches(view: CoarseView, sheet: KnownAreaSheet, dark_share: float) -> list[DarkPatch]:
    """Patches darker than `dark_share` of the paper around them, of a size that the sheet has."""
    areas = [nominal_mm2(shape) for shape in sheet.shapes]
    # The paper's level under a shape is that of its surroundings: a closing wider than any shape is thick.
    width = int(1.4 * 2 * np.sqrt(max(areas) / np.pi) / COARSE_MM_PER_PX) | 1
    paper = cv2.morphologyEx(view.light, cv2.MORPH_CLOSE, np.ones((width, width), np.uint8))
    dark = (view.light < dark_share * paper).astype(np.uint8)
    contours, tree = cv2.findContours(dark, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    _, labels, stats, centres = cv2.connectedComponentsWithStats(dark, connectivity=4)
    patches = []
    for contour, (_, _, _, parent) in zip(contours, tree[0] if tree is not None else (), strict=True):
        column, row = contour[0, 0]
        label = labels[row, column]
        area = float(stats[label, cv2.CC_STAT_AREA]) * COARSE_MM_PER_PX**2
        if parent < 0 and (1 - 2 * _AREA_SHARE) * min(areas) < area < (1 + 2 * _AREA_SHARE) * max(areas):
            x, y = view.to_mm(centres[label])
            patches.append(DarkPatch((float(x), float(y)), area, view.to_mm(contour[:, 0])))
    return sorted(patches, key=lambda patch: -patch.area_mm2)[:_MOST_PATCHES]


def match_shapes(patches: list[DarkPatch], sheet: KnownAreaSheet) -> dict[str, DarkPatch]:
    """Patches by shape id, for the way of laying the sheet down that explains most of them.

    The sheet may be shifted and turned by any angle on its plane; it cannot be mirrored.
    """
    if not patches:
        return {}
    nominal = np.array([polygon_mm(shape).centroid.coords[0] for shape in sheet.shapes])
    areas = np.array([nominal_mm2(shape) for shape in sheet.shapes])
    found = np.array([patch.centre_mm for patch in patches])
    fits = np.abs(np.array([patch.area_mm2 for patch in patches]) / areas[:, None] - 1) < _AREA_SHARE
    # Any two patches of fitting sizes can be laid on two shapes; that alone is no sheet.
    fewest = min(len(nominal), max(3, math.ceil(len(nominal) / 4)))
    pairs = _pairs(nominal, found, fits)
    for _ in range(3):
        if len(pairs) < fewest:
            return {}
        rotation, shift = _rigid(nominal[list(pairs)], found[list(pairs.values())])
        pairs = _nearest(nominal @ rotation.T + shift, found, fits)
    return {sheet.shapes[shape].shape_id: patches[patch] for shape, patch in pairs.items()}


def _pairs(
    nominal: npt.NDArray[np.float64], found: npt.NDArray[np.float64], fits: npt.NDArray[np.bool_]
) -> dict[int, int]:
    """Shape to patch, for the best of: the sheet in its place, or laid on any two shapes and two patches."""
    best = _nearest(nominal, found, fits)
    if len(best) > 0.5 * len(nominal):
        return best
    for i, j, a, b in islice(_guesses(nominal, found, fits), _MOST_GUESSES):
        rotation, shift = _rigid(nominal[[i, j]], found[[a, b]])
        best = max(best, _nearest(nominal @ rotation.T + shift, found, fits), key=len)
        if len(best) > 0.8 * len(nominal):
            break
    return best


def _guesses(
    nominal: npt.NDArray[np.float64], found: npt.NDArray[np.float64], fits: npt.NDArray[np.bool_]
) -> Iterator[tuple[int, int, int, int]]:
    """Two shapes and two patches as far apart, shapes with the fewest candidates first."""
    rarest = np.argsort(fits.sum(axis=1), kind="stable")
    for i, j in combinations(rarest.tolist(), 2):
        distance = float(np.hypot(*(nominal[i] - nominal[j])))
        for a, b in product(np.flatnonzero(fits[i]).tolist(), np.flatnonzero(fits[j]).tolist()):
            if a != b and abs(float(np.hypot(*(found[a] - found[b]))) - distance) < _NEAR_MM / 2:
                yield i, j, a, b


def _nearest(
    placed: npt.NDArray[np.float64], found: npt.NDArray[np.float64], fits: npt.NDArray[np.bool_]
) -> dict[int, int]:
    distance = np.hypot(*(placed[:, None] - found[None]).transpose(2, 0, 1))
    distance[~fits] = np.inf
    # A patch goes to the nearest shape and a shape to the nearest patch; both must agree.
    patch = distance.argmin(axis=1)
    return {
        shape: int(patch[shape])
        for shape in range(len(placed))
        if distance[shape, patch[shape]] < _NEAR_MM and distance[:, patch[shape]].argmin() == shape
    }


def _rigid(
    source: npt.NDArray[np.float64], target: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Rotation and shift that lay `source` on `target` (least squares; Kabsch 1976 in the plane)."""
    if len(source) == 1:
        return np.eye(2), target[0] - source[0]
    centred = (source - source.mean(axis=0)), (target - target.mean(axis=0))
    cosine = float((centred[0] * centred[1]).sum())
    sine = float((centred[0][:, 0] * centred[1][:, 1] - centred[0][:, 1] * centred[1][:, 0]).sum())
    angle = np.arctan2(sine, cosine)
    rotation = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return rotation, target.mean(axis=0) - rotation @ source.mean(axis=0)
