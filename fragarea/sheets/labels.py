"""Small words on the printed things: tag numbers and a name, kept away from tags and shapes."""

from __future__ import annotations

from collections.abc import Iterator

from shapely import Polygon, box, prepare

from fragarea.reference.layout import ReferenceLayout, TagLayout
from fragarea.sheets.drawing import FAINT, Point, Text
from fragarea.sheets.tags import quiet_box
from fragarea.sheets.typeface import PT_MM, width_mm

LABEL_PT = 6.0
NUMBER_PT = 5.0
STEP_MM = 2.0


def label_on(room: Polygon, wordings: tuple[str, ...], kept: tuple[Polygon, ...]) -> tuple[Text, ...]:
    """The first wording that finds white paper, as low and then as far left as possible; nothing if none does.

    Parameters
    ----------
    room : Polygon
        Paper that words may stand on.
    wordings : tuple of str
        The one to prefer first.
    kept : tuple of Polygon
        Boxes to keep clear of.
    """
    prepare(room)
    for words in wordings:
        found = next((Text(words, at, LABEL_PT, colour=FAINT) for at in _spots(words, room, kept)), None)
        if found:
            return (found,)
    return ()


def _spots(words: str, room: Polygon, kept: tuple[Polygon, ...]) -> Iterator[Point]:
    """Places on the paper where the words fit, 1 mm clear on every side."""
    left, top, right, bottom = room.bounds
    low_x, low_y, high_x, high_y = area_around(Text(words, (0.0, 0.0), LABEL_PT), 1.0).bounds
    taken = [other.bounds for other in kept]
    y = bottom - STEP_MM
    while y + low_y > top:
        in_row = [one for one in taken if one[1] < y + high_y and one[3] > y + low_y]
        x = left - low_x + 1.0
        while x + high_x < right:
            ahead = [end for start, _, end, _ in in_row if start < x + high_x and end > x + low_x]
            if not ahead and room.contains(box(x + low_x, y + low_y, x + high_x, y + high_y)):
                yield (x, y)
            x = max(ahead) - low_x if ahead else x + STEP_MM
        y -= STEP_MM


def tag_numbers(layout: ReferenceLayout, body: Polygon, kept: tuple[Polygon, ...]) -> tuple[Text, ...]:
    """The number of each tag beside it, outside its white margin, where there is paper for it."""
    numbers = []
    for tag in layout.tags:
        free = (text for text in _beside(tag) if _is_free(area_around(text), body, kept))
        numbers += list(free)[:1]
    return tuple(numbers)


def _beside(tag: TagLayout) -> Iterator[Text]:
    words = str(tag.tag_id)
    low_x, low_y, high_x, high_y = area_of_box(quiet_box(tag), 0.3).bounds
    wide, high = width_mm(words, NUMBER_PT), 0.75 * NUMBER_PT * PT_MM
    places = ((high_x, high_y), (low_x - wide, high_y), (high_x - wide, high_y + high), (high_x - wide, low_y))
    return (Text(words, place, NUMBER_PT, colour=FAINT) for place in places)


def _is_free(area: Polygon, body: Polygon, kept: tuple[Polygon, ...]) -> bool:
    return body.contains(area) and not any(other.intersects(area) for other in kept)


def area_around(text: Text, margin_mm: float = 0.0) -> Polygon:
    """Box that a line of text takes up, with a margin."""
    x, y = text.at_mm
    height = text.size_pt * PT_MM
    width = width_mm(text.words, text.size_pt, text.bold)
    return area_of_box(box(x, y - 0.75 * height, x + width, y + 0.2 * height), margin_mm)


def area_of_box(area: Polygon, margin_mm: float) -> Polygon:
    """A box with a margin on every side."""
    low_x, low_y, high_x, high_y = area.bounds
    return box(low_x - margin_mm, low_y - margin_mm, high_x + margin_mm, high_y + margin_mm)
