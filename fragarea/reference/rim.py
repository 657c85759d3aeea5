"""Ellipses of plug rims, to a fraction of a pixel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.reference.edges import rise_through_half
from fragarea.reference.linear import LightArray, linear_luminance, srgb_to_linear
from fragarea.reference.plane import FloatArray

RAYS = 180
LEAST_COVERAGE = 0.45
FLATTEST = 0.5  # shorter over longer axis; a plug looks flatter only from more than 60 degrees off
ROUGHEST = 0.02  # residual over radius; noise gives more
# How far from the expected rim the strongest step is sought, in shares of the radius, round by round.
REACHES = (0.22, 0.1)
# Half length in pixels, and steps, of the profiles that settle where the rim is; wider where the photo is blurred.
PROFILE_PX, PROFILE_STEPS = 5.0, 31
LEVEL_STEPS = 7
# Share of the usual contrast across the rim, or of the usual step, below which a ray says nothing.
LEAST_CONTRAST = 0.3
# Dark surroundings are lifted by this before logarithms, so that noise in black does not count as steps.
DARK = 0.02
NO_MAP: Any = None


@dataclass(frozen=True)
class Ellipse:
    """An ellipse in pixels."""

    centre_px: tuple[float, float]
    semi_axes_px: tuple[float, float]
    angle_rad: float

    def at(self, turns: FloatArray, size: FloatArray | float = 1.0) -> FloatArray:
        """Points ``(n, 2)`` at these turns (rad) of the ellipse made larger `size` times."""
        along = np.column_stack([self.semi_axes_px[0] * np.cos(turns), self.semi_axes_px[1] * np.sin(turns)])
        cos, sin = np.cos(self.angle_rad), np.sin(self.angle_rad)
        grown = along * np.broadcast_to(np.asarray(size, dtype=float), (len(along),))[:, None]
        return np.asarray(self.centre_px + grown @ np.array([[cos, sin], [-sin, cos]]))

    def misses_px(self, points: FloatArray) -> FloatArray:
        """Distance of points ``(n, 2)`` outwards from the ellipse, along rays from its middle."""
        cos, sin = np.cos(self.angle_rad), np.sin(self.angle_rad)
        local = (points - self.centre_px) @ np.array([[cos, -sin], [sin, cos]])
        size = np.hypot(local[:, 0] / self.semi_axes_px[0], local[:, 1] / self.semi_axes_px[1])
        return np.asarray(np.hypot(local[:, 0], local[:, 1]) * (1 - 1 / np.maximum(size, 1e-9)))


@dataclass(frozen=True)
class RimEllipse(Ellipse):
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

    rms_px: float
    coverage: float


def fit_ellipse_subpixel(
    pixels: npt.NDArray[np.uint8], centre_px: tuple[float, float], radius_px: float
) -> RimEllipse | None:
    """Fit the outer rim of a disc by its edge along rays from the middle.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3) or (rows, columns)
        A photo or a rectified window.
    centre_px : (x, y)
        Right to about a fifth of the radius.
    radius_px : float
        Likewise.

    Returns
    -------
    RimEllipse or None
        None when too little of the rim shows an edge.

    Notes
    -----
    The strongest step of light finds the rim; the point half way between the light inside and outside, taken
    linearly, settles it, for blur leaves that point where the edge is.

    References
    ----------
    Fitzgibbon, Pilu, Fisher, "Direct least square fitting of ellipses", 1999, as in OpenCV ``fitEllipseDirect``.
    """
    rough = _find(pixels, Ellipse(centre_px, (radius_px, radius_px), 0.0))
    return None if rough is None else _settle(pixels, rough)


def _find(pixels: npt.NDArray[np.uint8], guess: Ellipse) -> Ellipse | None:
    found: Ellipse | None = guess
    for reach in REACHES:
        if found is None:
            break
        found, _ = _fit(_strongest_steps(pixels, found, reach))
    return found


def _settle(pixels: npt.NDArray[np.uint8], rough: Ellipse) -> RimEllipse | None:
    light, low = _light_around(pixels, rough)
    better, _ = _fit(_half_way_points(light, low, rough))
    if better is None:
        return None
    points = _half_way_points(light, low, better)
    best, kept = _fit(points)
    if best is None:
        return None
    coverage = float(np.count_nonzero(kept)) / RAYS
    if coverage < LEAST_COVERAGE or best.semi_axes_px[1] < FLATTEST * best.semi_axes_px[0]:
        return None
    rms = float(np.sqrt(np.mean(best.misses_px(points[kept]) ** 2)))
    if rms > ROUGHEST * best.semi_axes_px[0]:
        return None
    return RimEllipse(best.centre_px, best.semi_axes_px, best.angle_rad, rms, coverage)


def _turns() -> FloatArray:
    return np.linspace(0, 2 * np.pi, RAYS, endpoint=False)


def _along_rays(ellipse: Ellipse, sizes: FloatArray) -> npt.NDArray[np.float32]:
    """Points ``(RAYS, len(sizes), 2)`` on ellipses of these relative sizes."""
    middle = np.asarray(ellipse.centre_px)
    return (middle + sizes[None, :, None] * (ellipse.at(_turns()) - middle)[:, None]).astype(np.float32)


def _strongest_steps(pixels: npt.NDArray[np.uint8], ellipse: Ellipse, reach: float) -> FloatArray:
    """The strongest step of light along each ray, near the ellipse; weak ones left out."""
    count = int(np.clip(4 * reach * ellipse.semi_axes_px[0], 24, 160))
    sizes = np.linspace(1 - reach, 1 + reach, count)
    values = cv2.remap(pixels, _along_rays(ellipse, sizes), NO_MAP, cv2.INTER_LINEAR).reshape(RAYS, count, -1)
    # A step counts by its ratio, so that shade does not hide it.
    light = np.log(srgb_to_linear()[values] + DARK)
    half = max(2, count // 24)
    steps = np.abs(light[:, 2 * half :] - light[:, : -2 * half]).sum(axis=-1)
    # A little preference for the expected place settles ties between rim and shadow.
    steps = steps * np.exp(-(((sizes[half:-half] - 1) / (1.2 * reach)) ** 2))
    best = steps.argmax(axis=1)
    strength = steps[np.arange(RAYS), best]
    strong = strength > LEAST_CONTRAST * float(np.median(strength))
    return ellipse.at(_turns(), sizes[half + best])[strong]


def _light_around(pixels: npt.NDArray[np.uint8], ellipse: Ellipse) -> tuple[LightArray, FloatArray]:
    """Linear light around the ellipse, and the photo's pixel with which it begins."""
    rows, columns = pixels.shape[:2]
    reach = ellipse.semi_axes_px[0] + 2 * PROFILE_PX
    low = np.clip(np.floor(np.asarray(ellipse.centre_px) - reach), 0, [columns - 2, rows - 2]).astype(int)
    high = np.clip(np.ceil(np.asarray(ellipse.centre_px) + reach), low + 2, [columns, rows]).astype(int)
    return linear_luminance(pixels[low[1] : high[1], low[0] : high[0]]), low.astype(float)


