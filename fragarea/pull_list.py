"""The pull list: what is ready, by place on the tray, as pages to print, tick and sign."""

from __future__ import annotations

import io
from collections.abc import Sequence
from itertools import groupby
from pathlib import Path

from reportlab.lib.colors import Color, black, white
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, KeepTogether, Paragraph, SimpleDocTemplate, Spacer, Table

from fragarea import __version__
from fragarea.nursery import Nursery
from fragarea.outplant import State, Verdict
from fragarea.outplant_tables import ADVICE, closed_lines
from fragarea.outplant_view import ReadinessView
from fragarea.report import format_area
from fragarea.report.fonts import printable
from fragarea.report.pictures import write_whole
from fragarea.report.rows import COVERAGE_FACTOR
from fragarea.sheets.typeface import face

PAPERS = {"a4": A4, "letter": LETTER}

_GREY, _PALE = Color(0.55, 0.55, 0.55), Color(0.93, 0.93, 0.93)
_COLUMNS_MM = (10, 26, 32, 32, 36, 44)  # tick, place, name, genotype, area, note


def pull_list_bytes(view: ReadinessView, nursery: Nursery, *, paper: str = "a4") -> bytes:
    """The pull list as PDF.

    Parameters
    ----------
    view : ReadinessView
    nursery : Nursery
    paper : str
        A key of `PAPERS`.

    Returns
    -------
    bytes
        The same, byte for byte, for the same view.
    """
    ready = view.of(State.READY)
    parts: list[Flowable] = [
        Paragraph(_text(f"Pull list, {nursery.name}"), _style(15, bold=True)),
        Paragraph(_text(f"Ready by the rules of nursery.toml on {view.on}: {len(ready)}"), _style(9)),
        *(Paragraph(_text(line), _style(9, bold=True)) for line in closed_lines(nursery.outplanting, [view.on])),
        Spacer(0, 3 * mm),
        Paragraph(
            "Date ______________ &nbsp; Pulled by ____________________ &nbsp; Permit ____________________", _style(9)
        ),
        Spacer(0, 4 * mm),
    ]
    if not ready:
        parts.append(Paragraph(_text("Nothing is ready."), _style(11)))
    for site, some in groupby(ready, key=lambda one: one.unit.site):
        parts += _site(site, list(some), nursery)
    parts += [Spacer(0, 3 * mm), Paragraph(_text(ADVICE), _style(7.5))]
    out = io.BytesIO()
    document = SimpleDocTemplate(
        out,
        pagesize=PAPERS[paper],
        leftMargin=15 * mm,
        rightMargin=15 * mm,
        topMargin=14 * mm,
        bottomMargin=16 * mm,
        title=printable(f"Pull list, {nursery.name}, {view.on}"),
        author="fragarea",
        creator=f"fragarea {__version__}",
        invariant=1,
    )
    document.build(parts, onFirstPage=_foot, onLaterPages=_foot)
    return out.getvalue()


def write_pull_list(view: ReadinessView, nursery: Nursery, path: Path, *, paper: str = "a4") -> None:
    """Write :func:`pull_list_bytes`; raises SettingsProblem when it cannot be written."""
    write_whole(path, pull_list_bytes(view, nursery, paper=paper))


def _site(name: str, ready: Sequence[Verdict], nursery: Nursery) -> list[Flowable]:
    head: list[Flowable] = [Paragraph(_text(f"{name}: {len(ready)}"), _style(11, bold=True)), Spacer(0, 1.5 * mm)]
    site = nursery.site(name)
    if site is not None and site.rows and site.columns:
        head += [_map(ready, site.rows, site.columns), Spacer(0, 3 * mm)]
    return [KeepTogether(head), _list(ready), Spacer(0, 5 * mm)]


def _map(ready: Sequence[Verdict], rows: int, columns: int) -> Table:
    """The tray from above: places of ready fragments are white and framed, all others grey."""
    wanted = {(one.unit.row, one.unit.column): one.unit.name for one in ready}
    side = min(11.0, 165.0 / (columns + 1))
    cells = [["", *(f"C{column}" for column in range(1, columns + 1))]]
    style: list[tuple[object, ...]] = [
        ("FONT", (0, 0), (-1, -1), face(), 6),
        ("ALIGN", (0, 0), (-1, -1), "CENTER"),
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 0),
        ("BACKGROUND", (1, 1), (-1, -1), _PALE),
        ("INNERGRID", (1, 1), (-1, -1), 0.3, white),
    ]
    for row in range(1, rows + 1):
        cells.append([f"R{row}", *(_short(wanted.get((row, column), "")) for column in range(1, columns + 1))])
        for column in range(1, columns + 1):
            if (row, column) in wanted:
                style.append(("BACKGROUND", (column, row), (column, row), white))
                style.append(("BOX", (column, row), (column, row), 1.2, black))
    return Table(cells, colWidths=side * mm, rowHeights=min(side, 8.0) * mm, style=style, hAlign="LEFT")


def _short(name: str) -> str:
    shown = printable(name)
    return shown if len(shown) <= 7 else f"{shown[:6]}…"


def _list(ready: Sequence[Verdict]) -> Table:
    lines: list[list[object]] = [["", "place", "name", "genotype", "area", "note"]]
    for one in ready:
        unit = one.unit
        assert one.last is not None, "what is ready was measured"
        area = format_area(one.last.area_mm2, COVERAGE_FACTOR * one.last.area_u_mm2)
        cells = (unit.place or "whole pad", unit.name, unit.genotype, area, unit.note)
        lines.append(["", *(Paragraph(_text(cell), _style(8.5)) for cell in cells)])
    style = [
        ("FONT", (0, 0), (-1, 0), face(), 7.5),
        ("TEXTCOLOR", (0, 0), (-1, 0), _GREY),
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("LINEBELOW", (0, 0), (-1, -1), 0.3, _GREY),
        ("BOX", (0, 1), (0, -1), 0.8, black),
        ("INNERGRID", (0, 1), (0, -1), 0.8, black),
        ("TOPPADDING", (0, 1), (-1, -1), 3),
        ("BOTTOMPADDING", (0, 1), (-1, -1), 4),
    ]
    return Table(lines, colWidths=[width * mm for width in _COLUMNS_MM], repeatRows=1, style=style, hAlign="LEFT")


def _style(size: float, *, bold: bool = False) -> ParagraphStyle:
    return ParagraphStyle(f"s{size}{bold}", fontName=face(bold), fontSize=size, leading=1.25 * size)


def _text(words: str) -> str:
    """Words as a paragraph takes them: no mark-up of a user's own."""
    return printable(words).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _foot(canvas: Canvas, document: SimpleDocTemplate) -> None:
    canvas.setFont(face(), 7)
    canvas.setFillColor(_GREY)
    canvas.drawRightString(document.pagesize[0] - 15 * mm, 9 * mm, f"page {canvas.getPageNumber()}")
