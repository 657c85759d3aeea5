"""Notes set in columns: headings, numbered steps, commands and lengths to measure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from shapely import Polygon

from fragarea.sheets.drawing import CUT, GUIDE, Colour, Item, Stroke, Text
from fragarea.sheets.typeface import LEADING, PT_MM, width_mm, wrapped

INDENT_MM = 5.0
# Rows of a table are no wider: the eye must find the way from one end to the other.
ROW_MM = 85.0


@dataclass(frozen=True)
class Note:
    """One paragraph.

    Attributes
    ----------
    words : str
    style : str
        ``"heading"``, ``"step"``, ``"plain"``, ``"command"`` or ``"row"``.
    mark : str
        The number of a step; the right-hand words of a row.
    """

    words: str
    style: str = "plain"
    mark: str = ""


def numbered(steps: Sequence[str | Note], first: int = 1) -> tuple[Note, ...]:
    """Steps with their numbers; a ready-made note between them keeps its own style."""
    notes: list[Note] = []
    number = first
    for step in steps:
        if isinstance(step, Note):
            notes.append(step)
        else:
            notes.append(Note(step, "step", f"{number}."))
            number += 1
    return tuple(notes)


def flow(notes: Sequence[Note], column: Polygon, size_pt: float) -> tuple[tuple[Item, ...], tuple[Note, ...]]:
    """Set notes in a column until it is full.

    Parameters
    ----------
    notes : sequence of Note
    column : Polygon
        Box, page axes.
    size_pt : float

    Returns
    -------
    tuple of Item
    tuple of Note
        The notes that found no room. A heading is never left alone at the end of a column.
    """
    left, y, right, bottom = column.bounds
    items: list[Item] = []
    for number, note in enumerate(notes):
        needed = height_mm([note], right - left, size_pt)
        if note.style == "heading" and number + 1 < len(notes):
            needed += height_mm([notes[number + 1]], right - left, size_pt)
        if y + needed > bottom:
            return tuple(items), tuple(notes[number:])
        set_items, y = _set(note, left, y, right - left, size_pt)
        items.extend(set_items)
    return tuple(items), ()


def height_mm(notes: Sequence[Note], room_mm: float, size_pt: float) -> float:
    """Height of a column that holds the notes."""
    y = 0.0
    for note in notes:
        y = _set(note, 0.0, y, room_mm, size_pt)[1]
    return y


def _set(note: Note, left: float, y: float, room_mm: float, size_pt: float) -> tuple[list[Item], float]:
    bold = note.style in ("heading", "command")
    size = size_pt * (1.15 if note.style == "heading" else 1.0)
    indent = INDENT_MM if note.style in ("step", "command", "row") else 0.0
    colour: Colour = GUIDE if note.style == "heading" else (0.13, 0.13, 0.13)
    if note.style == "command":
        # A command stays on one line; a little less than the room, which rounding could otherwise overrun.
        size *= min(1.0, 0.999 * (room_mm - indent) / width_mm(note.words, size, bold))
    line = LEADING * size * PT_MM
    end = min(left + room_mm, left + ROW_MM) if note.style == "row" else left + room_mm
    room = end - left - indent - (width_mm(note.mark, size) + 3.0 if note.style == "row" else 0.0)
    y += {"heading": 0.9, "row": 0.12}.get(note.style, 0.3) * line
    items: list[Item] = []
    for number, words in enumerate(wrapped(note.words, size, room, bold)):
        baseline = y + 0.78 * line
        if number == 0 and note.style == "step":
            items.append(Text(note.mark, (left, baseline), size, bold=True, colour=GUIDE))
        if number == 0 and note.style == "row":
            items.append(Text(note.mark, (end, baseline), size, bold=True, anchor="end"))
        items.append(Text(words, (left + indent, baseline), size, bold=bold, colour=colour))
        y += line
    if note.style == "row":
        items.append(Stroke(((left + indent, y + 0.2), (end, y + 0.2)), 0.1, CUT))
    return items, y
