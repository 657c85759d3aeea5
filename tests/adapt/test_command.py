"""`fragarea adapt`: learned where it helps, kept in the nursery, measured with, and taken back."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from fragarea.adapt import load_calibration, write_correction
from fragarea.errors import SettingsProblem
from fragarea.logbook import current_measurements, open_logbook
from fragarea.tissue import AS_LEARNED
from tests.adapt.cases import corrections
from tests.cli.samples import PAD_PHOTO, make_nursery, run


@pytest.fixture(scope="module")
def drawn_outside(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("corrections")
    for one in corrections(0.3):
        write_correction(folder, one)
    return folder


@pytest.fixture(scope="module")
def drawn_alike(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("alike")
    for one in corrections(0.0):
        write_correction(folder, one)
    return folder


def live_mm2(nursery: Path) -> float:
    with open_logbook(nursery / "logbook.sqlite", create=False) as logbook:
        (one,) = current_measurements(logbook)
    return sum(fragment.live.area_mm2 for fragment in one.measurement.fragments)


def test_a_nursery_learns_measures_again_and_goes_back(drawn_outside: Path, tmp_path: Path):
    nursery = make_nursery(tmp_path / "nursery", PAD_PHOTO)
    assert run("measure", nursery, "--no-report").exit_code == 0
    before = live_mm2(nursery)
    result = run("adapt", drawn_outside, "--nursery", nursery)
    assert result.exit_code == 0, result.output
    assert "better: live" in result.output
    kept = json.loads((nursery / "tissue.json").read_text())
    assert (kept["windows"], kept["photos"]) == (10, 5)
    assert kept["held_back"]["overlap_after"] > kept["held_back"]["overlap_before"]
    again = run("measure", nursery, "--no-report")
    assert "1 of them to measure" in again.stderr
    assert live_mm2(nursery) > 1.02 * before  # drawn 0.3 mm further out
    assert run("adapt", "--nursery", nursery, "--forget").exit_code == 0
    assert load_calibration(nursery) == AS_LEARNED
    assert (nursery / "tissue-before-1.json").exists()
    assert "nothing to forget" in run("adapt", "--nursery", nursery, "--forget").output


def test_the_former_model_stays_where_corrections_bring_nothing(drawn_alike: Path, tmp_path: Path):
    nursery = make_nursery(tmp_path / "nursery")
    result = run("adapt", drawn_alike, "--nursery", nursery)
    assert result.exit_code == 0
    assert "the former model is kept" in result.output
    assert not (nursery / "tissue.json").exists()


def test_a_dry_run_writes_nothing(drawn_outside: Path, tmp_path: Path):
    nursery = make_nursery(tmp_path / "nursery")
    result = run("adapt", drawn_outside, "--nursery", nursery, "--dry-run")
    assert "better: live" in result.output
    assert not (nursery / "tissue.json").exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "Give the folder of corrected windows"),
        (("nowhere",), "Give --nursery FOLDER"),
        (("nowhere", "--dry-run"), "there is no such file or folder"),
        (("--forget",), "--forget goes with --nursery alone"),
    ],
)
def test_what_is_missing_is_said(arguments, words):
    result = run("adapt", *arguments)
    assert result.exit_code == 1
    assert words in result.output


@pytest.mark.parametrize(
    "text", ["{}", "no JSON", '{"schema": "fragarea-tissue-calibration-1", "shift": {"live": 1}}']
)
def test_a_broken_calibration_is_named(tmp_path: Path, text: str):
    (tmp_path / "tissue.json").write_text(text)
    with pytest.raises(SettingsProblem, match=r"tissue\.json: .*--forget"):
        load_calibration(tmp_path)
