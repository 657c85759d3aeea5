"""Placements after fragments changed places: the right rows, and a file that otherwise stays as it was."""

from __future__ import annotations

import csv
import io
import zipfile
from datetime import date, datetime
from pathlib import Path

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl.chart import BarChart
from openpyxl.comments import Comment
from openpyxl.worksheet.table import Table

from fragarea.errors import TableProblem
from fragarea.nursery import Fragment, Nursery, Placement, load_nursery, read_placements
from fragarea.nursery.csv_editing import _records
from fragarea.nursery.exchanging import changed_table, exchange_changes, other_columns, restored_table, with_changes
from fragarea.nursery.placements import numbered_placements

DAY = date(2026, 3, 7)
FRAGMENTS = [Fragment(name, "", "") for name in ("F1", "F2", "Été 3")]
LINES = (
    "sep=;",
    '"fragment";site; row ;column;shelf;from;to;notes',
    '"F1";TRAY-1;1;1;"a;b";2026-01-01;;x',
    "",
    "F2;TRAY-1;1;2;;2026-01-01",
    "Été 3;TRAY-1;1;3;;2026-01-05;2026-06-01;",
    ";;;;",
)


@pytest.fixture
def nursery(tmp_path: Path) -> Nursery:
    sites = "".join(f'[sites.{name}]\nkind = "tray"\n' for name in ("TRAY-1", "TRAY-2"))
    (tmp_path / "nursery.toml").write_text(sites)
    return load_nursery(tmp_path)


def _exchanged(nursery: Nursery, path: Path, *names: str, on: date = DAY) -> tuple[bytes, Path]:
    """The file after an exchange; checked against the rows that it must hold, and back again."""
    before = numbered_placements(path, FRAGMENTS, nursery)
    changes = exchange_changes(before, names, on)
    content = changed_table(path, changes, by="Zoë", because="seen")
    made = path.with_name(f"made{path.suffix}")
    made.write_bytes(content)
    rows = [placement for _, placement in before]
    assert sorted(read_placements(made, FRAGMENTS, nursery), key=repr) == sorted(
        with_changes(rows, changes), key=repr
    )
    restored = restored_table(made, changes, numbered_placements(made, FRAGMENTS, nursery))
    assert restored is not None
    back = path.with_name(f"back{path.suffix}")
    back.write_bytes(restored)
    assert list(read_placements(back, FRAGMENTS, nursery)) == rows
    return content, back


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
@pytest.mark.parametrize("last", ["", "\n"])
def test_csv_keeps_its_form(nursery: Nursery, tmp_path: Path, encoding: str, newline: str, last: str) -> None:
    path = tmp_path / "placements.csv"
    path.write_bytes((newline.join(LINES) + last.replace("\n", newline)).encode(encoding))
    content, back = _exchanged(nursery, path, "F1", "Été 3")
    assert content.decode(encoding).split(newline) == [
        *LINES[:2],
        '"F1";TRAY-1;1;1;"a;b";2026-01-01;2026-03-07;x',
        *LINES[3:5],
        "Été 3;TRAY-1;1;3;;2026-01-05;2026-03-07;",
        '"Été 3";TRAY-1;1;1;;2026-03-07;;seen (Zoë)',
        "F1;TRAY-1;1;3;;2026-03-07;2026-06-01;seen (Zoë)",
        LINES[6],
        *([""] if last else []),
    ]
    assert back.read_bytes() == path.read_bytes()
    assert other_columns(path) == ("shelf",)


def test_a_table_without_a_column_of_last_days_gets_one(nursery: Nursery, tmp_path: Path) -> None:
    path = tmp_path / "placements.csv"
    path.write_text("fragment,site,row,column,from\nF1,TRAY-1,1,1,2026-01-01\nF2,TRAY-1,1,2,2026-01-01\n")
    content, _ = _exchanged(nursery, path, "F1", "F2")
    assert content.decode().splitlines() == [
        "fragment,site,row,column,from,to",
        "F1,TRAY-1,1,1,2026-01-01,2026-03-07",
        "F2,TRAY-1,1,2,2026-01-01,2026-03-07",
        "F2,TRAY-1,1,1,2026-03-07,",
        "F1,TRAY-1,1,2,2026-03-07,",
    ]


