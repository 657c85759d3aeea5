"""fragments and placements: what is read, and what is found wrong, line by line."""

from __future__ import annotations

import io
import pickle
import unicodedata
import zipfile
from contextlib import suppress
from datetime import date, datetime
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fragarea.errors import TableProblem
from fragarea.nursery import (
    Fragment,
    Nursery,
    Placement,
    load_nursery,
    load_tables,
    placements_on,
    read_fragments,
    read_placements,
)
from fragarea.nursery.cells import parse_day, parse_number

SETTINGS = """
[sites.TRAY-1]
kind = "tray"
rows = 5
columns = 8
[sites.TRAY-2]
kind = "tray"
[sites.PAD-1]
kind = "pad"
[sites.PAD-2]
kind = "pad"
places = [{ label = "1", x_mm = 10, y_mm = 20 }, { label = "2", x_mm = 40, y_mm = 20 }]
[sites.PLUG-1]
kind = "single"
"""

FRAGMENTS = """\
fragment,species,genotype,broodstock,cut_on,plug_mm
F1,Genus alba,Reef A,B7,2026-01-10,25.4
F2,Genus alba,Reef B,,2026-01-10,
F3,Genus nigra,Lagoon 1,,,
"""

KNOWN = (Fragment("F1", "", ""), Fragment("F2", "", ""), Fragment("F3", "", ""))
HEAD = "fragment,site,row,column,x_mm,y_mm,place,from,to\n"


@pytest.fixture
def nursery(tmp_path: Path) -> Nursery:
    (tmp_path / "nursery.toml").write_text(SETTINGS)
    return load_nursery(tmp_path)


def _table(folder: Path, content: str | bytes, name: str = "fragments.csv") -> Path:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def _workbook(folder: Path, rows: list[list[Any]], name: str = "fragments.xlsx") -> Path:
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    book.save(folder / name)
    return folder / name


def _faults(read: Any, *arguments: Any) -> tuple[str, ...]:
    with pytest.raises(TableProblem) as caught:
        read(*arguments)
    assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)
    return caught.value.lines


def _fragment_faults(folder: Path, *lines: str) -> tuple[str, ...]:
    return _faults(read_fragments, _table(folder, "fragment,species,genotype,cut_on,plug_mm\n" + "\n".join(lines)))


def _placement_faults(nursery: Nursery, *lines: str) -> tuple[str, ...]:
    path = _table(nursery.folder, HEAD + "\n".join(lines), "placements.csv")
    return _faults(read_placements, path, KNOWN, nursery)


def _placed(nursery: Nursery, *lines: str) -> tuple[Placement, ...]:
    path = _table(nursery.folder, HEAD + "\n".join(lines), "placements.csv")
    return read_placements(path, KNOWN, nursery)


EXPECTED = (
    Fragment("F1", "Genus alba", "Reef A", "B7", date(2026, 1, 10), 25.4),
    Fragment("F2", "Genus alba", "Reef B", "", date(2026, 1, 10), None),
    Fragment("F3", "Genus nigra", "Lagoon 1", "", None, None),
)

WRITTEN = {
    "commas": FRAGMENTS,
    "semicolons and decimal commas": FRAGMENTS.replace(",", ";").replace("25.4", "25,4"),
    "tabs": FRAGMENTS.replace(",", "\t").replace("25.4", "25,4"),
    "quoted decimal comma": FRAGMENTS.replace("25.4", '"25,4"'),
    "byte-order mark": b"\xef\xbb\xbf" + FRAGMENTS.encode(),
    "utf-16": FRAGMENTS.encode("utf-16"),
    "windows line ends": FRAGMENTS.replace("\n", "\r\n"),
    "old line ends": FRAGMENTS.replace("\n", "\r"),
    "separator line": "sep=;\r\n" + FRAGMENTS.replace(",", ";"),
    "blank lines": "\n\n" + FRAGMENTS.replace("\n", "\n\n,,,,,\n"),
    "other headings": FRAGMENTS.replace("fragment,species", " Fragment , SPECIES").replace(
        "cut_on,plug_mm", "Cut on,Plug (mm)"
    ),
    "blanks around": FRAGMENTS.replace(",", " , "),
    "quotes": "\n".join('"' + line.replace(",", '","') + '"' for line in FRAGMENTS.splitlines()),
    "notes column": FRAGMENTS.replace("plug_mm\n", "plug_mm,notes\n").replace("25.4\n", "25.4,=1+1\n"),
}


