"""Discs of a known radius in an overview, whatever they are covered with."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.reference.plane import FloatArray
from fragarea.sites.overview import Overview

FloatImage = npt.NDArray[np.float32]

# Gradients far above the knee count fully, far below hardly: a dark plug on a dark grating then votes almost like a
# white one. The knee is this share of the strong gradients (98th percentile) of the overview, within bounds
# (sRGB steps of 255 over a pixel) that keep noise out and let strong scenes be.
KNEE_SHARE = 0.6
KNEE_BOUNDS = (1.5, 8.0)
# Width (standard deviation, mm) of the ring in which a rim is looked for: plug spread, height, lens, pixel size.
RING_WIDTH_MM = 0.6
# Nearer than this share of a diameter two discs cannot both be plugs.
LEAST_DISTANCE = 0.4


@dataclass(frozen=True, eq=False)
class DiscMap:
    """How much each place of an overview looks like the middle of a disc.

    Attributes
    ----------
    score : ndarray of float32, shape (rows, columns)
        1 when every pixel of the rim has a strong edge along the rim; about 0 for unrelated edges.
    overview : Overview
    """

    score: FloatImage
    overview: Overview

    def best_near(self, points_px: npt.ArrayLike, reach_mm: float) -> tuple[FloatArray, FloatArray]:
        """Place and score of the best disc within `reach_mm` of each overview point ``(n, 2)``."""
        reach = max(1, round(reach_mm * self.overview.px_per_mm))
        places, scores = [], []
        for x, y in np.round(np.asarray(points_px, dtype=float).reshape(-1, 2)).astype(int):
            top, left = max(y - reach, 0), max(x - reach, 0)
            part = self.score[top : y + reach + 1, left : x + reach + 1]
            if part.size == 0 or x < -reach or y < -reach:
                places.append((float(x), float(y)))
                scores.append(0.0)
                continue
            row, column = np.unravel_index(int(part.argmax()), part.shape)
            places.append((float(left + column), float(top + row)))
            scores.append(float(part[row, column]))
        return np.asarray(places, dtype=float).reshape(-1, 2), np.asarray(scores, dtype=float)


def score_discs(overview: Overview, radius_mm: float, *, alone: bool = False) -> DiscMap:
    """Correlate edges with a ring.

    Parameters
    ----------
    overview : Overview
    radius_mm : float
        Radius of the discs looked for.
    alone : bool
        One disc is looked for, with no grid to tell it from false ones: it should also be lighter or darker than
        its surroundings as a whole.

    Returns
    -------
    DiscMap

    Notes
    -----
    The direction of edges of any colour, whichever side is lighter, is held as a complex number of doubled angle
    (the structure tensor of a colour picture, Di Zenzo 1986) and correlated with ``exp(2 i phi)`` on the ring, by
    Fourier transform for every place at once: edges along the ring add, edges across it subtract. This finds
    overgrown rims, part lighter and part darker than their surroundings. For a disc alone the mean is taken with
    the gradient of grey, with its sign, correlated with ``exp(i phi)``: a grating, whose bars have two edges, gets
    little.

    References
    ----------
    S. Di Zenzo, A note on the gradient of a multi-image, Computer Vision, Graphics, and Image Processing 33
    (1986) 116-125 (from memory).
    """
    smooth = np.asarray(cv2.GaussianBlur(overview.pixels, (3, 3), 0.7), np.uint8)
    score = _correlate(_doubled_edges(smooth, overview.visible), overview, radius_mm, 2)
    if alone:
        signed = _correlate(_signed_edges(smooth, overview.visible), overview, radius_mm, 1)
        score = np.asarray((score + np.abs(signed)) / 2, np.float32)
    return DiscMap(_for_cut_off(score, overview, radius_mm), overview)


def find_discs(discs: DiscMap, radius_mm: float, least_score: float) -> tuple[FloatArray, FloatArray]:
    """Local maxima of the score.

    Parameters
    ----------
    discs : DiscMap
    radius_mm : float
    least_score : float
        Maxima below it are left out.

    Returns
    -------
    places_px : ndarray, shape (n, 2)
        Overview pixels, to a fraction of a pixel, best first.
    scores : ndarray, shape (n,)
    """
    reach = max(1, round(2 * LEAST_DISTANCE * radius_mm * discs.overview.px_per_mm))
    # A square reaches further in its corners, but not as far as the next plug, and takes a tenth of a disc's time.
    around = cv2.dilate(discs.score, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8))
    rows, columns = np.nonzero((discs.score >= around) & (discs.score > least_score))
    order = np.argsort(-discs.score[rows, columns], kind="stable")
    rows, columns = rows[order], columns[order]
    return _sharpened(discs.score, rows, columns), discs.score[rows, columns].astype(float)


Field = tuple[FloatImage, FloatImage]


def _doubled_edges(smooth: npt.NDArray[np.uint8], visible: npt.NDArray[np.bool_]) -> Field:
    """Edges of all colours as vectors of doubled angle, their length between 0 and 1."""
    across = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=1 / 8)
    down = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=1 / 8)
    sums, doubles = np.ones((1, 3), np.float32), np.full((1, 3), 2, np.float32)
    real = cv2.transform(cv2.multiply(across, across) - cv2.multiply(down, down), sums)
    imaginary = cv2.transform(cv2.multiply(across, down), doubles)
    squared = _length(real, imaginary)
    return _weighted(real, imaginary, cv2.sqrt(squared), squared, visible)


def _signed_edges(smooth: npt.NDArray[np.uint8], visible: npt.NDArray[np.bool_]) -> Field:
    """Gradient of grey, its length between 0 and 1."""
    grey = cv2.cvtColor(smooth, cv2.COLOR_RGB2GRAY)
    across = cv2.Sobel(grey, cv2.CV_32F, 1, 0, scale=1 / 8)
    down = cv2.Sobel(grey, cv2.CV_32F, 0, 1, scale=1 / 8)
    length = _length(across, down)
    return _weighted(across, down, length, length, visible)


def _length(x: npt.NDArray[Any], y: npt.NDArray[Any]) -> npt.NDArray[Any]:
    # not cv2.magnitude: its last digit depends on where in memory the arrays happen to lie, and the areas of a photo
    # must not change from run to run (see test_photo_turned_by_its_orientation_tag_gives_the_same_numbers)
    return np.asarray(cv2.sqrt(cv2.multiply(x, x) + cv2.multiply(y, y)))


def _weighted(
    real: npt.NDArray[Any],
    imaginary: npt.NDArray[Any],
    strength: npt.NDArray[Any],
    length: npt.NDArray[Any],
    visible: npt.NDArray[np.bool_],
) -> Field:
    """Vectors of the given length, made as long as their strength over itself and the knee."""
    seen = strength[::3, ::3][visible[::3, ::3]]
    knee = float(np.clip(KNEE_SHARE * np.percentile(seen, 98), *KNEE_BOUNDS)) if seen.size else KNEE_BOUNDS[1]
    weight = visible * strength / ((strength + knee) * (length + 1e-6))
    return np.asarray(real * weight, np.float32), np.asarray(imaginary * weight, np.float32)


def _correlate(field: Field, overview: Overview, radius_mm: float, fold: int) -> FloatImage:
    """Real part of the correlation of a complex field with ``exp(fold i phi)`` on a ring."""
    rows, columns = field[0].shape
    margin = int(np.ceil((radius_mm + 3 * RING_WIDTH_MM) * overview.px_per_mm))
    height, width = (cv2.getOptimalDFTSize(max(length, margin + 2) + margin) for length in (rows, columns))
    padded = np.zeros((height, width, 2), np.float32)
    padded[:rows, :columns, 0], padded[:rows, :columns, 1] = field
    ring = _ring_spectrum(height, width, overview.px_per_mm, radius_mm, fold)
    product = cv2.mulSpectrums(cv2.dft(padded, flags=cv2.DFT_COMPLEX_OUTPUT), ring, 0, conjB=True)
    back = cv2.dft(product, flags=cv2.DFT_INVERSE | cv2.DFT_SCALE)
    return np.ascontiguousarray(back[:rows, :columns, 0], dtype=np.float32)


def _for_cut_off(score: FloatImage, overview: Overview, radius_mm: float) -> FloatImage:
    """Divide by the share of the ring in view, where at least half is, so that discs at the photo's edge count."""
    if overview.visible.all():
        return score
    reach = int(np.ceil(radius_mm * overview.px_per_mm))
    seen = cv2.blur(overview.visible.astype(np.float32), (2 * reach + 1, 2 * reach + 1))
    # The square around the disc stands for the ring: near enough for ranking, and quick.
    return np.asarray(np.where(overview.visible, score / np.clip(seen, 0.6, 1.0), 0.0), np.float32)


