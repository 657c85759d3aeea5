"""Second step: where along a line across the edge the tissue ends, by a small network on the colours along it."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.tissue.sampling import sample_rows
from fragarea.tissue.surface import SHARE_PX
from fragarea.tissue.tiles import TILE_MM_PER_PX

MODEL = Path(__file__).parent / "model" / "edge.npz"
REACH_MM, STEP_MM = 2.6, 0.2
LINE_MM = np.linspace(-REACH_MM, REACH_MM, round(2 * REACH_MM / STEP_MM) + 1).astype(np.float32)
SIDEWAYS_MM = (-0.5, 0.0, 0.5)
SHARE_MM = LINE_MM[1::3]
BINS_MM = LINE_MM[1:-1]
# A line and the two beside it, one after the other.
ALONG_MM = np.tile(LINE_MM, len(SIDEWAYS_MM))
BESIDE_MM = np.repeat(np.array(SIDEWAYS_MM, np.float32), len(LINE_MM))
COLOUR_INPUTS = 3 * len(LINE_MM) * len(SIDEWAYS_MM)
LINE_INPUTS = COLOUR_INPUTS + 3 * len(SHARE_MM)

FloatArray = npt.NDArray[Any]
NO_MATRIX = np.empty((0, 0), np.float32)


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
    features = np.empty((len(lines.start), LINE_INPUTS), np.float32)
    features[:, :COLOUR_INPUTS] = _colours(colour, lines)
    shares_along = _shares(shares, lines).reshape(len(features), len(SHARE_MM), -1)
    features[:, COLOUR_INPUTS:] = shares_along[..., 1:].reshape(len(features), -1)
    return _network(features)


def _colours(colour: FloatArray, lines: Lines) -> FloatArray:
    """Bytes on each line and on the two beside it, ``(n, COLOUR_INPUTS)``."""
    (x, y), (right, down) = lines.start.T[..., None], lines.outwards.T[..., None]
    along, beside = ALONG_MM / np.float32(TILE_MM_PER_PX), BESIDE_MM / np.float32(TILE_MM_PER_PX)
    rows = np.clip(y + down * along + right * beside, lines.low[:, None], lines.high[:, None])
    return sample_rows(colour, x + right * along - down * beside, rows)


def _shares(shares: FloatArray, lines: Lines) -> FloatArray:
    (x, y), (right, down) = to_share(lines.start).T[..., None], lines.outwards.T[..., None]
    along = SHARE_MM / np.float32(TILE_MM_PER_PX * SHARE_PX)
    low, high = lines.low / SHARE_PX, (lines.high + 1) / SHARE_PX - 1
    return sample_rows(shares, x + right * along, np.clip(y + down * along, low[:, None], high[:, None]))


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
    # OpenCV's product keeps to its own thread setting; NumPy's would start threads that wait on each other.
    hidden = _product(features, w0) + b0
    hidden = _product(np.maximum(hidden, 0, out=hidden), w1) + b1
    return _product(np.maximum(hidden, 0, out=hidden), w2) + b2


def _product(one: FloatArray, other: FloatArray) -> FloatArray:
    return np.asarray(cv2.gemm(one, other, 1.0, NO_MATRIX, 0.0), np.float32)
