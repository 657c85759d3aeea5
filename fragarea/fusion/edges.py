"""The edges of a pad's tissue as straight pieces, and how far off they may be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from scipy.spatial import cKDTree

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]

STEP_MM = 0.8
"""Longest piece of an edge: about the distance of the points of a measured outline."""

_SAME_MM = 1e-6  # pieces of two fragments that differ by less are one cut

# How outlines differ from the exact ones on the rendered dev scenes: a part that a whole outline shares, as large as
# its stated uncertainty, and a part that wanders along the edge, whose size and length follow.
WANDER_MM = 0.12
WANDER_PX = 0.6
WANDER_LENGTH_MM = 2.7

_FEATURES = 64


@dataclass(frozen=True, eq=False)
class Edges:
    """Outlines of several fragments as straight pieces.

    Attributes
    ----------
    start, end : ndarray of float64, shape (n, 2)
        In mm.
    owner : ndarray of int, shape (n,)
        Which outline a piece belongs to.
    cut : ndarray of bool, shape (n,)
        True where a patch was cut between two plugs: there is tissue on both sides, and no edge.
    """

    start: Floats
    end: Floats
    owner: Ints
    cut: Bools

    @property
    def middle(self) -> Floats:
        """Middles of the pieces, shape (n, 2)."""
        return np.asarray((self.start + self.end) / 2)

    @property
    def length_mm(self) -> Floats:
        """Lengths of the pieces."""
        return np.asarray(np.hypot(*(self.end - self.start).T))


def edges_of(outlines: Sequence[shapely.Geometry]) -> Edges:
    """Polygons in pieces no longer than `STEP_MM`; cuts between two of them stay in one piece."""
    parts, part_owner = shapely.get_parts(np.asarray(outlines, dtype=object), return_index=True)
    rings, ring_part = shapely.get_rings(parts, return_index=True)
    points, ring = shapely.get_coordinates(rings, return_index=True)
    same = np.flatnonzero(np.diff(ring) == 0)
    start, end = points[same], points[same + 1]
    owner = part_owner[ring_part[ring[same]]]
    cut = _cuts(start, end, owner)
    pieces = np.where(cut, 1, np.ceil(np.hypot(*(end - start).T) / STEP_MM)).astype(int).clip(1)
    which = np.repeat(np.arange(len(start)), pieces)
    number = np.arange(len(which)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    low, high = number / pieces[which], (number + 1) / pieces[which]
    step = (end - start)[which]
    return Edges(start[which] + low[:, None] * step, start[which] + high[:, None] * step, owner[which], cut[which])


def _cuts(start: Floats, end: Floats, owner: Ints) -> Bools:
    """Pieces that another outline has too: where a patch was cut, both parts end at the same line."""
    cut = np.zeros(len(start), dtype=bool)
    if len(start) == 0:
        return cut
    middle, length = (start + end) / 2, np.hypot(*(end - start).T)
    close = cKDTree(middle).query_pairs(_SAME_MM, output_type="ndarray")
    one, other = close[:, 0], close[:, 1]
    both = (owner[one] != owner[other]) & (np.abs(length[one] - length[other]) < _SAME_MM)
    cut[one[both]] = cut[other[both]] = True
    return cut


@dataclass(frozen=True, eq=False)
class EdgeErrors:
    """Draws of how far the edges of a photo lie outside of where they were drawn.

    An error is a part that each fragment's whole outline shares, and a Gaussian random field that wanders: two places
    of the pad d mm apart have it in common with correlation exp(-d / 2.7 mm).

    Attributes
    ----------
    waves : ndarray of float64, shape (features, 2)
        Random cosine waves that make up the field (Rahimi & Recht 2007, random Fourier features); the spectrum of
        the exponential correlation in the plane is the bivariate Cauchy distribution.
    phases : ndarray of float64, shape (features,)
    weights : ndarray of float64, shape (features, draws)
    shared_mm : ndarray of float64, shape (owners, draws)
    """

    waves: Floats
    phases: Floats
    weights: Floats
    shared_mm: Floats

    def waves_at(self, points_mm: Floats) -> Floats:
        """Values of the waves at points, shape (n, features): times `weights` they are the wandering part."""
        # single precision: these are draws of errors, and cosines take most of the time
        return np.asarray(np.cos((points_mm @ self.waves.T + self.phases).astype(np.float32)))

    def at(self, points_mm: Floats, owner: Ints) -> Floats:
        """Errors at points on edges, in mm, outwards, shape (n, draws); an owner of -1 is no edge and has none."""
        errors = np.zeros((len(points_mm), self.weights.shape[1]))
        on_edge = owner >= 0
        errors[on_edge] = self.waves_at(points_mm[on_edge]) @ self.weights + self.shared_mm[owner[on_edge]]
        return errors

    def areas(self, edges: Edges, *chosen: Bools) -> tuple[Floats, ...]:
        """What the errors add to the area of each owner, in mm2, each of shape (owners, draws): its edge, moved.

        Parameters
        ----------
        edges : Edges
        *chosen : ndarray of bool, shape (n,)
            Pieces that count; an answer for each choice.
        """
        waves, length = self.waves_at(edges.middle), edges.length_mm
        found = []
        for some in chosen:
            weight = np.where(some & ~edges.cut, length, 0.0)
            lengths = np.bincount(edges.owner, weights=weight, minlength=len(self.shared_mm))
            total = np.zeros((len(lengths), waves.shape[1]))
            if len(weight):
                # pieces lie owner by owner
                first = np.flatnonzero(np.diff(edges.owner, prepend=-1))
                total[edges.owner[first]] = np.add.reduceat(waves * weight[:, None], first, axis=0)
            found.append(np.asarray(total @ self.weights + lengths[:, None] * self.shared_mm))
        return tuple(found)


def draw_errors(
    edge_u_mm: npt.ArrayLike, fragment: Ints, mm_per_px: float, draws: int, rng: np.random.Generator
) -> EdgeErrors:
    """Draw edge errors.

    Parameters
    ----------
    edge_u_mm : array_like, shape (fragments,)
        Standard uncertainty that each whole outline shares.
    fragment : ndarray of int, shape (owners,)
        Which fragment's outline each owner of edges is a part of.
    mm_per_px : float
        Of the photo: edges wander at least by `WANDER_PX` pixels.
    draws : int
    rng : numpy.random.Generator

    Returns
    -------
    EdgeErrors
    """
    u = np.asarray(edge_u_mm, dtype=float)
    wander = max(WANDER_MM, WANDER_PX * mm_per_px) if np.isfinite(mm_per_px) else WANDER_MM
    waves = rng.normal(size=(_FEATURES, 2)) / np.abs(rng.normal(size=(_FEATURES, 1))) / WANDER_LENGTH_MM
    return EdgeErrors(
        waves=waves,
        phases=rng.uniform(0, 2 * np.pi, size=_FEATURES),
        weights=wander * np.sqrt(2 / _FEATURES) * rng.normal(size=(_FEATURES, draws)),
        shared_mm=(u[:, None] * rng.normal(size=(len(u), draws)))[fragment],
    )
