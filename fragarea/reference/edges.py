"""Corners of tags to a few hundredths of a pixel: the crossings of lines fitted along their edges.

Each edge is read along many short profiles across it, in linear light, in which blur leaves the half-way point
between ink and paper where the edge is; in the file's sRGB values half-way lies nearer the ink, and tags would come
out too small.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.reference.codes import CELLS_ACROSS
from fragarea.reference.linear import LightArray, linear_luminance
from fragarea.reference.plane import FloatArray

# Profiles run over a part of each edge; nearer the corners the other edge shows.
FROM_SHARE, TO_SHARE = 0.09, 0.91
# Share of a profile's steps at each end that give the levels of ink and paper.
LEVEL_SHARE = 0.2
# Share of the tag's own median contrast below which a profile says nothing (glare, a hair).
LEAST_CONTRAST = 0.3
# Scatter below which no corner falls: sampling, print.
FLOOR_U_PX = 0.01
# Distance between the quarter points of a blurred edge, in standard deviations of the blur.
QUARTERS_APART = 1.349
# Tukey's biweight keeps 95 % of least squares' efficiency with this constant.
TUKEY = 4.685
NO_MAP: Any = None

BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class _Pass:
    """How finely edges are read: profiles along each edge, steps along each profile, half a profile's length.

    The border is one cell wide inside and the paper about as wide outside; large tags need no longer profiles.
    """

    profiles: int
    steps: int
    reach_cells: float
    reach_px: float


COARSE = _Pass(profiles=12, steps=23, reach_cells=0.85, reach_px=16.0)
FINE = _Pass(profiles=32, steps=21, reach_cells=0.62, reach_px=6.0)
# Fewer profiles than this on one edge, and the tag is given up.
FEWEST_PROFILES = 8


@dataclass(frozen=True, eq=False)
class RefinedSquares:
    """Squares whose edges were fitted.

    Attributes
    ----------
    corners_px : ndarray, shape (n, 4, 2)
    corner_u_px : ndarray, shape (n,)
        Standard uncertainty of one coordinate of a corner, from the scatter along the edges.
    blur_px : ndarray, shape (n,)
        Standard deviation of the spread of its edges, in the direction in which it is larger.
    good : ndarray of bool, shape (n,)
        False where an edge could not be followed.
    """

    corners_px: FloatArray
    corner_u_px: FloatArray
    blur_px: FloatArray
    good: BoolArray


def refine_squares(pixels: npt.NDArray[np.uint8], quads: FloatArray) -> RefinedSquares:
    """Fit the four edges of dark squares on brighter paper.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3) or (rows, columns)
        The photo at full size.
    quads : ndarray, shape (n, 4, 2)
        First guesses of the corners, clockwise, good to about half a cell of the tag.

    Returns
    -------
    RefinedSquares
    """
    if len(quads) == 0:
        return RefinedSquares(np.zeros((0, 4, 2)), np.zeros(0), np.zeros(0), np.zeros(0, dtype=bool))
    patches = [_Patch.around(pixels, quad) for quad in quads]
    rough = np.array(quads, dtype=float)
    rough = _corners_of_lines(rough, _fit_lines(_read_crossings(patches, rough, COARSE)))
    crossings = _read_crossings(patches, rough, FINE)
    fit = _fit_lines(crossings)
    good = fit.used.min(axis=1) >= FEWEST_PROFILES
    return RefinedSquares(_corners_of_lines(rough, fit), fit.corner_u_px, _blur(crossings), good)


@dataclass(frozen=True, eq=False)
class _Patch:
    """Linear green light of the photo around one tag; its first pixel is pixel ``origin`` (x, y) of the photo."""

    light: LightArray
    origin: npt.NDArray[np.float32]

    @classmethod
    def around(cls, pixels: npt.NDArray[np.uint8], quad: FloatArray) -> _Patch:
        rows, columns = pixels.shape[:2]
        margin = np.ptp(quad, axis=0).max() / CELLS_ACROSS * 1.5 + 3
        low = np.clip(np.floor(quad.min(axis=0) - margin), 0, [columns - 2, rows - 2]).astype(int)
        high = np.clip(np.ceil(quad.max(axis=0) + margin), low + 2, [columns, rows]).astype(int)
        part = pixels[low[1] : high[1], low[0] : high[0]]
        # Ink and paper are grey: one channel says it all, in a third of the time; JPEG keeps green sharpest.
        green = part if part.ndim == 2 else np.asarray(cv2.extractChannel(part, 1), np.uint8)
        return cls(linear_luminance(green), low.astype(np.float32))

    def at(self, places: npt.NDArray[np.float32]) -> LightArray:
        """Light at places ``(m, steps, 2)``; -1 outside the photo."""
        return np.asarray(
            cv2.remap(
                self.light,
                places - self.origin,
                NO_MAP,
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_CONSTANT,
                borderValue=-1.0,
            )
        )


@dataclass(frozen=True, eq=False)
class _Crossings:
    """Where profiles ``(n, 4, profiles)`` cross half light: pixels outwards from the edge as given.

    ``spread`` is the standard deviation of the blur that each profile shows.
    """

    share: FloatArray
    offset: FloatArray
    spread: FloatArray
    valid: BoolArray


@dataclass(frozen=True, eq=False)
class _LineFit:
    """Straight lines through the crossings of each edge: offset outwards at its first corner and at its second."""

    start: FloatArray
    end: FloatArray
    used: npt.NDArray[np.intp]
    corner_u_px: FloatArray


def _normals(corners: FloatArray) -> FloatArray:
    along = np.roll(corners, -1, axis=1) - corners
    along /= np.maximum(np.linalg.norm(along, axis=2, keepdims=True), 1e-9)
    return np.stack([along[..., 1], -along[..., 0]], axis=2)  # outwards for corners that run clockwise


def _read_crossings(patches: list[_Patch], corners: FloatArray, how: _Pass) -> _Crossings:
    following = np.roll(corners, -1, axis=1)
    share = np.linspace(FROM_SHARE, TO_SHARE, how.profiles)
    along = share[:, None, None]
    on_edge = corners[:, :, None, None] * (1 - along) + following[:, :, None, None] * along
    side = np.linalg.norm(following - corners, axis=2).min(axis=1)
    reach = np.minimum(side / CELLS_ACROSS * how.reach_cells, how.reach_px)
    steps = reach[:, None, None, None, None] * np.linspace(-1, 1, how.steps)[:, None]
    places = (on_edge + _normals(corners)[:, :, None, None] * steps).astype(np.float32)
    light = np.stack(
        [patch.at(place.reshape(-1, how.steps, 2)) for patch, place in zip(patches, places, strict=True)]
    )
    return _cross_half(share, light.reshape(len(patches), 4, how.profiles, how.steps), reach)


def _cross_half(share: FloatArray, light: LightArray, reach: FloatArray) -> _Crossings:
    steps = light.shape[-1]
    ends = max(2, round(LEVEL_SHARE * steps))
    ink, paper = light[..., :ends].mean(axis=-1), light[..., -ends:].mean(axis=-1)
    contrast = paper - ink
    usual = np.median(contrast, axis=(1, 2), keepdims=True)
    valid = (contrast > LEAST_CONTRAST * np.maximum(usual, 1e-4)) & (light.min(axis=-1) >= 0)
    level = (light - ink[..., None]) / np.where(valid, contrast, 1.0)[..., None]
    half, found = rise_through_half(level)
    per_step = (2 * reach / (steps - 1))[:, None, None]
    between = ((level > 0.25) & (level < 0.75)).sum(axis=-1)
    return _Crossings(
        share=share,
        offset=(half - (steps - 1) / 2) * per_step,
        spread=between * per_step / QUARTERS_APART,
        valid=valid & found,
    )


def rise_through_half(level: LightArray) -> tuple[FloatArray, BoolArray]:
    """Step, in fractions, at which profiles rise through one half: nearest the middle where there are several."""
    steps = level.shape[-1]
    above = level >= 0.5
    rises = ~above[..., :-1] & above[..., 1:]
    from_middle = np.abs(np.arange(steps - 1) - (steps - 2) / 2).astype(np.float32)
    step = np.where(rises, from_middle, np.float32(steps)).argmin(axis=-1)[..., None]
    before = np.take_along_axis(level, step, axis=-1)[..., 0].astype(float)
    after = np.take_along_axis(level, step + 1, axis=-1)[..., 0]
    rise = np.where(after > before, after - before, 1.0)
    return np.asarray(step[..., 0] + (0.5 - before) / rise, dtype=float), np.asarray(rises.any(axis=-1))


def _fit_lines(crossings: _Crossings) -> _LineFit:
    """Iterated least squares with Tukey's weights: a hair or a shadow's rim on an edge must not turn its line."""
    t, valid = crossings.share, crossings.valid
    offset = np.where(valid, crossings.offset, 0.0)
    # The first line is level, at the median, which glare on a third of an edge cannot move far.
    residual = offset - _masked_median(offset, valid)[..., None]
    for _ in range(4):
        scale = 1.4826 * _masked_median(np.abs(residual), valid)
        weight = np.clip(1 - (residual / np.maximum(TUKEY * scale, 0.05)[..., None]) ** 2, 0, None) ** 2 * valid
        start, end, u = _weighted_line(t, offset, weight)
        residual = offset - start[..., None] * (1 - t) - end[..., None] * t
    return _LineFit(start, end, (weight > 0).sum(axis=-1), u)


def _masked_median(values: FloatArray, valid: BoolArray) -> FloatArray:
    ordered = np.sort(np.where(valid, values, np.inf), axis=-1)
    count = valid.sum(axis=-1)
    middle = np.take_along_axis(ordered, np.maximum(count - 1, 0)[..., None] // 2, axis=-1)[..., 0]
    return np.where(count > 0, middle, 0.0)


def _weighted_line(
    t: FloatArray, offset: FloatArray, weight: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Offsets at t = 0 and t = 1, both ``(n, 4)``, and their mean standard uncertainty ``(n,)``."""
    total = np.maximum(weight.sum(axis=-1), 1e-9)
    mean_t = (weight @ t) / total
    mean_offset = (weight * offset).sum(axis=-1) / total
    centred = t - mean_t[..., None]
    moment = np.maximum((weight * centred**2).sum(axis=-1), 1e-9)
    slope = (weight * centred * offset).sum(axis=-1) / moment
    start = mean_offset - slope * mean_t
    residual = offset - start[..., None] - slope[..., None] * t
    variance = (weight * residual**2).sum(axis=-1) / np.maximum(total - 2, 1.0)
    at_ends = variance * (2 / total + (mean_t**2 + (1 - mean_t) ** 2) / moment) / 2
    # Neighbouring profiles share pixels, so they count about half.
    return start, start + slope, np.sqrt(2 * at_ends.mean(axis=1) + FLOOR_U_PX**2)


def _corners_of_lines(corners: FloatArray, fit: _LineFit) -> FloatArray:
    normals = _normals(corners)
    start = corners + normals * fit.start[..., None]
    along = np.roll(corners, -1, axis=1) + normals * fit.end[..., None] - start
    before, its_along = np.roll(start, 1, axis=1), np.roll(along, 1, axis=1)
    gap = start - before
    across = its_along[..., 0] * along[..., 1] - its_along[..., 1] * along[..., 0]
    ratio = (gap[..., 0] * along[..., 1] - gap[..., 1] * along[..., 0]) / np.where(across == 0, 1.0, across)
    return np.asarray(before + ratio[..., None] * its_along, dtype=float)


def _blur(crossings: _Crossings) -> FloatArray:
    count = np.maximum(crossings.valid.sum(axis=-1), 1)
    of_edges = (crossings.spread * crossings.valid).sum(axis=-1) / count
    return np.asarray(np.maximum(of_edges[:, 0] + of_edges[:, 2], of_edges[:, 1] + of_edges[:, 3]) / 2)
