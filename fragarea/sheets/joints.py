"""What is drawn where two pieces are glued together."""

from __future__ import annotations

from shapely import LineString, Polygon, box

from fragarea.sheets.drawing import FAINT, GUIDE, Item, Stroke, Text
from fragarea.sheets.pieces import Piece, lines, polygons

HATCH_MM = 3.0


def joint_items(piece: Piece) -> tuple[Item, ...]:
    """Hatching on the flaps of a piece, and a dashed line where the edge of the next piece comes to lie."""
    items: list[Item] = []
    for flap in polygons(piece.flap).geoms:
        items += _hatching(flap)
        for line in lines(flap.boundary.intersection(piece.cell.boundary)):
            items.append(Stroke(tuple((x, y) for x, y in line.coords), 0.2, GUIDE, (2.0, 1.2)))
        x, y = flap.centroid.coords[0]
        items.append(Text("glue", (x, y + 0.8), 7.0, bold=True, anchor="middle", colour=GUIDE))
    return tuple(items)


def _hatching(area: Polygon) -> list[Item]:
    """Slanting lines that leave room for a word in the middle."""
    low_x, low_y, high_x, high_y = area.bounds
    height = high_y - low_y
    x, y = area.centroid.coords[0]
    clear = area.buffer(-0.3).difference(box(x - 4.5, y - 2.2, x + 4.5, y + 2.2))
    drawn: list[Item] = []
    start = low_x - height
    while start < high_x:
        cut = LineString([(start, high_y), (start + height, low_y)]).intersection(clear)
        drawn += [
            Stroke(tuple((px, py) for px, py in line.coords), 0.1, FAINT) for line in lines(cut) if line.length > 0.5
        ]
        start += HATCH_MM
    return drawn
