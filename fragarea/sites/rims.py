"""Rims of plugs to a fraction of a pixel, straight from the photo."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.reference.plane import FloatArray, PlaneMap

LightArray = npt.NDArray[np.float32]
IndexArray = npt.NDArray[np.intp]
# remap() takes x and y in one array; OpenCV's stubs want something for the other.
NO_MAP: Any = None

ANGLES = 48
# Rays run over the rim by this much on both sides: a shifted plug, a wrong height and the first guess together.
REACH_MM = 2.4
STEP_MM = 0.15
# Widths in which edges are looked for, round by round.
ROUNDS_MM = (1.2, 0.6, 0.3)
# Steps on both sides of the strongest change in which the end of the plug is looked for, and the share of its light
# that is left there. On the rendered dev trays 0.15 puts rims within 0.03 mm of the true radius in every light.
BRINK_STEPS = 6
LAST_LIGHT = 0.15
# Blur carries the last light outwards. On the dev trays, blurred by 0.7 to 3 px or moved by 3 to 12 px, rims grew by
# this share of what the fall of light grew over that of the sharp photos.
BLUR_SPILL = 0.95
SHARP_SOFTNESS_MM = 0.18
# A change of light by this share of the plug's own light counts half.
STEP_KNEE = 0.15
LEAST_STRENGTH = 0.25
# How far the edge of one ray may lie from the circle of all and still count as rim.
ON_RIM_MM = 0.35
# Tangent of the angle of sight at which the wall below the rim begins to blur which edge is the rim.
WALL_TANGENT = 0.05
# Priors that keep short arcs from running away: first guess of the middle, radius by unknown height of the plug tops,
# flattening by tilt.
CENTRE_PRIOR_MM = 1.5
RADIUS_PRIOR_MM = 0.5
FLAT_PRIOR_MM = 0.3
# Scatter of a good ray's edge, and how many neighbouring rays share it.
RAY_U_MM = 0.15
RAYS_TOGETHER = 1.5


@dataclass(frozen=True, eq=False)
class RimFits:
    """Circles through the rims of ``n`` plugs, on the plane at one height.

    Attributes
    ----------
    centres_mm : ndarray, shape (n, 2)
    radii_mm : ndarray, shape (n,)
        Mean radius.
    radii_u_mm, centres_u_mm : ndarray, shape (n,)
        From the scatter of the rays.
    flattening_mm : ndarray, shape (n,)
        Half the difference between the longest and the shortest radius.
    flattening_u_mm : ndarray, shape (n,)
    on_rim : ndarray, shape (n,)
        Share of the rays in view whose edge lies on the circle.
    in_view : ndarray, shape (n,)
        Share of the rays inside the photo.
    surround : ndarray, shape (n,)
        Light of the surroundings over light of the plug at its rim; near 1 a rim is hard to see.
    softness_mm : ndarray, shape (n,)
        How far the light takes to fall from half to its last, where the surroundings are darker: blur, and the
        rounding of the edge.
    """

    centres_mm: FloatArray
    radii_mm: FloatArray
    radii_u_mm: FloatArray
    centres_u_mm: FloatArray
    flattening_mm: FloatArray
    flattening_u_mm: FloatArray
    on_rim: FloatArray
    in_view: FloatArray
    surround: FloatArray
    softness_mm: FloatArray


def fit_rims(
    pixels: npt.NDArray[np.uint8], plane: PlaneMap, centres_mm: npt.ArrayLike, radius_mm: float, height_mm: float
) -> RimFits:
    """Fit the rim of each plug near a first guess.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
    plane : PlaneMap
    centres_mm : array_like, shape (n, 2)
        First guesses in reference axes, right to a millimetre.
    radius_mm : float
        Expected radius.
    height_mm : float
        Height of the plane on which centres, radii and fits lie.

    Returns
    -------
    RimFits

    Notes
    -----
    Along each ray the edge is where the light, taken linearly, changes fastest. The circle is fitted by iterated
    least squares with Tukey's weights; edges are picked anew near the circle of the last round. Where the camera
    sees the wall below the rim, the strongest edge may be the foot of the wall, so such rays count little.
    """
    guesses = np.asarray(centres_mm, dtype=float).reshape(-1, 2)
    if len(guesses) == 0:
        none = np.zeros(0)
        return RimFits(np.zeros((0, 2)), *[none] * 9)
    light, seen = _rays(pixels, plane, guesses, radius_mm, height_mm)
    trust = seen * _wall_hidden(plane, guesses, height_mm)
    return _fit(light, trust, seen, guesses, radius_mm)


def leans(plane: PlaneMap, points_mm: FloatArray, height_mm: float) -> FloatArray:
    """How far along the plane ``(n, 2)`` each point seems to move when it rises by 1 mm, away from the camera's foot.

    Its length is the tangent of the angle between the line of sight and the plane's normal.
    """
    risen = plane.to_plane(plane.project(points_mm, height_mm + 1.0), height_mm)
    return np.asarray(risen - points_mm, dtype=float)


def local_maps(plane: PlaneMap, centres_mm: FloatArray, reach_mm: float, height_mm: float) -> FloatArray:
    """Cubic polynomials ``(n, 10, 2)`` from offsets around each centre, in units of the reach, to photo pixels.

    Within a plug's reach the camera's map is so nearly linear that a cubic leaves less than 0.001 px.
    """
    offsets, inverse = _cubic_grid()
    where = centres_mm[:, None, :] + reach_mm * offsets[None]
    found = plane.project(where.reshape(-1, 2), height_mm).reshape(len(centres_mm), -1, 2)
    return np.asarray(inverse @ found, dtype=float)


@lru_cache(maxsize=1)
def _cubic_grid() -> tuple[FloatArray, FloatArray]:
    """A grid of 25 points and what gives the terms of a cubic from its values there."""
    across, down = np.meshgrid(np.linspace(-1, 1, 5), np.linspace(-1, 1, 5))
    offsets = np.column_stack([across.ravel(), down.ravel()])
    return offsets, np.asarray(np.linalg.pinv(cubic_terms(offsets)), dtype=float)


def cubic_terms(points: FloatArray) -> FloatArray:
    """The ten terms of a cubic in two variables, ``(m, 10)``, of points ``(m, 2)``."""
    x, y = points[:, 0], points[:, 1]
    return np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y, x**3, x * x * y, x * y * y, y**3])


@lru_cache(maxsize=1)
def linear_table() -> LightArray:
    """Linear light (0 to 1) of each 8-bit sRGB value.

    References
    ----------
    IEC 61966-2-1:1999, sRGB transfer function.
    """
    value = np.arange(256) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4).astype(np.float32)


@dataclass(frozen=True, eq=False)
class _Pattern:
    """Rays around a plug: angles ``(a,)``, radii ``(k,)``, cubic terms of all ray points ``(a * k, 10)``."""

    angles: FloatArray
    radii_mm: FloatArray
    terms: LightArray

    @property
    def reach_mm(self) -> float:
        return float(self.radii_mm[-1])


@lru_cache(maxsize=8)
def _pattern(radius_mm: float) -> _Pattern:
    angles = np.asarray(np.arange(ANGLES) * (2 * np.pi / ANGLES), dtype=float)
    count = round(REACH_MM / STEP_MM)
    radii = np.asarray(radius_mm + STEP_MM * np.arange(-count, count + 1), dtype=float)
    points = radii[None, :, None] * np.stack([np.cos(angles), np.sin(angles)], axis=-1)[:, None, :]
    return _Pattern(angles, radii, cubic_terms(points.reshape(-1, 2) / radii[-1]).astype(np.float32))


def _rays(
    pixels: npt.NDArray[np.uint8], plane: PlaneMap, centres_mm: FloatArray, radius_mm: float, height_mm: float
) -> tuple[LightArray, npt.NDArray[np.bool_]]:
    """Linear light ``(n, angles, radii, 3)`` along the rays, and which rays lie wholly inside the photo."""
    pattern = _pattern(radius_mm)
    maps = local_maps(plane, centres_mm, pattern.reach_mm, height_mm)
    rows, columns = pixels.shape[:2]
    # Only the part in use: remap() refuses sources above 32767 pixels a side.
    span = 1.5 * np.abs(maps[:, 1:3]).sum(axis=1).max() + 4
    low = np.clip(np.floor(maps[:, 0].min(axis=0) - span), 0, (columns - 2, rows - 2)).astype(int)
    high = np.maximum(np.ceil(maps[:, 0].max(axis=0) + span).astype(int), low + 2)
    maps[:, 0] -= low
    where = np.matmul(pattern.terms, maps.astype(np.float32)).reshape(-1, len(pattern.radii_mm), 2)
    found = _sampled(pixels[low[1] : high[1], low[0] : high[0]], where)
    light = cv2.LUT(found, linear_table()).reshape(len(centres_mm), ANGLES, len(pattern.radii_mm), 3)
    # The ends of a ray tell whether all of it is inside.
    ends = where[:, [0, -1]] + low
    inside = (ends >= 0).all(axis=(1, 2)) & (ends <= (columns - 1, rows - 1)).all(axis=(1, 2))
    return np.asarray(light, np.float32), inside.reshape(len(centres_mm), ANGLES)


def _sampled(pixels: npt.NDArray[np.uint8], where: LightArray) -> npt.NDArray[np.uint8]:
    # remap() refuses destinations above 32767 rows as well.
    blocks = [where[start : start + 16384] for start in range(0, len(where), 16384)]
    found = [cv2.remap(pixels, block, NO_MAP, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE) for block in blocks]
    return np.asarray(np.concatenate(found), np.uint8)


def _steps(light: LightArray) -> LightArray:
    """Change of light ``(n, angles, radii - 2)`` along each ray, over the colours, in units of the plug's light."""
    change = light[:, :, 2:] - light[:, :, :-2]
    length = np.sqrt(np.einsum("nakc,nakc->nak", change, change))
    own = light[:, ::4, : light.shape[2] // 3].mean(axis=(1, 2, 3)) * np.sqrt(3.0) + 1e-4
    return np.asarray(length / own[:, None, None], np.float32)


def _wall_hidden(plane: PlaneMap, centres_mm: FloatArray, height_mm: float) -> FloatArray:
    """Weight ``(n, angles)``: 1 where the wall below the rim is out of sight, small where it shows."""
    angles = np.arange(ANGLES) * (2 * np.pi / ANGLES)
    shows = -leans(plane, centres_mm, height_mm) @ np.stack([np.cos(angles), np.sin(angles)])
    return np.asarray(np.exp(-0.5 * (np.maximum(shows, 0.0) / WALL_TANGENT) ** 2), dtype=float)


def _strongest(strength: LightArray, expected_mm: FloatArray, radii_mm: FloatArray, width_mm: float) -> IndexArray:
    """Index ``(n, angles)`` into ``radii_mm[1:-1]`` of the strongest change near the expected radius of each ray."""
    away = (radii_mm[1:-1].astype(np.float32) - expected_mm[:, :, None].astype(np.float32)) / np.float32(width_mm)
    return np.asarray((strength / (1 + away * away)).argmax(axis=2))


def _own_light(light: LightArray) -> LightArray:
    """Light ``(n, angles, radii)`` measured along each plug's own colour, 1 for its mean colour inside the rim."""
    own = light[:, ::4, : light.shape[2] // 3].mean(axis=(1, 2)) + np.float32(1e-4)
    along = own / (own * own).sum(axis=1, keepdims=True)
    flat = light.reshape(len(light), -1, 3) @ along[:, :, None]
    return np.asarray(flat.reshape(light.shape[:3]), np.float32)


@dataclass(frozen=True, eq=False)
class _Brinks:
    """Where the plug ends on each ray ``(n, angles)``.

    Attributes
    ----------
    ends_mm : distance from the first guess.
    darker : whether the surroundings are darker than the plug.
    softness_mm : from half of the light to the last of it.
    surround : light outside over light inside.
    """

    ends_mm: FloatArray
    darker: FloatArray
    softness_mm: FloatArray
    surround: FloatArray


def _brinks(own_light: LightArray, change: IndexArray, radii_mm: FloatArray) -> _Brinks:
    """Where the plug ends, around the strongest change.

    The edge of a plug is rounded, so the light falls long before the plug ends. What ends sharply is the last of it:
    the outermost place where LAST_LIGHT of the step from the plug to its surroundings is left. Where the
    surroundings are brighter, the dark rounding ends in one sharp step, and its middle is the end.
    """
    middle = np.clip(change + 1, BRINK_STEPS, len(radii_mm) - 1 - BRINK_STEPS)
    where = middle.reshape(-1, 1) + np.arange(-BRINK_STEPS, BRINK_STEPS + 1)
    part = own_light.reshape(len(where), -1)[np.arange(len(where))[:, None], where]
    outside, inside = part[:, -3:].mean(axis=1), part[:, :3].mean(axis=1)
    darker = inside > outside
    sign = np.where(darker, 1, -1)[:, None]
    first = radii_mm[where[:, 0]]
    half = first + STEP_MM * _last_above(sign * (part - (outside + 0.5 * (inside - outside))[:, None]))
    last = first + STEP_MM * _last_above(sign * (part - (outside + LAST_LIGHT * (inside - outside))[:, None]))
    ends = np.where(darker, last, half)
    ratio = outside / np.maximum(inside, 1e-3)
    return _Brinks(*(np.asarray(v.reshape(change.shape), dtype=float) for v in (ends, darker, last - half, ratio)))


def _last_above(height: LightArray) -> FloatArray:
    """Index, with fraction, at which each row ``(rays, k)`` is above zero for the last time."""
    above = height > 0
    above[:, :2], above[:, -2:] = True, False
    last = above.shape[1] - 1 - above[:, ::-1].argmax(axis=1)
    rays = np.arange(len(height))
    here, beyond = height[rays, last], height[rays, last + 1]
    return np.asarray(last + np.clip(here / np.maximum(here - beyond, 1e-6), 0, 1), dtype=float)


def _fit(
    light: LightArray, trust: FloatArray, seen: npt.NDArray[np.bool_], guesses: FloatArray, radius_mm: float
) -> RimFits:
    pattern = _pattern(radius_mm)
    turn, radii = pattern.angles, pattern.radii_mm
    basis = np.stack([np.ones_like(turn), np.cos(turn), np.sin(turn), np.cos(2 * turn), np.sin(2 * turn)], axis=1)
    values = np.tile([radius_mm, 0.0, 0.0, 0.0, 0.0], (len(guesses), 1))
    steps = _steps(light)
    strength = steps / (steps + np.float32(STEP_KNEE))
    for width_mm in ROUNDS_MM:
        change = _strongest(strength, _radius_along(values, basis), radii, width_mm)
        firm = np.take_along_axis(strength, change[:, :, None], axis=2)[:, :, 0]
        for _ in range(2):
            residual = radii[1 + change] - _radius_along(values, basis)
            values, inverse = _solve(basis, trust * firm, residual, 2 * width_mm, values, radius_mm, flat=False)
    free = radii[1 + _strongest(strength, _radius_along(values, basis), radii, 2.0)]
    on_rim = (np.abs(free - _radius_along(values, basis)) < ON_RIM_MM) & (firm > LEAST_STRENGTH) & seen
    brinks = _brinks(_own_light(light), change, radii)
    softness = np.median(brinks.softness_mm, axis=1)
    spill = BLUR_SPILL * np.maximum(softness - SHARP_SOFTNESS_MM, 0.0)
    ends = brinks.ends_mm - brinks.darker * spill[:, None]
    for _ in range(3):
        residual = ends - _radius_along(values, basis)
        values, inverse = _solve(basis, trust * firm, residual, 2 * ROUNDS_MM[-1], values, radius_mm, flat=True)
    residual = ends - _radius_along(values, basis)
    weight = trust * firm * _tukey(residual, 2 * ROUNDS_MM[-1])
    scatter = np.sqrt((weight * residual**2).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9) + RAY_U_MM**2 / 4)
    spread = scatter[:, None] / RAY_U_MM * np.sqrt(np.diagonal(inverse, axis1=1, axis2=2))
    return RimFits(
        centres_mm=guesses + values[:, 1:3],
        radii_mm=values[:, 0],
        radii_u_mm=spread[:, 0],
        centres_u_mm=np.hypot(spread[:, 1], spread[:, 2]) / np.sqrt(2),
        flattening_mm=np.hypot(values[:, 3], values[:, 4]),
        flattening_u_mm=np.hypot(spread[:, 3], spread[:, 4]) / np.sqrt(2),
        on_rim=on_rim.sum(axis=1) / np.maximum(seen.sum(axis=1), 1),
        in_view=seen.mean(axis=1),
        surround=np.median(brinks.surround, axis=1),
        softness_mm=softness,
    )


def _tukey(residual: FloatArray, limit: float) -> FloatArray:
    return np.asarray(np.clip(1 - (residual / limit) ** 2, 0, None) ** 2, dtype=float)


def _radius_along(values: FloatArray, basis: FloatArray) -> FloatArray:
    """Distance ``(n, angles)`` from the first guess to the fitted rim."""
    across = values[:, 2:3] * basis[:, 1] - values[:, 1:2] * basis[:, 2]
    return np.asarray(values @ basis.T - across**2 / (2 * values[:, :1]), dtype=float)


def _solve(
    basis: FloatArray,
    weight: FloatArray,
    residual: FloatArray,
    limit_mm: float,
    values: FloatArray,
    radius_mm: float,
    *,
    flat: bool,
) -> tuple[FloatArray, FloatArray]:
    """One step of least squares with priors; new values ``(n, 5)`` and their covariance ``(n, 5, 5)``."""
    prior_mm = np.array([RADIUS_PRIOR_MM, *[CENTRE_PRIOR_MM] * 2, *[FLAT_PRIOR_MM if flat else 1e-6] * 2])
    rays = weight * _tukey(residual, limit_mm) / (RAY_U_MM**2 * RAYS_TOGETHER)
    pairs = (basis[:, :, None] * basis[:, None, :]).reshape(len(basis), -1)
    normal = (rays @ pairs).reshape(-1, basis.shape[1], basis.shape[1]) + np.diag(prior_mm**-2.0)
    pull = (np.array([radius_mm, 0, 0, 0, 0]) - values) / prior_mm**2
    inverse = np.linalg.inv(normal)
    change = inverse @ ((rays * residual) @ basis + pull)[:, :, None]
    return values + change[:, :, 0], np.asarray(inverse, dtype=float)
