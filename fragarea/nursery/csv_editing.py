"""Cells of a CSV file changed in place: whatever is not changed keeps its bytes."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from fragarea.errors import TableProblem
from fragarea.nursery.editing import TableEditing
from fragarea.nursery.table_file import Head, read_raw, separator_of

_MARKS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))


@dataclass
class _Record:
    """One line of the table as it stands: cells with their quotes and blanks, and what ends the line."""

    line: int
    cells: list[str]
    end: str

    def raw(self, column: int) -> str:
        return self.cells[column] if column < len(self.cells) else ""

    def put(self, column: int, raw: str) -> None:
        self.cells += [""] * (column + 1 - len(self.cells))
        self.cells[column] = raw

    @property
    def blank(self) -> bool:
        return not any(cell.strip(' \t"') for cell in self.cells)


class CsvEditing(TableEditing):
    """A CSV file whose cells can be changed; see :class:`fragarea.nursery.editing.TableEditing`."""

    def __init__(self, path: Path, head: Head, known: tuple[str, ...]) -> None:
        self._mark, self._encoding, text = _decoded(read_raw(path), path.name)
        self._preface = ""
        if text[:4].lower() == "sep=":
            first, newline, text = text.partition("\n")
            self._preface = first + newline
        self._separator = separator_of(text, known)
        self._records = list(_records(text, self._separator, 2 if self._preface else 1))
        self._by_line = {record.line: record for record in self._records}
        self._head = self._by_line[head.line]

    def set(self, line: int, column: int, value: str | date | None, *, like: int) -> None:
        record = self._by_line[line]
        record.put(column, self._raw(value, manner=record.raw(column) or record.raw(like)))

    def append(self, copied: Mapping[int, int], values: Mapping[int, str | date | None], *, like: int) -> int:
        model = self._by_line[like]
        at = max(number for number, record in enumerate(self._records) if not record.blank)
        last = self._records[at]
        made = _Record(max(self._by_line) + 1, [""] * len(model.cells), last.end)
        for column, line in copied.items():
            made.put(column, self._by_line[line].raw(column))
        for column, value in values.items():
            made.put(column, self._raw(value, manner=model.raw(column)))
        last.end = last.end or self._head.end
        self._records.insert(at + 1, made)
        self._by_line[made.line] = made
        return made.line

    def remove(self, line: int) -> None:
        gone = self._by_line.pop(line)
        at = self._records.index(gone)
        del self._records[at]
        if not gone.end:
            self._records[at - 1].end = ""

    def add_column(self, heading: str) -> int:
        cells = self._head.cells
        while cells and not cells[-1].strip():
            cells.pop()
        cells.append(self._raw(heading, manner=cells[-1]))
        return len(cells) - 1

    def content(self) -> bytes:
        text = self._preface + "".join(self._separator.join(one.cells) + one.end for one in self._records)
        return self._mark + text.encode(self._encoding, "surrogateescape")

    def _raw(self, value: str | date | None, *, manner: str) -> str:
        text = "" if value is None else value.isoformat() if isinstance(value, date) else value
        if self._encoding == "cp1252":  # lacks many of the letters that a person may type
            text = text.encode("cp1252", "replace").decode("cp1252")
        needs = any(sign in text for sign in (self._separator, '"', "\r", "\n")) or text != text.strip()
        return '"' + text.replace('"', '""') + '"' if needs or (text and manner.startswith('"')) else text


def _decoded(raw: bytes, name: str) -> tuple[bytes, str, str]:
    """Byte-order mark, encoding and text."""
    mark, encoding = next(((mark, code) for mark, code in _MARKS if raw.startswith(mark)), (b"", "utf-8"))
    try:
        return mark, encoding, raw[len(mark) :].decode(encoding)
    except UnicodeDecodeError as error:
        if mark:
            raise TableProblem(name, ["holds bytes that are no text; save the table as UTF-8"]) from error
    # five codes have no letter there; they stay as they are
    return b"", "cp1252", raw.decode("cp1252", "surrogateescape")


def _records(text: str, separator: str, first_line: int) -> Iterator[_Record]:
    """The lines of a table, split as Python's csv module splits them, with nothing taken away."""
    sign = re.escape(separator)
    cell_and_end = re.compile(rf'("[^"]*(?:""[^"]*)*(?:"[^{sign}\r\n]*|\Z)|[^{sign}\r\n]*)({sign}|\r\n|\r|\n|\Z)')
    line, at, cells = first_line, 0, list[str]()
    while at < len(text) or cells:
        found = cell_and_end.match(text, at)
        assert found is not None, "any text begins with a cell, be it empty"
        cell, end = found.groups()
        cells.append(cell)
        at = found.end()
        if end != separator:
            yield _Record(line, cells, end)
            line += len(re.findall(r"\r\n|\r|\n", "".join(cells) + end))
            cells = []