def test_who_and_why_go_to_their_columns(nursery: Nursery, tmp_path: Path) -> None:
    path = tmp_path / "placements.csv"
    path.write_text(
        "fragment,site,row,column,from,to,Entered by,Reason\n"
        "F1,TRAY-1,1,1,2026-01-01,,Ana,\nF2,TRAY-1,1,2,2026-01-01,,Ana,\n"
    )
    content, _ = _exchanged(nursery, path, "F1", "F2")
    assert content.decode().splitlines()[1:] == [
        "F1,TRAY-1,1,1,2026-01-01,2026-03-07,Ana,",
        "F2,TRAY-1,1,2,2026-01-01,2026-03-07,Ana,",
        "F2,TRAY-1,1,1,2026-03-07,,Zoë,seen",
        "F1,TRAY-1,1,2,2026-03-07,,Zoë,seen",
    ]


def test_what_was_recorded_since_then_was_the_other_fragment() -> None:
    # F1 was moved to another tray after the exchange that nobody saw: it was F2 that was moved
    rows = [
        (2, Placement("F1", "TRAY-1", date(2026, 1, 1), date(2026, 4, 1), 1, 1)),
        (3, Placement("F2", "TRAY-1", DAY, None, 1, 2)),
        (4, Placement("F1", "TRAY-2", date(2026, 4, 1), None, 5, 5)),
        (5, Placement("F2", "TRAY-2", date(2026, 1, 1), DAY, 2, 2)),
    ]
    changes = exchange_changes(rows, ["F1", "F2"], DAY)
    assert set(with_changes([row for _, row in rows], changes)) == {
        Placement("F1", "TRAY-1", date(2026, 1, 1), DAY, 1, 1),
        Placement("F2", "TRAY-1", DAY, date(2026, 4, 1), 1, 1),
        Placement("F1", "TRAY-1", DAY, None, 1, 2),
        Placement("F2", "TRAY-2", date(2026, 4, 1), None, 5, 5),
        Placement("F2", "TRAY-2", date(2026, 1, 1), DAY, 2, 2),
    }


def test_three_fragments_go_round() -> None:
    rows = [(n, Placement(name, "TRAY-1", date(2026, 1, 1), None, 1, n)) for n, name in enumerate("ABC", start=2)]
    after = with_changes([row for _, row in rows], exchange_changes(rows, ["A", "B", "C"], DAY))
    # A stands where B was, B where C was, C where A was
    assert {row.fragment: row.column for row in after if row.since == DAY} == {"A": 3, "B": 4, "C": 2}


def _workbook(path: Path, *rows: list[object]) -> openpyxl.Workbook:
    book = openpyxl.Workbook()
    for row in (["fragment", "site", "row", "column", "from", "to", "note"], *rows):
        book.active.append(row)
    return book


ROWS = (
    ["F1", "TRAY-1", 1, 1, date(2026, 1, 1), None, "first"],
    ["F2", "TRAY-1", 1, 2, date(2026, 1, 1)],
    ["Été 3", "TRAY-1", 1, 3, "2026-01-02"],
)


