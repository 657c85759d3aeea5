"""Forecasts and comparisons of pads by the command: sentences, files, and what is told where little is known."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from openpyxl import load_workbook

from fragarea.logbook import open_logbook
from tests.cli.samples import run
from tests.fusion import test_view
from tests.fusion.test_view import PAD, keep, pad_photo

nursery = test_view.nursery


@pytest.fixture
def growing(nursery: Path) -> Path:
    """Discs of 6, 7 and 8 mm at 30 mm after 0, 6 and 12 times 30 days, that have not met."""
    (nursery / "logbook.sqlite").unlink()
    with open_logbook(nursery / "logbook.sqlite") as logbook:
        for months, radius in ((0, 6.0), (6, 7.0), (12, 8.0)):
            keep(logbook, pad_photo(radius, months))
    return nursery


def test_forecasts_are_told_in_sentences_and_held_against_what_came(nursery: Path) -> None:
    result = run("fusion", nursery, "--forecast", "--pairs", "--until", "2030-07-31")
    assert result.exit_code == 0, result.output
    # exact: 2 mm are left, and both radii grew 2 mm in 180 days: contact, at 0.3 mm, 1.7 / 4 * 180 = 76.5 days later,
    # on 2030-09-18, for each of six pairs
    assert f"{PAD}, from 2030-07-04: all neighbour pairs in contact by 2030-" in result.output
    pairs = [line for line in result.output.splitlines() if "±" in line and "2030-09" in line]
    assert len(pairs) == 6
    assert "Genotype G2" in result.output
    assert "measured on pads" in result.output
    later = run("fusion", nursery, "--forecast")
    assert "the 80 % interval held what happened in 6 of 6" in later.output
    assert f"{PAD}: no date for" not in later.output


def test_tables_of_forecasts_and_times(growing: Path) -> None:
    target = growing / "été.csv"
    result = run("fusion", growing, "--forecast", "--compare", "genotype", "--to", target, "--decimal", ",")
    assert result.exit_code == 0, result.output
    endings = ["", "-pairs", "-forecast", "-forecast-pairs", "-past-forecasts", "-comparison", "-curves", "-times"]
    assert all(f"wrote {growing / f'été{ending}.csv'}" in result.output for ending in endings)

    def rows(ending: str) -> list[dict[str, str]]:
        with (growing / f"été{ending}.csv").open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file, delimiter=";"))

    pads, pairs = rows("-forecast"), rows("-forecast-pairs")
    assert [row["goal"] for row in pads if row["date"]] == [row["goal"] for row in pads]
    assert len(pairs) == 6
    # exact: both radii grow 1 mm in 180 days
    assert float(pairs[0]["closing_mm_per_month"].replace(",", ".")) == pytest.approx(2 / 180 * 30.4375, rel=0.05)
    assert all(row["contact_low_95"] <= row["contact_low_80"] <= row["contact"] for row in pairs)
    assert [row["rate"] for row in pairs] == ["measured on pads"] * 6
    times = rows("-times")
    assert {row["until_days"] for row in times} == {""}
    # by placements.csv they stood there since 2030-01-03, two days before the first visit
    assert {float(row["after_days"].replace(",", ".")) for row in times} == {362.0}
    again = run("fusion", growing, "--forecast", "--to", growing / "other.csv")
    assert again.exit_code == 0
    assert not (growing / "other-times.csv").exists()


def test_the_workbook_holds_forecasts_and_no_formula(growing: Path) -> None:
    result = run("fusion", growing, "--forecast", "--compare", "size", "--to", growing / "pads.xlsx")
    assert result.exit_code == 0, result.output
    book = load_workbook(growing / "pads.xlsx")
    assert book.sheetnames[4:] == [
        *("Forecast", "Forecast pairs", "Past forecasts", "Comparison", "Curves", "Times", "Notes")
    ]
    assert all(cell.data_type != "f" for sheet in book for row in sheet.iter_rows() for cell in row)


def test_little_is_told_plainly(nursery: Path) -> None:
    first = run("fusion", nursery, "--forecast", "--until", "2030-01-31")
    assert first.exit_code == 0, first.output
    assert "no growth rate is known of their genotype" in first.output
    assert "No earlier forecast can be judged yet" in first.output
    few = run("fusion", nursery, "--compare", "genotype")
    assert few.exit_code == 0, few.output
    assert "not compared: too few pads in G1, G2: 2 of each group are needed" in few.output
    assert "needs 3 pads" in few.output
    spacing = run("fusion", nursery, "--compare", "spacing")
    assert "not compared: there is only one group" in spacing.output
    wrong = run("fusion", nursery, "--compare", "colour")
    assert wrong.exit_code == 2
    assert "'genotype', 'spacing', 'size'" in wrong.output


def test_forecasts_rest_on_visits_before_the_days_shown(nursery: Path) -> None:
    whole = run("fusion", nursery, "--forecast").output
    part = run("fusion", nursery, "--forecast", "--since", "2030-12-01").output
    last = "Forecasts of contact that earlier visits would have given: the 80 %"
    assert last in part
    assert part[part.index(last) :] == whole[whole.index(last) :]
