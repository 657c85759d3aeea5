"""Discs of a known radius in an overview, whatever they are covered with."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.reference.plane import FloatArray
from fragarea.sites.overview import Overview

FloatImage = npt.NDArray[np.float32]

# Gradients (sRGB steps of 255 over a pixel) far above this count fully, far below hardly: a dark plug on a dark
# grating then votes almost like a white one.
GRADIENT_KNEE = 8.0
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


def score_discs(overview: Overview, radius_mm: float) -> DiscMap:
    """Correlate the direction of edges with a ring.

    Parameters
    ----------
    overview : Overview
    radius_mm : float
        Radius of the discs looked for.

    Returns
    -------
    DiscMap

    Notes
    -----
    The colour structure tensor of Di Zenzo (1986) is held as a complex number of doubled angle, so that light-on-
    dark and dark-on-light rims add up and edges across the rim subtract. Correlating it with ``exp(2 i phi)`` on
    the ring, by Fourier transform, gives the score of every place at once.

    References
    ----------
    S. Di Zenzo, A note on the gradient of a multi-image, Computer Vision, Graphics, and Image Processing 33
    (1986) 116-125 (from memory).
    """
    real, imaginary = _edges(overview)
    rows, columns = real.shape
    margin = int(np.ceil((radius_mm + 3 * RING_WIDTH_MM) * overview.px_per_mm))
    height, width = (cv2.getOptimalDFTSize(length + margin) for length in (rows, columns))
    field = np.zeros((height, width, 2), np.float32)
    field[:rows, :columns, 0] = real
    field[:rows, :columns, 1] = imaginary
    spectrum = cv2.dft(field, flags=cv2.DFT_COMPLEX_OUTPUT)
    ring = _ring_spectrum(height, width, overview.px_per_mm, radius_mm)
    back = cv2.dft(cv2.mulSpectrums(spectrum, ring, 0, conjB=True), flags=cv2.DFT_INVERSE | cv2.DFT_SCALE)
    score = np.ascontiguousarray(back[:rows, :columns, 0], dtype=np.float32)
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
    around = cv2.dilate(discs.score, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1)))
    rows, columns = np.nonzero((discs.score >= around) & (discs.score > least_score))
    order = np.argsort(-discs.score[rows, columns], kind="stable")
    rows, columns = rows[order], columns[order]
    return _sharpened(discs.score, rows, columns), discs.score[rows, columns].astype(float)


def _edges(overview: Overview) -> tuple[FloatImage, FloatImage]:
    """Doubled-angle field of the edges, its length between 0 and 1."""
    smooth = cv2.GaussianBlur(overview.pixels, (3, 3), 0.7)
    across = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=1 / 8)
    down = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=1 / 8)
    sums, doubles = np.ones((1, 3), np.float32), np.full((1, 3), 2, np.float32)
    real = cv2.transform(cv2.multiply(across, across) - cv2.multiply(down, down), sums)
    imaginary = cv2.transform(cv2.multiply(across, down), doubles)
    length = cv2.magnitude(real, imaginary)
    strength = cv2.sqrt(length)
    weight = strength / ((strength + GRADIENT_KNEE) * (length + 1e-6))
    weight *= overview.visible
    return np.asarray(real * weight, np.float32), np.asarray(imaginary * weight, np.float32)


def _for_cut_off(score: FloatImage, overview: Overview, radius_mm: float) -> FloatImage:
    """Divide by the share of the ring in view, where at least half is, so that discs at the photo's edge count."""
    if overview.visible.all():
        return score
    reach = int(np.ceil(radius_mm * overview.px_per_mm))
    seen = cv2.blur(overview.visible.astype(np.float32), (2 * reach + 1, 2 * reach + 1))
    # The square around the disc stands for the ring: near enough for ranking, and quick.
    return np.asarray(np.where(overview.visible, score / np.clip(seen, 0.6, 1.0), 0.0), np.float32)


@lru_cache(maxsize=8)
def _ring_spectrum(height: int, width: int, px_per_mm: float, radius_mm: float) -> FloatImage:
    down = np.fft.fftfreq(height, 1 / height)[:, None] / px_per_mm
    across = np.fft.fftfreq(width, 1 / width)[None, :] / px_per_mm
    ring = np.exp(-0.5 * ((np.hypot(across, down) - radius_mm) / RING_WIDTH_MM) ** 2)
    ring /= ring.sum()
    doubled = 2 * np.arctan2(down, across)
    field = np.dstack([ring * np.cos(doubled), ring * np.sin(doubled)]).astype(np.float32)
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
