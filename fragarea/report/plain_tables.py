"""Tables of any content: as CSV, as sheets of a workbook and for a terminal. Units stand in the headers."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from pathlib import Path

from openpyxl import Workbook
from openpyxl.styles import Font
from openpyxl.utils import get_column_letter
from rich.box import SIMPLE_HEAD
from rich.table import Table as RichTable
from rich.text import Text

from fragarea.report.pictures import write_whole
from fragarea.report.spreadsheet import FORMULA_STARTS, clean_text

Value = str | float | int | date | None
Table = tuple[tuple[str, ...], list[tuple[Value, ...]]]


def table_csv(table: Table, *, decimal: str = ".") -> str:
    """A table as CSV after RFC 4180; text that begins like a formula has a ``'`` put before it.

    Parameters
    ----------
    table : Table
    decimal : str
        ``"."`` with commas between fields, or ``","`` with semicolons between fields.
    """
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, delimiter="," if decimal == "." else ";", lineterminator="\r\n")
    writer.writerow(table[0])
    for row in table[1]:
        fields = [(value, _field(value)) for value in row]
        writer.writerow([text.replace(".", decimal) if isinstance(value, float) else text for value, text in fields])
    return buffer.getvalue()


def write_table_csv(table: Table, path: Path, *, decimal: str = ".") -> None:
    """Write :func:`table_csv` as UTF-8; raises SettingsProblem when it cannot be written."""
    write_whole(path, table_csv(table, decimal=decimal).encode("utf-8"))


def write_tables(tables: Mapping[str, Table], path: Path, *, notes: Sequence[str], made_at: datetime) -> None:
    """Write tables as sheets of one workbook, with a sheet of notes after them.

    Parameters
    ----------
    tables : mapping of str to Table
        By title of the sheet.
    path : Path
    notes : sequence of str
    made_at : datetime

    Raises
    ------
    SettingsProblem
        If it cannot be written.
    """
    book = Workbook()
    book.remove(book.worksheets[0])
    told: Table = (("Notes",), [(made_at.isoformat(sep=" ", timespec="minutes"),), *((note,) for note in notes)])
    for title, (header, rows) in {**tables, "Notes": told}.items():
        sheet = book.create_sheet(title)
        for number, name in enumerate(header, start=1):
            cell = sheet.cell(1, number, name)
            cell.font = Font(bold=True)
            longest = max([len(name), *(len(_field(row[number - 1])) for row in rows)])
            sheet.column_dimensions[get_column_letter(number)].width = min(max(9, longest + 2), 60)
        for line, row in enumerate(rows, start=2):
            for number, value in enumerate(row, start=1):
                cell = sheet.cell(line, number)
                if isinstance(value, str):
                    cell.value = clean_text(value) or None
                    if cell.value is not None:
                        cell.data_type = "s"  # never a formula
                        cell.quotePrefix = value.startswith(FORMULA_STARTS)
                else:
                    cell.value = value
                    if isinstance(value, float):
                        cell.number_format = "0.0000"
        sheet.freeze_panes = "A2"
    buffer = io.BytesIO()
    book.save(buffer)
    write_whole(path, buffer.getvalue())


def _field(value: Value) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, int):
        return str(value)
    return f"'{clean_text(value)}" if value.startswith(FORMULA_STARTS) else clean_text(value)


def shown_columns(table: Table, names: Sequence[str]) -> Table:
    """Some columns of a table, in the order named."""
    places = [table[0].index(name) for name in names]
    return tuple(names), [tuple(row[place] for place in places) for row in table[1]]


def terminal_table(table: Table) -> RichTable:
    """A table for a terminal, numbers to three digits."""
    shown = RichTable(box=SIMPLE_HEAD, pad_edge=False)
    for number, name in enumerate(table[0]):
        numeric = any(isinstance(row[number], int | float) for row in table[1])
        shown.add_column(name.replace("_", " "), justify="right" if numeric else "left", overflow="fold")
    for row in table[1]:
        shown.add_row(*(Text(f"{value:.3g}" if isinstance(value, float) else _field(value)) for value in row))
    return shown
