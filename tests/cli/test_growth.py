"""The growth command on an invented tray of discs with known extension."""

from __future__ import annotations

import csv
import math
from datetime import timedelta
from pathlib import Path

import pytest
from openpyxl import load_workbook

from fragarea.logbook import open_logbook, record
from fragarea.report.plain_tables import table_csv
from tests.cli.samples import run
from tests.logbook.samples import TAKEN, fragment, measured

TOML = """name = "Discs (invented)"
time_zone = "UTC"
reference = "frame-280x220"
plug_mm = 25.0

[sites.TRAY-1]
kind = "tray"
rows = 5
columns = 8
pitch_mm = 27.0
"""
SPEEDS = {"G1": 0.3, "G2": 0.7}


@pytest.fixture
def discs(tmp_path: Path) -> Path:
    """Two genotypes of eight discs; five monthly visits, areas to the digit, the last disc lost at the end."""
    (tmp_path / "nursery.toml").write_text(TOML)
    places = {(row, column): f"F{row}{column}" for row in (1, 2) for column in range(1, 9)}
    lines = [f"{name},invented,G{row}" for (row, _), name in places.items()]
    (tmp_path / "fragments.csv").write_text("\n".join(["fragment,species,genotype", *lines]) + "\n")
    lines = [f"{name},TRAY-1,{row},{column},2026-03-01" for (row, column), name in places.items()]
    (tmp_path / "placements.csv").write_text("\n".join(["fragment,site,row,column,from", *lines]) + "\n")
    with open_logbook(tmp_path / "logbook.sqlite") as logbook:
        for visit in range(5):
            shown = []
            for row, column in places:
                own = SPEEDS[f"G{row}"] * (0.9 + 0.025 * column)
                radius = 4 + 0.2 * column + own * visit
                if visit == 4 and (row, column) == (2, 8):
                    radius *= 0.7
                shown.append(fragment((row, column), math.pi * radius**2, bleached_mm2=0.0, dead_mm2=0.0))
            taken = TAKEN + visit * timedelta(days=30.4375)
            photo = measured(str(visit), taken_at=taken, photo=f"{visit}.jpg", fragments=tuple(shown))
            record(logbook, photo, path=f"photos/TRAY-1/{visit}.jpg", names=places)
    return tmp_path


def test_sentences_tell_genotypes_comparison_and_what_to_look_at(discs: Path) -> None:
    result = run("growth", discs)
    assert result.exit_code == 0, result.output
    assert "G1 extends 0.30" in result.output
    assert "mm/month faster than G1, 95 % 0." in result.output
    assert "Measurements that do not count as growth: 1 at or after a loss of tissue." in result.output
    assert "Look at these first:\n  F28: lost" in result.output
    assert "veterinarian or permit holder" in result.output


def test_fragments_are_shown_when_asked_for(discs: Path) -> None:
    assert "F25" not in run("growth", discs).output
    assert "F25" in run("growth", discs, "--fragments").output


def test_csv_files_hold_rates_that_are_the_discs(discs: Path) -> None:
    result = run("growth", discs, "--to", discs / "rates.csv")
    assert result.exit_code == 0, result.output
    with (discs / "rates.csv").open(encoding="utf-8", newline="") as file:
        rows = {row["fragment"]: row for row in csv.DictReader(file)}
    # exact geometry: 0.7 (0.9 + 0.025 5) mm a month; visits are stored to the second
    assert float(rows["F25"]["extension_mm_per_month"]) == pytest.approx(0.7 * 1.025, rel=1e-4)
    assert (rows["F28"]["measurements"], rows["F28"]["left_out"]) == ("4", "1")
    with (discs / "rates-genotypes.csv").open(encoding="utf-8", newline="") as file:
        genotypes = {row["genotype"]: row for row in csv.DictReader(file)}
    assert float(genotypes["G1"]["extension_mm_per_month"]) == pytest.approx(0.3 * (0.9 + 0.025 * 4.5), rel=0.01)


