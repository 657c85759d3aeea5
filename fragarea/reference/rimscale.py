"""The scale from the rims of plugs of known diameter, where no printed reference is in view."""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.doubts import Doubt
from fragarea.errors import ReferenceNotFound, ViewUnusable
from fragarea.photo.records import CameraInfo
from fragarea.reference.plane import CameraPose, FloatArray, PhotoScale
from fragarea.reference.pose import FOCAL_GUESS, FOCAL_U_EXIF, FOCAL_U_UNKNOWN
from fragarea.reference.rim import RimEllipse, fit_ellipse_subpixel

SEARCH_SIDE_PX = 640
MOST_CIRCLES = 60
LEAST_PX_PER_MM = 3.0
# A rim is clear when it fits an ellipse to this share of its radius, shows this share of its edge and is this round.
CLEAR_RMS, CLEAR_COVERAGE, CLEAR_FLAT = 0.012, 0.6, 0.88
# Rims whose longer axes differ less than this may be plugs of one size.
SAME_SIZE = 0.12
STEEPEST_DEG, TILTED_DEG = 25.0, 15.0
POINTS_A_RIM = 24
# Plugs of one batch differ in size by this much; the edge of one is chipped or overgrown here and there (common
# practice, no source).
RIM_U_REL = 0.004
# Edges of plugs are rounded, and their last light is lost on dark ground: in the rendered scenes rims look up to
# 1.8 % too small.
ROUNDED_U_REL = 0.015
# How level a camera is held by eye, where rims are too few to tell (common practice, no source).
LEVEL_U_DEG = 8.0
# Lengths off by the lens, which circles do not show well (common practice, no source).
LENS_U_REL = 0.005
# Rims that differ more than this from the usual size, as the plane shows it, are not of this kind of plug.
SIZE_SLACK = 0.08
FEWEST_FOR_TILT = 4


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
        Origin in the middle of the clearest rim, axes along the photo's, plane at the plug tops.

    Raises
    ------
    ReferenceNotFound
        If no clear rim is in view.
    ViewUnusable
        If the rims show that the camera was tilted by more than 25 degrees.
    """
    rims = find_rims(pixels, LEAST_PX_PER_MM * plug_mm / 2)
    if not rims:
        raise ReferenceNotFound(
            photo_name,
            f"no printed reference was named and no clear rim of a {plug_mm:g} mm plug is in view",
            "lay a printed reference beside the fragment, or give two points of a ruler and their distance",
        )
    size = (pixels.shape[1], pixels.shape[0])
    scale = scale_of_rims(rims, plug_mm, plug_u_mm, camera, size)
    tilt = scale.plane.tilt_deg or 0.0
    if tilt > STEEPEST_DEG:
        raise ViewUnusable(
            photo_name, f"the plugs' rims look tilted by {tilt:.0f} degrees", "retake from straight above"
        )
    return scale


def scale_of_rims(
    rims: Sequence[RimEllipse], plug_mm: float, plug_u_mm: float, camera: CameraInfo, image_size: tuple[int, int]
) -> PhotoScale:
    """Scale of fitted rims, the clearest first; see :func:`scale_from_rims`.

    Notes
    -----
    The plane is placed before the camera so that all rims become circles of the plug's radius on it. One rim tells
    the distance, and the tilt up to its sense; several tell both, for those nearer the camera look larger.
    """
    focal, focal_u = _focal_px(camera, image_size)
    middle = np.array([(image_size[0] - 1) / 2, (image_size[1] - 1) / 2])
    radius = plug_mm / 2
    fit = _fit_plane(list(rims), radius, focal, middle)
    kept = [rim for rim, size in zip(rims, _radii(fit, rims).mean(axis=1), strict=True) if _usual(size, radius)]
    if kept and len(kept) < len(rims):
        fit = _fit_plane(kept, radius, focal, middle)
    pose = _with_origin(fit, (kept or rims)[0])
    spread = float(np.std(_radii(pose, kept or rims).mean(axis=1))) / radius
    count = len(kept or rims)
    of_rims = max(spread, RIM_U_REL) / math.sqrt(count)
    u_rel = math.hypot(plug_u_mm / plug_mm, of_rims, ROUNDED_U_REL, _level_u(count))
    doubts = [Doubt("scale_from_rim", f"{count} rim{'s' if count > 1 else ''}")]
    if pose.tilt_deg > TILTED_DEG:
        doubts.append(Doubt("tilted", f"{pose.tilt_deg:.0f} degrees"))
    return PhotoScale(
        plane=pose,
        method="plug rim",
        reference="",
        mm_per_px=_mm_per_px(pose),
        scale_u_rel=u_rel,
        print_u_rel=0.0,
        lens_u_rel=LENS_U_REL,
        camera_height_u_rel=focal_u,
        doubts=tuple(doubts),
    )


def _focal_px(camera: CameraInfo, image_size: tuple[int, int]) -> tuple[float, float]:
    equiv = camera.focal_equiv_mm
    share, u = (equiv / 36, FOCAL_U_EXIF) if equiv else (FOCAL_GUESS, FOCAL_U_UNKNOWN)
    return share * max(image_size), u


def _usual(size_mm: float, radius_mm: float) -> bool:
    return abs(size_mm / radius_mm - 1) < SIZE_SLACK


def _level_u(count: int) -> float:
    """A few rims leave open how the camera leans, and so how near others are; a single one needs no others."""
    return 0.0 if count == 1 or count >= FEWEST_FOR_TILT else 0.01


def _pose(values: FloatArray, focal: float, middle: FloatArray) -> CameraPose:
    """Camera that sees the plane's origin in the middle of the photo: tilts about x and y, logarithm of distance."""
    rotation, _ = cv2.Rodrigues(np.array([values[0], values[1], 0.0]))
    matrix = np.array([[focal, 0, middle[0]], [0, focal, middle[1]], [0, 0, 1.0]])
    return CameraPose(
        matrix, np.zeros(5), np.asarray(rotation, dtype=float), np.array([0.0, 0.0, float(np.exp(values[2]))])
    )


