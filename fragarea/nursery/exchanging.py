"""Fragments that changed places: what that means for the placements table, and the table with it."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from fragarea.nursery.csv_editing import CsvEditing
from fragarea.nursery.editing import TableEditing
from fragarea.nursery.placements import COLUMNS, NEEDED, Numbered
from fragarea.nursery.records import Placement
from fragarea.nursery.table_file import Head, read_head
from fragarea.nursery.xlsx_editing import XlsxEditing

WHO = ("by", "who", "recordedby", "enteredby", "changedby")
WHY = ("why", "because", "reason", "note", "notes", "comment", "comments", "remark", "remarks")
"""Headings of a user's own columns, in small letters and without blanks, that tell who and why."""


@dataclass(frozen=True)
class PlacementChange:
    """One line of the placements that changes, or is new.

    Attributes
    ----------
    before : Placement or None
        None for a new line.
    after : Placement
    line : int
        Where `before` stands; of a new line, the one whose place it takes over. 0 where it is not known.
    """

    before: Placement | None
    after: Placement
    line: int = 0


def exchange_changes(
    placements: Iterable[Numbered], fragments: Sequence[str], on: date
) -> tuple[PlacementChange, ...]:
    """What changes in the placements when fragments changed places.

    Parameters
    ----------
    placements : iterable of (line, Placement)
    fragments : sequence of str
        Each stands, from `on` on, where the record has the next one, and the last where it has the first.
    on : date
        First day on which they stood so.

    Returns
    -------
    tuple of PlacementChange
        Lines that end, then new ones, then those that begin on that day or later and change hands: whatever was
        recorded under a name since then was another fragment.
    """
    taker = dict(zip([*fragments[1:], fragments[0]], fragments, strict=True))
    ended, new, renamed = [], [], []
    for line, placement in placements:
        if placement.fragment not in taker or (placement.until is not None and placement.until <= on):
            continue
        other = taker[placement.fragment]
        if placement.since >= on:
            renamed.append(PlacementChange(placement, replace(placement, fragment=other), line))
        else:
            ended.append(PlacementChange(placement, replace(placement, until=on), line))
            new.append(PlacementChange(None, replace(placement, fragment=other, since=on), line))
    return (*ended, *new, *renamed)


def with_changes(placements: Iterable[Placement], changes: Iterable[PlacementChange]) -> tuple[Placement, ...]:
    """Placements after some changes, in order of line; new ones last."""
    by_before = {change.before: change.after for change in changes if change.before is not None}
    new = tuple(change.after for change in changes if change.before is None)
    return tuple(by_before.get(placement, placement) for placement in placements) + new


def changed_table(path: Path, changes: Collection[PlacementChange], *, by: str, because: str) -> bytes:
    """The placements file with some changes.

    New lines come last. Where the table has columns of its own that tell who and why, they are filled; other columns
    that mean nothing here stay blank in new lines.

    Parameters
    ----------
    path : Path
    changes : collection of PlacementChange
        With their lines.
    by, because : str

    Raises
    ------
    TableProblem
    """
    table, head = _opened(path)
    column = {name: number for number, name in enumerate(head.known) if name}
    if "to" not in column and any(change.before and change.before.until != change.after.until for change in changes):
        column["to"] = table.add_column("to")
    for change in sorted(changes, key=lambda one: one.before is not None):  # new lines copy old ones as they were
        if change.before is None:
            values = _who_and_why(head, by, because)
            values |= {column["fragment"]: change.after.fragment, column["from"]: change.after.since}
            copied = {number: change.line for number in column.values() if number not in values}
            table.append(copied, values, like=change.line)
        elif change.before.fragment != change.after.fragment:
            table.set(change.line, column["fragment"], change.after.fragment, like=column["fragment"])
        else:
            table.set(change.line, column["to"], change.after.until, like=column["from"])
    return table.content()


def restored_table(path: Path, changes: Sequence[PlacementChange], placements: Collection[Numbered]) -> bytes | None:
    """The placements file without changes made earlier; None where a line has been changed again since.

    Parameters
    ----------
    path : Path
    changes : sequence of PlacementChange
        As they were made; their lines are not used.
    placements : collection of (line, Placement)
        As the file has them now.

    Raises
    ------
    TableProblem
    """
    lines = {placement: line for line, placement in placements}
    if not all(change.after in lines for change in changes):
        return None
    table, head = _opened(path)
    column = {name: number for number, name in enumerate(head.known) if name}
    for change in reversed(changes):  # the last line first, so that what ends with the table ends with it again
        line = lines[change.after]
        if change.before is None:
            table.remove(line)
        elif change.before.fragment != change.after.fragment:
            table.set(line, column["fragment"], change.before.fragment, like=column["fragment"])
        else:
            table.set(line, column["to"], change.before.until, like=column["from"])
    return table.content()


def other_columns(path: Path) -> tuple[str, ...]:
    """Headings of the placements file that mean nothing here, and tell neither who nor why."""
    head = read_head(path, needed=NEEDED, known=COLUMNS)
    told = _who_and_why(head, "x", "x")
    return tuple(
        text.strip()
        for number, (text, known) in enumerate(zip(head.written, head.known, strict=True))
        if text.strip() and not known and number not in told
    )


def _opened(path: Path) -> tuple[TableEditing, Head]:
    head = read_head(path, needed=NEEDED, known=COLUMNS)
    kind = XlsxEditing if path.suffix.lower() == ".xlsx" else CsvEditing
    return kind(path, head, COLUMNS), head


def _who_and_why(head: Head, by: str, because: str) -> dict[int, str | date | None]:
    """Texts for the columns that tell them; with no column for who, the name follows the reason."""
    who, why = (_column(head, names) for names in (WHO, WHY))
    texts: dict[int, str | date | None] = {}
    if who is not None:
        texts[who] = by
    if why is not None:
        texts[why] = because if who is not None else f"{because} ({by})"
    return texts


def _column(head: Head, names: Sequence[str]) -> int | None:
    plain = [re.sub(r"[\s_\-]+", "", text).casefold() for text in head.written]
    return next((plain.index(name) for name in names if name in plain), None)
