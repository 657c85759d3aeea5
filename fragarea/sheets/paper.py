"""Paper, and the parts of a page that every sheet has: heading, ruler line, foot."""

from __future__ import annotations

from dataclasses import dataclass

from shapely import Polygon, box

from fragarea.errors import SettingsProblem
from fragarea.sheets.drawing import FAINT, GUIDE, Item, Stroke, Text


@dataclass(frozen=True)
class Paper:
    """A paper format, upright."""

    name: str
    title: str
    width_mm: float
    height_mm: float


# A sizes: ISO 216. Letter and tabloid: 8.5 x 11 and 11 x 17 inches of 25.4 mm.
PAPERS = {
    paper.name: paper
    for paper in (
        Paper("a4", "A4", 210.0, 297.0),
        Paper("letter", "Letter", 215.9, 279.4),
        Paper("a3", "A3", 297.0, 420.0),
        Paper("tabloid", "Tabloid", 279.4, 431.8),
    )
}

# Most printers leave 3 to 5 mm at every edge (common practice, no source).
MARGIN_MM = 6.0
HEAD_MM = 10.0
FOOT_MM = 4.0
# Strip at the right edge that holds the ruler line.
SIDE_MM = 11.5
LINE_MM = 180.0
LINE_TOLERANCE_MM = 0.5
SCALE_ADVICE = "Print at 100 % (“actual size”), never “fit to page”. Matt waterproof paper, or laminate it matt."


@dataclass(frozen=True)
class PageFormat:
    """Paper, upright or turned."""

    paper: Paper
    landscape: bool

    @property
    def width_mm(self) -> float:
        """Width as it is turned."""
        return self.paper.height_mm if self.landscape else self.paper.width_mm

    @property
    def height_mm(self) -> float:
        """Height as it is turned."""
        return self.paper.width_mm if self.landscape else self.paper.height_mm

    @property
    def room(self) -> Polygon:
        """Box in which things are printed, page axes."""
        return box(
            MARGIN_MM,
            MARGIN_MM + HEAD_MM,
            self.width_mm - MARGIN_MM - SIDE_MM,
            self.height_mm - MARGIN_MM - FOOT_MM,
        )

    @property
    def room_mm(self) -> tuple[float, float]:
        """Width and height of the room."""
        left, top, right, bottom = self.room.bounds
        return (right - left, bottom - top)


def paper_named(name: str) -> Paper:
    """The paper of a name such as ``"a4"``.

    Raises
    ------
    SettingsProblem
        If there is none.
    """
    if name.lower() not in PAPERS:
        raise SettingsProblem(f"paper {name!r} is not known. Use one of {', '.join(PAPERS)}.")
    return PAPERS[name.lower()]


def furniture(form: PageFormat, *, title: str, place: str, foot: str) -> tuple[Item, ...]:
    """Heading, ruler line and foot of a page.

    Parameters
    ----------
    form : PageFormat
    title : str
        What the page holds.
    place : str
        Which page of how many.
    foot : str
        Version, date and the like.
    """
    right = form.width_mm - MARGIN_MM
    top = MARGIN_MM + 3.2
    return (
        Text(title, (MARGIN_MM, top), 10.5, bold=True),
        Text(place, (right, top), 8.0, anchor="end"),
        Text(SCALE_ADVICE, (MARGIN_MM, top + 3.9), 7.5),
        *ruler_line(right - 1.0, MARGIN_MM + HEAD_MM),
        Text(foot, (MARGIN_MM, form.height_mm - MARGIN_MM), 6.5, colour=FAINT),
    )


def ruler_line(x_mm: float, y_mm: float) -> tuple[Item, ...]:
    """An upright line from mark C down to mark D, `LINE_MM` long, with a tick every 10 mm to its left."""
    ticks = [(number, 3.2 if number % 5 == 0 else 1.8) for number in range(1, int(LINE_MM // 10))]
    middle = y_mm + LINE_MM / 2
    words = (
        f"C to D must be {LINE_MM:.1f} mm "
        f"({LINE_MM - LINE_TOLERANCE_MM:.1f} to {LINE_MM + LINE_TOLERANCE_MM:.1f} mm): measure before you cut."
    )
    return (
        Stroke(((x_mm, y_mm), (x_mm, y_mm + LINE_MM)), 0.15, GUIDE),
        *(Stroke(((x_mm - 4.5, y), (x_mm + 1.0, y)), 0.15, GUIDE) for y in (y_mm, y_mm + LINE_MM)),
        *(Stroke(((x_mm - size, y_mm + 10 * n), (x_mm, y_mm + 10 * n)), 0.1, GUIDE) for n, size in ticks),
        Text("C", (x_mm - 5.0, y_mm + 2.2), 7.0, bold=True, anchor="end", colour=GUIDE),
        Text("D", (x_mm - 5.0, y_mm + LINE_MM), 7.0, bold=True, anchor="end", colour=GUIDE),
        Text(words, (x_mm - 4.6, middle), 6.5, anchor="middle", upwards=True, colour=GUIDE),
    )