@pytest.mark.parametrize("way", WRITTEN)
def test_fragments_are_read_however_the_table_was_written(tmp_path, way):
    assert read_fragments(_table(tmp_path, WRITTEN[way])) == EXPECTED


def test_columns_may_come_in_any_order_and_optional_ones_be_absent(tmp_path):
    table = _table(tmp_path, "genotype,fragment,species\nReef A,F1,Genus alba")
    assert read_fragments(table) == (Fragment("F1", "Genus alba", "Reef A"),)


def test_a_workbook_gives_the_same_as_a_text_table(tmp_path):
    rows = [
        ["fragment", "species", "genotype", "broodstock", "cut_on", "plug_mm"],
        ["F1", "Genus alba", "Reef A", "B7", datetime(2026, 1, 10, 14, 30), 25.4],
        [None, None, None],
        ["F2", "Genus alba", "Reef B", None, "2026-01-10", None],
        ["F3", "Genus nigra", "Lagoon 1"],
    ]
    assert read_fragments(_workbook(tmp_path, rows)) == EXPECTED


def test_numbers_as_names_in_a_workbook_stay_whole(tmp_path):
    rows = [["fragment", "species", "genotype"], [7, "", 12.0]]
    assert read_fragments(_workbook(tmp_path, rows)) == (Fragment("7", "", "12"),)


def test_names_keep_their_accents_whatever_the_encoding(tmp_path):
    text = "fragment,species,genotype\nCôté 1,Genus alba,Récif  Ä"
    composed = Fragment("Côté 1", "Genus alba", "Récif Ä")
    for content in (text.encode(), text.encode("cp1252"), unicodedata.normalize("NFD", text).encode()):
        assert read_fragments(_table(tmp_path, content)) == (composed,)


def test_letters_that_cannot_be_read_are_refused(tmp_path):
    table = _table(tmp_path, b"fragment,species,genotype\nF1,x,R\x81cif")  # 0x81 is unused in Windows-1252
    assert "save the table as UTF-8" in _faults(read_fragments, table)[0]


def test_all_faults_of_a_table_are_listed_with_their_lines(tmp_path):
    faults = _fragment_faults(
        tmp_path,
        "F1,Genus alba,Reef A,03/04/2026,25",
        "F1,Genus alba,reef a,2026-02-30,25",
        "",
        ",Genus alba,Reef A,2026-01-10,wide",
        "f1,Genus alba,Reef A,2026-01-10,2500",
    )
    assert [fault.split(":")[0] for fault in faults] == [
        *("line 2", "line 3", "line 3", "line 3", "line 5", "line 5", "line 6", "line 6")
    ]
    text = "\n".join(faults)
    assert "line 2: cut_on '03/04/2026' is not an unambiguous date; write it as 2026-03-07" in text
    assert "line 3: cut_on '2026-02-30' is not an unambiguous date" in text
    assert "line 3: fragment 'F1' stands already in line 2" in text
    assert "line 3: genotype 'reef a' looks like 'Reef A' in line 2; use one spelling" in text
    assert "line 5: fragment is empty" in text
    assert "line 5: plug_mm 'wide' is not a number; write 25.4 or 25,4" in text
    assert "line 6: plug_mm 2500 is outside 3 to 200" in text
    assert "line 6: fragments 'F1' (line 2) and 'f1' differ only in capitals" in text


@pytest.mark.parametrize(
    ("head", "words"),
    [
        ("fragment,species", "column 'genotype' is missing"),
        ("fragment,species,genotpye", "column 'genotpye' is not known; did you mean 'genotype'?"),
        ("fragment,species,genotype,plug_diameter,cut_onn", "column 'cut_onn' is not known; did you mean 'cut_on'?"),
        ("fragment,species,genotype,Species", "two columns are headed 'species'"),
        ("a;b", "column 'fragment' is missing"),
    ],
)
def test_wrong_headings_are_named(tmp_path, head, words):
    assert words in "\n".join(_faults(read_fragments, _table(tmp_path, head + "\nF1,x,y")))


@pytest.mark.parametrize("content", ["", "\n\n", ",,\n", b"\xef\xbb\xbf"])
def test_an_empty_table_is_refused(tmp_path, content):
    assert (
        "the table is empty; its first line must be: fragment, species"
        in _faults(read_fragments, _table(tmp_path, content))[0]
    )


