"""The commands of a nursery, from an empty folder to tables, files and pictures."""

from __future__ import annotations

import csv
import shutil
from datetime import date
from pathlib import Path

import cv2
import numpy as np
import openpyxl
import pytest

from fragarea.reference.layout import calibration_folder
from tests.cli.samples import PAD_PHOTO, REFUSED_PHOTO, SHEET_PHOTOS, TRAY_PHOTO, hashes, make_nursery, run


def test_walk_from_an_empty_folder(tmp_path: Path) -> None:
    folder = tmp_path / "Korallengärten 2"
    started = run("start", folder, "--name", "Lagune")
    assert started.exit_code == 0
    assert f"fragarea measure {folder}" in started.output
    before = hashes(folder)

    again = run("start", folder)
    assert again.exit_code == 1
    assert "there is a nursery.toml already" in again.output
    assert hashes(folder) == before

    empty = run("measure", folder)
    assert empty.exit_code == 0
    assert "there is no photo here" in empty.output
    assert "/SITE/" in empty.output

    for shown in (run("table", folder), run("report", folder)):
        assert shown.exit_code == 0
    assert "Nothing measured yet" in run("table", folder).output

    shutil.copy(SHEET_PHOTOS[0].parents[1] / "nursery" / "photos" / TRAY_PHOTO, folder / "photos" / "TRAY-1")
    measured = run("measure", folder, "--no-report")
    assert measured.exit_code == 0
    assert "measured 1, of these 1 to look at; refused 0" in measured.output
    assert "R1 C1" in run("table", folder).output


def test_batch_leaves_originals_as_they_are_and_measures_only_what_is_new(tmp_path: Path) -> None:
    folder = make_nursery(tmp_path / "n", PAD_PHOTO, REFUSED_PHOTO)
    before = hashes(folder / "photos")

    first = run("measure", folder, "--no-report")
    assert first.exit_code == 3
    assert "measured 1," in first.output
    assert f"refused: photos/{REFUSED_PHOTO}: only 1 of 12 tags" in first.output

    second = run("measure", folder)
    assert second.exit_code == 3  # the photo is still refused
    assert "0 of them to measure" in second.output
    assert "refused 0; measured before 1; refused before 1" in second.output
    assert f"refused before: photos/{REFUSED_PHOTO}: only 1 of 12 tags" in second.output

    again = run("measure", folder / "photos" / PAD_PHOTO, "--again", "--no-report")
    assert again.exit_code == 0
    assert "measured 1," in again.output
    assert hashes(folder / "photos") == before


def test_table_shows_areas_doubts_and_the_last_check(measured_nursery: Path) -> None:
    shown = run("table", measured_nursery)
    assert shown.exit_code == 0
    assert "TRAY-1 · 2025-07-10" in shown.output
    assert "PAD-1 · 2023-05-13" in shown.output
    pad, tray = shown.output.split("TRAY-1 · 2025-07-10")
    assert "last check: 2025-02-02, bias" in tray
    assert "last check" not in pad  # photographed in 2023, before the check
    header = next(line for line in shown.output.splitlines() if "genotype" in line and "place" in line)
    assert header.split()[:3] == ["fragment", "place", "genotype"]  # no heading is folded
    assert all(len(line) <= 80 for line in shown.output.splitlines() if "last check" not in line)


def test_table_is_narrowed_by_site_and_day(measured_nursery: Path) -> None:
    assert "TRAY-1" not in run("table", measured_nursery, "--site", "PAD-1").output
    assert "PAD-1" not in run("table", measured_nursery, "--since", "2024-01-01").output
    assert "TRAY-1" not in run("table", measured_nursery, "--until", "2024-01-01").output
    nothing = run("table", measured_nursery, "--since", "2030-01-01")
    assert nothing.exit_code == 0
    assert "Nothing measured yet for this choice" in nothing.output