def _radii(pose: CameraPose, rims: Sequence[RimEllipse]) -> FloatArray:
    """Radii ``(rims, points)`` of the rims on the plane, about the middles of their points, in mm."""
    turns = np.linspace(0, 2 * np.pi, POINTS_A_RIM, endpoint=False)
    points = np.concatenate([rim.at(turns) for rim in rims])
    flat = pose.to_plane(points, 0.0).reshape(len(rims), POINTS_A_RIM, 2)
    return np.asarray(np.linalg.norm(flat - flat.mean(axis=1, keepdims=True), axis=2))


def _fit_plane(rims: Sequence[RimEllipse], radius: float, focal: float, middle: FloatArray) -> CameraPose:
    size = float(np.median([rim.semi_axes_px[0] for rim in rims]))
    distance = math.log(focal * radius / size)

    def misfit(values: FloatArray) -> FloatArray:
        rings = (_radii(_pose(values, focal, middle), rims) / radius - 1) / RIM_U_REL
        return np.append(rings.ravel() / math.sqrt(POINTS_A_RIM), values[:2] / math.radians(LEVEL_U_DEG))

    # Off the symmetric start: level, a single rim tells no direction in which to lean.
    start = np.array([0.02, 0.02, distance])
    from scipy.optimize import least_squares  # slow to load, and seldom needed

    solved = least_squares(misfit, start, loss="soft_l1", f_scale=3.0)
    return _pose(solved.x, focal, middle)


def _with_origin(pose: CameraPose, rim: RimEllipse) -> CameraPose:
    origin = pose.to_plane([rim.centre_px], 0.0)[0]
    shift = pose.rotation[:, :2] @ origin + pose.translation_mm
    return CameraPose(pose.camera_matrix, pose.distortion, pose.rotation, np.asarray(shift, dtype=float))


def _mm_per_px(pose: CameraPose) -> float:
    centre = pose.project([(0.0, 0.0)], 0.0)[0]
    corners = pose.to_plane(centre + np.array([(-2, -2), (2, -2), (2, 2), (-2, 2)]), 0.0)
    x, y = corners.T
    area = 0.5 * abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))))
    return math.sqrt(area) / 4


def find_rims(pixels: npt.NDArray[np.uint8], least_radius_px: float) -> list[RimEllipse]:
    """Clear round rims of about one size, the clearest first.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
    least_radius_px : float
        Smaller ones are passed over.

    Returns
    -------
    list of RimEllipse
        Of that size whose rims show the most edge in all.
    """
    factor = max(1.0, max(pixels.shape[:2]) / SEARCH_SIDE_PX)
    small = cv2.resize(pixels, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
    grey = cv2.medianBlur(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), 5)
    low = max(8, int(0.9 * least_radius_px / factor))
    circles = cv2.HoughCircles(
        grey,
        cv2.HOUGH_GRADIENT_ALT,
        1.5,
        1.5 * low,
        param1=200,
        param2=0.7,
        minRadius=low,
        maxRadius=min(grey.shape) // 2,
    )
    if circles is None:
        return []
    rough = circles.reshape(-1, circles.shape[-1])[:MOST_CIRCLES, :3] * factor
    fits = [fit_ellipse_subpixel(pixels, (x + factor / 2 - 0.5, y + factor / 2 - 0.5), r) for x, y, r in rough]
    return _most_seen_size([rim for rim in fits if rim is not None and _is_clear(rim)])


def _is_clear(rim: RimEllipse) -> bool:
    long, short = rim.semi_axes_px
    return rim.rms_px < CLEAR_RMS * long and rim.coverage > CLEAR_COVERAGE and short > CLEAR_FLAT * long


def _most_seen_size(rims: list[RimEllipse]) -> list[RimEllipse]:
    groups = [[r for r in rims if abs(r.semi_axes_px[0] / one.semi_axes_px[0] - 1) < SAME_SIZE] for one in rims]
    best = max(groups, key=lambda group: sum(r.coverage * r.semi_axes_px[0] for r in group), default=[])
    return sorted(best, key=lambda rim: (-rim.coverage, rim.rms_px / rim.semi_axes_px[0]))
