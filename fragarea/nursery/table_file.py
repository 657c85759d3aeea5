"""A table file, CSV or XLSX, as rows of cells under known headings."""

from __future__ import annotations

import csv
import io
import re
import unicodedata
import warnings
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from fragarea.errors import TableProblem
from fragarea.nursery.words import nearest, tidy

MAX_ROWS = 200_000
MAX_COLUMNS = 200
MAX_FILE_BYTES = 50_000_000
MAX_UNPACKED_BYTES = 100_000_000

_SEPARATORS = (",", ";", "\t")

Cell = str | int | float | date | None


@dataclass(frozen=True)
class Row:
    """One line of a table: cells by heading, blank ones left out."""

    line: int
    cells: dict[str, Cell]


@dataclass(frozen=True)
class Head:
    """The line of headings.

    Attributes
    ----------
    line : int
    written : tuple of str
        As they stand, by column.
    known : tuple of str
        What each means; empty for columns that mean nothing here.
    """

    line: int
    written: tuple[str, ...]
    known: tuple[str, ...]


def find_table(folder: Path, stem: str) -> Path | None:
    """The file ``stem.csv`` or ``stem.xlsx`` of a folder; None when there is neither.

    Raises
    ------
    TableProblem
        If there are both, since nothing says which one counts.
    """
    found = [path for ending in ("csv", "xlsx") if (path := folder / f"{stem}.{ending}").is_file()]
    if len(found) == 2:
        raise TableProblem(stem, [f"both {found[0].name} and {found[1].name} exist; keep one"])
    return found[0] if found else None


def read_rows(path: Path, *, needed: tuple[str, ...], known: tuple[str, ...]) -> list[Row]:
    """Read a table.

    Headings may differ in capitals, blanks, hyphens and underscores; columns with other headings are left alone.
    CSV may be separated by commas, semicolons or tabs, in UTF-8 (with or without byte-order mark), UTF-16 with
    byte-order mark, or Windows-1252.

    Parameters
    ----------
    path : Path
        Ending in .csv or .xlsx.
    needed : tuple of str
        Headings that must be there.
    known : tuple of str
        All headings that mean something, `needed` among them.

    Raises
    ------
    TableProblem
        If the file cannot be read, a needed heading is missing or doubled, one looks like a misspelled known one, or
        a line has more cells than there are headings.
    """
    head, lines = _head_and_lines(path, needed, known)
    headings = head.known
    faults, rows = [], []
    for number, cells in lines:
        if any(cell not in (None, "") for cell in cells[len(headings) :]):
            faults.append(_too_many(number, len(cells), len(headings)))
            continue
        pairs = zip(headings, cells, strict=False)
        rows.append(Row(number, {name: cell for name, cell in pairs if name and cell not in (None, "")}))
    if faults:
        raise TableProblem(path.name, faults)
    return rows


def read_head(path: Path, *, needed: tuple[str, ...], known: tuple[str, ...]) -> Head:
    """The headings of a table, as :func:`read_rows` finds them; the same errors."""
    return _head_and_lines(path, needed, known)[0]


def _head_and_lines(
    path: Path, needed: tuple[str, ...], known: tuple[str, ...]
) -> tuple[Head, list[tuple[int, list[Cell]]]]:
    lines = list(_xlsx_lines(path) if path.suffix.lower() == ".xlsx" else _csv_lines(path, known))
    lines = [(number, cells) for number, cells in lines if any(cell not in (None, "") for cell in cells)]
    if not lines:
        raise TableProblem(path.name, [f"the table is empty; its first line must be: {', '.join(known)}"])
    line, cells = lines[0]
    written = tuple(str(cell if cell is not None else "") for cell in cells)
    return Head(line, written, tuple(_headings(path, line, written, needed, known))), lines[1:]


def _too_many(line: int, cells: int, headings: int) -> str:
    advice = "with decimal commas, separate cells by semicolons or put the numbers in quotes"
    return f"line {line}: {cells} cells under {headings} headings; {advice}"


