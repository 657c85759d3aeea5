"""What can be changed in a table file, whatever its form."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from datetime import date


class TableEditing(ABC):
    """A table file whose cells can be changed; lines are those of the file, columns count from 0.

    What is not changed stays as it is: encoding, separators, quotes, order, formats, comments and other columns.
    """

    @abstractmethod
    def set(self, line: int, column: int, value: str | date | None, *, like: int) -> None:
        """Change one cell; where it was blank, it takes the manner of column `like` of its line.

        Raises
        ------
        TableProblem
            If the cell holds a formula.
        """

    @abstractmethod
    def append(self, copied: Mapping[int, int], values: Mapping[int, str | date | None], *, like: int) -> int:
        """Add a line after the last one that says anything.

        Parameters
        ----------
        copied : mapping of column to line
            Cells that are as in another line.
        values : mapping of column to str, date or None
            Other cells; columns named in neither stay blank.
        like : int
            Line whose manner of writing is kept.

        Returns
        -------
        int
            The new line.
        """

    @abstractmethod
    def remove(self, line: int) -> None:
        """Take out a line."""

    @abstractmethod
    def add_column(self, heading: str) -> int:
        """Add a column after the last heading, and give its number."""

    @abstractmethod
    def content(self) -> bytes:
        """The whole file as it is to be written."""