def _half_way_points(light: LightArray, low: FloatArray, ellipse: Ellipse) -> FloatArray:
    """Where light passes half way between inside and outside, near the ellipse; unclear rays left out."""
    radius = ellipse.semi_axes_px[0]
    reach = min(PROFILE_PX, 0.3 * radius) / radius
    sizes = np.linspace(1 - reach, 1 + reach, PROFILE_STEPS)
    places = _along_rays(ellipse, sizes) - low.astype(np.float32)
    profiles = cv2.remap(light, places, NO_MAP, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=-1.0)
    inside, outside = profiles[:, :LEVEL_STEPS].mean(axis=1), profiles[:, -LEVEL_STEPS:].mean(axis=1)
    contrast = outside - inside
    # All along a rim one side is the brighter one; a circle through other things has both kinds of edges.
    usual = float(np.median(contrast))
    clear = (contrast * np.sign(usual) > LEAST_CONTRAST * abs(usual)) & (profiles.min(axis=1) >= 0)
    level = (profiles - inside[:, None]) / np.where(clear, contrast, 1.0)[:, None]
    step, found = rise_through_half(np.asarray(level, dtype=np.float32))
    size = 1 - reach + step * (sizes[1] - sizes[0])
    return ellipse.at(_turns(), size)[clear & found]


def _fit(points: FloatArray) -> tuple[Ellipse | None, npt.NDArray[np.bool_]]:
    """Ellipse through points, outliers left out, and which were kept."""
    kept = np.ones(len(points), dtype=bool)
    ellipse = None
    for _ in range(5):
        ellipse = _ellipse_through(points[kept])
        if ellipse is None:
            return None, kept
        misses = np.abs(ellipse.misses_px(points))
        kept = misses <= max(3 * 1.4826 * float(np.median(misses)), 0.5)
    return ellipse, kept


def _ellipse_through(points: FloatArray) -> Ellipse | None:
    if len(points) < 12:
        return None
    # Single precision inside: points near zero keep more digits.
    middle = points.mean(axis=0)
    (x, y), (width, height), degrees = cv2.fitEllipseDirect((points - middle).astype(np.float32))
    if not np.isfinite([x, y, width, height, degrees]).all() or min(width, height) <= 0:
        return None
    angle = np.radians(degrees) if width >= height else np.radians(degrees) + np.pi / 2
    axes = (max(width, height) / 2, min(width, height) / 2)
    return Ellipse((float(x + middle[0]), float(y + middle[1])), axes, float(angle))