def test_an_unquoted_decimal_comma_is_explained(tmp_path):
    faults = _faults(read_fragments, _table(tmp_path, "fragment,species,genotype,plug_mm\nF1,x,y,25,4"))
    assert faults == (
        "line 2: 5 cells under 4 headings; with decimal commas, separate cells by semicolons or put the numbers in "
        "quotes",
    )


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("Reef A", "reef a"),
        ("Reef A", "ReefA"),
        ("Reef-A", "Reef_A"),
        ("OF-01", "OF1"),
        ("Récif", "Recif"),
        ("Brain-07", "Brain-O7"),
        ("Gl", "G1"),
        ("Lagoon 3", "Lagon 3"),
        ("Lagoon 3", "Laggoon 3"),
        ("Channel 3", "Chanenl 3"),
        ("Channel 3", "Chammel 3".replace("mm", "mn")),
        ("A1-1", "a1 1"),
    ],
)
def test_a_genotype_spelled_two_ways_is_found(tmp_path, first, second):
    faults = _fragment_faults(
        tmp_path, f"F1,Genus alba,{first},,", "F2,Genus alba,Other,,", f"F3,Genus alba,{second},,"
    )
    assert faults == (
        f"line 4: genotype {second!r} looks like {first!r} in line 2; use one spelling, or list the pair under "
        "different_genotypes in nursery.toml if they are two",
    )


def test_names_that_tell_siblings_apart_are_left_alone(tmp_path):
    names = ["G1", "G2", "G10", "A1-1", "A11", "A1-11", "Reef A", "Reef B", "ReefA1", "ReefB1", "Reef II", "Reef III"]
    names += ["ReefIV", "ReefIX", "Lagoon 1", "Lagoon 2", "X", "Y", "North", "South", "2026-1", "2026-2"]
    lines = [f"F{number},Genus alba,{name}" for number, name in enumerate(names)]
    table = _table(tmp_path, "fragment,species,genotype\n" + "\n".join(lines))
    assert [one.genotype for one in read_fragments(table)] == names


def test_pairs_listed_as_different_are_left_alone(tmp_path):
    table = _table(tmp_path, "fragment,species,genotype\nF1,x,Lagoon 3\nF2,x,Lagon 3")
    assert len(read_fragments(table, different_genotypes=[("Lagon 3", "Lagoon 3")])) == 2


def test_a_slip_counts_only_within_a_species(tmp_path):
    table = _table(tmp_path, "fragment,species,genotype\nF1,Genus alba,Lagoon 3\nF2,Genus nigra,Lagon 3")
    assert len(read_fragments(table)) == 2


def test_a_species_typed_two_ways_is_found(tmp_path):
    faults = _fragment_faults(tmp_path, "F1,Genus alba,A,,", "F2,genus  Alba,B,,", "F3,Genus albo,C,,")
    assert faults == ("line 3: species 'genus Alba' looks like 'Genus alba' in line 2; use one spelling",)


@pytest.mark.parametrize(
    "name", ["=1+1", "+A1", "-A1", "@SUM(A1)", "a\x07b", "../../x", "a/b", "a\\b", ".x", "x" * 81]
)
def test_cells_that_would_act_as_formulas_or_paths_are_refused(tmp_path, name):
    assert _fragment_faults(tmp_path, f"{name},x,y,,")[0].startswith("line 2: fragment ")


@pytest.mark.parametrize("column", ["species", "genotype", "broodstock"])
def test_formulas_are_refused_in_every_text_column(tmp_path, column):
    for kind in ("csv", "xlsx"):
        row = {"fragment": "F1", "species": "x", "genotype": "y", "broodstock": "z"} | {column: "@SUM(A1)"}
        if kind == "csv":
            path = _table(tmp_path, ",".join(row) + "\n" + ",".join(row.values()))
        else:
            path = _workbook(tmp_path, [list(row), list(row.values())])
        assert f"line 2: {column} '@SUM(A1)' begins with '@'" in _faults(read_fragments, path)[0]


def test_formulas_in_a_workbook_are_never_evaluated(tmp_path):
    # written by a program that stores no computed values: the cell counts as blank
    rows = [["fragment", "species", "genotype"], ['=HYPERLINK("x")', "a", "b"]]
    assert _faults(read_fragments, _workbook(tmp_path, rows)) == ("line 2: fragment is empty",)


