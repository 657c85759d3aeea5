"""Scales without a printed reference: the rims of plugs of known diameter, or two points given by hand."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.doubts import Doubt
from fragarea.errors import ReferenceNotFound, SettingsProblem
from fragarea.photo.records import CameraInfo
from fragarea.reference.plane import PhotoScale
from fragarea.reference.rim import RimEllipse, fit_ellipse_subpixel

FloatArray = npt.NDArray[np.float64]

SEARCH_SIDE_PX = 640
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


def scale_from_rims(
    pixels: npt.NDArray[np.uint8], plug_mm: float, plug_u_mm: float, camera: CameraInfo, *, photo_name: str
) -> PhotoScale:
    """Scale from the rims of plugs of known diameter in the photo.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
    plug_mm, plug_u_mm : float
        Diameter and its standard uncertainty.
    camera : CameraInfo
    photo_name : str
        For errors.

    Returns
    -------
    PhotoScale
        Origin in the middle of the clearest rim, axes along the photo's.

    Raises
    ------
    ReferenceNotFound
        If no clear rim is in view.
    """
    rims = find_rims(pixels)
    if not rims:
        raise ReferenceNotFound(
            photo_name,
            f"no printed reference was named and no clear rim of a {plug_mm:g} mm plug is in view",
            "lay a printed reference beside the fragment, or give two points of a ruler and their distance",
        )
    return scale_of_rims(rims, plug_mm, plug_u_mm, camera, (pixels.shape[1], pixels.shape[0]))


def scale_of_rims(
    rims: list[RimEllipse], plug_mm: float, plug_u_mm: float, camera: CameraInfo, image_size: tuple[int, int]
) -> PhotoScale:
    """Scale of fitted rims, clearest first; see :func:`scale_from_rims`.

    Notes
    -----
    Seen from far away a circle of radius r becomes an ellipse whose longer semi-axis is r times the magnification,
    and whose axes have the ratio cos(tilt); which way the camera leans cannot be told and does not matter for areas.
    """
    first = rims[0]
    size = float(np.median([rim.semi_axes_px[0] for rim in rims])) / first.semi_axes_px[0]
    a, b = first.semi_axes_px[0] * size, first.semi_axes_px[1] * size
    radius = plug_mm / 2
    turn = np.array(
        [
            [math.cos(first.angle_rad), -math.sin(first.angle_rad)],
            [math.sin(first.angle_rad), math.cos(first.angle_rad)],
        ]
    )
    matrix = turn @ np.diag([a / radius, b / radius]) @ turn.T
    per_mm = math.sqrt(a * b) / radius
    equiv = camera.focal_equiv_mm
    distance = equiv / 36 * max(image_size) / (a / radius) if equiv else None
    spread = np.std([math.log(rim.semi_axes_px[0]) for rim in rims]) / math.sqrt(len(rims)) if len(rims) > 2 else 0.0
    u = math.hypot(plug_u_mm / plug_mm, first.rms_px / a / math.sqrt(6), 0.004, float(spread))
    return PhotoScale(
        plane=AffinePlane(matrix, np.asarray(first.centre_px), distance, math.degrees(math.acos(min(1.0, b / a)))),
        method="plug rim",
        reference="",
        mm_per_px=1 / per_mm,
        scale_u_rel=u,
        print_u_rel=0.0,
        lens_u_rel=LENS_U if len(rims) > 1 else 0.003,
        camera_height_u_rel=0.1,
        doubts=(Doubt("scale_from_rim", f"{len(rims)} rim(s)"),),
    )


def find_rims(pixels: npt.NDArray[np.uint8]) -> list[RimEllipse]:
    """Clear round rims of about one size, the clearest first."""
    factor = max(1.0, max(pixels.shape[:2]) / SEARCH_SIDE_PX)
    small = cv2.resize(pixels, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
    grey = cv2.medianBlur(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), 5)
    low = max(10, int(0.03 * max(grey.shape)))
    high = int(0.5 * min(grey.shape))
    circles = cv2.HoughCircles(
        grey, cv2.HOUGH_GRADIENT_ALT, 1.5, 1.5 * low, param1=200, param2=0.7, minRadius=low, maxRadius=high
    )
    if circles is None:
        return []
    rims = []
    for x, y, r in circles.reshape(-1, circles.shape[-1])[:60, :3]:
        rim = fit_ellipse_subpixel(pixels, ((x + 0.5) * factor - 0.5, (y + 0.5) * factor - 0.5), float(r * factor))
        if rim is not None and rim.rms_px < 0.03 * rim.semi_axes_px[0]:
            rims.append(rim)
    if not rims:
        return []
    rims.sort(key=lambda rim: (-rim.coverage, rim.rms_px / rim.semi_axes_px[0]))
    usual = float(np.median([rim.semi_axes_px[0] for rim in rims]))
    return [rim for rim in rims if abs(rim.semi_axes_px[0] / usual - 1) < 0.15] or rims[:1]


def compare_scales(one: float, one_u: float, other: float, other_u: float, *, names: tuple[str, str]) -> Doubt | None:
    """A doubt when two scales (mm per pixel, with standard uncertainties) differ by more than 2.58 of their u.

    2.58 standard deviations: one pair in a hundred that agrees is doubted.
    """
    if abs(one - other) <= 2.58 * math.hypot(one_u, other_u):
        return None
    difference = 100 * (other / one - 1)
    return Doubt("scale_disagrees", f"{names[1]} {difference:+.1f} % against {names[0]}")
