"""Which part of a patch belongs to which plug of a pad."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from shapely import MultiPoint, MultiPolygon, Point, Polygon

NOTHING = MultiPolygon()
TOUCHING_MM = 1.0
Centres = Sequence[tuple[float, float]]
Points = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Share:
    """What one plug holds of the tissue on a pad.

    Attributes
    ----------
    live, bleached, dead : MultiPolygon
    touches : bool
        True when the live tissue continues into a neighbour's share, so that the split is an estimate.
    """

    live: MultiPolygon = NOTHING
    bleached: MultiPolygon = NOTHING
    dead: MultiPolygon = NOTHING
    touches: bool = False


def polygons_of(shape: shapely.Geometry) -> MultiPolygon:
    """The polygonal part of a geometry, without slivers of no area."""
    return MultiPolygon([p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and p.area > 0])


def split_among_plugs(
    live: MultiPolygon, bleached: MultiPolygon, dead: MultiPolygon, centres_mm: Centres, reach_mm: float
) -> tuple[tuple[Share, ...], tuple[Share, ...]]:
    """Split tissue among the plugs that it grows on.

    Parameters
    ----------
    live, bleached, dead : MultiPolygon
        In mm, reference axes.
    centres_mm : sequence of (x_mm, y_mm)
        Plug centres.
    reach_mm : float
        A patch grows on a plug when it comes nearer than this to the plug's centre.

    Returns
    -------
    shares : tuple of Share
        In the order of `centres_mm`.
    strays : tuple of Share
        One for each live patch that grows on no plug.

    Notes
    -----
    Skeleton is left where coral was: dead surface counts that touches tissue on a plug, or comes as near to a plug
    as a patch that grows on it; bare cement elsewhere is none.
    A patch on several plugs is cut where two centres are equally near; a patch on one plug stays whole, wherever it
    reaches.
    """
    pieces: list[list[Polygon]] = [[] for _ in centres_mm]
    touching = [False] * len(centres_mm)
    strays: list[MultiPolygon] = []
    grown: list[Polygon] = []
    for patch in live.geoms:
        owners = [i for i, centre in enumerate(centres_mm) if patch.distance(Point(centre)) < reach_mm]
        if not owners:
            strays.append(MultiPolygon([patch]))
            continue
        grown.append(patch)
        for owner, piece in zip(owners, _cut(patch, [centres_mm[i] for i in owners]), strict=True):
            pieces[owner] += piece.geoms
            touching[owner] |= len(owners) > 1 and not piece.is_empty
    bones = _nearest(_beside_coral(dead, MultiPolygon(grown), centres_mm, reach_mm), centres_mm)
    shares = tuple(
        Share(MultiPolygon(mine), _part(bleached, MultiPolygon(mine)), MultiPolygon(bone), touches)
        for mine, bone, touches in zip(pieces, bones, touching, strict=True)
    )
    return shares, tuple(Share(stray, _part(bleached, stray)) for stray in strays)


def _part(shape: MultiPolygon, mask: MultiPolygon) -> MultiPolygon:
    return polygons_of(shapely.intersection(shape, mask)) if not shape.is_empty else shape


def _beside_coral(dead: MultiPolygon, live: MultiPolygon, centres_mm: Centres, reach_mm: float) -> MultiPolygon:
    plugs = MultiPoint(list(centres_mm))
    return MultiPolygon(
        [
            part
            for part in dead.geoms
            if part.distance(live) < TOUCHING_MM or (len(centres_mm) and part.distance(plugs) < reach_mm)
        ]
    )


def _nearest(shape: MultiPolygon, centres_mm: Centres) -> list[list[Polygon]]:
    """Each piece goes whole to the plug nearest to its centroid."""
    pieces: list[list[Polygon]] = [[] for _ in centres_mm]
    for piece in shape.geoms if centres_mm else ():
        gaps = [piece.centroid.distance(Point(centre)) for centre in centres_mm]
        pieces[gaps.index(min(gaps))].append(piece)
    return pieces


def _cut(patch: Polygon, centres_mm: Centres) -> list[MultiPolygon]:
    if len(centres_mm) == 1:
        return [MultiPolygon([patch])]
    return [polygons_of(shapely.intersection(patch, cell)) for cell in _cells(centres_mm, patch.bounds)]


def _cells(centres_mm: Centres, bounds_mm: tuple[float, float, float, float]) -> list[Polygon]:
    """What of a rectangle lies nearest to each centre.

    Half-plane by half-plane: the Voronoi diagram of GEOS breaks where many centres lie on one circle, as plugs in a
    neat grid do.
    """
    left, low, right, high = bounds_mm
    corners = np.array([(left - 1, low - 1), (right + 1, low - 1), (right + 1, high + 1), (left - 1, high + 1)])
    centres = np.asarray(centres_mm, dtype=float)
    cells = []
    for number, centre in enumerate(centres):
        cell = corners
        for other in np.delete(centres, number, axis=0):
            cell = _nearer(cell, centre, other)
        cells.append(Polygon(cell) if len(cell) > 2 else Polygon())
    return cells


def _nearer(cell: Points, centre: Points, other: Points) -> Points:
    """The part of a convex polygon that is nearer to one centre than to another."""
    if len(cell) == 0 or np.array_equal(centre, other):
        return cell
    beyond = (cell - (centre + other) / 2) @ (other - centre)
    following = np.roll(beyond, -1)
    kept: list[Points] = []
    for corner, after, out, out_after in zip(cell, np.roll(cell, -1, axis=0), beyond, following, strict=True):
        if out <= 0:
            kept.append(corner)
        if out * out_after < 0:
            kept.append(corner + (after - corner) * (out / (out - out_after)))
    return np.array(kept).reshape(-1, 2)