@pytest.mark.parametrize(
    ("cell", "value"),
    [
        ("25.4", 25.4),
        ("25,4", 25.4),
        (" 25 ", 25.0),
        ("-3,5", -3.5),
        ("\u22123.5", -3.5),
        (",5", 0.5),
        (7, 7.0),
        ("1.234,5", None),
        ("1,234.5", None),
        ("25 mm", None),
        ("1e5", None),
        ("nan", None),
        ("inf", None),
        (float("nan"), None),
        (True, None),
        ("", None),
        ("٢٥", None),
        ("9" * 400, None),
    ],
)
def test_numbers(cell, value):
    assert parse_number(cell) == value


@pytest.mark.parametrize(
    ("cell", "value"),
    [
        ("2026-03-07", date(2026, 3, 7)),
        ("2026-3-7", date(2026, 3, 7)),
        ("2026-03-07T10:15", date(2026, 3, 7)),
        ("2026-03-07 00:00:00", date(2026, 3, 7)),
        (date(2026, 3, 7), date(2026, 3, 7)),
        ("03/04/2026", None),
        ("25/12/2026", None),
        ("07.03.2026", None),
        ("2026-13-07", None),
        ("2026-02-29", None),
        ("0026-03-07", None),
        ("46088", None),
        (46088, None),
        ("2026", None),
        ("soon", None),
    ],
)
def test_dates(cell, value):
    assert parse_day(cell) == value


def test_placements_are_read(nursery):
    assert _placed(
        nursery,
        "F1,TRAY-1,1,2,,,,2026-01-11,2026-03-01",
        "F1,PAD-1,,,95.2,66.7,,2026-03-01,",
        "F2,PAD-2,,,,,1,2026-01-11,",
        "F3,PLUG-1,,,,,,2026-01-11,",
    ) == (
        Placement("F1", "TRAY-1", date(2026, 1, 11), date(2026, 3, 1), row=1, column=2),
        Placement("F1", "PAD-1", date(2026, 3, 1), x_mm=95.2, y_mm=66.7),
        Placement("F2", "PAD-2", date(2026, 1, 11), place="1"),
        Placement("F3", "PLUG-1", date(2026, 1, 11)),
    )


def test_a_workbook_of_placements_has_true_dates_and_numbers(nursery):
    head = ["Fragment", "Site", "Row", "Column", "From", "To"]
    rows = [head, ["F1", "TRAY-1", 1.0, 2, datetime(2026, 1, 11), date(2026, 3, 1)]]
    path = _workbook(nursery.folder, rows, "placements.xlsx")
    expected = Placement("F1", "TRAY-1", date(2026, 1, 11), date(2026, 3, 1), row=1, column=2)
    assert read_placements(path, KNOWN, nursery) == (expected,)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("F9,TRAY-1,1,1,,,,2026-01-11,", "fragment 'F9' is not in the fragments table. Known: F1, F2, F3."),
        ("F1,TRAY1,1,1,,,,2026-01-11,", "site 'TRAY1' is not described in nursery.toml. Did you mean 'TRAY-1'?"),
        ("F1,,1,1,,,,2026-01-11,", "site is empty"),
        ("F1,TRAY-1,6,1,,,,2026-01-11,", "row 6, column 1 is outside 'TRAY-1', which has 5 rows and 8 columns"),
        ("F1,TRAY-1,1,9,,,,2026-01-11,", "row 1, column 9 is outside"),
        ("F1,TRAY-1,0,1,,,,2026-01-11,", "row 0 is outside 1 to 1000"),
        ("F1,TRAY-1,1.5,1,,,,2026-01-11,", "row 1.5 is not a whole number"),
        ("F1,TRAY-1,x,1,,,,2026-01-11,", "row 'x' is not a number"),
        ("F1,TRAY-1,1,,,,,2026-01-11,", "is a tray: give row and column"),
        ("F1,TRAY-1,1,1,5,5,,2026-01-11,", "is a tray: give row and column, and leave x_mm"),
        ("F1,PAD-1,1,1,,,,2026-01-11,", "is a pad, which has no rows and columns"),
        ("F1,PAD-1,,,5,,,2026-01-11,", "is a pad: give x_mm and y_mm"),
        ("F1,PAD-2,,,,,,2026-01-11,", "is a pad: give place, or x_mm and y_mm"),
        ("F1,PAD-2,,,,,9,2026-01-11,", "place '9' is not described for 'PAD-2'. Known: 1, 2."),
        ("F1,PAD-2,,,5,5,1,2026-01-11,", "give either place or x_mm and y_mm, not both"),
        ("F1,PAD-1,,,5,5,1,2026-01-11,", "place '1' is not described for 'PAD-1'"),
        ("F1,PLUG-1,,,5,5,,2026-01-11,", "is a single plug; leave x_mm"),
        ("F1,TRAY-1,1,1,,,,,", "from is empty"),
        ("F1,TRAY-1,1,1,,,,01/02/2026,", "from '01/02/2026' is not an unambiguous date"),
        ("F1,TRAY-1,1,1,,,,2026-01-11,2026-01-10", "'to' 2026-01-10 is not after 'from' 2026-01-11"),
        ("F1,TRAY-1,1,1,,,,2026-01-11,2026-01-11", "is not after 'from'"),
    ],
)
def test_wrong_placements_are_named_with_their_line(nursery, line, words):
    faults = _placement_faults(nursery, "F2,TRAY-2,1,1,,,,2026-01-11,", line)
    assert len(faults) == 1
    assert faults[0].startswith("line 3: ")
    assert words in faults[0]