@lru_cache(maxsize=16)
def _ring_spectrum(height: int, width: int, px_per_mm: float, radius_mm: float, fold: int) -> FloatImage:
    down = np.fft.fftfreq(height, 1 / height)[:, None] / px_per_mm
    across = np.fft.fftfreq(width, 1 / width)[None, :] / px_per_mm
    ring = np.exp(-0.5 * ((np.hypot(across, down) - radius_mm) / RING_WIDTH_MM) ** 2)
    ring /= ring.sum()
    turn = fold * np.arctan2(down, across)
    field = np.dstack([ring * np.cos(turn), ring * np.sin(turn)]).astype(np.float32)
    return np.asarray(cv2.dft(field, flags=cv2.DFT_COMPLEX_OUTPUT), np.float32)


def _sharpened(score: FloatImage, rows: npt.NDArray[np.int_], columns: npt.NDArray[np.int_]) -> FloatArray:
    """Peaks of the parabolas through each maximum and its neighbours."""
    height, width = score.shape
    inner_rows, inner_columns = np.clip(rows, 1, height - 2), np.clip(columns, 1, width - 2)
    middle = score[inner_rows, inner_columns]
    shifts = []
    for step_row, step_column in ((0, 1), (1, 0)):
        before = score[inner_rows - step_row, inner_columns - step_column]
        after = score[inner_rows + step_row, inner_columns + step_column]
        bend = before - 2 * middle + after
        safe = np.where(bend < -1e-9, bend, -1.0)
        shifts.append(np.where(bend < -1e-9, np.clip(0.5 * (before - after) / safe, -0.5, 0.5), 0.0))
    return np.column_stack([inner_columns + shifts[0], inner_rows + shifts[1]]).astype(float)
