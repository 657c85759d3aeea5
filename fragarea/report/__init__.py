"""What people see: pictures, tables, files and pages, all made from finished records.

``overlay``      the photo with outlines, names, areas and doubts
``plots``        figures of growth for print; loaded by the commands that draw them
``sheet``        the contact sheet of a visit, every fragment at one scale
``pad_shots``    photos of a pad laid over each other by its plugs
``pad_strip``    a pad over time, its visits side by side
``pad_graph``    the last photo of a pad with its contact graph
``pad_plot``     curves of a pad's progress; loaded by what draws them
``rows``         tidy rows, one a fragment and photo; visits and sums
``tables``       tables for a terminal
``spreadsheet``  CSV and XLSX files
``json_lines``   one JSON object a photo, described by ``measure-1.schema.json``
``html``         one self-contained page for a batch or a visit
``templating``   pages from templates in which all text is escaped; loaded when a page is written
``rounding``     an area with its uncertainty, rounded once by a cited rule
"""

from fragarea.report.html import PagePhoto, RefusedPhoto, ReportPage, render_page, thumbnail, write_page
from fragarea.report.json_lines import json_line, measurement_to_json, refusal_to_json, schema_text
from fragarea.report.overlay import draw_overlay
from fragarea.report.pictures import file_stem, save_picture
from fragarea.report.rounding import format_area, round_area
from fragarea.report.rows import ReportRow, Visit, rows_of, sum_area, visits_of
from fragarea.report.sheet import SheetItem, cut_item, draw_contact_sheet, outlined, piece_half_mm
from fragarea.report.spreadsheet import csv_text, workbook_bytes, write_csv, write_workbook
from fragarea.report.tables import visit_tables
from fragarea.report.words import fragment_name, needs_look

__all__ = [
    "PagePhoto",
    "RefusedPhoto",
    "ReportPage",
    "ReportRow",
    "SheetItem",
    "Visit",
    "csv_text",
    "cut_item",
    "draw_contact_sheet",
    "draw_overlay",
    "file_stem",
    "format_area",
    "fragment_name",
    "json_line",
    "measurement_to_json",
    "needs_look",
    "outlined",
    "piece_half_mm",
    "refusal_to_json",
    "render_page",
    "round_area",
    "rows_of",
    "save_picture",
    "schema_text",
    "sum_area",
    "thumbnail",
    "visit_tables",
    "visits_of",
    "workbook_bytes",
    "write_csv",
    "write_page",
    "write_workbook",
]