def test_two_fragments_in_one_position_on_overlapping_dates_are_found(nursery):
    faults = _placement_faults(
        nursery,
        "F1,TRAY-1,1,1,,,,2026-01-11,2026-02-01",
        "F2,TRAY-1,1,1,,,,2026-01-31,2026-03-01",
        "F3,TRAY-1,1,1,,,,2026-03-01,",
    )
    assert faults == (
        "line 3: TRAY-1 row 1 column 1 is taken by 'F1' (line 2) on 2026-01-31 to 2026-02-01; two fragments cannot "
        "stand in one position",
    )


def test_an_overlap_hidden_behind_a_shorter_stay_is_found(nursery):
    faults = _placement_faults(
        nursery,
        "F1,TRAY-1,1,1,,,,2026-01-01,",
        "F2,TRAY-1,1,1,,,,2026-02-01,2026-02-10",
        "F3,TRAY-1,1,1,,,,2026-06-01,",
    )
    assert [fault[:6] for fault in faults] == ["line 3", "line 4"]
    assert all("taken by 'F1' (line 2)" in fault for fault in faults)


def test_a_fragment_in_two_places_is_found_with_its_cure(nursery):
    faults = _placement_faults(nursery, "F1,TRAY-1,1,1,,,,2026-01-11,", "F1,PAD-1,,,9,9,,2026-03-01,")
    assert faults == (
        "line 3: fragment 'F1' also stands at TRAY-1 row 1 column 1 by line 2 on 2026-03-01 and after; give line 2 a "
        "'to' date",
    )


def test_a_line_written_twice_is_found(nursery):
    line = "F1,TRAY-1,1,1,,,,2026-01-11,"
    assert "line 3: fragment 'F1' also stands at TRAY-1" in _placement_faults(nursery, line, line)[0]


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("F1,PAD-1,,,10,10,,2026-01-11,", "F2,PAD-1,,,11,11,,2026-01-11,"),
        ("F1,PAD-1,,,1.99,0,,2026-01-11,", "F2,PAD-1,,,2.01,0,,2026-01-11,"),
        ("F1,PAD-2,,,,,1,2026-01-11,", "F2,PAD-2,,,,,1,2026-01-11,"),
        ("F1,PLUG-1,,,,,,2026-01-11,", "F2,PLUG-1,,,,,,2026-01-11,"),
    ],
)
def test_pads_and_plugs_hold_one_fragment_a_place(nursery, first, second):
    faults = _placement_faults(nursery, first, second)
    assert len(faults) == 1
    assert "is taken by 'F1' (line 2)" in faults[0]


def test_neighbours_and_successors_are_no_conflict(nursery):
    placed = _placed(
        nursery,
        "F1,TRAY-1,1,1,,,,2026-01-11,2026-02-01",
        "F2,TRAY-1,1,1,,,,2026-02-01,2026-03-01",
        "F1,TRAY-2,1,1,,,,2026-02-01,2026-03-01",
        "F1,PAD-1,,,10,10,,2026-03-01,",
        "F2,PAD-1,,,10,12.5,,2026-03-01,",
        "F3,TRAY-1,1,2,,,,2026-01-11,",
    )
    assert len(placed) == 6


def test_who_stands_where_counts_the_first_day_and_not_the_last(nursery):
    placed = _placed(
        nursery,
        "F2,TRAY-1,1,1,,,,2026-02-01,",
        "F1,TRAY-1,1,1,,,,2026-01-11,2026-02-01",
        "F3,TRAY-1,1,2,,,,2026-01-11,",
    )

    def standing(day: date, site: str = "TRAY-1") -> list[str]:
        return [one.fragment for one in placements_on(placed, site, day)]

    assert standing(date(2026, 1, 10)) == []
    assert standing(date(2026, 1, 11)) == ["F1", "F3"]
    assert standing(date(2026, 1, 31)) == ["F1", "F3"]
    assert standing(date(2026, 2, 1)) == ["F2", "F3"]
    assert standing(date(2040, 1, 1)) == ["F2", "F3"]
    assert standing(date(2026, 2, 1), "TRAY-2") == []


