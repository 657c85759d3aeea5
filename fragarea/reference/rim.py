"""Ellipses of plug rims, to a fraction of a pixel."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.reference.linear import srgb_to_linear

FloatArray = npt.NDArray[np.float64]

RAYS = 180
LEAST_COVERAGE = 0.45


@dataclass(frozen=True)
class RimEllipse:
    """The rim of a plug in pixels.

    Attributes
    ----------
    centre_px : (float, float)
    semi_axes_px : (float, float)
        Longer first.
    angle_rad : float
        Of the longer axis, from x towards y.
    rms_px : float
        Residual of the rim points used.
    coverage : float
        Share of the rim where an edge was found, 0 to 1.
    """

    centre_px: tuple[float, float]
    semi_axes_px: tuple[float, float]
    angle_rad: float
    rms_px: float
    coverage: float


def fit_ellipse_subpixel(
    pixels: npt.NDArray[np.uint8], centre_px: tuple[float, float], radius_px: float
) -> RimEllipse | None:
    """Fit the outer rim of a disc by its edge along rays from the middle.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
    centre_px : (x, y)
        Right to about a fifth of the radius.
    radius_px : float
        Likewise.

    Returns
    -------
    RimEllipse or None
        None when too little of the rim shows an edge.

    References
    ----------
    Fitzgibbon, Pilu, Fisher, "Direct least square fitting of ellipses", 1999, as in OpenCV ``fitEllipseDirect``.
    """
    points, centre = np.zeros((0, 2)), np.asarray(centre_px, dtype=float)
    reach = 0.22
    axes = (radius_px, radius_px)
    angle = 0.0
    for reach in (0.22, 0.1, 0.06):
        points = _rim_points(pixels, centre, axes, angle, reach)
        fitted = _robust(points)
        if fitted is None:
            return None
        centre, axes, angle, kept, rms = fitted
    coverage = len(kept) / RAYS
    if coverage < LEAST_COVERAGE or axes[1] < 0.5 * axes[0]:
        return None
    return RimEllipse((float(centre[0]), float(centre[1])), (axes[0], axes[1]), angle, rms, coverage)


def _rim_points(
    pixels: npt.NDArray[np.uint8], centre: FloatArray, axes: tuple[float, float], angle: float, reach: float
) -> FloatArray:
    """The strongest step of light along each ray, near the ellipse."""
    turns = np.linspace(0, 2 * np.pi, RAYS, endpoint=False)
    a, b = axes
    along = np.column_stack([a * np.cos(turns), b * np.sin(turns)])
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    rays = along @ turn
    count = int(np.clip(2 * reach * a * 2, 24, 160))
    shares = np.linspace(1 - reach, 1 + reach, count)
    where = (centre + shares[None, :, None] * rays[:, None, :]).astype(np.float32)
    light = srgb_to_linear()[cv2.remap(pixels, where[..., 0], where[..., 1], cv2.INTER_LINEAR)]
    light = np.log(light + 0.02)  # a step counts by its ratio, so that shade does not hide it
    smooth = cv2.GaussianBlur(light, (1, 1), 0)
    half = max(2, count // 24)
    steps = np.abs(smooth[:, 2 * half :] - smooth[:, : -2 * half]).sum(axis=-1)
    # a little preference for the expected place settles ties between rim and shadow
    steps = steps * np.exp(-(((shares[half:-half] - 1) / (1.2 * reach)) ** 2))
    best = np.argmax(steps, axis=1)
    inner = np.clip(best, 1, steps.shape[1] - 2)
    rows = np.arange(RAYS)
    left, middle, right = steps[rows, inner - 1], steps[rows, inner], steps[rows, inner + 1]
    bend = left - 2 * middle + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend == 0, 1, bend), 0.0)
    place = shares[half + inner] + np.clip(shift, -1, 1) * (shares[1] - shares[0])
    strong = steps[rows, best] > 0.35 * float(np.median(steps[rows, best]))
    return (centre + place[:, None] * rays)[strong]


def _robust(
    points: FloatArray,
) -> tuple[FloatArray, tuple[float, float], float, FloatArray, float] | None:
    kept = points
    for _ in range(5):
        if len(kept) < 12:
            return None
        (cx, cy), (d1, d2), degrees = cv2.fitEllipseDirect(kept.astype(np.float32))
        if not np.isfinite([cx, cy, d1, d2, degrees]).all() or min(d1, d2) <= 0:
            return None
        angle = np.radians(degrees)
        long, short = d1 / 2, d2 / 2
        if short > long:
            long, short, angle = short, long, angle + np.pi / 2
        miss = _miss(points, np.array([cx, cy]), (long, short), angle)
        limit = max(3 * 1.4826 * float(np.median(np.abs(miss))), 0.5)
        kept = points[np.abs(miss) <= limit]
    inside = np.abs(miss) <= limit
    rms = float(np.sqrt(np.mean(miss[inside] ** 2)))
    return np.array([cx, cy]), (float(long), float(short)), float(angle), kept, rms


def _miss(points: FloatArray, centre: FloatArray, axes: tuple[float, float], angle: float) -> FloatArray:
    """Distance of points from an ellipse along rays from its middle, in pixels."""
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    local = (points - centre) @ turn
    size = np.hypot(local[:, 0] / axes[0], local[:, 1] / axes[1])
    return np.hypot(local[:, 0], local[:, 1]) * (1 - 1 / np.maximum(size, 1e-9))