def _headings(
    path: Path, line: int, written: tuple[str, ...], needed: tuple[str, ...], known: tuple[str, ...]
) -> list[str]:
    """Known heading of each column, empty for columns that mean nothing here."""
    plain = {_plain(name): name for name in known}
    headings = [plain.get(_plain(text), "") for text in written]
    faults = [f"line {line}: two columns are headed {name!r}; keep one" for name in known if headings.count(name) > 1]
    missing = [name for name in known if name not in headings]
    guesses = {}
    for text, heading in zip(written, headings, strict=True):
        guess = "" if heading or not text.strip() else nearest(_plain(text), [_plain(name) for name in missing])
        if guess:
            guesses[plain[guess]] = text
    for name, text in guesses.items():
        faults.append(f"line {line}: column {tidy(text)[:40]!r} is not known; did you mean {name!r}?")
    for name in needed:
        if name in missing and name not in guesses:
            faults.append(f"line {line}: column {name!r} is missing; the columns are {', '.join(known)}")
    if faults:
        raise TableProblem(path.name, faults)
    return headings


def _plain(heading: str) -> str:
    folded = unicodedata.normalize("NFKC", heading).casefold()
    return re.sub(r"[\s_\-()]+", "", folded)


def _csv_lines(path: Path, known: tuple[str, ...]) -> Iterator[tuple[int, list[Cell]]]:
    text = _decoded(path)
    if "\0" in text:
        raise TableProblem(path.name, ["this is not a text file; save the table as CSV or XLSX"])
    start = 1
    if text[:4].lower() == "sep=":  # a line by which spreadsheets tell each other the separator
        start, text = 2, text.partition("\n")[2]
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator_of(text, known))
    begun = start
    try:
        for number, cells in enumerate(reader):
            if number > MAX_ROWS or len(cells) > MAX_COLUMNS:
                raise TableProblem(path.name, [_too_large(begun)])
            yield begun, [cell.strip() for cell in cells]
            begun = start + reader.line_num
    except csv.Error as error:
        raise TableProblem(path.name, [f"line {begun}: not a readable CSV line ({error})"]) from error


def _decoded(path: Path) -> str:
    raw = read_raw(path)
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return raw.decode("utf-16", "replace")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        # what spreadsheets in western languages write as "CSV"; the five unused codes become question marks
        return raw.decode("cp1252", "replace")


def read_raw(path: Path) -> bytes:
    """The bytes of a table; raises TableProblem where it cannot be read or is too large."""
    try:
        if path.stat().st_size > MAX_FILE_BYTES:
            raise TableProblem(path.name, [f"larger than {MAX_FILE_BYTES / 1e6:.0f} MB; is this the right file?"])
        return path.read_bytes()
    except OSError as error:
        raise TableProblem(path.name, [f"cannot be read ({error.strerror})"]) from error


def separator_of(text: str, known: tuple[str, ...]) -> str:
    """The separator that finds most known headings in the first line that is not blank."""
    first = next((line for line in text.splitlines() if line.strip(',;\t "')), "")
    plain = {_plain(name) for name in known}

    def found(separator: str) -> int:
        return sum(_plain(cell.strip('" ')) in plain for cell in first.split(separator))

    return max(_SEPARATORS, key=found)


def _xlsx_lines(path: Path) -> Iterator[tuple[int, list[Cell]]]:
    raw = read_raw(path)
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            if sum(entry.file_size for entry in archive.infolist()) > MAX_UNPACKED_BYTES:
                raise TableProblem(path.name, ["unpacks to far more than a table; is this the right file?"])
        yield from _sheet_lines(path, raw)
    except TableProblem:
        raise
    except Exception as error:  # a damaged workbook meets the reader with almost any exception
        raise TableProblem(path.name, [f"not a readable XLSX workbook ({type(error).__name__})"]) from error


def _sheet_lines(path: Path, raw: bytes) -> Iterator[tuple[int, list[Cell]]]:
    import openpyxl  # slow to load, and most tables are CSV

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # about drop-down lists and styles, which do not matter here
        # data_only: values as last computed; formulas are never evaluated here
        book = openpyxl.load_workbook(io.BytesIO(raw), read_only=True, data_only=True, keep_links=False)
        try:
            sheet = book.worksheets[0]
            sheet.reset_dimensions()  # the size that the file claims may be wrong
            for number, cells in enumerate(sheet.iter_rows(values_only=True), start=1):
                if number > MAX_ROWS or len(cells) > MAX_COLUMNS:
                    raise TableProblem(path.name, [_too_large(number)])
                yield number, [_cell(cell) for cell in cells]
        finally:
            book.close()


def _too_large(line: int) -> str:
    return f"line {line}: more than {MAX_ROWS} lines or {MAX_COLUMNS} columns; is this the right file?"


def _cell(value: Any) -> Cell:
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, bool) or not isinstance(value, str | int | float | date | None):
        return str(value)
    return value.strip() if isinstance(value, str) else value
