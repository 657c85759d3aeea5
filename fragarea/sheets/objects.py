"""The printed things themselves, in reference axes: a reference, and known-area shapes with or without it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from shapely import Polygon, box
from shapely.errors import GEOSException

from fragarea.check.sheet import KnownAreaSheet, polygon_mm
from fragarea.errors import SettingsProblem
from fragarea.reference.layout import GreyPatch, ReferenceLayout
from fragarea.sheets.drawing import BLACK, GUIDE, SHAPE, Colour, Fill, Item, Point, Stroke, Text
from fragarea.sheets.labels import LABEL_PT, area_around, label_on, tag_numbers
from fragarea.sheets.tags import CELLS, quiet_box, tag_area

# A sheet of shapes is this much smaller than the window it lies in, on every side.
WINDOW_PLAY_MM = 1.0
# Corners dropped from a curve move its edge by less; a printer's dot is two hundred times as large.
CURVE_TOLERANCE_MM = 1e-4
# No words nearer to a shape than this.
SHAPE_MARGIN_MM = 4.0
MARK_MM = 2.0
LARGEST_MM = 2000.0


@dataclass(frozen=True, eq=False)
class PrintedObject:
    """Something to print at exact size.

    Attributes
    ----------
    name : str
    outline : Polygon
        Outer edge.
    window : Polygon or None
        Opening to cut out.
    items : tuple of Item
        What is printed on it, reference axes.
    keep_whole : tuple of Polygon
        Boxes that no cut may cross.
    layout : ReferenceLayout or None
        The reference on it, if any.
    check_marks : bool
        Whether the marks A and B stand at the ends of the print-check length.
    """

    name: str
    outline: Polygon
    window: Polygon | None
    items: tuple[Item, ...]
    keep_whole: tuple[Polygon, ...]
    layout: ReferenceLayout | None = None
    check_marks: bool = False

    @property
    def body(self) -> Polygon:
        """The paper that is used: the outline without the window."""
        return self.outline.difference(self.window) if self.window else self.outline

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the outline."""
        left, top, right, bottom = self.outline.bounds
        return (right - left, bottom - top)


def reference_object(layout: ReferenceLayout) -> PrintedObject:
    """A reference by itself, its window open.

    Raises
    ------
    SettingsProblem
        If a tag or patch does not lie on the printed area with white around it, or two of them overlap.
    """
    return _with_tags(layout, window=_polygon(layout.window_mm, layout.name) if layout.window_mm else None)


def shapes_in_reference(sheet: KnownAreaSheet, layout: ReferenceLayout) -> PrintedObject:
    """Known-area shapes with their reference around them, one print; nothing is cut out.

    Raises
    ------
    SettingsProblem
        As for `reference_object`, or if a shape does not lie on the free part of the sheet.
    """
    _, shapes = free_part(sheet, layout)
    return _with_tags(layout, window=None, also=shapes, name=sheet.name)


def free_part(sheet: KnownAreaSheet, layout: ReferenceLayout) -> tuple[Polygon, tuple[Fill, ...]]:
    """The window of a reference, or all of it where there is none, and the shapes that lie in it.

    Raises
    ------
    SettingsProblem
        If a shape does not lie in it.
    """
    shapes = _shapes(sheet)
    free = _polygon(layout.window_mm or layout.outline_mm, layout.name)
    _check_inside(shapes, free, sheet.name)
    return free, shapes


def shapes_alone(sheet: KnownAreaSheet, layout: ReferenceLayout) -> PrintedObject:
    """Known-area shapes on a sheet that lies in the window of their reference.

    Raises
    ------
    SettingsProblem
        If the reference has no window, or a shape does not lie in it.
    """
    if layout.window_mm is None:
        raise SettingsProblem(f"{sheet.name}: its reference {layout.name} has no window for a sheet to lie in.")
    window, shapes = free_part(sheet, layout)
    paper = window.buffer(-WINDOW_PLAY_MM, join_style="mitre")
    _check_inside(shapes, paper, sheet.name)
    kept = tuple(box(*shape.area.bounds).buffer(SHAPE_MARGIN_MM, join_style="mitre") for shape in shapes)
    label = label_on(paper, (f"{sheet.name}, for {layout.name}", sheet.name), kept)
    return PrintedObject(sheet.name, paper, None, (*shapes, *label), kept)


def _with_tags(
    layout: ReferenceLayout, *, window: Polygon | None, also: tuple[Fill, ...] = (), name: str = ""
) -> PrintedObject:
    outline = _polygon(layout.outline_mm, layout.name)
    body = outline.difference(window) if window else outline
    _check_layout(layout, body)
    kept = tuple(
        [quiet_box(tag) for tag in layout.tags]
        + [_patch_box(patch) for patch in layout.grey_patches]
        + [box(*shape.area.bounds).buffer(SHAPE_MARGIN_MM, join_style="mitre") for shape in also]
    )
    marks = _check_marks(layout, outline)
    kept += tuple(area_around(mark, 0.3) for mark in marks if isinstance(mark, Text))
    numbers = tag_numbers(layout, body, kept)
    kept += tuple(area_around(number, 0.3) for number in numbers)
    called = name or layout.name
    wordings = (f"{called}   A–B {layout.print_check_mm:.1f} mm", called) if marks else (called,)
    room = body.difference(_polygon(layout.window_mm, layout.name)) if also and layout.window_mm else body
    written = label_on(room, wordings, kept)
    patches = [Fill(_patch_box(patch), printed_grey(patch.reflectance), "patch") for patch in layout.grey_patches]
    tags = [Fill(tag_area(tag), BLACK, f"tag-{tag.tag_id}") for tag in layout.tags]
    return PrintedObject(
        called,
        outline,
        window,
        (*tags, *patches, *also, *marks, *numbers, *written),
        kept + tuple(area_around(text, 1.0) for text in written),
        layout,
        bool(marks),
    )


