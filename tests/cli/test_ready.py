"""The ready command on an invented tray of discs."""

from __future__ import annotations

import csv
import math
from datetime import timedelta
from pathlib import Path

import pypdfium2
import pytest
from openpyxl import load_workbook

from fragarea.logbook import open_logbook, record
from tests.cli.samples import run
from tests.logbook.samples import TAKEN, fragment, measured

RULES = """
[[outplanting.rules]]
min_area_cm2 = 1.0
no_loss_days = 60
"""
TOML = """name = "Pépinière à l'été (invented)"
time_zone = "UTC"
reference = "frame-280x220"
plug_mm = 25.0

[sites.TRAY-1]
kind = "tray"
rows = 5
columns = 8
pitch_mm = 27.0
"""
DAY = f"{TAKEN:%Y-%m-%d}"


@pytest.fixture
def discs(tmp_path: Path) -> Path:
    """Sixteen discs at one visit: one genotype of 0.5 cm2 and one of 2.5 cm2; a name with an accent and a bracket."""
    (tmp_path / "nursery.toml").write_text(TOML + RULES, encoding="utf-8")
    places = {(row, column): f"É <{row}{column}>" for row in (1, 2) for column in range(1, 9)}
    # a name may hold no sign that a file name cannot hold
    places = {place: name.replace("<", "(").replace(">", ")") for place, name in places.items()}
    lines = [f"{name},invented,<b>G{row}" for (row, _), name in places.items()]
    (tmp_path / "fragments.csv").write_text("\n".join(["fragment,species,genotype", *lines]), encoding="utf-8")
    lines = [f"{name},TRAY-1,{row},{column},2026-03-01" for (row, column), name in places.items()]
    (tmp_path / "placements.csv").write_text("\n".join(["fragment,site,row,column,from", *lines]), encoding="utf-8")
    with open_logbook(tmp_path / "logbook.sqlite") as logbook:
        shown = tuple(
            fragment(place, 250.0 if place[0] == 2 else 50.0, bleached_mm2=0.0, dead_mm2=0.0) for place in places
        )
        record(logbook, measured(taken_at=TAKEN, fragments=shown), path="photos/TRAY-1/1.jpg", names=places)
    return tmp_path


def test_what_is_ready_is_listed_by_place_and_the_advice_stands_below(discs: Path) -> None:
    result = run("ready", discs, "--on", DAY)
    assert result.exit_code == 0, result.output
    assert f"On {DAY}: 8 ready, 8 not yet, 0 excluded, 0 unknown." in result.output
    assert "R2 C8" in result.output
    assert "R1 C8" not in result.output
    assert "Permits, health certificates and local rules decide" in result.output


def test_reasons_are_shown_when_asked_for(discs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "120")
    assert run("ready", discs, "--on", DAY, "--all").output.count("live area 0.50 of 1.00 cm²") == 8


def test_the_pull_list_holds_every_ready_fragment_once_and_the_tray_map(discs: Path) -> None:
    pdf = discs / "à tirer.pdf"
    assert run("ready", discs, "--on", DAY, "--pull-list", pdf).exit_code == 0
    pages = pypdfium2.PdfDocument(pdf)
    text = "\n".join(page.get_textpage().get_text_bounded() for page in pages)
    assert [text.count(f"R2 C{column}") for column in range(1, 9)] == [1] * 8
    assert text.count("É (21)") == 2  # on the map and in the list
    assert "<b>G2" in text
    assert "É (11)" not in text
    assert text.count("2.500 ± 0.020 cm²") == 8  # with the 95 % interval of a standard uncertainty of 1 mm2
    assert "Permits, health certificates" in text
    before = pdf.read_bytes()
    assert "Give --replace" in run("ready", discs, "--pull-list", pdf).output
    assert run("ready", discs, "--on", DAY, "--pull-list", pdf, "--replace").exit_code == 0
    assert pdf.read_bytes() == before