def test_budget_of_a_fragment_adds_up(measured_nursery: Path) -> None:
    shown = run("table", measured_nursery, "--site", "TRAY-1", "--budget").output
    part = shown[shown.index("2025-07-10 tray 1.jpg: P01") :].split("\n\n")[0]
    for term in ("scale", "print", "height", "outline"):
        assert term in part


def test_csv_holds_every_fragment_of_every_photo(measured_nursery: Path, tmp_path: Path) -> None:
    target = tmp_path / "new folder" / "areas.csv"
    result = run("export", measured_nursery, "--to", target)
    assert result.exit_code == 0
    with target.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert f"wrote {len(rows)} rows" in result.output
    assert {row["fragment"] for row in rows} >= {f"P{number:02d}" for number in range(1, 41)}
    assert all(float(row["live_area_u95_cm2"]) > 0 for row in rows if row["status"] == "live")
    assert all(row["last_check"].startswith("last check: 2025-02-02") for row in rows if row["site"] == "TRAY-1")
    assert {row["last_check"] for row in rows if row["site"] == "PAD-1"} == {""}  # photographed before the check


def test_csv_with_decimal_commas_holds_the_same_numbers(measured_nursery: Path, tmp_path: Path) -> None:
    run("export", measured_nursery, "--to", tmp_path / "point.csv")
    run("export", measured_nursery, "--to", tmp_path / "comma.csv", "--decimal", ",")
    with (tmp_path / "point.csv").open(encoding="utf-8-sig", newline="") as file:
        points = [row["live_area_cm2"] for row in csv.DictReader(file)]
    with (tmp_path / "comma.csv").open(encoding="utf-8-sig", newline="") as file:
        commas = [row["live_area_cm2"] for row in csv.DictReader(file, delimiter=";")]
    assert [text.replace(",", ".") for text in commas] == points
    assert any("," in text for text in commas)


def test_workbook_holds_the_rows_of_the_csv(measured_nursery: Path, tmp_path: Path) -> None:
    run("export", measured_nursery, "--to", tmp_path / "areas.csv")
    assert run("export", measured_nursery, "--to", tmp_path / "areas.xlsx").exit_code == 0
    sheet = openpyxl.load_workbook(tmp_path / "areas.xlsx").worksheets[0]
    names = [cell.value for cell in sheet[1]]
    with (tmp_path / "areas.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert sheet.max_row == len(rows) + 1
    assert "live_area_cm2" in names


def test_export_overwrites_only_when_told(measured_nursery: Path, tmp_path: Path) -> None:
    target = tmp_path / "areas.csv"
    target.write_text("mine", encoding="utf-8")
    refused = run("export", measured_nursery, "--to", target)
    assert refused.exit_code == 1
    assert "--replace" in refused.output
    assert target.read_text(encoding="utf-8") == "mine"
    assert run("export", measured_nursery, "--to", target, "--replace").exit_code == 0
    assert target.read_text(encoding="utf-8-sig").startswith("site,")


def test_commands_find_the_nursery_from_a_folder_inside(measured_nursery: Path, monkeypatch) -> None:
    monkeypatch.chdir(measured_nursery / "photos" / "PAD-1")
    shown = run("table", "--site", "PAD-1")
    assert shown.exit_code == 0
    assert "PAD-1" in shown.output


def test_check_says_its_verdict_and_keeps_nothing_without_a_nursery(tmp_path: Path) -> None:
    result = run("check", *SHEET_PHOTOS)
    assert result.exit_code == 0
    assert "passes" in result.output
    assert "kept in" not in result.output


def test_check_that_fails_has_its_own_exit_code(tmp_path: Path) -> None:
    """A print entered as 2 % too large makes true areas look 4 % too large: exact geometry."""
    folder = make_nursery(tmp_path / "n")
    assert run("print-check", "frame-280x220", "255", "255", "255", "--nursery", folder).exit_code == 0
    result = run("check", SHEET_PHOTOS[0], "--nursery", folder)
    assert result.exit_code == 4
    assert "fails" in result.output


def test_check_skips_a_photo_that_cannot_be_read(tmp_path: Path) -> None:
    (tmp_path / "bad.jpg").write_text("no photo", encoding="utf-8")
    result = run("check", SHEET_PHOTOS[0], tmp_path / "bad.jpg")
    assert result.exit_code == 3
    assert "bad.jpg: the file is not a photo" in result.output
    assert "passes" in result.output


def test_doubts_are_explained_for_eighty_columns() -> None:
    from fragarea.doubts import DOUBTS

    shown = run("doubts")
    assert shown.exit_code == 0
    assert all(len(line) <= 80 for line in shown.output.splitlines())
    places = [shown.output.index(f"{kind.title} ({key})") for key, kind in DOUBTS.items()]
    assert len(places) == len(DOUBTS)
    assert shown.output.index("Look first") < shown.output.index("Note\n")
    words = " ".join(shown.output.split())
    assert all(kind.seen in words and kind.do in words for kind in DOUBTS.values())


def test_lens_needs_photos_of_a_board(tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "grey wall.png"), np.full((300, 400, 3), 128, np.uint8))
    result = run("lens", tmp_path / "grey wall.png", "--name", "phone", "--to", tmp_path / "lenses")
    assert result.exit_code == 1
    assert "board" in result.output
    assert not (tmp_path / "lenses").exists()


