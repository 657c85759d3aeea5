"""`fragarea measure --json`: one object a line and photo, nothing stored."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from statistics import median

import pytest
from jsonschema import Draft202012Validator

import fragarea.report
from fragarea.reference.layout import calibration_folder
from tests.cli.samples import PAD_PHOTO, REFUSED_PHOTO, SAMPLES, SHEET_PHOTOS, TRAY_PHOTO, hashes, run

PHOTOS = SAMPLES / "nursery" / "photos"
SCHEMA = json.loads((Path(fragarea.report.__file__).parent / "measure-1.schema.json").read_text(encoding="utf-8"))
# the names that other programs rely on
PHOTO_KEYS = {
    *("schema", "photo", "taken_at", "reference", "mm_per_px", "camera_height_mm", "tilt_deg", "refused"),
    *("doubts", "fragments"),
}
FRAGMENT_KEYS = {
    *("position", "centre_mm", "status", "area_mm2", "expanded_uncertainty_mm2", "bleached_mm2", "dead_mm2"),
    *("outline", "doubts"),
}


def lines(*words: str | Path, code: int = 0) -> list[dict]:
    result = run("measure", "--json", *words)
    assert result.exit_code == code, result.output
    records = [json.loads(line) for line in result.stdout.splitlines()]  # nothing else on standard output
    for record in records:
        assert [error.message for error in Draft202012Validator(SCHEMA).iter_errors(record)] == []
        assert set(record) >= PHOTO_KEYS
        assert all(set(fragment) >= FRAGMENT_KEYS for fragment in record["fragments"])
    return records


def test_tray_with_every_option_that_describes_it() -> None:
    (record,) = lines(
        *("--site-kind", "tray", "--reference", "frame-280x220", "--plug-mm", "25", "--height-mm", "0.5"),
        *("--reference-offset-mm", "0", PHOTOS / TRAY_PHOTO),
    )
    assert record["refused"] is None
    assert record["photo"] == Path(TRAY_PHOTO).name
    assert record["taken_at"].startswith("2025-07-10T")
    places = [tuple(fragment["position"]) for fragment in record["fragments"]]
    assert sorted(places) == [(row, column) for row in range(1, 6) for column in range(1, 9)]


@pytest.mark.parametrize(("kind", "photo"), [("pad", PHOTOS / PAD_PHOTO), ("shapes", SHEET_PHOTOS[0])])
def test_pads_and_shapes_have_labels_in_place_of_positions(kind: str, photo: Path) -> None:
    (record,) = lines("--site-kind", kind, "--plug-mm", "22", photo)
    assert record["fragments"]
    assert all(fragment["position"] is None and fragment["label"] for fragment in record["fragments"])


def test_single_plug_beside_its_card() -> None:
    photos = SAMPLES.parents[1] / "shared" / "photos" / "dev" / "single"
    if not photos.is_dir():
        pytest.skip("../shared/photos/dev/single is not there")
    (record,) = lines("--site-kind", "single", "--plug-mm", "25", photos / "s01.jpg")
    assert record["reference"] == "card-80x50"
    (fragment,) = record["fragments"]
    truth = json.loads((photos / "truth.json").read_text(encoding="utf-8"))["photos"]
    (true,) = next(one for one in truth if one["file"] == "s01.jpg")["fragments"]
    assert fragment["area_mm2"] == pytest.approx(true["live_mm2"], rel=0.05)  # exact geometry of the scene


def test_reference_by_file_measures_as_by_name(tmp_path: Path) -> None:
    shutil.copy(calibration_folder() / "frame-280x220.json", tmp_path / "our frame.json")
    (named,) = lines("--site-kind", "pad", "--plug-mm", "22", PHOTOS / PAD_PHOTO)
    (filed,) = lines(
        "--site-kind", "pad", "--plug-mm", "22", "--reference", tmp_path / "our frame.json", PHOTOS / PAD_PHOTO
    )
    assert filed["fragments"] == named["fragments"]


def test_plug_rims_are_the_scale_where_there_is_no_reference() -> None:
    (record,) = lines("--site-kind", "tray", "--reference", "none", PHOTOS / TRAY_PHOTO)
    assert record["reference"] is None
    assert "scale_from_rim" in {doubt["key"] for doubt in record["doubts"]}
    (with_frame,) = lines("--site-kind", "tray", PHOTOS / TRAY_PHOTO)
    assert record["mm_per_px"] == pytest.approx(with_frame["mm_per_px"], rel=0.05)


def test_two_points_are_the_scale_by_hand() -> None:
    (record,) = lines(
        "--site-kind",
        "pad",
        "--plug-mm",
        "22",
        "--two-points",
        "100",
        "200",
        "1100",
        "200",
        "190",
        PHOTOS / PAD_PHOTO,
    )
    assert record["mm_per_px"] == pytest.approx(0.19)  # exact geometry: 190 mm over 1000 pixels
    assert {doubt["key"] for doubt in record["doubts"]} >= {"scale_by_hand"}


def test_a_line_for_every_photo_and_exit_code_3_where_some_are_refused(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("no photo", encoding="utf-8")
    (tmp_path / "empty.jpg").touch()
    photos = [
        PHOTOS / REFUSED_PHOTO,
        tmp_path / "absent.jpg",
        tmp_path / "notes.txt",
        tmp_path / "empty.jpg",
        tmp_path,
    ]
    records = lines("--site-kind", "tray", *photos, PHOTOS / TRAY_PHOTO, code=3)
    assert [record["photo"] for record in records] == [photo.name for photo in [*photos, PHOTOS / TRAY_PHOTO]]
    reasons = [record["refused"] for record in records]
    for reason, words in zip(
        reasons,
        ["only 1 of 12 tags", "no such file", "not a photo", "the file is empty", "this is a folder"],
        strict=False,
    ):
        assert words in reason
        assert reason.count(". ") >= 1  # a cause and a remedy
    assert reasons[-1] is None
    assert all(record["fragments"] == [] for record in records[:-1])
    days = [record["taken_at"] and record["taken_at"][:10] for record in records]
    assert days == ["2025-05-09", None, None, None, None, "2025-07-10"]  # of what could be read as a photo


def test_budget_is_added_when_asked_for() -> None:
    (record,) = lines("--site-kind", "pad", "--plug-mm", "22", "--budget", PHOTOS / PAD_PHOTO)
    for fragment in record["fragments"]:
        combined = sum(term["u_mm2"] ** 2 for term in fragment["budget"]) ** 0.5  # JCGM 100:2008, equation (10)
        assert 1.96 * combined == pytest.approx(fragment["expanded_uncertainty_mm2"], rel=0.01)


def test_date_given_by_hand_replaces_that_of_the_photo() -> None:
    (record,) = lines("--site-kind", "pad", "--on", "2026-03-07T09:30+09:00", PHOTOS / PAD_PHOTO)
    assert record["taken_at"] == "2026-03-07T09:30:00+09:00"


def test_higher_edge_means_a_smaller_area_of_the_same_outline() -> None:
    """Exact geometry: what lies 5 mm nearer to a camera 400 mm away is (1 - 5/400)^2 of the area."""
    (low,) = lines("--site-kind", "tray", "--height-mm", "0", PHOTOS / TRAY_PHOTO)
    (high,) = lines("--site-kind", "tray", "--height-mm", "5", PHOTOS / TRAY_PHOTO)
    # outlines that are unsure may be drawn differently on another plane; the usual one is the same
    pairs = zip(low["fragments"], high["fragments"], strict=True)
    ratios = [after["area_mm2"] / before["area_mm2"] for before, after in pairs if before["status"] == "live"]
    assert median(ratios) == pytest.approx((1 - 5 / low["camera_height_mm"]) ** 2, abs=0.002)


def test_nothing_is_stored(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copy(PHOTOS / PAD_PHOTO, tmp_path / "pad.jpg")
    before = hashes(tmp_path)
    monkeypatch.chdir(tmp_path)
    lines("--site-kind", "pad", "pad.jpg")
    assert hashes(tmp_path) == before


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (("a.jpg",), 2, "--json needs --site-kind"),
        (("--site-kind", "tray"), 2, "at least one photo"),
        (("--site-kind", "reef", "a.jpg"), 2, "'reef' is not one of"),
        (("--site-kind", "tray", "--plug-mm", "nan", "a.jpg"), 2, "--plug-mm"),
        (("--site-kind", "tray", "--plug-mm", "500", "a.jpg"), 2, "3<=x<=200"),
        (("--site-kind", "tray", "--height-mm", "inf", "a.jpg"), 2, "--height-mm"),
        (("--site-kind", "tray", "--reference-offset-mm", "-1e9", "a.jpg"), 2, "--reference-offset-mm"),
        (("--site-kind", "tray", "--pitch-mm", "0", "a.jpg"), 2, "--pitch-mm"),
        (("--site-kind", "tray", "--reference", "nope", "a.jpg"), 1, "reference 'nope' is not known. Use one of"),
        (("--site-kind", "tray", "--reference", "nope.json", "a.jpg"), 1, "nope.json"),
        (("--site-kind", "tray", "--lens", "phone", "a.jpg"), 1, "--lens phone"),
        (("--site-kind", "tray", "--lens", "phone.json", "a.jpg"), 1, "phone.json"),
        (("--site-kind", "tray", "--two-points", "1", "2", "3", "4", "5", "a.jpg", "b.jpg"), 2, "one photo"),
        (("--site-kind", "tray", "--again", "a.jpg"), 2, "--again does not go with --json"),
        (("--site-kind", "tray", "--on", "7 March", "a.jpg"), 2, "--on"),
    ],
)
def test_wrong_options_are_explained(words: tuple[str, ...], code: int, message: str) -> None:
    result = run("measure", "--json", *words)
    assert result.exit_code == code
    assert message in result.stderr
    assert result.stdout == ""


@pytest.mark.parametrize(
    ("points", "message"),
    [
        (("10", "10", "10", "10", "50"), "at least 20 pixels apart"),
        (("10", "10", "900", "10", "0"), "positive"),
        (("10", "10", "90000", "10", "50"), "outside the photo of 2550 x 1912 pixels"),
        (("10", "10", "nan", "10", "50"), "outside the photo"),
    ],
)
def test_points_that_give_no_scale_are_explained(points: tuple[str, ...], message: str) -> None:
    result = run("measure", "--json", "--site-kind", "pad", "--two-points", *points, PHOTOS / PAD_PHOTO)
    assert result.exit_code == 1
    assert message in result.stderr
    assert result.stderr.startswith("--two-points: ")
    assert result.stdout == ""


def test_options_of_json_are_refused_in_a_nursery() -> None:
    result = run("measure", "--plug-mm", "25")
    assert result.exit_code == 2
    assert "--plug-mm goes with --json; in a nursery, nursery.toml describes the sites" in result.stderr
