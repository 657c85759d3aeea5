"""What a worker reads when something is wrong: the file, the cause, the remedy; never a traceback."""

from __future__ import annotations

import os
import shutil
import signal
from pathlib import Path

import click
import pytest

from fragarea.cli import COMMANDS, main
from fragarea.cli import doubts as doubts_command
from fragarea.photo import photo_hash
from tests.cli.samples import PAD_PHOTO, SHEET_PHOTOS, make_nursery, run


def refused(*words: str | Path, code: int = 1) -> str:
    result = run(*words)
    assert result.exit_code == code, result.output
    assert isinstance(result.exception, SystemExit)
    assert "Traceback" not in result.output
    return result.stderr


@pytest.fixture
def nursery(tmp_path: Path) -> Path:
    return make_nursery(tmp_path / "n")


@pytest.mark.parametrize("name", ["measure", "table", "report"])
def test_folder_that_is_not_there_is_named(name: str, tmp_path: Path) -> None:
    text = refused(name, tmp_path / "absent")
    assert text == f"{tmp_path / 'absent'}: there is no such file or folder. Check its name.\n"


@pytest.mark.parametrize("name", ["measure", "table", "report"])
def test_folder_without_a_nursery_says_how_to_make_one(name: str, tmp_path: Path) -> None:
    text = refused(name, tmp_path)
    assert "no nursery.toml here or in a folder above" in text
    assert f"fragarea start {tmp_path}" in text


def test_photos_of_two_nurseries_are_not_mixed(nursery: Path, tmp_path: Path) -> None:
    other = make_nursery(tmp_path / "other")
    text = refused("measure", nursery, other)
    assert str(nursery) in text
    assert str(other) in text
    assert "one nursery at a time" in text


def test_misspelt_setting_is_named_with_the_likely_one(nursery: Path) -> None:
    settings = nursery / "nursery.toml"
    settings.write_text(settings.read_text(encoding="utf-8").replace("plug_mm", "plugmm", 1), encoding="utf-8")
    for name in ("measure", "table", "report"):
        assert "nursery.toml: key 'plugmm' is not known. Did you mean 'plug_mm'?" in refused(name, nursery)


def test_broken_toml_is_named(nursery: Path) -> None:
    (nursery / "nursery.toml").write_text("name = [", encoding="utf-8")
    assert refused("measure", nursery).startswith("nursery.toml: not valid TOML")


def test_every_wrong_line_of_a_table_is_listed(nursery: Path) -> None:
    table = nursery / "placements.csv"
    rows = table.read_text(encoding="utf-8").splitlines()
    wrong = [
        rows[1].replace("P01", "P99"),
        rows[2].replace("TRAY-1", "TRAY-9"),
        rows[3].replace("2025-02-21", "soon"),
    ]
    table.write_text("\n".join([rows[0], *wrong, *rows[4:]]), encoding="utf-8")
    text = refused("measure", nursery)
    assert text.startswith("placements.csv: ")
    for line, words in (("line 2", "P99"), ("line 3", "TRAY-9"), ("line 4", "soon")):
        assert any(words in one for one in text.splitlines() if one.startswith(line)), (line, text)


def test_unknown_site_lists_the_known_ones(nursery: Path) -> None:
    for name in ("measure", "table", "report"):
        text = refused(name, nursery, "--site", "TRAY-9")
        assert "--site TRAY-9: not described in nursery.toml. Known: TRAY-1, PAD-1." in text


def test_unknown_lens_lists_the_known_ones(nursery: Path) -> None:
    assert "--lens phone: not in" in refused("measure", nursery, "--lens", "phone")


