"""Which plugs of a pad are neighbours."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import Delaunay, QhullError

from fragarea.fusion.registration import Centres, register

# Plugs so nearly on one line (thickness over length of their hull) have no triangles worth the name.
_LINE = 1e-3


@dataclass(frozen=True)
class Layout:
    """The neighbours among some plugs.

    Attributes
    ----------
    names : tuple of str
        Of the plugs' fragments, in order.
    centres_mm : tuple of (x_mm, y_mm)
        Of the plugs, over all visits, in the pad's own axes: those of its first visit.
    pairs : tuple of (int, int)
        Places in `names` of neighbours, the lower first, in order.
    distances_mm : tuple of float
        Between the centres of each pair.
    spacing_mm : float
        Median edge of the triangulation; nan for fewer than two plugs.
    """

    names: tuple[str, ...]
    centres_mm: tuple[tuple[float, float], ...]
    pairs: tuple[tuple[int, int], ...]
    distances_mm: tuple[float, ...]
    spacing_mm: float


def neighbours(centres_mm: npt.ArrayLike, reach: float) -> tuple[list[tuple[int, int]], list[float], float]:
    """Neighbour pairs of plugs by Delaunay triangulation.

    Parameters
    ----------
    centres_mm : array_like, shape (n, 2)
    reach : float
        Edges longer than this many spacings are dropped.

    Returns
    -------
    pairs : list of (int, int)
        In order.
    distances_mm : list of float
    spacing_mm : float
        Median length of all edges; nan for fewer than two plugs.

    Notes
    -----
    Plugs on one line are neighbours of the next along it.
    """
    centres = np.asarray(centres_mm, dtype=float).reshape(-1, 2)
    if len(centres) < 2:
        return [], [], math.nan
    edges = _edges(centres)
    lengths = np.hypot(*(centres[edges[:, 0]] - centres[edges[:, 1]]).T)
    spacing = float(np.median(lengths))
    near = lengths <= reach * spacing
    pairs = [(int(a), int(b)) for a, b in edges[near]]
    return pairs, lengths[near].tolist(), spacing


def _edges(centres: npt.NDArray[np.float64]) -> npt.NDArray[np.intp]:
    spread = np.linalg.svd(centres - centres.mean(axis=0), compute_uv=True, full_matrices=False)
    if len(centres) < 3 or spread[1][1] < _LINE * spread[1][0]:
        along = np.argsort((centres - centres.mean(axis=0)) @ spread[2][0], kind="stable")
        return np.unique(np.sort(np.column_stack([along[:-1], along[1:]]), axis=1), axis=0)
    try:
        triangles = Delaunay(centres).simplices
    except QhullError as error:
        raise ValueError(f"plug centres must be finite; got {centres.tolist()}") from error
    sides = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [0, 2]]])
    return np.unique(np.sort(sides, axis=1), axis=0).astype(np.intp)


def layouts_of(visits: Sequence[Centres], reach: float, *, settled: int | None = None) -> tuple[Layout, ...]:
    """The neighbours at each visit of one pad, the same as long as the same fragments stand there.

    Parameters
    ----------
    visits : sequence of mapping of name to (x_mm, y_mm)
        Plug centres of each visit in the axes of its photo, in order of time.
    reach : float
    settled : int, optional
        So many first sightings of a plug tell where it stands; later ones change nothing any more. By default all do.

    Returns
    -------
    tuple of Layout
        One a visit.

    Notes
    -----
    Where four plugs stand in a square, an error of a tenth of a millimetre decides which diagonal a triangulation
    holds. So the centres of visits are laid over each other and their medians are triangulated.
    """
    base: dict[str, tuple[float, float]] = {}
    seen: dict[str, list[tuple[float, float]]] = {}
    for visit in visits:
        if settled is not None and all(len(seen.get(name, ())) >= settled for name in visit):
            continue
        moved = register(visit, base).points(list(visit.values()))
        for name, point in zip(visit, moved, strict=True):
            place = (float(point[0]), float(point[1]))
            seen.setdefault(name, []).append(place)
            base.setdefault(name, place)
    middles = {name: np.median(points[:settled], axis=0) for name, points in seen.items()}
    known: dict[tuple[str, ...], Layout] = {}
    return tuple(_layout(sorted(visit), middles, reach, known) for visit in visits)


def _layout(
    names: Iterable[str],
    middles: dict[str, npt.NDArray[np.float64]],
    reach: float,
    known: dict[tuple[str, ...], Layout],
) -> Layout:
    key = tuple(names)
    if key not in known:
        centres = tuple((float(middles[name][0]), float(middles[name][1])) for name in key)
        pairs, lengths, spacing = neighbours(centres, reach)
        known[key] = Layout(key, centres, tuple(pairs), tuple(lengths), spacing)
    return known[key]
