"""An object placed on pages: whole, several times, or in pieces with joints; and where notes have room."""

from __future__ import annotations

from dataclasses import dataclass

from shapely import LineString, Polygon, box
from shapely.geometry.base import BaseGeometry

from fragarea.errors import SettingsProblem
from fragarea.sheets.drawing import CUT, Fill, Item, Stroke, outline_strokes, placed
from fragarea.sheets.joints import joint_items
from fragarea.sheets.objects import PrintedObject
from fragarea.sheets.paper import PageFormat, Paper
from fragarea.sheets.pieces import Piece, pieces_of, polygons

# Notes go into a window or below the object only where a column of this size is free.
COLUMN_MM = (65.0, 60.0)
COPY_GAP_MM = 6.0
CUT_MM = 0.15


@dataclass(frozen=True)
class Draft:
    """A page whose number is not known yet, and the columns in which notes may stand."""

    form: PageFormat
    title: str
    items: tuple[Item, ...]
    columns: tuple[Polygon, ...] = ()


def object_drafts(thing: PrintedObject, paper: Paper, what: str) -> list[Draft]:
    """Pages of an object at exact size: one, or one a piece; `what` follows the object's name in their titles.

    Raises
    ------
    SettingsProblem
        If it cannot be cut to fit the paper.
    """
    form, pieces = _best_cut(thing, paper)
    title = f"{thing.name}: {what}" if what else thing.name
    if len(pieces) == 1:
        return [_whole_draft(thing, pieces[0], form, title)]
    return [
        _piece_draft(thing, piece, form, f"{title}: piece {number} of {len(pieces)}")
        for number, piece in enumerate(pieces, start=1)
    ]


def form_that_holds(thing: PrintedObject, paper: Paper) -> PageFormat | None:
    """Upright paper if the object fits on it whole, otherwise turned paper if that does."""
    width, height = thing.size_mm
    for form in (PageFormat(paper, False), PageFormat(paper, True)):
        if width <= form.room_mm[0] and height <= form.room_mm[1]:
            return form
    return None


def _best_cut(thing: PrintedObject, paper: Paper) -> tuple[PageFormat, tuple[Piece, ...]]:
    """Whole if possible, otherwise on upright paper or, where no cut serves there, on turned paper."""
    whole = form_that_holds(thing, paper)
    if whole:
        return whole, pieces_of(thing, whole.room_mm)
    try:
        upright = PageFormat(paper, False)
        return upright, pieces_of(thing, upright.room_mm)
    except SettingsProblem:
        turned = PageFormat(paper, True)
        return turned, pieces_of(thing, turned.room_mm)


def _whole_draft(thing: PrintedObject, piece: Piece, form: PageFormat, title: str) -> Draft:
    """One page; a small object several times, so that spare ones come from the same print."""
    width, height = thing.size_mm
    room_width, room_height = form.room_mm
    across = _copies(width, room_width)
    down = _copies(height, room_height / 2)
    block = (across * (width + COPY_GAP_MM) - COPY_GAP_MM, down * (height + COPY_GAP_MM) - COPY_GAP_MM)
    beneath = _column_beneath(thing, block[1], form)
    left, top = form.room.bounds[:2]
    start = (left + (room_width - block[0]) / 2, top + 1.0 if beneath else top + (room_height - block[1]) / 2)
    steps = [(column, row) for row in range(down) for column in range(across)]
    items = [
        item
        for column, row in steps
        for item in _piece_items(
            thing, piece, (start[0] + column * (width + COPY_GAP_MM), start[1] + row * (height + COPY_GAP_MM))
        )
    ]
    return Draft(form, title, tuple(items), beneath or _window_columns(thing, piece, start))


def _copies(size_mm: float, room_mm: float) -> int:
    return 2 if 2 * size_mm + COPY_GAP_MM <= 0.95 * room_mm else 1


def _column_beneath(thing: PrintedObject, used_mm: float, form: PageFormat) -> tuple[Polygon, ...]:
    """The room below a reference without a window, as a column for notes, if it is high enough."""
    left, top, right, bottom = form.room.bounds
    start = top + used_mm + 5.0
    if thing.window is not None or thing.layout is None or bottom - start < COLUMN_MM[1]:
        return ()
    return (box(left, start, right, bottom),)


def _piece_draft(thing: PrintedObject, piece: Piece, form: PageFormat, title: str) -> Draft:
    low_x, low_y, high_x, high_y = piece.paper.bounds
    left, top = form.room.bounds[:2]
    room_width, room_height = form.room_mm
    at = (left + (room_width - (high_x - low_x)) / 2, top + (room_height - (high_y - low_y)) / 2)
    joints = placed(joint_items(piece), dx_mm=at[0] - low_x, dy_mm=at[1] - low_y)
    return Draft(form, title, (*_piece_items(thing, piece, at), *joints), _window_columns(thing, piece, at))


def _piece_items(thing: PrintedObject, piece: Piece, at_mm: tuple[float, float]) -> tuple[Item, ...]:
    """The part of an object in a piece, with the lines to cut along, its top left corner at a place."""
    inside = [item for item in thing.items if piece.cell.contains(_middle(item))]
    cuts = outline_strokes(polygons(piece.paper), width_mm=CUT_MM, colour=CUT)
    low_x, low_y = piece.paper.bounds[:2]
    return placed((*cuts, *inside), dx_mm=at_mm[0] - low_x, dy_mm=at_mm[1] - low_y)


def _middle(item: Item) -> BaseGeometry:
    if isinstance(item, Fill):
        return item.area.envelope.centroid
    points = item.points_mm if isinstance(item, Stroke) else (item.at_mm,)
    return LineString([points[0], points[-1]]).interpolate(0.5, normalized=True)


def _window_columns(thing: PrintedObject, piece: Piece, at_mm: tuple[float, float]) -> tuple[Polygon, ...]:
    """The part of the window on this page, as a column for notes, if it is large enough."""
    if thing.window is None:
        return ()
    free = thing.window.intersection(piece.cell).difference(piece.flap.buffer(2.0))
    low_x, low_y, high_x, high_y = free.buffer(-5.0, join_style="mitre").bounds
    if high_x - low_x < COLUMN_MM[0] or high_y - low_y < COLUMN_MM[1]:
        return ()
    dx, dy = at_mm[0] - piece.paper.bounds[0], at_mm[1] - piece.paper.bounds[1]
    return (box(low_x + dx, low_y + dy, high_x + dx, high_y + dy),)
