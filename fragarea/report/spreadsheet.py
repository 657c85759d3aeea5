"""CSV and XLSX files of the tidy rows. No text of a user ever becomes a formula."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from pathlib import Path

from openpyxl import Workbook
from openpyxl.cell import Cell
from openpyxl.styles import Alignment, Font
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from fragarea.doubts import DOUBTS
from fragarea.report.columns import COLUMNS, HEADERS, UNCERTAINTY_NOTES, Column, Value
from fragarea.report.pictures import write_whole
from fragarea.report.rows import ReportRow
from fragarea.report.words import CAUTIONS

# A spreadsheet takes text that begins like this for a formula (also in full width).
FORMULA_STARTS = tuple("=+-@\t\r\n＝＋－＠")

_DATE_FORMAT, _TIME_FORMAT = "yyyy-mm-dd", "yyyy-mm-dd hh:mm:ss"
_NARROWEST, _WIDEST = 9, 44
_LONGEST_TEXT = 32_767  # characters that a cell of a workbook holds


def csv_text(rows: Iterable[ReportRow], *, decimal: str = ".") -> str:
    """The tidy table as CSV after RFC 4180, with a header line and CRLF line ends.

    Parameters
    ----------
    rows : iterable of ReportRow
    decimal : str
        ``"."`` with commas between fields, or ``","`` with semicolons between fields, as spreadsheets of many
        countries expect.

    Returns
    -------
    str
        Text that a user chose has a ``'`` put before it where it begins like a formula; the rest stays as it is.
        Write it as UTF-8.

    Raises
    ------
    ValueError
        If `decimal` is neither a point nor a comma.
    """
    if decimal not in (".", ","):
        raise ValueError(f"decimal must be '.' or ','; got {decimal!r}")
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, delimiter="," if decimal == "." else ";", lineterminator="\r\n")
    writer.writerow(HEADERS)
    writer.writerows([_guarded(_csv_field(c.of(row), c.decimals, decimal), c) for c in COLUMNS] for row in rows)
    return buffer.getvalue()


def write_csv(rows: Iterable[ReportRow], path: Path, *, decimal: str = ".") -> None:
    """Write :func:`csv_text` to a file as UTF-8; raises SettingsProblem when it cannot be written."""
    write_whole(path, csv_text(rows, decimal=decimal).encode("utf-8"))


def _csv_field(value: Value, decimals: int, decimal: str) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.{decimals}f}".replace(".", decimal)
    if isinstance(value, date):  # datetime too
        return value.isoformat()
    if isinstance(value, int):
        return str(value)
    return value


def _guarded(field: str, column: Column) -> str:
    """A field without control characters, and with a ``'`` before it where a user's text looks like a formula."""
    mark = "'" if column.typed and field.startswith(FORMULA_STARTS) else ""
    return mark + clean_text(field)


def clean_text(text: str) -> str:
    """Text with control characters and halves of surrogate pairs replaced by spaces: no file can hold them."""
    return "".join(" " if ord(c) < 32 or 0x7F <= ord(c) < 0xA0 or 0xD800 <= ord(c) < 0xE000 else c for c in text)


def workbook_bytes(rows: Sequence[ReportRow], *, made_at: datetime) -> bytes:
    """The tidy table as an XLSX workbook with a second sheet of notes.

    Parameters
    ----------
    rows : sequence of ReportRow
    made_at : datetime
        Written into the notes.

    Returns
    -------
    bytes
        Numbers, dates and times are typed as such; everything else is text, whatever it begins with.
    """
    book = Workbook()
    sheet = book.active
    assert isinstance(sheet, Worksheet)
    sheet.title = "Areas"
    _fill_areas(sheet, rows)
    _fill_notes(book.create_sheet("Notes"), rows, made_at)
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def write_workbook(rows: Sequence[ReportRow], path: Path, *, made_at: datetime) -> None:
    """Write :func:`workbook_bytes` to a file; raises SettingsProblem when it cannot be written."""
    write_whole(path, workbook_bytes(rows, made_at=made_at))


def _fill_areas(sheet: Worksheet, rows: Sequence[ReportRow]) -> None:
    for number, column in enumerate(COLUMNS, start=1):
        head = sheet.cell(1, number)
        _put(head, column.header, 0)
        head.font = Font(bold=True)
        head.alignment = Alignment(wrap_text=True, vertical="top")
        longest = len(column.header) if not rows else 0
        for line, row in enumerate(rows, start=2):
            cell = sheet.cell(line, number)
            _put(cell, column.of(row), column.decimals, typed=column.typed)
            longest = max(longest, _shown_length(column.of(row), column.decimals))
        width = min(max(longest + 2, len(column.header) * 0.62, _NARROWEST), _WIDEST)
        sheet.column_dimensions[get_column_letter(number)].width = width
    sheet.row_dimensions[1].height = 45
    sheet.freeze_panes = "A2"
    sheet.auto_filter.ref = f"A1:{get_column_letter(len(COLUMNS))}{len(rows) + 1}"


def _shown_length(value: Value, decimals: int) -> int:
    if isinstance(value, datetime):
        return len("2026-03-07 10:00:00")
    return len(_csv_field(value, decimals, "."))


def _put(cell: Cell, value: Value, decimals: int, *, typed: bool = False) -> None:
    """Set a cell's value with its type and format."""
    # workbooks count days from 1900 and know no offsets; the offset has a column of its own
    if isinstance(value, datetime) and value.year >= 1901:
        cell.value = value.replace(tzinfo=None, microsecond=0)
        cell.number_format = _TIME_FORMAT
    elif isinstance(value, date) and not isinstance(value, datetime) and value.year >= 1901:
        cell.value = value
        cell.number_format = _DATE_FORMAT
    elif isinstance(value, float):
        cell.value = round(value, decimals)
        cell.number_format = "0." + "0" * min(decimals, 3) + "#" * max(0, decimals - 3)
    elif isinstance(value, int) or value is None:
        cell.value = value
    else:
        _put_text(cell, value.isoformat() if isinstance(value, date) else value, typed=typed)