@pytest.mark.parametrize("square_mm", ["0", "-25", "nan", "inf", "wide"])
def test_lens_refuses_squares_without_a_size(square_mm: str, tmp_path: Path) -> None:
    result = run("lens", SHEET_PHOTOS[0], "--name", "phone", "--square-mm", square_mm, "--to", tmp_path)
    assert result.exit_code == 2
    assert "--square-mm" in result.output


@pytest.mark.parametrize("points", ["9", "9x", "axb", "2x9"])
def test_lens_refuses_odd_boards(points: str, tmp_path: Path) -> None:
    result = run("lens", SHEET_PHOTOS[0], "--name", "phone", "--points", points, "--to", tmp_path)
    assert result.exit_code == 2
    assert "--points" in result.output


def test_a_changed_time_zone_dates_photos_again_that_carry_no_offset(tmp_path: Path) -> None:
    folder = make_nursery(tmp_path / "n", TRAY_PHOTO)
    run("measure", folder, "--no-report")
    toml = folder / "nursery.toml"

    def offset() -> str:
        run("export", folder, "--to", tmp_path / "areas.csv", "--replace")
        with (tmp_path / "areas.csv").open(encoding="utf-8-sig", newline="") as file:
            (found,) = {row["utc_offset"] for row in csv.DictReader(file)}
        return found

    assert offset() == "+00:00"
    toml.write_text(toml.read_text(encoding="utf-8").replace('"UTC"', '"Asia/Tokyo"'), encoding="utf-8")
    assert "measured 1," in run("measure", folder, "--no-report").output
    assert offset() == "+09:00"
    assert "measured before 1" in run("measure", folder, "--no-report").output


def test_duplicates_are_listed_with_both_paths(tmp_path: Path) -> None:
    folder = make_nursery(tmp_path / "n", TRAY_PHOTO)
    run("measure", folder, "--no-report")
    (folder / "photos" / "PAD-1").mkdir()
    shutil.copy(folder / "photos" / TRAY_PHOTO, folder / "photos" / "TRAY-1" / "copy.jpg")
    shutil.copy(folder / "photos" / TRAY_PHOTO, folder / "photos" / "PAD-1" / "strayed.jpg")
    result = run("measure", folder, "--no-report")
    assert result.exit_code == 3
    assert f"duplicate: photos/TRAY-1/copy.jpg is the same photo as photos/{TRAY_PHOTO}" in result.output
    assert f"refused: photos/PAD-1/strayed.jpg: the same photo lies in photos/{TRAY_PHOTO}" in result.output


