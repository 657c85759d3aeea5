"""The known-area check on the sample photos of the sheet."""

from __future__ import annotations

import shutil
from datetime import date
from functools import cache
from pathlib import Path

import pytest

from fragarea.check import Verdict
from fragarea.checking import PhotoCheck, check_photos
from fragarea.errors import SettingsProblem
from fragarea.measurement import MeasureSettings
from tests.cli.samples import SHEET_PHOTOS


@cache
def check(*paths: Path, tolerance_rel: float = 0.02, **settings: float) -> PhotoCheck:
    return check_photos(
        paths, reference="frame-280x220", settings=MeasureSettings(**settings), tolerance_rel=tolerance_rel
    )


def test_sample_sheets_have_next_to_no_bias() -> None:
    checked = check(*SHEET_PHOTOS)
    # exact geometry: the shapes of the rendered sheet have their nominal areas
    assert abs(checked.result.bias_rel) < 0.005
    assert checked.result.verdict is Verdict.PASSES
    assert checked.taken_on == date(2025, 2, 3)  # day of the later photo
    assert checked.refused == ()


def test_print_correction_that_is_wrong_shows_as_bias_of_twice_its_size() -> None:
    """Exact geometry: lengths times 1.02 are areas times 1.0404."""
    right = check(SHEET_PHOTOS[0]).result.bias_rel
    wrong = check(SHEET_PHOTOS[0], print_factor=1.02, print_u_rel=0.001).result
    # 0.02 %: the places at which pixels are read round to whole ones differently
    assert wrong.bias_rel == pytest.approx(1.0404 * (1 + right) - 1, abs=2e-4)
    assert wrong.verdict is Verdict.FAILS


def test_tolerance_within_the_uncertainty_cannot_be_judged() -> None:
    # the unmeasured print alone leaves 0.4 % of area; a tolerance of 0.1 % cannot be told from that
    assert check(SHEET_PHOTOS[0], tolerance_rel=0.001).result.verdict is Verdict.CANNOT_TELL


def test_same_photo_twice_counts_once(tmp_path: Path) -> None:
    copy = tmp_path / "copy.jpg"
    shutil.copy(SHEET_PHOTOS[0], copy)
    once, twice = check(SHEET_PHOTOS[0]), check(SHEET_PHOTOS[0], copy)
    assert twice.result.to_dict() == once.result.to_dict()


def test_photos_that_cannot_be_read_are_handed_back(tmp_path: Path) -> None:
    (tmp_path / "bad.jpg").write_text("no photo", encoding="utf-8")
    seen: list[Path] = []
    paths = (tmp_path / "bad.jpg", SHEET_PHOTOS[0])
    checked = check_photos(
        paths, reference="frame-280x220", settings=MeasureSettings(), tolerance_rel=0.02, on_photo=seen.append
    )
    assert [problem.photo for problem in checked.refused] == ["bad.jpg"]
    assert checked.result.verdict is Verdict.PASSES
    assert seen == list(paths)


def test_no_shapes_at_all_is_an_error_with_each_reason(tmp_path: Path) -> None:
    tray = SHEET_PHOTOS[0].parents[1] / "nursery" / "photos" / "TRAY-1" / "2025-03-06 tray 1.jpg"
    with pytest.raises(SettingsProblem, match="no known-area shape was found") as caught:
        check(tray, tmp_path / "absent.jpg")
    text = str(caught.value)
    assert tray.name in text
    assert "absent.jpg: there is no such file" in text
    assert "Photograph the printed known-area sheet" in text
