"""Pages as a PDF file at exact size."""

from __future__ import annotations

import io
from collections.abc import Sequence

from reportlab.pdfgen.canvas import FILL_EVEN_ODD, Canvas
from shapely import MultiPolygon

from fragarea import __version__
from fragarea.report.fonts import printable
from fragarea.sheets.drawing import Colour, Fill, Item, Page, Stroke, Text
from fragarea.sheets.typeface import PT_MM, face

NUDGE_MM = 1e-4


def pdf_bytes(pages: Sequence[Page], title: str) -> bytes:
    """Write pages as PDF.

    The file asks viewers to print without scaling, embeds its typeface, and is the same, byte for byte, whenever it
    is made from the same pages.

    Parameters
    ----------
    pages : sequence of Page
    title : str

    Returns
    -------
    bytes
    """
    out = io.BytesIO()
    canvas = Canvas(out, initialFontName=face(), initialFontSize=8, invariant=1, pageCompression=1, lang="en")
    canvas.setTitle(title)
    canvas.setSubject("Print at 100 %, without fitting to the page")
    canvas.setAuthor("fragarea")
    canvas.setCreator(f"fragarea {__version__}")
    canvas.setViewerPreference("PrintScaling", "None")
    for page in pages:
        canvas.setPageSize((page.width_mm / PT_MM, page.height_mm / PT_MM))
        for item in page.items:
            _draw(canvas, item, page.height_mm)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def _draw(canvas: Canvas, item: Item, height_mm: float) -> None:
    match item:
        case Fill():
            _fill(canvas, item, height_mm)
        case Stroke():
            _stroke(canvas, item, height_mm)
        case Text():
            _write(canvas, item, height_mm)


def _fill(canvas: Canvas, item: Fill, height_mm: float) -> None:
    _colour(canvas, item.colour, stroke=False)
    path = canvas.beginPath()
    parts = item.area.geoms if isinstance(item.area, MultiPolygon) else [item.area]
    for ring in (ring for part in parts for ring in (part.exterior, *part.interiors)):
        points = [_at(point, height_mm) for point in _without_plain_rectangles(list(ring.coords[:-1]))]
        path.moveTo(*points[0])
        for point in points[1:]:
            path.lineTo(*point)
        path.close()
    canvas.drawPath(path, stroke=0, fill=1, fillMode=FILL_EVEN_ODD)


def _without_plain_rectangles(points: list[tuple[float, ...]]) -> list[tuple[float, ...]]:
    """A ring of four corners gets a fifth, in the middle of one side and a ten-thousandth of a millimetre beside it.

    PDFium, which prints from browsers, rounds plain upright rectangles to whole dots: at 300 dots an inch a square of
    25 mm2 comes out 3 % too large. Any other path it draws to a fraction of a dot. A point exactly on the side would
    not do: it is dropped before the path is looked at.
    """
    if len(points) != 4:
        return points
    (x1, y1), (x2, y2) = points[0][:2], points[1][:2]
    return [points[0], ((x1 + x2) / 2 + NUDGE_MM, (y1 + y2) / 2 + NUDGE_MM), *points[1:]]


def _stroke(canvas: Canvas, item: Stroke, height_mm: float) -> None:
    _colour(canvas, item.colour, stroke=True)
    canvas.setLineWidth(item.width_mm / PT_MM)
    canvas.setDash([dash / PT_MM for dash in item.dash_mm])
    path = canvas.beginPath()
    points = [_at(point, height_mm) for point in item.points_mm]
    path.moveTo(*points[0])
    for point in points[1:]:
        path.lineTo(*point)
    canvas.drawPath(path, stroke=1, fill=0)


def _write(canvas: Canvas, item: Text, height_mm: float) -> None:
    _colour(canvas, item.colour, stroke=False)
    canvas.setFont(face(item.bold), item.size_pt)
    canvas.saveState()
    canvas.translate(*_at(item.at_mm, height_mm))
    if item.upwards:
        canvas.rotate(90)
    draw = {"start": canvas.drawString, "middle": canvas.drawCentredString, "end": canvas.drawRightString}[
        item.anchor
    ]
    draw(0, 0, printable(item.words))
    canvas.restoreState()


def _at(point: tuple[float, ...], height_mm: float) -> tuple[float, float]:
    return (point[0] / PT_MM, (height_mm - point[1]) / PT_MM)


def _colour(canvas: Canvas, colour: Colour, *, stroke: bool) -> None:
    """Greys go as grey, so that a printer uses black ink alone and does not mix them from three misaligned ones."""
    red, green, blue = colour
    if red == green == blue:
        (canvas.setStrokeGray if stroke else canvas.setFillGray)(red)
    else:
        (canvas.setStrokeColorRGB if stroke else canvas.setFillColorRGB)(red, green, blue)