def photo_doubts(folder: Path, target: Path) -> str:
    run("export", folder, "--to", target, "--replace")
    with target.open(encoding="utf-8-sig", newline="") as file:
        (found,) = {row["photo_doubts"] for row in csv.DictReader(file)}
    return found


def test_a_print_check_of_a_reference_in_a_file_ends_the_doubt_until_it_is_taken_back(tmp_path: Path) -> None:
    folder = make_nursery(tmp_path / "n", TRAY_PHOTO)
    frame = (calibration_folder() / "frame-280x220.json").read_text(encoding="utf-8")
    (folder / "frame by the pier.json").write_text(frame.replace('"frame-280x220"', '"our frame"'), encoding="utf-8")
    toml = folder / "nursery.toml"
    text = toml.read_text(encoding="utf-8").replace('"frame-280x220"', '"frame by the pier.json"')
    toml.write_text(text, encoding="utf-8")
    run("measure", folder, "--no-report")
    assert "print not checked" in photo_doubts(folder, tmp_path / "areas.csv")

    words = ("print-check", folder / "frame by the pier.json", "--nursery", folder)
    kept = run(*words, "250.0", "250.0", "250.0", "--on", "2025-07-01")
    assert kept.exit_code == 0, kept.output
    assert "our frame: 250.00 mm measured" in kept.output
    assert "measured 1," in run("measure", folder, "--no-report").output
    assert "print not checked" not in photo_doubts(folder, tmp_path / "areas.csv")

    undone = run(*words, "--undo")
    assert undone.exit_code == 0
    assert "taken back: our frame, 250.00, 250.00, 250.00 mm, of 2025-07-01" in undone.output
    assert "measured 1," in run("measure", folder, "--no-report").output
    assert "print not checked" in photo_doubts(folder, tmp_path / "areas.csv")
    again = run(*words, "--undo")
    assert again.exit_code == 1
    assert "our frame: no print check is kept" in again.stderr


def test_a_known_area_check_is_taken_back(tmp_path: Path) -> None:
    folder = make_nursery(tmp_path / "n", TRAY_PHOTO)
    run("measure", folder, "--no-report")
    kept = run("check", SHEET_PHOTOS[0], "--nursery", folder, "--on", "2025-07-01")
    assert "to take it back: fragarea check --undo" in kept.output
    assert "last check: 2025-07-01" in run("table", folder).output
    undone = run("check", "--undo", "--nursery", folder)
    assert "taken back: the check of 2025-07-01 with frame-280x220, which passes" in undone.output
    shown = run("table", folder).output
    assert "last check" not in shown
    assert "No known-area check yet" in shown
    assert run("check", "--undo", "--nursery", folder).exit_code == 1


def test_days_that_are_still_to_come_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = make_nursery(tmp_path / "n")
    for words in (("print-check", "frame-280x220", "250"), ("check", SHEET_PHOTOS[0])):
        result = run(*words, "--nursery", folder, "--on", "2999-01-01")
        assert result.exit_code == 1
        assert "--on 2999-01-01: this day is still to come" in result.stderr

    class Before(date):
        @classmethod
        def today(cls) -> date:
            return date(2025, 1, 31)  # two days before the photo's own date

    monkeypatch.setattr("fragarea.cli.check.date", Before)
    result = run("check", SHEET_PHOTOS[0], "--nursery", folder)
    assert result.exit_code == 1
    assert "taken on 2025-02-02, which is still to come; nothing was kept" in result.stderr
    assert (
        "No known-area check yet" in run("report", folder).output + (folder / "reports" / "report.html").read_text()
    )


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("check",), "give photos of the printed known-area sheet"),
        (("check", "--undo"), "--undo goes with --nursery, and without photos"),
        (("print-check", "frame-280x220"), "give the length between the marks A and B"),
        (("print-check", "frame-280x220", "250", "--undo"), "--undo goes with --nursery, and without lengths"),
    ],
)
def test_checks_say_what_they_lack(words: tuple[str, ...], message: str) -> None:
    result = run(*words)
    assert result.exit_code == 2
    assert message in result.stderr