def printed_grey(reflectance: float) -> Colour:
    """Grey whose light, by the sRGB curve (IEC 61966-2-1), is `reflectance` times that of the paper."""
    light = min(max(reflectance, 0.0), 1.0)
    value = 12.92 * light if light <= 0.0031308 else 1.055 * light ** (1 / 2.4) - 0.055
    return (value, value, value)


def _shapes(sheet: KnownAreaSheet) -> tuple[Fill, ...]:
    return tuple(
        Fill(polygon_mm(shape).simplify(CURVE_TOLERANCE_MM), SHAPE, shape.shape_id) for shape in sheet.shapes
    )


def _polygon(points_mm: Iterable[Point], source: str) -> Polygon:
    try:
        polygon = Polygon(list(points_mm))
    except (ValueError, GEOSException) as error:
        raise SettingsProblem(f"{source}: outline_mm and window_mm need at least three corners each.") from error
    if max(abs(value) for value in polygon.bounds) > LARGEST_MM:
        raise SettingsProblem(f"{source}: larger than {LARGEST_MM / 1000:g} m; lengths must be in mm.")
    if not polygon.is_valid or polygon.area <= 0:
        raise SettingsProblem(f"{source}: outline_mm or window_mm crosses itself or encloses nothing.")
    return polygon


def _patch_box(patch: GreyPatch) -> Polygon:
    (x, y), half = patch.centre_mm, patch.side_mm / 2
    return box(x - half, y - half, x + half, y + half)


def _check_layout(layout: ReferenceLayout, body: Polygon) -> None:
    parts = [(f"tag {tag.tag_id}", quiet_box(tag)) for tag in layout.tags]
    parts += [(f"grey patch at {patch.centre_mm}", _patch_box(patch)) for patch in layout.grey_patches]
    for number, (what, area) in enumerate(parts):
        if not body.buffer(1e-6).contains(area):
            raise SettingsProblem(
                f"{layout.name}: {what} does not lie on the printed area (outline_mm without window_mm); "
                f"a tag also needs a white margin of 1/{CELLS} of its side."
            )
        for other, taken in parts[:number]:
            if area.intersection(taken).area > 1e-6:
                raise SettingsProblem(f"{layout.name}: {what} and {other} overlap. Move one of them.")


def _check_inside(shapes: tuple[Fill, ...], paper: Polygon, source: str) -> None:
    outside = [shape.name for shape in shapes if not paper.contains(shape.area)]
    if outside:
        raise SettingsProblem(f"{source}: {', '.join(outside)} does not lie inside the free part of the reference.")


def _check_marks(layout: ReferenceLayout, outline: Polygon) -> tuple[Item, ...]:
    """Short ticks A and B on the outer edge, one beside each tag of the print check.

    None for a length that runs askew, or where the margin has no room: tags are then measured themselves.
    """
    first, second = (tag for tag in map(layout.tag, layout.print_check_tags) if tag)
    (x1, y1), (x2, y2) = first.centre_mm, second.centre_mm
    left, top, right, bottom = outline.bounds
    room = min(tag.side_mm for tag in (first, second)) * (0.5 + 1 / CELLS)
    if abs(y1 - y2) < 1e-6:
        edge, inwards = (top, 1) if y1 - top < bottom - y1 else (bottom, -1)
        ends = [((x, edge), (x, edge + inwards * MARK_MM)) for x in (x1, x2)]
        fits = abs(y1 - edge) - room >= MARK_MM
    elif abs(x1 - x2) < 1e-6:
        edge, inwards = (left, 1) if x1 - left < right - x1 else (right, -1)
        ends = [((edge, y), (edge + inwards * MARK_MM, y)) for y in (y1, y2)]
        fits = abs(x1 - edge) - room >= MARK_MM
    else:
        return ()
    if not fits:
        return ()
    sideways = abs(y1 - y2) < 1e-6
    return tuple(item for letter, end in zip("AB", ends, strict=True) for item in _mark(letter, *end, sideways))


def _mark(letter: str, outer: Point, inner: Point, sideways: bool) -> tuple[Item, ...]:
    low_x, low_y = min(outer[0], inner[0]), max(outer[1], inner[1])
    at = (low_x + 0.7, low_y - 0.2) if sideways else (low_x + 0.2, low_y - 0.5)
    return (Stroke((outer, inner), 0.2, GUIDE), Text(letter, at, LABEL_PT, bold=True, colour=GUIDE))