def test_workbook_keeps_what_is_not_placements(nursery: Nursery, tmp_path: Path) -> None:
    path = tmp_path / "placements.xlsx"
    book = _workbook(path, *ROWS)
    sheet = book.active
    sheet["A2"].comment = Comment("from the old tank", "Ana")
    sheet.add_table(Table(displayName="Placements", ref="A1:G4"))
    sheet.add_chart(BarChart(), "K2")
    book.create_sheet("Other")["A1"] = "=SUM(1,2)"
    book.save(path)
    _, back = _exchanged(nursery, path, "F1", "Été 3")
    made = path.with_name("made.xlsx")
    sheet = openpyxl.load_workbook(made).worksheets[0]
    assert [[cell.value for cell in row] for row in sheet.iter_rows(min_row=2)] == [
        ["F1", "TRAY-1", 1, 1, datetime(2026, 1, 1), datetime(2026, 3, 7), "first"],
        ["F2", "TRAY-1", 1, 2, datetime(2026, 1, 1), None, None],
        ["Été 3", "TRAY-1", 1, 3, "2026-01-02", "2026-03-07", None],
        ["Été 3", "TRAY-1", 1, 1, datetime(2026, 3, 7), None, "seen (Zoë)"],
        ["F1", "TRAY-1", 1, 3, "2026-03-07", None, "seen (Zoë)"],
    ]
    assert sheet["E5"].number_format == sheet["E2"].number_format
    assert sheet["A2"].comment.text == "from the old tank"
    assert sheet.tables["Placements"].ref == "A1:G6"
    assert openpyxl.load_workbook(back).worksheets[0].tables["Placements"].ref == "A1:G4"
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(made) as new:
        assert old.namelist() == new.namelist()
        changed = {name for name in old.namelist() if old.read(name) != new.read(name)}
    assert changed == {"xl/worksheets/sheet1.xml", "xl/tables/table1.xml"}


def test_days_count_from_1904_where_the_workbook_does(nursery: Nursery, tmp_path: Path) -> None:
    path = tmp_path / "placements.xlsx"
    book = _workbook(path, *ROWS)
    book.epoch = openpyxl.utils.datetime.CALENDAR_MAC_1904
    book.save(path)
    _exchanged(nursery, path, "F1", "F2")  # reads the days back


def test_no_text_becomes_a_formula_and_no_formula_is_lost(nursery: Nursery, tmp_path: Path) -> None:
    path = tmp_path / "placements.xlsx"
    book = _workbook(path, *ROWS)
    book.active["F2"] = '=""'
    book.save(path)
    rows = numbered_placements(path, FRAGMENTS, nursery)
    with pytest.raises(TableProblem, match="cell F2 holds a formula"):
        changed_table(path, exchange_changes(rows, ["F1", "F2"], DAY), by="Zoë", because="seen")
    path.write_bytes(changed_table(path, exchange_changes(rows, ["F2", "Été 3"], DAY), by="Zoë", because="=1+1"))
    assert openpyxl.load_workbook(path).active["G5"].data_type == "s"


def test_lines_changed_since_cannot_be_taken_back(nursery: Nursery, tmp_path: Path) -> None:
    path = tmp_path / "placements.csv"
    path.write_text("fragment,site,row,column,from,to\nF1,TRAY-1,1,1,2026-01-01,\nF2,TRAY-1,1,2,2026-01-01,\n")
    changes = exchange_changes(numbered_placements(path, FRAGMENTS, nursery), ["F1", "F2"], DAY)
    path.write_bytes(changed_table(path, changes, by="Zoë", because="seen"))
    path.write_text(path.read_text().replace("F2,TRAY-1,1,1,2026-03-07,", "F2,TRAY-1,1,1,2026-03-07,2026-05-01"))
    assert restored_table(path, changes, numbered_placements(path, FRAGMENTS, nursery)) is None


@given(st.text(alphabet='a",;\r\n ', max_size=40))
def test_lines_and_cells_are_those_of_the_csv_module(text: str) -> None:
    reader, begun, expected = csv.reader(io.StringIO(text, newline=""), delimiter=";"), 1, []
    for cells in reader:
        expected.append((begun, len(cells)))
        begun = 1 + reader.line_num
    records = list(_records(text, ";", 1))
    assert "".join(";".join(one.cells) + one.end for one in records) == text
    # the csv module gives a blank line no cell
    assert [
        (one.line, 0 if one.cells == [""] and not one.cells[0] else len(one.cells)) for one in records
    ] == expected