def test_photo_in_a_folder_of_no_site_is_refused_and_the_rest_goes_on(tmp_path: Path) -> None:
    folder = make_nursery(tmp_path / "n", PAD_PHOTO)
    stray = folder / "photos" / "TRAY-9" / "note.jpg"
    stray.parent.mkdir()
    shutil.copy(folder / "photos" / PAD_PHOTO, stray)
    stray.write_bytes(stray.read_bytes() + b"\0")  # other content: not a duplicate
    result = run("measure", folder, "--no-report")
    assert result.exit_code == 3
    assert "measured 1," in result.output
    assert "refused: photos/TRAY-9/note.jpg: no site is named after its folder 'TRAY-9'" in result.output


def test_export_needs_a_kind_of_file_it_knows(nursery: Path, tmp_path: Path) -> None:
    assert "must end in .csv or .xlsx" in refused("export", nursery, "--to", tmp_path / "areas.doc")


def test_export_to_a_place_that_cannot_be_written_is_told(measured_nursery: Path, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    text = refused("export", measured_nursery, "--to", tmp_path / "file" / "areas.csv")
    assert "file" in text
    assert "cannot be written" in text


def test_file_that_is_no_logbook_is_left_alone(nursery: Path) -> None:
    (nursery / "logbook.sqlite").write_text("shopping list", encoding="utf-8")
    for name in ("measure", "table", "report"):
        assert "this file is not a logbook" in refused(name, nursery)
    assert (nursery / "logbook.sqlite").read_text(encoding="utf-8") == "shopping list"


def test_check_without_shapes_names_every_photo(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").touch()
    text = refused("check", tmp_path / "a.jpg", tmp_path / "b.jpg")
    assert "2 photos: no known-area shape was found" in text
    assert "a.jpg: the file is empty" in text
    assert "b.jpg: there is no such file" in text


def test_measure_keeps_json_options_apart_from_budget(nursery: Path) -> None:
    text = refused("measure", nursery, "--budget", code=2)
    assert "--budget goes with --json; in a nursery, ask for it with: fragarea table --budget." in text
    assert "--two-points" not in text
    points = refused("measure", nursery, "--two-points", "1", "2", "3", "4", "5", code=2)
    assert "--two-points goes with --json" in points
    assert "--budget" not in points


@pytest.mark.parametrize(
    ("error", "code", "words"),
    [
        (KeyboardInterrupt(), 130, "The same command goes on"),
        (OSError(28, "No space left on device", "/data/n"), 1, "/data/n: No space left on device. Check that"),
        (PermissionError(13, "Permission denied", "/data/n"), 1, "/data/n: Permission denied. Check that"),
    ],
)
def test_stops_and_faults_of_the_system_end_in_a_sentence(
    error: BaseException, code: int, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail() -> None:
        raise error

    monkeypatch.setattr(doubts_command.doubts, "callback", fail)
    assert words in refused("doubts", code=code)


def test_programmers_mistakes_are_not_hidden(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail() -> None:
        raise ValueError("mask must be bool")

    monkeypatch.setattr(doubts_command.doubts, "callback", fail)
    assert isinstance(run("doubts").exception, ValueError)


def test_every_command_refuses_an_unknown_option() -> None:
    assert isinstance(main, click.Group)
    for name in COMMANDS:
        assert "No such option" in refused(name, "--colour", code=2)


def test_ctrl_c_while_photos_are_looked_through_ends_with_a_sentence(nursery: Path, monkeypatch) -> None:
    hashed: list[Path] = []

    def press(path: Path) -> str:
        hashed.append(path)
        os.kill(os.getpid(), signal.SIGINT)
        return photo_hash(path)

    for number in range(3):
        (nursery / "photos" / "TRAY-1").mkdir(parents=True, exist_ok=True)
        shutil.copy(SHEET_PHOTOS[0], nursery / "photos" / "TRAY-1" / f"{number}.jpg")
    monkeypatch.setattr("fragarea.batch.planning.photo_hash", press)
    # a shell that starts the tests in the background has them ignore the signal
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        assert "Stopped; nothing that was finished is lost" in refused("measure", nursery, code=130)
    finally:
        signal.signal(signal.SIGINT, before)
    assert len(hashed) == 1
