"""Cells of a table made values; a fault is a sentence, collected line by line."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from datetime import date
from typing import TypeVar

from fragarea.nursery.table_file import Row
from fragarea.nursery.words import fault_in_name, fault_in_text, tidy

_ISO = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})(?:[T ]\d{2}:\d{2}.*)?", re.ASCII)
_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)", re.ASCII)
_YEARS = range(1950, 2101)

Value = TypeVar("Value")


class Line:
    """One row read cell by cell; the faults found gather in a list shared by the whole table."""

    def __init__(self, row: Row, faults: list[str]) -> None:
        self.row, self.faults = row, faults
        self.sound = True

    @property
    def number(self) -> int:
        """Line number in the file."""
        return self.row.line

    def fault(self, message: str) -> None:
        """Note a fault of this line."""
        self.sound = False
        self.faults.append(f"line {self.row.line}: {message}")

    def name(self, heading: str, *, needed: bool = True) -> str:
        """A name of a site, fragment or place."""
        return self._text(heading, needed, fault_in_name)

    def text(self, heading: str) -> str:
        """Other words, which may be absent."""
        return self._text(heading, False, fault_in_text)

    def _text(self, heading: str, needed: bool, fault_in: Callable[[str], str]) -> str:
        cell = self.row.cells.get(heading)
        # a spreadsheet turns the name 7 into the number 7.0
        whole = isinstance(cell, float) and cell.is_integer()
        text = tidy(str(int(cell) if whole and isinstance(cell, float) else "" if cell is None else cell))
        if not text and needed:
            self.fault(f"{heading} is empty")
        elif fault := fault_in(text):
            self.fault(f"{heading} {text[:40]!r} {fault}")
        return text

    def whole(self, heading: str) -> int | None:
        """A row or column: a whole number from 1."""
        value = self.number_in(heading, low=1, high=1000)
        if value is not None and not value.is_integer():
            self.fault(f"{heading} {value:g} is not a whole number")
            return None
        return None if value is None else int(value)

    def number_in(self, heading: str, *, low: float, high: float) -> float | None:
        """A number within limits, with decimal point or comma; None where the cell is blank or wrong."""
        cell = self.row.cells.get(heading)
        if cell is None:
            return None
        value = parse_number(cell)
        if value is None:
            self.fault(f"{heading} {str(cell)[:40]!r} is not a number; write 25.4 or 25,4")
        elif not low <= value <= high:
            self.fault(f"{heading} {value:g} is outside {low:g} to {high:g}")
            return None
        return value

    def day(self, heading: str, *, needed: bool = False) -> date | None:
        """A date; None where the cell is blank or wrong."""
        cell = self.row.cells.get(heading)
        if cell is None:
            if needed:
                self.fault(f"{heading} is empty; write a date such as 2026-03-07")
            return None
        value = parse_day(cell)
        if value is None:
            self.fault(f"{heading} {str(cell)[:40]!r} is not an unambiguous date; write it as 2026-03-07")
        return value


def parse_number(cell: object) -> float | None:
    """Return a number written with decimal point or comma; None for anything else.

    >>> parse_number("25,4"), parse_number("25.4"), parse_number("1.234,5")
    (25.4, 25.4, None)
    """
    if isinstance(cell, bool):
        return None
    if isinstance(cell, int | float):
        return float(cell) if math.isfinite(cell) else None
    text = str(cell).replace("\u2212", "-").strip()
    return float(text.replace(",", ".")) if len(text) <= 40 and _NUMBER.fullmatch(text) else None


def parse_day(cell: object) -> date | None:
    """Return an ISO date, or the date of a spreadsheet's date cell; None for anything else.

    Day-first and month-first dates are refused: 03/04/2026 is March or April, and nothing tells which.

    >>> parse_day("2026-03-07"), parse_day("03/04/2026")
    (datetime.date(2026, 3, 7), None)
    """
    if isinstance(cell, date):
        return cell if cell.year in _YEARS else None
    match = _ISO.fullmatch(str(cell).strip())
    if not match or int(match[1]) not in _YEARS:
        return None
    try:
        return date(int(match[1]), int(match[2]), int(match[3]))
    except ValueError:
        return None
