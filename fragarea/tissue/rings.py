"""Closed outlines by the hundred: all rings of a photo in flat arrays, moved and smoothed together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.tissue.edges import BINS_MM, Lines, edge_logits, to_share
from fragarea.tissue.sampling import sample
from fragarea.tissue.tiles import TILE_MM_PER_PX

FloatArray = npt.NDArray[Any]
IntArray = npt.NDArray[np.int64]

SPACING_MM = 0.8
# Neighbouring lines see the same edge: their log-probabilities are averaged with these weights before one place is
# chosen, which bridges highlights and specks of turf that are smaller than about a millimetre.
NEIGHBOUR_WEIGHTS = (0.7, 1.0, 0.7)
SMOOTH_WEIGHTS = (0.15, 0.7, 0.15)
AROUND_MODE = 2  # bins on either side of the best one that the mean is taken over


@dataclass(frozen=True, eq=False)
class Rings:
    """Closed rings in stacked tiles.

    Attributes
    ----------
    points : ndarray of float32, shape (n, 2)
        Pixels of the stack, ring after ring; tissue lies on the inside of outer rings and outside of holes.
    ends : ndarray of int64
        Index after the last point of each ring.
    tile : ndarray of int64
        Tile of each ring; never falling.
    outer : ndarray of int64
        The ring that each hole lies in; for an outer ring itself.
    """

    points: FloatArray
    ends: IntArray
    tile: IntArray
    outer: IntArray

    @property
    def lengths(self) -> IntArray:
        """Number of points of each ring."""
        return np.diff(self.ends, prepend=0)

    def neighbours(self, step: int) -> IntArray:
        """Index of the point `step` further on the same ring, for each point."""
        length = np.repeat(self.lengths, self.lengths)
        start = np.repeat(self.ends - self.lengths, self.lengths)
        return (np.arange(len(self.points)) - start + step) % length + start

    def split(self) -> list[FloatArray]:
        """Points of each ring."""
        return np.split(self.points, self.ends[:-1])


def smoothed(values: FloatArray, rings: Rings, weights: tuple[float, ...]) -> FloatArray:
    """Weighted mean of each point's value and its neighbours' along the ring."""
    half = len(weights) // 2
    total = np.zeros_like(values)
    for step, weight in zip(range(-half, half + 1), weights, strict=True):
        total += np.float32(weight / sum(weights)) * values[rings.neighbours(step)]
    return total


def respaced(rings: Rings) -> Rings:
    """The same rings with points every ``SPACING_MM``, at least eight."""
    first = rings.ends - rings.lengths
    # every ring closed, and one long way along all of them: the step from one ring to the next has no length
    closed = np.insert(np.arange(len(rings.points)), rings.ends, first)
    x, y = rings.points[closed].astype(float).T
    steps = np.hypot(np.diff(x), np.diff(y))
    lasts = rings.ends + np.arange(len(rings.ends))
    steps[lasts[:-1]] = 0.0
    gone = np.concatenate([[0.0], np.cumsum(steps)])
    begin = gone[first + np.arange(len(first))]
    around = gone[lasts] - begin
    counts = np.maximum(8, np.round(around * TILE_MM_PER_PX / SPACING_MM).astype(np.int64))
    ends = np.cumsum(counts)
    share = np.arange(ends[-1]) - np.repeat(ends - counts, counts)
    places = np.repeat(begin, counts) + share * np.repeat(around / counts, counts)
    points = np.column_stack([np.interp(places, gone, x), np.interp(places, gone, y)])
    return Rings(points.astype(np.float32), ends, rings.tile, rings.outer)


def subdivided(rings: Rings) -> Rings:
    """The same rings with a point more between every two, on the cubic through the four around it.

    Chords of ``SPACING_MM`` cut 0.4 % off the area of a disc of 5 mm radius; half as long they cut a quarter of that.

    References
    ----------
    N. Dyn, D. Levin, J. A. Gregory, A 4-point interpolatory subdivision scheme for curve design, Computer Aided
    Geometric Design 4 (1987) 257-268 (from memory).
    """
    points = rings.points
    before, after, beyond = (points[rings.neighbours(step)] for step in (-1, 1, 2))
    both = np.empty((2 * len(points), 2), points.dtype)
    both[0::2] = points
    both[1::2] = (9 * (points + after) - before - beyond) / 16
    return Rings(both, 2 * rings.ends, rings.tile, rings.outer)


def across_field(rings: Rings, live: FloatArray) -> FloatArray:
    """Unit vectors out of the tissue, from the fall of the live share."""
    right = cv2.Sobel(live, cv2.CV_32F, 1, 0)
    down = cv2.Sobel(live, cv2.CV_32F, 0, 1)
    slope = sample(cv2.merge([right, down]), to_share(rings.points))
    return _unit(-smoothed(slope, rings, SMOOTH_WEIGHTS))


def _unit(vectors: FloatArray) -> FloatArray:
    return np.asarray(vectors / np.maximum(np.hypot(vectors[:, 0], vectors[:, 1])[:, None], 1e-9), np.float32)


def pulled_to_edges(
    rings: Rings,
    outwards: FloatArray,
    colour: FloatArray,
    shares: FloatArray,
    tile_rows: int,
    outwards_mm: float = 0.0,
) -> tuple[Rings, FloatArray]:
    """Move each point along its line to where the edge is.

    Parameters
    ----------
    rings : Rings
    outwards : ndarray of float32, shape (n, 2)
        Unit vectors out of the tissue.
    colour, shares : ndarray of float32
        Stacked tiles and their shares, as :func:`fragarea.tissue.edges.edge_logits` takes them.
    tile_rows : int
        Rows of one tile.
    outwards_mm : float
        How far beyond the edges found.

    Returns
    -------
    rings : Rings
    spread_mm : ndarray of float32, shape (n,)
        Standard deviation of the edge's place along each line.
    """
    tile = np.repeat(rings.tile, rings.lengths)
    low = (tile * tile_rows).astype(np.float32)
    lines = Lines(rings.points, outwards, low, low + np.float32(tile_rows - 1))
    logits = edge_logits(colour, shares, lines)
    logits = smoothed(logits - logits.max(axis=1, keepdims=True), rings, NEIGHBOUR_WEIGHTS)
    place_mm, spread_mm = _best_place(logits)
    place_mm = smoothed(place_mm[:, None], rings, SMOOTH_WEIGHTS)
    moved = rings.points + outwards * (place_mm + np.float32(outwards_mm)) / np.float32(TILE_MM_PER_PX)
    return Rings(moved, rings.ends, rings.tile, rings.outer), spread_mm


def _best_place(logits: FloatArray) -> tuple[FloatArray, FloatArray]:
    chance = np.exp(logits - logits.max(axis=1, keepdims=True))
    best = chance.argmax(axis=1)
    near = np.abs(np.arange(len(BINS_MM)) - best[:, None]) <= AROUND_MODE
    close = chance * near
    place = (close @ BINS_MM) / close.sum(axis=1)
    spread = (chance * (BINS_MM - place[:, None]) ** 2).sum(axis=1) / chance.sum(axis=1)
    return np.asarray(place, np.float32), np.asarray(np.sqrt(spread), np.float32)
