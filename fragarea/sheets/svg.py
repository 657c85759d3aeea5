"""A printed object as an SVG file at its own size, in the reference's axes."""

from __future__ import annotations

from xml.sax.saxutils import escape, quoteattr

from shapely import MultiPolygon, Polygon

from fragarea import __version__
from fragarea.sheets.drawing import CUT, Colour, Fill, Item, Stroke, Text, outline_strokes
from fragarea.sheets.objects import PrintedObject
from fragarea.sheets.typeface import PT_MM

FONTS = "'Bitstream Vera Sans', 'DejaVu Sans', Verdana, Arial, sans-serif"


def svg_text(thing: PrintedObject, description: str) -> str:
    """Write an object as SVG 1.1: width and height in mm, one unit of the drawing is 1 mm.

    Parameters
    ----------
    thing : PrintedObject
    description : str
        Goes into the file as its ``desc``.

    Returns
    -------
    str
    """
    left, top, right, bottom = thing.outline.bounds
    width, height = right - left, bottom - top
    cuts = outline_strokes(thing.body, width_mm=0.15, colour=CUT)
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="{_n(width)}mm" height="{_n(height)}mm" '
        f'viewBox="{_n(left)} {_n(top)} {_n(width)} {_n(height)}">',
        f"<title>{_escaped(thing.name)}</title>",
        f"<desc>{_escaped(description)} fragarea {__version__}.</desc>",
        f'<rect x="{_n(left)}" y="{_n(top)}" width="{_n(width)}" height="{_n(height)}" fill="#ffffff"/>',
        *(_element(item) for item in (*cuts, *thing.items)),
        "</svg>",
    ]
    return "\n".join(lines) + "\n"


def _element(item: Item) -> str:
    match item:
        case Fill():
            name = f" id={quoteattr(item.name)}" if item.name else ""
            return f'<path{name} fill="{_hex(item.colour)}" fill-rule="evenodd" d="{_path(item.area)}"/>'
        case Stroke():
            points = " ".join(f"{_n(x)},{_n(y)}" for x, y in item.points_mm)
            return (
                f'<polyline points="{points}" fill="none" stroke="{_hex(item.colour)}" '
                f'stroke-width="{_n(item.width_mm)}"/>'
            )
        case Text():
            x, y = item.at_mm
            weight = ' font-weight="bold"' if item.bold else ""
            return (
                f'<text x="{_n(x)}" y="{_n(y)}" font-family="{FONTS}" font-size="{_n(item.size_pt * PT_MM)}"{weight} '
                f'text-anchor="{item.anchor}" fill="{_hex(item.colour)}">{_escaped(item.words)}</text>'
            )


def _path(area: Polygon | MultiPolygon) -> str:
    parts = area.geoms if isinstance(area, MultiPolygon) else [area]
    rings = [ring for part in parts for ring in (part.exterior, *part.interiors)]
    return " ".join("M" + "L".join(f"{_n(x)} {_n(y)}" for x, y in ring.coords[:-1]) + "Z" for ring in rings)


def _escaped(words: str) -> str:
    """Words for XML, without the control characters that XML 1.0 forbids."""
    return escape("".join(letter for letter in words if letter.isprintable()))


def _n(value: float) -> str:
    """A number to a ten-thousandth of a millimetre."""
    return f"{round(value, 4) + 0.0:.4f}".rstrip("0").rstrip(".")


def _hex(colour: Colour) -> str:
    return "#" + "".join(f"{round(255 * part):02x}" for part in colour)
