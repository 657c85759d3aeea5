"""Second step: where along a line across the edge the tissue ends, by a small network on the colours along it."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from fragarea.tissue.sampling import sample
from fragarea.tissue.surface import SHARE_PX
from fragarea.tissue.tiles import TILE_MM_PER_PX

MODEL = Path(__file__).parent / "model" / "edge.npz"
REACH_MM, STEP_MM = 2.6, 0.2
LINE_MM = np.linspace(-REACH_MM, REACH_MM, round(2 * REACH_MM / STEP_MM) + 1).astype(np.float32)
SIDEWAYS_MM = (-0.5, 0.0, 0.5)
SHARE_MM = LINE_MM[1::3]
BINS_MM = LINE_MM[1:-1]
COLOUR_INPUTS = 3 * len(LINE_MM) * len(SIDEWAYS_MM)
LINE_INPUTS = COLOUR_INPUTS + 3 * len(SHARE_MM)

FloatArray = npt.NDArray[Any]


class Lines(NamedTuple):
    """Lines across edges, many at once.

    Attributes
    ----------
    start : ndarray of float32, shape (n, 2)
        Middle of each line in pixels of the stacked tiles.
    outwards : ndarray of float32, shape (n, 2)
        Unit vectors.
    low, high : ndarray of float32, shape (n,)
        First and last row of the line's own tile.
    """

    start: FloatArray
    outwards: FloatArray
    low: FloatArray
    high: FloatArray


def edge_logits(colour: FloatArray, shares: FloatArray, lines: Lines) -> FloatArray:
    """How well each place along a line fits the edge.

    Parameters
    ----------
    colour : ndarray of uint8, shape (rows, columns, 3)
        Stacked tiles.
    shares : ndarray of float32, shape (rows / 2.5, columns / 2.5, 4)
        Of :func:`fragarea.tissue.surface.surface_shares`, stacked.
    lines : Lines

    Returns
    -------
    ndarray of float32, shape (n, 25)
        Unnormalised log-probabilities of ``BINS_MM``.
    """
    along = np.stack([-lines.outwards[:, 1], lines.outwards[:, 0]], axis=1)
    features = np.empty((len(lines.start), LINE_INPUTS), np.float32)
    width = 3 * len(LINE_MM)
    for index, sideways in enumerate(SIDEWAYS_MM):
        middle = lines.start + along * np.float32(sideways / TILE_MM_PER_PX)
        features[:, index * width : (index + 1) * width] = _read(colour, middle, lines, LINE_MM)
    coarse = Lines(
        to_share(lines.start), lines.outwards / SHARE_PX, lines.low / SHARE_PX, (lines.high + 1) / SHARE_PX - 1
    )
    shares_along = _read(shares, coarse.start, coarse, SHARE_MM).reshape(len(features), len(SHARE_MM), -1)
    features[:, COLOUR_INPUTS:] = shares_along[..., 1:].reshape(len(features), -1)
    return _network(features)


def _read(image: FloatArray, middle: FloatArray, lines: Lines, places_mm: FloatArray) -> FloatArray:
    """Values along each line, ``(n, places x channels)``, in the image's own type."""
    steps = (places_mm / np.float32(TILE_MM_PER_PX))[:, None]
    points = np.empty((len(middle), len(places_mm), 2), np.float32)
    np.add(middle[:, None], lines.outwards[:, None] * steps, out=points)
    np.clip(points[..., 1], lines.low[:, None], lines.high[:, None], out=points[..., 1])
    return sample(image, points.reshape(-1, 2)).reshape(len(middle), -1)


def to_share(points: FloatArray) -> FloatArray:
    """Pixels of the shares at pixels of the tiles."""
    return np.asarray((points - (SHARE_PX - 1) / 2) / SHARE_PX, np.float32)


@cache
def _weights() -> tuple[FloatArray, ...]:
    """Matrices and biases; the first takes bytes and shares as they come (it was learned on bytes / 255 - 0.5)."""
    with np.load(MODEL) as file:
        w0, b0, *rest = (np.ascontiguousarray(file[f"edge.{layer}.{part}"].T) for layer in range(3) for part in "wb")
    b0 = b0 - 0.5 * w0[:COLOUR_INPUTS].sum(axis=0) - 0.25 * w0[COLOUR_INPUTS:].sum(axis=0)
    w0[:COLOUR_INPUTS] /= 255
    return (w0, b0, *rest)


def _network(features: FloatArray) -> FloatArray:
    w0, b0, w1, b1, w2, b2 = _weights()
    hidden = features @ w0
    hidden += b0
    hidden = np.maximum(hidden, 0, out=hidden) @ w1
    hidden += b1
    return np.asarray(np.maximum(hidden, 0, out=hidden) @ w2 + b2, np.float32)
