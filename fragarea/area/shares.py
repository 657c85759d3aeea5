"""Which part of a patch belongs to which plug of a pad."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import shapely
from shapely import MultiPoint, MultiPolygon, Point, Polygon

NOTHING = MultiPolygon()
TOUCHING_MM = 1.0
Centres = Sequence[tuple[float, float]]


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
    A patch on several plugs is cut where two centres are equally near (Voronoi diagram by GEOS, through Shapely);
    a patch on one plug stays whole, wherever it reaches.
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
    cells = list(shapely.voronoi_polygons(MultiPoint(list(centres_mm)), extend_to=patch.envelope.buffer(1.0)).geoms)
    tree = shapely.STRtree(cells)
    found = [cells[int(tree.query(Point(centre), predicate="intersects")[0])] for centre in centres_mm]
    return [polygons_of(shapely.intersection(patch, cell)) for cell in found]
