"""Cells of a workbook's first sheet changed in place; everything else in the file keeps its bytes.

A workbook is a ZIP archive of XML parts (ECMA-376). Only the sheet, and a table laid over it, are written anew, so
that charts, comments, formats and the values that formulas last had are kept.
"""

from __future__ import annotations

import io
import posixpath
import re
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import date
from pathlib import Path
from xml.dom import minidom
from xml.parsers.expat import ExpatError

from openpyxl.utils import column_index_from_string, get_column_letter
from openpyxl.utils.datetime import CALENDAR_MAC_1904, CALENDAR_WINDOWS_1900, to_excel

from fragarea.errors import TableProblem
from fragarea.nursery.editing import TableEditing
from fragarea.nursery.table_file import Head, read_raw

_LARGEST_SHEET_BYTES = 30_000_000
_TEXT_TYPES = ("s", "inlineStr", "str")


class XlsxEditing(TableEditing):
    """A workbook whose first sheet can be changed; see :class:`fragarea.nursery.editing.TableEditing`."""

    def __init__(self, path: Path, head: Head, known: tuple[str, ...]) -> None:
        self._name, self._head_line = path.name, head.line
        try:
            with zipfile.ZipFile(io.BytesIO(read_raw(path))) as archive:
                self._parts = [(entry, archive.read(entry)) for entry in archive.infolist()]
            book = self._related("", "/officeDocument")[0]
            self._sheet = self._first_sheet(book)
            self._changed = {
                name: self._parsed(name) for name in (self._sheet, *self._related(self._sheet, "/table"))
            }
            (properties,) = self._parsed(book).getElementsByTagNameNS("*", "workbookPr") or (None,)
        except (zipfile.BadZipFile, KeyError, IndexError, ExpatError) as error:
            raise TableProblem(path.name, [f"not a workbook that can be changed ({error})"]) from error
        in_1904 = properties is not None and properties.getAttribute("date1904") in ("1", "true")
        self._epoch = CALENDAR_MAC_1904 if in_1904 else CALENDAR_WINDOWS_1900
        (self._data,) = self._changed[self._sheet].getElementsByTagNameNS("*", "sheetData")
        self._rows = dict(_numbered(_children(self._data, "row"), int))

    def set(self, line: int, column: int, value: str | date | None, *, like: int) -> None:
        cell = self._cell(line, column)
        if cell is not None and _children(cell, "f"):
            where = f"{get_column_letter(column + 1)}{line}"
            raise TableProblem(self._name, [f"cell {where} holds a formula; replace it by its value"])
        manner = self._cell(line, like)
        style = cell if cell is not None and cell.hasAttribute("s") else manner
        self._put(line, column, self._made(value, manner=manner, style=style))

    def append(self, copied: Mapping[int, int], values: Mapping[int, str | date | None], *, like: int) -> int:
        last = max(line for line, row in self._rows.items() if any(cell.childNodes for _, cell in _cells(row)))
        if last + 1 not in self._rows:
            row = _clone(self._rows[like], deep=False)
            row.setAttribute("r", str(last + 1))
            after = [there for line, there in self._rows.items() if line > last]
            self._data.insertBefore(row, after[0] if after else None)
            self._rows[last + 1] = row
        columns = {column for column, _ in _cells(self._rows[like])} | copied.keys() | values.keys()
        for column in sorted(columns):
            there = self._cell(like, column)
            if column in copied:
                made = self._copied(self._cell(copied[column], column))
            else:
                made = self._made(values.get(column), manner=there, style=there)
            self._put(last + 1, column, made)
        self._resize(last, last + 1)
        return last + 1

    def remove(self, line: int) -> None:
        self._data.removeChild(self._rows.pop(line))
        self._resize(line, line - 1)

    def add_column(self, heading: str) -> int:
        column = max(number for number, cell in _cells(self._rows[self._head_line]) if cell.childNodes) + 1
        self.set(self._head_line, column, heading, like=column - 1)
        return column

    def content(self) -> bytes:
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w") as archive:
            for entry, raw in self._parts:
                document = self._changed.get(entry.filename)
                archive.writestr(
                    entry, raw if document is None else document.toxml(encoding="UTF-8", standalone=True)
                )
        return buffer.getvalue()

    # parts of the archive

    def _parsed(self, name: str) -> minidom.Document:
        raw = next(raw for entry, raw in self._parts if entry.filename == name)
        if len(raw) > _LARGEST_SHEET_BYTES or b"<!DOCTYPE" in raw:
            raise TableProblem(self._name, ["its sheet is too large to be changed here; save the table as CSV"])
        return minidom.parseString(raw)

    def _links(self, part: str) -> Iterator[tuple[str, str, str]]:
        """Id, kind and name of the parts that a part refers to."""
        folder, name = posixpath.split(part)
        links = posixpath.join(folder, "_rels", f"{name}.rels")
        if any(entry.filename == links for entry, _ in self._parts):
            for link in self._parsed(links).getElementsByTagNameNS("*", "Relationship"):
                target = posixpath.normpath(posixpath.join("/", folder, link.getAttribute("Target"))).lstrip("/")
                yield link.getAttribute("Id"), link.getAttribute("Type"), target

    def _related(self, part: str, kind: str) -> list[str]:
        return [target for _, its_kind, target in self._links(part) if its_kind.endswith(kind)]

    def _first_sheet(self, book: str) -> str:
        sheets = {number: target for number, kind, target in self._links(book) if kind.endswith("/worksheet")}
        for sheet in self._parsed(book).getElementsByTagNameNS("*", "sheet"):
            number = next(value for name, value in sheet.attributes.items() if name == "id" or name.endswith(":id"))
            if number in sheets:
                return sheets[number]
        raise KeyError("no sheet")

    # cells

    def _cell(self, line: int, column: int) -> minidom.Element | None:
        row = self._rows.get(line)
        return None if row is None else dict(_cells(row)).get(column)

    def _element(self, name: str) -> minidom.Element:
        # with the prefix that the sheet gives its own elements, if any
        prefix = f"{self._data.prefix}:" if self._data.prefix else ""
        return self._changed[self._sheet].createElementNS(self._data.namespaceURI, prefix + name)

    def _made(
        self, value: str | date | None, *, manner: minidom.Element | None, style: minidom.Element | None
    ) -> minidom.Element:
        """A cell; a date is written as text where `manner` holds text."""
        cell = self._element("c")
        if style is not None and style.hasAttribute("s"):
            cell.setAttribute("s", style.getAttribute("s"))
        as_text = manner is None or manner.getAttribute("t") in (*_TEXT_TYPES, "d")
        if isinstance(value, date) and not as_text:
            number = self._element("v")
            number.appendChild(self._text(f"{to_excel(value, self._epoch):.0f}"))
            cell.appendChild(number)
        elif value is not None:
            cell.setAttribute("t", "inlineStr")  # never taken for a formula
            inline, words = self._element("is"), self._element("t")
            words.setAttribute("xml:space", "preserve")
            words.appendChild(self._text(value.isoformat() if isinstance(value, date) else value))
            inline.appendChild(words)
            cell.appendChild(inline)
        return cell

    def _text(self, text: str) -> minidom.Text:
        return self._changed[self._sheet].createTextNode(text)

    def _copied(self, source: minidom.Element | None) -> minidom.Element:
        if source is None:
            return self._element("c")
        cell = _clone(source, deep=True)
        for formula in _children(cell, "f"):
            cell.removeChild(formula)  # the value that it last had stays
        return cell

    def _put(self, line: int, column: int, cell: minidom.Element) -> None:
        cell.setAttribute("r", f"{get_column_letter(column + 1)}{line}")
        row = self._rows[line]
        cells = dict(_cells(row))
        if column in cells:
            row.replaceChild(cell, cells[column])
            return
        after = [there for number, there in sorted(cells.items()) if number > column]
        row.insertBefore(cell, after[0] if after else None)

    def _resize(self, before: int, after: int) -> None:
        """Let what ends with one line end with another: the sheet, its filter, the table laid over it."""
        for document in self._changed.values():
            for name in ("dimension", "autoFilter", "table"):
                for element in document.getElementsByTagNameNS("*", name):
                    found = re.fullmatch(r"(\w+:[A-Z]+)(\d+)", element.getAttribute("ref"))
                    if found and int(found[2]) == before and not element.getAttribute("totalsRowCount"):
                        element.setAttribute("ref", f"{found[1]}{after}")


def _children(element: minidom.Element, name: str) -> list[minidom.Element]:
    return [child for child in element.childNodes if isinstance(child, minidom.Element) and child.localName == name]


def _clone(element: minidom.Element, *, deep: bool) -> minidom.Element:
    made = element.cloneNode(deep)
    assert isinstance(made, minidom.Element)
    return made


def _cells(row: minidom.Element) -> list[tuple[int, minidom.Element]]:
    """Cells of a row by column."""
    return [(number - 1, cell) for number, cell in _numbered(_children(row, "c"), _column)]


def _column(reference: str) -> int:
    return column_index_from_string(reference.rstrip("0123456789"))


def _numbered(
    elements: Iterable[minidom.Element], number_of: Callable[[str], int]
) -> Iterator[tuple[int, minidom.Element]]:
    """Elements with the numbers that they carry; one without follows the one before it."""
    number = 0
    for element in elements:
        number = number_of(element.getAttribute("r")) if element.hasAttribute("r") else number + 1
        yield number, element
