"""An object larger than the paper is cut along straight lines into pieces of exact size."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from shapely import LineString, MultiPolygon, Polygon, box
from shapely.geometry.base import BaseGeometry

from fragarea.errors import SettingsProblem
from fragarea.sheets.objects import PrintedObject

# Paper that goes on beyond a joint, for the next piece to be glued on.
FLAP_MM = 12.0
# A cut keeps this far from tags, patches and words where there is room.
CLEARANCE_MM = 8.0
MOST_STRIPS = 12


@dataclass(frozen=True, eq=False)
class Piece:
    """What is printed on one page.

    Attributes
    ----------
    row, column : int
        From 1; both are 1 when the object is whole.
    cell : Polygon
        Box, reference axes, within which everything of the object belongs to this piece.
    used : Polygon or MultiPolygon
        Paper of the object in the cell.
    flap : Polygon or MultiPolygon
        Paper beyond the joints to the next pieces; empty for the last.
    """

    row: int
    column: int
    cell: Polygon
    used: BaseGeometry
    flap: BaseGeometry

    @property
    def paper(self) -> BaseGeometry:
        """Everything to cut out."""
        return self.used.union(self.flap)


def pieces_of(thing: PrintedObject, room_mm: tuple[float, float]) -> tuple[Piece, ...]:
    """Cut an object so that each piece fits in a room.

    Parameters
    ----------
    thing : PrintedObject
    room_mm : (float, float)
        Width and height free on a page.

    Returns
    -------
    tuple of Piece
        One piece when the object fits whole; otherwise row by row from the top left.

    Raises
    ------
    SettingsProblem
        If tags or shapes leave no line to cut along.
    """
    left, top, right, bottom = thing.outline.bounds
    across = _edges(thing, (left, right), room_mm[0], axis=0)
    down = _edges(thing, (top, bottom), room_mm[1], axis=1)
    pieces = []
    for row, (low_y, high_y) in enumerate(pairwise(down), start=1):
        for column, (low_x, high_x) in enumerate(pairwise(across), start=1):
            cell = box(low_x, low_y, high_x, high_y)
            used = thing.body.intersection(cell)
            if used.area > 0:
                beyond = box(
                    low_x,
                    low_y,
                    high_x + (FLAP_MM if high_x < right else 0.0),
                    high_y + (FLAP_MM if high_y < bottom else 0.0),
                )
                flap = thing.body.intersection(beyond).difference(cell)
                pieces.append(Piece(row, column, cell, used, flap))
    return tuple(pieces)


def _edges(thing: PrintedObject, ends: tuple[float, float], room_mm: float, *, axis: int) -> list[float]:
    """Both ends and the cuts between them, in as few strips as fit in the room."""
    low, high = ends
    if high - low <= room_mm + 1e-9:
        return [low, high]
    clear = _clear_gaps(thing, ends, axis)
    for strips in range(max(2, math.ceil((high - low) / room_mm)), MOST_STRIPS + 1):
        edges = _try_strips(low, high, strips, room_mm, clear)
        if edges:
            return edges
    raise SettingsProblem(
        f"{thing.name}: does not fit on this paper, and its tags leave no line to cut along. Use larger paper."
    )


def _clear_gaps(thing: PrintedObject, ends: tuple[float, float], axis: int) -> list[tuple[float, float]]:
    """Stretches of an axis that no kept box touches."""
    taken = sorted((area.bounds[axis], area.bounds[axis + 2]) for area in thing.keep_whole)
    gaps, start = [], ends[0]
    for low, high in taken:
        if low > start:
            gaps.append((start, low))
        start = max(start, high)
    return [*gaps, (start, ends[1])] if start < ends[1] else gaps


def _try_strips(
    low: float, high: float, strips: int, room_mm: float, clear: list[tuple[float, float]]
) -> list[float] | None:
    """Cuts near equal strips, each at a clear place and no strip with its flap wider than the room."""
    edges = [low]
    for number in range(1, strips):
        ideal = low + (high - low) * number / strips
        places = [_place_in(gap, ideal) for gap in clear]
        fitting = [place for place in places if edges[-1] + FLAP_MM < place <= edges[-1] + room_mm - FLAP_MM]
        if not fitting:
            return None
        edges.append(min(fitting, key=lambda place: abs(place - ideal)))
    return [*edges, high] if high - edges[-1] <= room_mm else None


def _place_in(gap: tuple[float, float], ideal: float) -> float:
    keep = min(CLEARANCE_MM, (gap[1] - gap[0]) / 2)
    return min(max(ideal, gap[0] + keep), gap[1] - keep)


def polygons(shape: BaseGeometry) -> MultiPolygon:
    """The areas of a shape, without the lines and points that cutting may leave."""
    parts = getattr(shape, "geoms", [shape])
    return MultiPolygon([part for part in parts if isinstance(part, Polygon) and not part.is_empty])


def lines(shape: BaseGeometry) -> list[LineString]:
    """The lines of a shape, without the points that cutting may leave."""
    parts = getattr(shape, "geoms", [shape])
    return [part for part in parts if isinstance(part, LineString) and part.length > 0]