def test_files_hold_units_and_no_formulas(discs: Path) -> None:
    assert run("ready", discs, "--on", DAY, "--to", discs / "r.csv", "--decimal", ",").exit_code == 0
    with (discs / "r.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file, delimiter=";"))
    assert (rows[0]["area_cm2"], rows[0]["state"], rows[8]["state"]) == ("0,5", "not yet", "ready")
    # exact geometry: 250 mm2 over the area of a disc of 25 mm
    assert float(rows[8]["cover_percent"].replace(",", ".")) == pytest.approx(25000 / (math.pi * 12.5**2), rel=1e-4)
    assert run("ready", discs, "--on", DAY, "--to", discs / "r.xlsx").exit_code == 0
    book = load_workbook(discs / "r.xlsx")
    assert book.sheetnames == ["Readiness", "Pull list", "By genotype", "Notes"]
    assert book["Pull list"].max_row == 9


def test_a_closed_day_is_told_wherever_what_is_ready_is_listed(discs: Path) -> None:
    name, pdf = "saison <chaude>", discs / "closed.pdf"
    assert "outplanting is not wanted" not in run("ready", discs, "--on", DAY).output
    text = (discs / "nursery.toml").read_text(encoding="utf-8")
    closed = f'[[outplanting.closed]]\nname = "{name}"\nfrom = {DAY}\nto = {DAY}\n'
    (discs / "nursery.toml").write_text(f"{text}\n{closed}", encoding="utf-8")
    output = run("ready", discs, "--on", DAY, "--pull-list", pdf, "--to", discs / "closed.xlsx").output
    opens = TAKEN.date() + timedelta(days=1)
    told = f"On {DAY} outplanting is not wanted ({name}). It is wanted again from {opens}."
    assert told in output
    assert told in " ".join(pypdfium2.PdfDocument(pdf)[0].get_textpage().get_text_bounded().split())
    notes = [row[0] for row in load_workbook(discs / "closed.xlsx")["Notes"].iter_rows(values_only=True)]
    assert told in notes
    assert told in run("forecast", discs, "--on", DAY).output


def test_names_that_no_fragment_has_are_told_since_their_limits_hold_for_nothing(discs: Path) -> None:
    assert "which no fragment" not in run("ready", discs, "--on", DAY).output
    text = (discs / "nursery.toml").read_text(encoding="utf-8")
    slips = (
        '[[outplanting.rules]]\ngenotype = "<b>G22"\nmin_area_cm2 = 9\n'
        '[[outplanting.rules]]\nspecies = "Invented"\nmin_area_cm2 = 1\n'
        '[[outplanting.broodstock]]\ncolony = "B-X"\nlive_cm2 = 9\n'
    )
    (discs / "nursery.toml").write_text(text + slips, encoding="utf-8")
    output = run("ready", discs, "--on", DAY).output
    assert "outplanting.rules[2] is for genotype '<b>G22', which no fragment of fragments.csv has." in output
    assert "Did you mean '<b>G2'?" in output
    assert "outplanting.broodstock[1] is for colony 'B-X'" in output
    assert output.count("which no fragment") == 2  # capitals in a species make no difference


def test_too_old_photos_say_what_to_do(discs: Path) -> None:
    late = f"{TAKEN + timedelta(days=46):%Y-%m-%d}"
    result = run("ready", discs, "--on", late)
    assert f"The newest photo is of {DAY}. Photograph the trays again, or give --on {DAY}." in result.output


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--site", "TRAY-9"], "Known: TRAY-1"),
        (["--to", "ready.txt"], "must end in .csv or .xlsx"),
        (["--pull-list", "list.xlsx"], "must end in .pdf"),
        (["--on", "soon"], "does not match the format"),
    ],
)
def test_wrong_options_are_told(discs: Path, words: list[str], told: str) -> None:
    result = run("ready", discs, *words)
    assert result.exit_code != 0
    assert told in result.output


def test_without_rules_it_says_what_to_write(discs: Path) -> None:
    (discs / "nursery.toml").write_text(TOML, encoding="utf-8")
    result = run("ready", discs)
    assert result.exit_code == 1
    assert "[[outplanting.rules]]" in result.output


def test_a_day_before_anything_stood_there_is_told(discs: Path) -> None:
    assert "Nothing stands in the nursery on 2020-01-01" in run("ready", discs, "--on", "2020-01-01").output
