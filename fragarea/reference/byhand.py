"""The scale from two points given by hand, and the comparison of two scales."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fragarea.doubts import Doubt
from fragarea.errors import SettingsProblem
from fragarea.reference.plane import FloatArray, PhotoScale

POINT_U_PX = 1.0  # a careful click (common practice, no source)
# How far a length elsewhere in the photo may be off when only two points and no plane are known: perspective of a
# camera held level by eye (common practice, no source).
LEVEL_BY_EYE_U = 0.01
LENS_U = 0.01


@dataclass(frozen=True, eq=False)
class AffinePlane:
    """A plane seen by a camera so far away that perspective does not show.

    Attributes
    ----------
    matrix : ndarray, shape (2, 2)
        Pixels per mm: ``pixel = matrix @ mm + origin_px``.
    origin_px : ndarray, shape (2,)
    height_mm : float or None
        Distance of the camera, where the focal length tells; heights are then allowed for.
    tilt : float or None
        Degrees.
    """

    matrix: FloatArray
    origin_px: FloatArray
    height_mm: float | None = None
    tilt: float | None = None

    def project(self, points_mm: npt.ArrayLike, height_mm: float) -> FloatArray:
        """Pixels ``(n, 2)`` of points ``(n, 2)`` that lie `height_mm` above the plane."""
        flat = np.asarray(points_mm, dtype=float).reshape(-1, 2)
        return flat @ self.matrix.T * self._magnified(height_mm) + self.origin_px

    def to_plane(self, points_px: npt.ArrayLike, height_mm: float) -> FloatArray:
        """Points ``(n, 2)`` in mm of pixels ``(n, 2)``."""
        flat = np.asarray(points_px, dtype=float).reshape(-1, 2) - self.origin_px
        return np.asarray(np.linalg.solve(self.matrix, flat.T).T / self._magnified(height_mm), dtype=float)

    def _magnified(self, height_mm: float) -> float:
        return 1.0 if self.height_mm is None else self.height_mm / (self.height_mm - height_mm)

    @property
    def camera_height_mm(self) -> float | None:
        """Distance of the camera; None when the focal length is unknown."""
        return self.height_mm

    @property
    def tilt_deg(self) -> float | None:
        """Tilt in degrees; None when unknown."""
        return self.tilt


def scale_from_two_points(
    one_px: tuple[float, float],
    other_px: tuple[float, float],
    length_mm: float,
    length_u_mm: float,
    *,
    image_size: tuple[int, int],
) -> PhotoScale:
    """Scale from two points a known distance apart, for example on a ruler beside the fragment.

    Parameters
    ----------
    one_px, other_px : (x, y)
    length_mm, length_u_mm : float
        Their distance and its standard uncertainty.
    image_size : (width, height)

    Returns
    -------
    PhotoScale
        Origin in the photo's top left pixel.

    Raises
    ------
    SettingsProblem
        If the points coincide, lie outside the photo, or the length is not positive.
    """
    width, height = image_size
    for x, y in (one_px, other_px):
        if not (0 <= x < width and 0 <= y < height):
            raise SettingsProblem(f"point ({x:g}, {y:g}) lies outside the photo of {width} x {height} pixels.")
    gap = math.dist(one_px, other_px)
    if gap < 20 or not length_mm > 0:
        raise SettingsProblem("the two points must be at least 20 pixels apart and their length in mm positive.")
    per_mm = gap / length_mm
    u = math.hypot(length_u_mm / length_mm, math.sqrt(2) * POINT_U_PX / gap, LEVEL_BY_EYE_U)
    return PhotoScale(
        plane=AffinePlane(np.eye(2) * per_mm, np.zeros(2)),
        method="two points",
        reference="",
        mm_per_px=1 / per_mm,
        scale_u_rel=u,
        print_u_rel=0.0,
        lens_u_rel=LENS_U,
        camera_height_u_rel=0.3,
        doubts=(Doubt("scale_by_hand", f"{length_mm:g} mm over {gap:.0f} pixels"),),
    )


def compare_scales(one: float, one_u: float, other: float, other_u: float, *, names: tuple[str, str]) -> Doubt | None:
    """A doubt when two scales (mm per pixel, with standard uncertainties) differ by more than 2.58 of their u.

    2.58 standard deviations: one pair in a hundred that agrees is doubted.
    """
    if abs(one - other) <= 2.58 * math.hypot(one_u, other_u):
        return None
    difference = 100 * (other / one - 1)
    return Doubt("scale_disagrees", f"{names[1]} {difference:+.1f} % against {names[0]}")