def test_both_tables_are_loaded_from_the_folder(nursery):
    assert load_tables(nursery).fragments == ()
    _table(nursery.folder, FRAGMENTS)
    _table(nursery.folder, HEAD + "F1,TRAY-1,1,1,,,,2026-01-11,", "placements.csv")
    tables = load_tables(nursery)
    assert tables.fragments == EXPECTED
    assert tables.placements == (Placement("F1", "TRAY-1", date(2026, 1, 11), row=1, column=1),)
    assert tables.fragment("F2") == EXPECTED[1]
    assert tables.fragment("F9") is None


def test_two_files_of_one_table_are_refused(nursery):
    _table(nursery.folder, FRAGMENTS)
    _workbook(nursery.folder, [["fragment"]])
    assert _faults(load_tables, nursery) == ("both fragments.csv and fragments.xlsx exist; keep one",)


def test_files_that_are_no_tables_are_refused(tmp_path):
    png = b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\0"
    assert "not a text file" in _faults(read_fragments, _table(tmp_path, png))[0]
    for content in (b"", b"PK\x03\x04 broken", png):
        path = _table(tmp_path, content, "fragments.xlsx")
        assert "not a readable XLSX workbook" in _faults(read_fragments, path)[0]


def test_a_workbook_that_unpacks_without_end_is_refused(tmp_path):
    store = io.BytesIO()
    with zipfile.ZipFile(store, "w", zipfile.ZIP_DEFLATED) as archive, archive.open("a.xml", "w") as sheet:
        for _ in range(120):
            sheet.write(bytes(1_000_000))
    path = _table(tmp_path, store.getvalue(), "fragments.xlsx")
    assert path.stat().st_size < 1_000_000
    assert "unpacks to far more than a table" in _faults(read_fragments, path)[0]


def test_a_cell_without_end_is_refused(tmp_path):
    table = 'fragment,species,genotype\nF1,"' + "x" * 200_000
    assert "line 2: not a readable CSV line" in _faults(read_fragments, _table(tmp_path, table))[0]


def test_line_numbers_count_lines_inside_quotes(tmp_path):
    table = 'fragment,species,genotype,notes\nF1,a,b,"two\nlines"\nF1,a,b,'
    assert _faults(read_fragments, _table(tmp_path, table)) == ("line 4: fragment 'F1' stands already in line 2",)


def test_a_placements_table_for_other_fragments_is_refused_in_good_time(nursery):
    # each line is unknown; looking for a likely name among thousands on each line would take minutes
    known = [Fragment(f"Old {number}", "", "") for number in range(3000)]
    lines = [f"New {number},TRAY-2,{number % 900 + 1},1,,,,2026-01-11," for number in range(3000)]
    path = _table(nursery.folder, HEAD + "\n".join(lines), "placements.csv")
    assert len(_faults(read_placements, path, known, nursery)) == 3000


def test_ten_thousand_fragments_are_checked_in_good_time(tmp_path):
    # the comparison of spellings must not look at every pair; a quadratic one takes minutes here
    lines = [f"F{number},Genus alba,Lagoon garden {number}" for number in range(10_000)]
    table = _table(tmp_path, "fragment,species,genotype\n" + "\n".join(lines))
    assert len(read_fragments(table)) == 10_000


CELLS = st.text(st.characters(codec="utf-8"), max_size=12)


@given(rows=st.lists(st.lists(CELLS, max_size=9), max_size=6), raw=st.binary(max_size=200))
def test_junk_tables_never_crash(tmp_path_factory, rows, raw):
    folder = tmp_path_factory.mktemp("junk")
    (folder / "nursery.toml").write_text(SETTINGS)
    nursery = load_nursery(folder)
    text = HEAD + "\n".join(",".join(row) for row in rows)
    for content in (text.encode(), raw, HEAD.encode() + raw):
        for name in ("placements.csv", "placements.xlsx"):
            with suppress(TableProblem):
                assert isinstance(read_placements(_table(folder, content, name), KNOWN, nursery), tuple)
        with suppress(TableProblem):
            assert isinstance(read_fragments(_table(folder, content)), tuple)