def test_rates_from_each_visit_to_the_next_are_written_where_asked_for(discs: Path) -> None:
    result = run("growth", discs, "--to", discs / "rates.csv", "--each-visit")
    assert result.exit_code == 0, result.output
    with (discs / "rates-between-visits.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["fragment"] == "F25"]
    with (discs / "rates.csv").open(encoding="utf-8", newline="") as file:
        (whole,) = [row for row in csv.DictReader(file) if row["fragment"] == "F25"]
    assert len(rows) == int(whole["measurements"]) - 1
    assert [row["since"] for row in rows[1:]] == [row["until"] for row in rows[:-1]]
    for row in rows:
        # exact geometry: the disc's radius grows evenly, 0.7 (0.9 + 0.025 5) mm a month
        assert float(row["extension_mm_per_month"]) == pytest.approx(0.7 * 1.025, rel=1e-3)
        # two visits tell less than all
        assert float(row["extension_u_mm_per_month"]) > float(whole["extension_u_mm_per_month"])
    for title in ("genotypes", "comparisons", "look-first", "changed-places", "left-out"):
        assert (discs / f"rates-{title}.csv").exists()
    refused = run("growth", discs, "--to", discs / "rates.csv")
    assert refused.exit_code == 1
    assert "exists. Give --replace" in refused.output


def test_csv_files_have_comma_decimals_where_asked_for(discs: Path) -> None:
    assert run("growth", discs, "--to", discs / "growth.csv", "--decimal", ",").exit_code == 0
    with (discs / "growth.csv").open(newline="", encoding="utf-8") as file:
        first = next(csv.DictReader(file, delimiter=";"))
    # the first disc's radius grows by 0.3 x 0.925 mm a month; rel 1e-5: six digits are written
    extension = first["extension_mm_per_month"]
    assert "." not in extension
    assert float(extension.replace(",", ".")) == pytest.approx(0.2775, rel=1e-5)


def test_workbook_holds_every_table(discs: Path) -> None:
    result = run("growth", discs, "--to", discs / "growth.xlsx")
    assert result.exit_code == 0, result.output
    book = load_workbook(discs / "growth.xlsx")
    expected = ["Genotypes", "Comparisons", "Fragments", "Look first", "Changed places", "Left out", "Notes"]
    assert book.sheetnames == expected
    assert book["Fragments"]["A2"].value == "F11"
    assert book["Fragments"]["A2"].data_type == "s"
    assert book["Genotypes"]["D2"].value == pytest.approx(0.30, abs=0.01)
    assert run("growth", discs, "--to", discs / "growth.xlsx").exit_code == 1
    assert run("growth", discs, "--to", discs / "growth.xlsx", "--replace").exit_code == 0


def test_choices_that_cannot_be_met_are_refused_with_a_remedy(discs: Path) -> None:
    assert "Known: TRAY-1." in run("growth", discs, "--site", "TRAY-9").output
    assert "must end in .csv or .xlsx" in run("growth", discs, "--to", discs / "growth.ods").output
    lag = run("growth", discs, "--lag-days", "14,5")
    assert lag.exit_code == 2
    assert "'14,5' is not a valid number" in lag.output
    assert "No measured fragment" in run("growth", discs, "--until", "2020-01-01").output
    coming = run("growth", discs, "--since", "2999-01-01")
    assert coming.exit_code == 1
    assert "--since 2999-01-01 is a day to come" in coming.output
    reversed_days = run("growth", discs, "--since", "2026-05-01", "--until", "2026-04-01")
    assert reversed_days.exit_code == 1
    assert "--since 2026-05-01 is after --until 2026-04-01. Exchange the two days." in reversed_days.output


def test_lag_can_be_set_or_estimated(discs: Path) -> None:
    text = (discs / "fragments.csv").read_text().replace("genotype\n", "genotype,cut_on\n")
    lines = text.splitlines()
    (discs / "fragments.csv").write_text("\n".join([lines[0], *(line + ",2026-03-01" for line in lines[1:])]) + "\n")
    # some reasons hold a comma
    left_out = "growth: 1 at or after a loss of tissue; 16 before the end of healing."
    assert left_out in run("growth", discs, "--lag-days", "20").output
    assert "G1: healing lag 0 days after cutting" in run("growth", discs, "--lag-days", "auto").output


def test_no_text_becomes_a_formula() -> None:
    assert table_csv((("fragment", "mm"), [("=1+1", -0.5)])) == "fragment,mm\r\n'=1+1,-0.5\r\n"
