"""From pixels to millimetres and back: what every later stage needs from the scale."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.doubts import Doubt

FloatArray = npt.NDArray[np.float64]


class PlaneMap(Protocol):
    """A camera seen from the reference plane.

    Heights are mm above the reference plane, towards the camera.
    """

    def project(self, points_mm: npt.ArrayLike, height_mm: float) -> FloatArray:
        """Pixels ``(n, 2)`` of points ``(n, 2)`` that lie `height_mm` above the plane."""
        ...

    def to_plane(self, points_px: npt.ArrayLike, height_mm: float) -> FloatArray:
        """Points ``(n, 2)`` in mm where the rays of pixels ``(n, 2)`` meet the plane at `height_mm`."""
        ...

    @property
    def camera_height_mm(self) -> float | None:
        """Distance of the camera from the reference plane; None when the scale does not tell."""
        ...

    @property
    def tilt_deg(self) -> float | None:
        """Angle between the view axis and the plane's normal; None when unknown."""
        ...


@dataclass(frozen=True, eq=False)
class CameraPose:
    """Camera with lens, solved against the reference (OpenCV convention).

    A point at reference coordinates x, y and height h has camera coordinates
    ``rotation @ (x, y, -h) + translation_mm``.

    Attributes
    ----------
    camera_matrix : ndarray, shape (3, 3)
    distortion : ndarray, shape (5,)
        Brown-Conrady k1, k2, p1, p2, k3.
    rotation : ndarray, shape (3, 3)
    translation_mm : ndarray, shape (3,)
    """

    camera_matrix: FloatArray
    distortion: FloatArray
    rotation: FloatArray
    translation_mm: FloatArray

    def project(self, points_mm: npt.ArrayLike, height_mm: float) -> FloatArray:
        """Pixels ``(n, 2)`` of points ``(n, 2)`` that lie `height_mm` above the plane."""
        flat = np.asarray(points_mm, dtype=float).reshape(-1, 2)
        if len(flat) == 0:  # OpenCV takes no fewer than one point
            return flat
        space = np.column_stack([flat, np.full(len(flat), -float(height_mm))])
        rvec, _ = cv2.Rodrigues(self.rotation)
        pixels, _ = cv2.projectPoints(space, rvec, self.translation_mm, self.camera_matrix, self.distortion)
        return np.asarray(pixels, dtype=float).reshape(-1, 2)

    def to_plane(self, points_px: npt.ArrayLike, height_mm: float) -> FloatArray:
        """Points ``(n, 2)`` in mm where the rays of pixels ``(n, 2)`` meet the plane at `height_mm`."""
        flat = np.asarray(points_px, dtype=float).reshape(-1, 1, 2)
        if len(flat) == 0:
            return flat.reshape(0, 2)
        criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 40, 1e-10)
        ideal = cv2.undistortPoints(flat, self.camera_matrix, self.distortion, criteria=criteria).reshape(-1, 2)
        rays = np.column_stack([ideal, np.ones(len(ideal))]) @ self.rotation
        centre = -self.rotation.T @ self.translation_mm
        depth = (-float(height_mm) - centre[2]) / rays[:, 2]
        return np.asarray(centre[:2] + depth[:, None] * rays[:, :2], dtype=float)

    @property
    def camera_height_mm(self) -> float:
        """Distance of the camera from the reference plane."""
        return float((self.rotation.T @ self.translation_mm)[2])

    @property
    def tilt_deg(self) -> float:
        """Angle between the view axis and the plane's normal."""
        return float(np.degrees(np.arccos(np.clip(self.rotation[2, 2], -1.0, 1.0))))


@dataclass(frozen=True, eq=False)
class PhotoScale:
    """The scale of one photo and how well it is known.

    Attributes
    ----------
    plane : PlaneMap
    method : str
        ``"tags"``, ``"plug rim"`` or ``"two points"``.
    reference : str
        Name of the reference, empty without one.
    mm_per_px : float
        Length that one pixel covers at the middle of the reference, on its plane.
    scale_u_rel : float
        Relative standard uncertainty of lengths on the reference plane from pose and corner noise (without print).
    print_u_rel : float
        Relative standard uncertainty of lengths from the print; the correction itself is already applied.
    lens_u_rel : float
        Relative standard uncertainty of lengths from lens distortion that was not or only partly removed.
    camera_height_u_rel : float
        Relative standard uncertainty of the camera's height (from the focal length); scales the effect of heights.
    tags_seen, tags_used : tuple of int
    rms_px : float
        Residual of the corners used; nan without tags.
    lens_source : str
        ``"profile"``, ``"tags"`` or ``"none"``.
    blur_px : float
        Standard deviation of the edge spread of the tags; nan without tags.
    doubts : tuple of Doubt
    """

    plane: PlaneMap
    method: str
    reference: str
    mm_per_px: float
    scale_u_rel: float
    print_u_rel: float
    lens_u_rel: float
    camera_height_u_rel: float
    tags_seen: tuple[int, ...] = ()
    tags_used: tuple[int, ...] = ()
    rms_px: float = float("nan")
    lens_source: str = "none"
    blur_px: float = float("nan")
    doubts: tuple[Doubt, ...] = ()
