"""What is on a page, in millimetres, before it becomes PDF or SVG.

Points are ``(x_mm, y_mm)`` with y downwards, as on a reference. Colours are red, green, blue from 0 to 1.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from shapely import MultiPolygon, Polygon
from shapely.affinity import affine_transform

Point = tuple[float, float]
Colour = tuple[float, float, float]

BLACK: Colour = (0.0, 0.0, 0.0)
INK: Colour = (0.13, 0.13, 0.13)
FAINT: Colour = (0.42, 0.42, 0.42)
CUT: Colour = (0.62, 0.62, 0.62)
GUIDE: Colour = (0.05, 0.3, 0.55)
# Dark enough to stand out from paper in any light, coloured so that it is never taken for a tag.
SHAPE: Colour = (0.13, 0.33, 0.2)


@dataclass(frozen=True, eq=False)
class Fill:
    """A filled area; its holes stay paper.

    Attributes
    ----------
    area : Polygon or MultiPolygon
        One path on paper, so that no hairline shows between its parts.
    colour : Colour
    name : str
        Name in the SVG file; empty for none.
    """

    area: Polygon | MultiPolygon
    colour: Colour
    name: str = ""


@dataclass(frozen=True)
class Stroke:
    """A line through points; `dash_mm` is empty for a solid one."""

    points_mm: tuple[Point, ...]
    width_mm: float
    colour: Colour
    dash_mm: tuple[float, ...] = ()


@dataclass(frozen=True)
class Text:
    """One line of text.

    Attributes
    ----------
    words : str
    at_mm : Point
        On the baseline: its start, middle or end as `anchor` says.
    size_pt : float
    bold : bool
    anchor : str
        ``"start"``, ``"middle"`` or ``"end"``.
    upwards : bool
        Whether the text runs from bottom to top.
    colour : Colour
    """

    words: str
    at_mm: Point
    size_pt: float
    bold: bool = False
    anchor: str = "start"
    upwards: bool = False
    colour: Colour = INK


Item = Fill | Stroke | Text


@dataclass(frozen=True)
class Page:
    """One page; the origin is its top left corner."""

    width_mm: float
    height_mm: float
    items: tuple[Item, ...]


def placed(items: Iterable[Item], *, dx_mm: float, dy_mm: float, scale: float = 1.0) -> tuple[Item, ...]:
    """Items scaled about the origin, then moved; the size of text stays."""
    return tuple(_placed(item, dx_mm, dy_mm, scale) for item in items)


def _placed(item: Item, dx_mm: float, dy_mm: float, scale: float) -> Item:
    if isinstance(item, Fill):
        return replace(item, area=affine_transform(item.area, [scale, 0, 0, scale, dx_mm, dy_mm]))
    if isinstance(item, Stroke):
        return replace(item, points_mm=tuple((scale * x + dx_mm, scale * y + dy_mm) for x, y in item.points_mm))
    x, y = item.at_mm
    return replace(item, at_mm=(scale * x + dx_mm, scale * y + dy_mm))


def outline_strokes(area: Polygon | MultiPolygon, *, width_mm: float, colour: Colour) -> tuple[Stroke, ...]:
    """The edges of an area, holes included, as closed lines."""
    parts = area.geoms if isinstance(area, MultiPolygon) else [area]
    rings = [ring for part in parts if not part.is_empty for ring in (part.exterior, *part.interiors)]
    return tuple(Stroke(tuple((x, y) for x, y in ring.coords), width_mm, colour) for ring in rings)
