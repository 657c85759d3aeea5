"""The table of nominal areas, with a small map that says which shape is which."""

from __future__ import annotations

from shapely import Polygon

from fragarea.check.sheet import KnownAreaSheet, KnownShape, nominal_mm2
from fragarea.reference.layout import ReferenceLayout
from fragarea.sheets.drawing import BLACK, CUT, FAINT, Fill, Item, Stroke, Text, outline_strokes, placed
from fragarea.sheets.objects import free_part
from fragarea.sheets.typeface import LEADING, PT_MM

MAP_MM = (122.0, 98.0)
ROW_PT = 8.0


def areas_page_items(sheet: KnownAreaSheet, layout: ReferenceLayout, room: Polygon) -> tuple[tuple[Item, ...], float]:
    """Map and table of a known-area sheet at the top of a room.

    Parameters
    ----------
    sheet : KnownAreaSheet
    layout : ReferenceLayout
    room : Polygon
        Box, page axes.

    Returns
    -------
    tuple of Item
    float
        y below the table, mm.
    """
    left, top, right, _ = room.bounds
    drawn, bottom = _map(sheet, layout, left, top + 1.0, right - left)
    rows, end = _table(sheet, left, bottom + 3.0, right - left)
    return (*drawn, *rows), end


def _map(
    sheet: KnownAreaSheet, layout: ReferenceLayout, left: float, top: float, width_mm: float
) -> tuple[tuple[Item, ...], float]:
    frame, shapes = free_part(sheet, layout)
    low_x, low_y, high_x, high_y = frame.bounds
    scale = min(MAP_MM[0] / (high_x - low_x), MAP_MM[1] / (high_y - low_y))
    dx, dy = left + (width_mm - scale * (high_x - low_x)) / 2 - scale * low_x, top - scale * low_y
    edge = outline_strokes(frame, width_mm=0.1, colour=CUT)
    names = tuple(_name_below(shape, dx, dy, scale) for shape in shapes)
    return (*placed((*edge, *shapes), dx_mm=dx, dy_mm=dy, scale=scale), *names), scale * high_y + dy


def _name_below(item: Fill, dx: float, dy: float, scale: float) -> Text:
    low_x, _, high_x, high_y = item.area.bounds
    at = (scale * (low_x + high_x) / 2 + dx, scale * high_y + dy + 2.3)
    return Text(item.name, at, 5.0, anchor="middle", colour=BLACK)


def _table(sheet: KnownAreaSheet, left: float, top: float, width_mm: float) -> tuple[tuple[Item, ...], float]:
    line = 1.1 * LEADING * ROW_PT * PT_MM
    name_x, size_x, mm2_x, cm2_x = left, left + 0.18 * width_mm, left + 0.82 * width_mm, left + width_mm
    items: list[Item] = [
        Text("shape", (name_x, top + 0.8 * line), ROW_PT, bold=True),
        Text("sizes in mm", (size_x, top + 0.8 * line), ROW_PT, bold=True),
        Text("area in mm²", (mm2_x, top + 0.8 * line), ROW_PT, bold=True, anchor="end"),
        Text("area in cm²", (cm2_x, top + 0.8 * line), ROW_PT, bold=True, anchor="end"),
        Stroke(((left, top + 1.1 * line), (cm2_x, top + 1.1 * line)), 0.25, FAINT),
    ]
    y = top + 1.15 * line
    for shape in sheet.shapes:
        area = nominal_mm2(shape)
        items += [
            Text(shape.shape_id, (name_x, y + 0.78 * line), ROW_PT),
            Text(sizes_in_words(shape), (size_x, y + 0.78 * line), ROW_PT),
            Text(f"{area:.2f}", (mm2_x, y + 0.78 * line), ROW_PT, anchor="end"),
            Text(f"{area / 100:.4f}", (cm2_x, y + 0.78 * line), ROW_PT, anchor="end"),
            Stroke(((left, y + line), (cm2_x, y + line)), 0.1, CUT),
        ]
        y += line
    note = "Areas follow from the geometry of each shape; sizes are rounded to 0.001 mm."
    items.append(Text(note, (left, y + line), 7.0, colour=FAINT))
    return tuple(items), y + 1.6 * line


def sizes_in_words(shape: KnownShape) -> str:
    """The lengths that give a shape its area, as one can measure them."""
    size = shape.sizes
    match shape.kind:
        case "disc":
            return f"disc, {2 * size['radius_mm']:.3f} across"
        case "square":
            return f"square, side {size['side_mm']:.3f}"
        case "star":
            return f"star, {size['points']:.0f} points, radii {size['outer_mm']:.3f} and {size['inner_mm']:.3f}"
        case "annulus":
            return f"annulus, {2 * size['outer_mm']:.3f} and {2 * size['inner_mm']:.3f} across"
        case "kidney":
            return (
                f"kidney, half length {size['half_length_mm']:.3f}, half width {size['half_width_mm']:.3f}, "
                f"bend {size['bend_mm']:.3f}"
            )
        case _:
            return f"blob, mean radius {size['base_mm']:.3f}, {len(shape.waves_mm)} waves"