def _put_text(cell: Cell, text: str, *, typed: bool = False) -> None:
    cell.value = clean_text(text)[:_LONGEST_TEXT] or None
    if cell.value is not None:
        cell.data_type = "s"  # openpyxl would take a leading = for a formula, "#N/A" for an error
    if typed and text.startswith(FORMULA_STARTS):
        cell.quotePrefix = True  # and so would the spreadsheet, as soon as somebody edits the cell


def _fill_notes(sheet: Worksheet, rows: Sequence[ReportRow], made_at: datetime) -> None:
    lines: list[tuple[str, ...]] = [("Made", made_at.isoformat(sep=" ", timespec="minutes"))]
    lines += [("fragarea", version) for version in sorted({row.software_version for row in rows})]
    lines += [("Known-area check", check) for check in sorted({row.last_check for row in rows} - {""})]
    lines += [("",), ("Uncertainty",), *(("", note) for note in UNCERTAINTY_NOTES)]
    lines += [("",), ("Cautions",), *(("", caution) for caution in CAUTIONS)]
    lines += [("",), ("Column", "Meaning"), *((column.header, column.meaning) for column in COLUMNS)]
    lines += [("",), ("Doubt", "What was seen", "What to do")]
    lines += [(k.title, k.seen, k.do) for k in sorted(DOUBTS.values(), key=lambda kind: -kind.weight)]
    headings = {"Uncertainty", "Cautions", "Column", "Doubt"}
    for number, line in enumerate(lines, start=1):
        for column, text in enumerate(line, start=1):
            cell = sheet.cell(number, column)
            _put_text(cell, text)
            cell.alignment = Alignment(wrap_text=True, vertical="top")
            if line[0] in headings:
                cell.font = Font(bold=True)
    for letter, width in (("A", 26), ("B", 74), ("C", 60)):
        sheet.column_dimensions[letter].width = width
