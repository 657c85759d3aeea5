"""Necks: how wide the narrowest passage of tissue between two plugs is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from scipy.spatial import Delaunay
from shapely import MultiPolygon

from fragarea.fusion.edges import Edges, Floats, Ints

_KEY_PER_MM = 1000.0  # points nearer than a micrometre are one

_THIN_MM = 1e-3
_BROAD_MM = 0.2  # how well the broadest place of a fragment whose middle is dead is found


@dataclass(frozen=True)
class Neck:
    """The narrowest place of the widest way between two plugs.

    Attributes
    ----------
    width_mm : float
    ends_mm : ((x, y), (x, y))
        The two points of the edge that face each other there.
    owners : (int, int)
        Whose edge they lie on; -1 for the end of a line between plugs, inside the tissue.
    """

    width_mm: float
    ends_mm: tuple[tuple[float, float], tuple[float, float]]
    owners: tuple[int, int]


def find_necks(
    outlines: list[MultiPolygon], edges: Edges, centres_mm: npt.ArrayLike, pairs: list[tuple[int, int]]
) -> dict[tuple[int, int], Neck]:
    """The neck of each pair of fragments whose tissue hangs together.

    Parameters
    ----------
    outlines : list of MultiPolygon
        Tissue of each fragment; a patch on several plugs is cut between them.
    edges : Edges
        Of these outlines.
    centres_mm : array_like, shape (n, 2)
        Plug centres: where the ways begin and end. Where there is no tissue, the way begins where the fragment's
        tissue is broadest.
    pairs : list of (int, int)
        Pairs to look at.

    Returns
    -------
    dict of (int, int) to Neck
        Pairs without a way from one to the other through the tissue of the two are left out.

    Notes
    -----
    The points of the edges are triangulated (Delaunay). A disc that moves between points of the edge passes between
    two of them, so triangles inside the tissue, joined by the edges that they share, are the medial axis in discrete
    form, and an edge's length is the width of the passage there. When passages are opened from wide to narrow, the
    one that first joins two plugs is the neck of the widest way between them (the maximum capacity route, Hu 1961).
    With three fragments in one patch, the way from a to b leads through the tissue of a and b only: what hangs
    together by way of c alone is no contact of a and b.
    """
    if not pairs or not len(edges.owner):
        return {}
    points, on_edge = _points(edges)
    mesh = Delaunay(points)
    label = _labels(outlines, points[mesh.simplices])
    one, other, ends, width = _passages(mesh, points, label)
    starts = _starts(points[mesh.simplices], label, outlines, np.asarray(centres_mm, dtype=float))
    order = np.argsort(-width, kind="stable")
    one, other, ends, width = one[order], other[order], ends[order], width[order]
    here, there = label[one], label[other]
    found = {}
    for a, b in pairs:
        own = np.flatnonzero(((here == a) | (here == b)) & ((there == a) | (there == b)))
        last = _last_needed(one[own], other[own], starts[a], starts[b])
        if last is not None:
            neck = own[last]
            p, q = (int(end) for end in ends[neck])
            found[a, b] = Neck(
                float(width[neck]),
                ((float(points[p, 0]), float(points[p, 1])), (float(points[q, 0]), float(points[q, 1]))),
                (int(on_edge[p]), int(on_edge[q])),
            )
    return found


def _points(edges: Edges) -> tuple[Floats, Ints]:
    """All points of the edges, each once, and whose edge each lies on (-1: ends of cuts inside the tissue)."""
    points = np.concatenate([edges.start, edges.end])
    owner = np.concatenate([edges.owner, edges.owner])
    cut = np.concatenate([edges.cut, edges.cut])
    whole = np.round(points * _KEY_PER_MM).astype(np.int64)
    _, first, number = np.unique(whole[:, 0] * (1 << 31) + whole[:, 1], return_index=True, return_inverse=True)
    on_edge = np.full(len(first), -1, dtype=np.intp)
    on_edge[number[~cut]] = owner[~cut]
    return points[first], on_edge


def _labels(outlines: list[MultiPolygon], triangles: Floats) -> Ints:
    """Whose tissue each triangle lies in; -1 for none."""
    label = np.full(len(triangles), -1, dtype=np.intp)
    middles = triangles.mean(axis=1)
    x, y = middles.T
    # along a cut lie triangles so thin that rounding puts their middle between both sides of it
    thin = _heights(triangles) < _THIN_MM
    for number, outline in enumerate(outlines):
        if outline.is_empty:
            continue
        west, low, east, high = outline.bounds
        near = np.flatnonzero((label < 0) & (x >= west) & (x <= east) & (y >= low) & (y <= high))
        shapely.prepare(outline)
        label[near[shapely.intersects_xy(outline, x[near], y[near])]] = number
    for number, outline in enumerate(outlines):
        left = np.flatnonzero((label < 0) & thin)
        label[left[shapely.dwithin(outline, shapely.points(middles[left]), _THIN_MM)]] = number
    return label


def _heights(triangles: Floats) -> Floats:
    """The least height of each triangle, in mm."""
    sides = np.roll(triangles, -1, axis=1) - triangles
    doubled = np.abs(sides[:, 0, 0] * sides[:, 1, 1] - sides[:, 0, 1] * sides[:, 1, 0])
    return np.asarray(doubled / np.maximum(np.hypot(*sides.transpose(2, 0, 1)).max(axis=1), 1e-12))


def _passages(mesh: Delaunay, points: Floats, label: Ints) -> tuple[Ints, Ints, Ints, Floats]:
    """Pairs of triangles inside the tissue that share an edge, the ends of that edge and its length."""
    one = np.repeat(np.arange(len(label)), 3)
    other = mesh.neighbors.ravel()
    ends = mesh.simplices[:, [[1, 2], [2, 0], [0, 1]]].reshape(-1, 2)
    inside = (other > one) & (label[one] >= 0) & (label[other] >= 0)
    one, other, ends = one[inside], other[inside], ends[inside]
    return one, other, ends, np.hypot(*(points[ends[:, 0]] - points[ends[:, 1]]).T)


def _starts(triangles: Floats, label: Ints, outlines: list[MultiPolygon], centres: Floats) -> list[int]:
    """The triangle in which each fragment's ways begin; -1 where it has none."""
    middles = triangles.mean(axis=1)
    starts = []
    for number, (outline, centre) in enumerate(zip(outlines, centres, strict=True)):
        own = np.flatnonzero(label == number)
        if len(own) == 0:
            starts.append(-1)
            continue
        point = centre if shapely.intersects_xy(outline, *centre) else _broadest(outline)
        sides = np.roll(triangles[own], -1, axis=1) - triangles[own]
        away = point - triangles[own]
        turn = sides[..., 0] * away[..., 1] - sides[..., 1] * away[..., 0]
        holding = own[(turn >= 0).all(axis=1) | (turn <= 0).all(axis=1)]
        # a triangle that lies across a cut is its neighbour's
        nearest = own[np.argmin(np.hypot(*(middles[own] - point).T))]
        starts.append(int(holding[0] if len(holding) else nearest))
    return starts


def _broadest(outline: MultiPolygon) -> Floats:
    largest = max(outline.geoms, key=lambda part: part.area)
    return shapely.get_coordinates(shapely.maximum_inscribed_circle(largest, tolerance=_BROAD_MM))[0]


def _last_needed(one: Ints, other: Ints, start: int, end: int) -> int | None:
    """Of passages from wide to narrow, the first that closes a way from start to end: the neck of the widest way."""
    if start < 0 or end < 0:
        return None
    # disjoint sets in a plain dict: the wide passages between two plugs are few, and graphs take longer to build
    leader: dict[int, int] = {}

    def find(triangle: int) -> int:
        root = triangle
        while (up := leader.get(root, root)) != root:
            root = up
        if triangle != root:
            leader[triangle] = root
        return root

    for number, (here, there) in enumerate(zip(one.tolist(), other.tolist(), strict=True)):
        joined, into = find(here), find(there)
        if joined != into:
            leader[joined] = into
            start = into if start == joined else start
            end = into if end == joined else end
            if start == end:
                return number
    return None
