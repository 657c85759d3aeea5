"""Which part of a patch belongs to which plug of a pad."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import shapely
from shapely import MultiPoint, MultiPolygon, Point

REACH_MM = 30.0  # tissue farther than this from every plug belongs to none of them


@dataclass(frozen=True)
class Share:
    """What one plug holds of the tissue on a pad.

    Attributes
    ----------
    live, bleached, dead : MultiPolygon
    touches : bool
        True when the live tissue continues into a neighbour's share, so that the split is an estimate.
    """

    live: MultiPolygon
    bleached: MultiPolygon
    dead: MultiPolygon
    touches: bool


def polygons_of(shape: shapely.Geometry) -> MultiPolygon:
    """The polygonal part of a geometry, without slivers of no area."""
    return MultiPolygon([p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and p.area > 0])


def split_by_nearest(
    live: MultiPolygon, bleached: MultiPolygon, dead: MultiPolygon, centres_mm: Sequence[tuple[float, float]]
) -> tuple[Share, ...]:
    """Split tissue among plugs: every point goes to the nearest plug centre.

    Parameters
    ----------
    live, bleached, dead : MultiPolygon
        In mm, reference axes.
    centres_mm : sequence of (x_mm, y_mm)

    Returns
    -------
    tuple of Share
        In the order of `centres_mm`.

    Notes
    -----
    The cells are the Voronoi diagram of the centres (GEOS, through Shapely). A whole patch whose every point is
    nearest to one plug stays uncut.
    """
    cells = _cells(centres_mm)
    patches = list(live.geoms)
    return tuple(
        Share(
            live=_cut(live, cell),
            bleached=_cut(bleached, cell),
            dead=_cut(dead, cell),
            touches=any(patch.intersects(cell) and not cell.buffer(0.2).covers(patch) for patch in patches),
        )
        for cell in cells
    )


def tissue_off_plugs(live: MultiPolygon, centres_mm: Sequence[tuple[float, float]]) -> float:
    """Area in mm2 of the patches that lie farther than ``REACH_MM`` from every plug centre."""
    points = MultiPoint(list(centres_mm))
    return float(sum(patch.area for patch in live.geoms if patch.distance(points) > REACH_MM))


def _cut(shape: MultiPolygon, cell: shapely.Geometry) -> MultiPolygon:
    return polygons_of(shapely.intersection(shape, cell)) if not shape.is_empty else shape


def _cells(centres_mm: Sequence[tuple[float, float]]) -> list[shapely.Geometry]:
    points = MultiPoint(list(centres_mm))
    reach = points.buffer(REACH_MM + 10)
    if len(centres_mm) < 2:
        return [reach] * len(centres_mm)
    diagram = shapely.voronoi_polygons(points, extend_to=reach)
    cells = list(diagram.geoms)
    tree = shapely.STRtree(cells)
    found = [int(tree.query(Point(c), predicate="within")[0]) for c in centres_mm]
    return [shapely.intersection(cells[index], reach) for index in found]
