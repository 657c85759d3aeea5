import csv
import io
import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from openpyxl import load_workbook
from rich.cells import cell_len
from rich.console import Console

from fragarea.doubts import DOUBTS, Doubt
from fragarea.errors import SettingsProblem
from fragarea.measurement import FragmentStatus
from fragarea.report.columns import COLUMNS, HEADERS
from fragarea.report.rows import sum_area, visits_of
from fragarea.report.spreadsheet import csv_text, workbook_bytes, write_csv, write_workbook
from fragarea.report.tables import visit_tables
from tests.report.scene import fragment, measured, missing, rows

HOSTILE = ("=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "＝1+1", '=HYPERLINK("x")', "#N/A", "1e5", "=")
MADE = datetime(2026, 3, 7, 12, 0)


def read_csv(text: str, delimiter: str = ",") -> list[dict[str, str]]:
    """Outside check: the standard library's reader."""
    return list(csv.DictReader(io.StringIO(text, newline=""), delimiter=delimiter))


def read_sheet(content: bytes, name: str = "Areas"):
    """Outside check: the workbook as openpyxl reads it back."""
    return load_workbook(io.BytesIO(content))[name]


def hostile_rows():
    one = rows(measured((fragment(),)))[0]
    return tuple(replace(one, fragment=text, photo=f"{text}.jpg", genotype=text) for text in HOSTILE)


# rows


def test_a_row_carries_what_the_photo_and_the_fragment_tell():
    row = rows()[0]
    assert (row.site, row.visit_on, row.place, row.name) == ("TRAY-1", date(2026, 3, 7), (1, 1), "F1")
    assert (row.genotype, row.mm_per_px, row.tilt_deg) == ("G3", 0.2222, 4.0)
    assert row.live_shared_u_mm2 == pytest.approx(0.6)


def test_coverage_is_live_area_over_the_disc_of_the_rim():
    # exact geometry: pi 12.5^2 = 490.874 mm2
    row = replace(rows()[0], live_mm2=245.43693, plug_radius_mm=12.5)
    assert row.plug_coverage_percent == pytest.approx(50.0, rel=1e-6)
    assert replace(row, plug_radius_mm=None).plug_coverage_percent is None


def test_visits_are_one_a_site_and_day_in_order():
    row = rows()[0]
    days = [date(2026, 3, 14), date(2026, 3, 7), None]
    mixed = [replace(row, site=site, visit_on=day) for site in ("TRAY-10", "TRAY-2") for day in days]
    assert [visit.title for visit in visits_of(mixed)] == [
        "TRAY-2 · 2026-03-07",
        "TRAY-2 · 2026-03-14",
        "TRAY-2 · date unknown",
        "TRAY-10 · 2026-03-07",
        "TRAY-10 · 2026-03-14",
        "TRAY-10 · date unknown",
    ]


def two_rows(shared: float):
    row = replace(rows()[0], live_mm2=100.0, live_expanded_mm2=1.96 * 5.0, live_shared_u_mm2=shared)
    return [replace(row, fragment="A"), replace(row, fragment="B", live_mm2=200.0)]


@pytest.mark.parametrize(
    ("shared", "expected_u"),
    [
        (0.0, math.sqrt(50.0)),  # JCGM 100:2008, equation 10: independent parts add in squares
        (5.0, 10.0),  # equation 13 with correlation 1: shared parts add up
        (3.0, math.sqrt(6.0**2 + 2 * 4.0**2)),  # both
        (math.nan, 10.0),  # not known: taken as shared, which is the wider
    ],
)
def test_shared_errors_stay_shared_in_a_sum(shared, expected_u):
    area, expanded = sum_area(two_rows(shared))
    assert area == 300.0
    assert expanded == pytest.approx(1.96 * expected_u)


def test_fragment_on_two_photos_of_a_visit_counts_once():
    one, two = two_rows(0.0)
    again = replace(one, photo="other.jpg", live_mm2=110.0)
    assert sum_area([one, again, two])[0] == pytest.approx(105.0 + 200.0)


WRONG = Doubt("marked_wrong", "Ana: hand in the way")


def test_what_a_person_marked_wrong_stands_in_tables_but_not_in_sums():
    one, two = two_rows(0.0)
    wrong = replace(one, doubts=(WRONG, Doubt("glare")))
    assert sum_area([wrong, two]) == sum_area([two])
    assert not wrong.needs_look  # somebody looked already
    text = printed(wrong, two)
    assert "1 marked wrong, not in the sum" in text
    assert "marked" in text.split("sum")[0]
    marked, counted = read_csv(csv_text([wrong, two]))
    assert (marked["marked_wrong"], counted["marked_wrong"]) == ("yes", "no")
    assert marked["doubts"].startswith("marked wrong (Ana: hand in the way)")
    assert float(marked["live_area_cm2"]) == one.live_mm2 / 100


# terminal


def printed(*given) -> str:
    console = Console(width=80, record=True, file=io.StringIO(), color_system=None)
    for table in visit_tables(given):
        console.print(table)
    return console.export_text()


def test_terminal_table_fits_eighty_columns():
    wide = "an unreasonably long name without any end " * 3
    odd = [replace(row, fragment=wide + str(i), genotype=wide, label=wide) for i, row in enumerate(rows())]
    for text in (printed(*rows()), printed(*odd), printed(*hostile_rows())):
        assert max(cell_len(line) for line in text.splitlines()) <= 80


def test_terminal_table_shows_area_doubt_and_sum():
    text = printed(*rows(last_check="last check: 2026-03-01, bias +0.3 %"))
    assert "TRAY-1 · 2026-03-07 · 39 measured · 2 to look at (!)" in text
    area, expanded = sum_area(rows())
    assert f"{area / 100:.1f} ± {expanded / 100:.2f}"[:4] in text
    assert "! F9" in text
    assert "outline unsure" in text
    assert "missing" in text
    assert "last check: 2026-03-01" in text
    assert "print not checked" in text


def test_terminal_markup_in_a_name_is_shown_as_it_stands():
    assert "[b]x[/b]" in printed(replace(rows()[0], fragment="[b]x[/b]"))


# CSV


def test_csv_reads_back_with_the_same_values():
    made = rows()
    read = read_csv(csv_text(made))
    assert len(read) == len(made) == 40
    assert list(read[0]) == list(HEADERS)
    for row, line in zip(made, read, strict=True):
        assert line["fragment"] == row.fragment
        assert (line["row"], line["column"]) == (str(row.row), str(row.column))
        assert line["visit_date"] == "2026-03-07"
        if row.status is not FragmentStatus.MISSING:
            # five decimals of a cm2 are a thousandth of a mm2
            assert float(line["live_area_cm2"]) == pytest.approx(row.live_mm2 / 100, abs=6e-6)
            assert float(line["live_area_u95_cm2"]) == pytest.approx(row.live_expanded_mm2 / 100, abs=6e-6)


def test_csv_lines_end_as_rfc_4180_asks():
    # RFC 4180, section 2, rules 1, 3 and 6: CRLF, a header line, quotes round fields with commas
    text = csv_text([replace(rows()[0], fragment='P1, "left"')])
    assert text.count("\r\n") == 2
    assert text.endswith("\r\n")
    assert '"P1, ""left"""' in text


def test_csv_with_decimal_commas_has_semicolons_between_fields():
    line = read_csv(csv_text(rows(), decimal=","), delimiter=";")[0]
    assert "," in line["live_area_cm2"]
    assert float(line["live_area_cm2"].replace(",", ".")) == pytest.approx(rows()[0].live_mm2 / 100, abs=6e-6)
    with pytest.raises(ValueError, match="decimal must be"):
        csv_text(rows(), decimal=";")


@pytest.mark.parametrize("decimal", [".", ","])
def test_no_text_in_a_csv_begins_like_a_formula(decimal):
    text = csv_text(hostile_rows(), decimal=decimal)
    for line in csv.reader(io.StringIO(text, newline=""), delimiter="," if decimal == "." else ";"):
        assert not any(field.startswith(tuple("=+-@\t\r\n＝＋－＠")) for field in line)
    assert read_csv(text, "," if decimal == "." else ";")[0]["fragment"] == "'=1+1"


def test_numbers_stay_numbers_even_when_negative():
    row = replace(rows()[0], centre_mm=(-3.25, 4.0), tilt_deg=-0.5)
    assert read_csv(csv_text([row]))[0]["centre_x_mm"] == "-3.250"


def test_missing_fragment_has_no_area_in_a_file():
    gone = rows(measured((missing((1, 1)),)))
    line = read_csv(csv_text(gone))[0]
    assert line["status"] == "missing"
    assert line["live_area_cm2"] == line["dead_area_cm2"] == line["plug_coverage_percent"] == ""
    assert read_sheet(workbook_bytes(gone, made_at=MADE))["M2"].value is None


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_numbers_that_are_not_finite_are_left_empty(value):
    row = replace(rows()[0], live_mm2=value, mm_per_px=value, tilt_deg=None)
    line = read_csv(csv_text([row]))[0]
    assert line["live_area_cm2"] == line["scale_mm_per_px"] == line["tilt_deg"] == ""
    assert read_sheet(workbook_bytes([row], made_at=MADE))["M2"].value is None


def test_times_carry_their_offset_when_known():
    zone = timezone(timedelta(hours=-4))
    aware = replace(rows()[0], taken_at=datetime(2026, 3, 7, 10, 15, tzinfo=zone))
    naive, unknown = rows()[0], replace(rows()[0], taken_at=None, visit_on=None)
    lines = read_csv(csv_text([aware, naive, unknown]))
    assert [line["taken_at"] for line in lines] == ["2026-03-07T10:15:00-04:00", "2026-03-07T10:15:30", ""]
    assert [line["utc_offset"] for line in lines] == ["-04:00", "", ""]
    cell = read_sheet(workbook_bytes([aware], made_at=MADE))["D2"]
    assert (cell.value, cell.data_type, bool(cell.quotePrefix)) == ("-04:00", "s", False)


# XLSX


def test_workbook_reads_back_with_types():
    made = rows()
    sheet = read_sheet(workbook_bytes(made, made_at=MADE))
    head = {cell.value: cell.column for cell in sheet[1]}
    assert tuple(head) == HEADERS
    line = {name: sheet.cell(2, column).value for name, column in head.items()}
    assert line["visit_date"].date() == date(2026, 3, 7)
    assert line["taken_at"] == datetime(2026, 3, 7, 10, 15, 30)
    assert line["row"] == 1
    assert isinstance(line["row"], int)
    assert line["live_area_cm2"] == pytest.approx(made[0].live_mm2 / 100, abs=6e-6)
    assert sheet.freeze_panes == "A2"
    assert sheet.max_row == 41


def test_no_text_in_a_workbook_is_a_formula():
    sheet = read_sheet(workbook_bytes(hostile_rows(), made_at=MADE))
    names = [cell.value for cell in sheet["G"][1:]]
    assert names[:4] == ["=1+1", "+1", "-1", "@SUM(A1)"]
    assert all(cell.data_type == "s" for line in sheet.iter_rows(min_row=2) for cell in line[4:8] if cell.value)
    assert sheet["G2"].quotePrefix
    assert names[-1] == "="


def test_workbook_takes_offsets_early_years_and_control_characters():
    row = replace(
        rows()[0],
        taken_at=datetime(1857, 3, 7, 10, 15, tzinfo=UTC),
        visit_on=date(1857, 3, 7),
        fragment="a\x00b\ud800c\x1b",
        label="x" * 40_000,
    )
    sheet = read_sheet(workbook_bytes([row], made_at=MADE))
    assert sheet["B2"].value == "1857-03-07"
    assert sheet["G2"].value == "a b c "
    assert len(sheet["K2"].value) == 32_767
    assert "a b c " in csv_text([row])
    csv_text([row]).encode("utf-8")


def test_notes_explain_every_column_and_every_doubt():
    notes = read_sheet(workbook_bytes(rows(), made_at=MADE), "Notes")
    words = {cell.value for line in notes.iter_rows() for cell in line}
    assert {column.header for column in COLUMNS} <= words
    assert {kind.title for kind in DOUBTS.values()} <= words
    assert {kind.do for kind in DOUBTS.values()} <= words
    assert any("95 %" in str(word) for word in words)


def test_headers_name_their_units_and_are_unique():
    assert len(set(HEADERS)) == len(HEADERS)
    numeric = [column.header for column in COLUMNS if column.decimals]
    assert all(name.endswith(("_cm2", "_mm", "_percent", "_mm_per_px", "_deg")) for name in numeric)


def test_empty_tables_are_written_too(tmp_path):
    write_csv([], tmp_path / "a.csv")
    write_workbook([], tmp_path / "a.xlsx", made_at=MADE)
    assert (tmp_path / "a.csv").read_bytes().startswith(b"site,visit_date,")
    assert load_workbook(tmp_path / "a.xlsx")["Areas"].max_row == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.csv", "a.xlsx"]


def test_folder_that_cannot_be_made_is_a_clear_error(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(SettingsProblem, match="cannot be written"):
        write_csv(rows(), tmp_path / "file" / "a.csv")


def test_doubts_are_written_with_their_figures():
    row = rows(measured((fragment(doubts=(Doubt("glare", "12 % of the edge"), Doubt("rim_unsure"))),)))[0]
    line = read_csv(csv_text([row]))[0]
    assert line["doubts"] == "glare on the tissue (12 % of the edge); plug rim unsure"
    assert line["photo_doubts"] == "print not checked"
    assert line["needs_look"] == "yes"
