"""The pipeline on the sample photos, whose true areas are known from the geometry of the rendered scenes."""

from __future__ import annotations

import csv
import io
import json
import math
import tempfile
from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from jsonschema import Draft202012Validator
from PIL import Image
from shapely import wkt

import fragarea.report
from fragarea.area import budget_lines
from fragarea.errors import ReferenceNotFound, SiteNotFound, ViewUnusable
from fragarea.measure import measure_photo
from fragarea.measurement import FragmentStatus, MeasureSettings, PhotoMeasurement
from fragarea.photo import Photo, read_photo
from fragarea.reference.layout import load_reference
from fragarea.reference.plane import CameraPose
from fragarea.report import json_line, measurement_to_json, refusal_to_json
from fragarea.sites.records import SiteDescription, SiteKind

SAMPLES = Path(__file__).parents[1] / "sample_images"
TRAY_PHOTOS = SAMPLES / "nursery" / "photos" / "TRAY-1"
FIRST, LAST = "2025-03-06 tray 1.jpg", "2025-07-10 tray 1.jpg"
CUT_OFF = "2025-05-09 tray 1 frame cut off.jpg"
PAD_PHOTO = "2023-05-13 pad 1.jpg"
SHEET_PHOTO = "2025-02-02 known areas 1.jpg"
FRAME = load_reference("frame-280x220")
# as sample_images/nursery/nursery.toml describes them
TRAY = SiteDescription(kind=SiteKind.TRAY, plug_mm=25.0, rows=5, columns=8, pitch_mm=27.0)
PAD = SiteDescription(kind=SiteKind.PAD, plug_mm=22.0)
SHEET = SiteDescription(kind=SiteKind.SHAPES)
POSITIONS = frozenset((row, column) for row in range(1, 6) for column in range(1, 9))


@cache
def photo(path: Path) -> Photo:
    return read_photo(path)


def measure(
    one: Photo, site: SiteDescription = TRAY, *, expected: frozenset[tuple[int, int]] | None = None
) -> PhotoMeasurement:
    return measure_photo(one, site, MeasureSettings(), layout=FRAME, expected=expected)


@cache
def tray(name: str) -> PhotoMeasurement:
    return measure(photo(TRAY_PHOTOS / name))


@cache
def pad() -> PhotoMeasurement:
    return measure(photo(SAMPLES / "nursery" / "photos" / "PAD-1" / PAD_PHOTO), PAD)


@cache
def sheet() -> PhotoMeasurement:
    return measure(photo(SAMPLES / "known-areas" / SHEET_PHOTO), SHEET)


def truth(name: str) -> list[dict[str, str]]:
    """Rows of true_areas.csv for a photo; their source is the exact geometry of the scene."""
    with (SAMPLES / "true_areas.csv").open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if row["photo"] == name]


def tray_truth(name: str) -> dict[tuple[int, int], dict[str, str]]:
    return {(int(row["row"]), int(row["column"])): row for row in truth(name)}


def areas(measured: PhotoMeasurement) -> dict[tuple[int, int] | None, float]:
    return {fragment.position: fragment.live.area_mm2 for fragment in measured.fragments}


def keys_of(measured: PhotoMeasurement, position: tuple[int, int]) -> set[str]:
    (found,) = (fragment for fragment in measured.fragments if fragment.position == position)
    return {doubt.key for doubt in found.doubts}


def photo_keys(measured: PhotoMeasurement) -> set[str]:
    return {doubt.key for doubt in measured.doubts}


# --- numbers against exact geometry


@pytest.mark.parametrize("name", [FIRST, LAST])
def test_every_tray_position_is_named_once(name: str) -> None:
    found = [fragment.position for fragment in tray(name).fragments]
    assert sorted(found) == sorted(POSITIONS)  # exact geometry: a tray of 5 x 8 plugs


@pytest.mark.parametrize("name", [FIRST, LAST])
def test_rows_and_columns_are_the_right_way_round(name: str) -> None:
    found = areas(tray(name))
    true = {place: float(row["live_mm2"]) for place, row in tray_truth(name).items()}

    def misfit(turned: bool, mirrored: bool) -> float:
        return sum(
            abs(found[6 - r if turned else r, 9 - c if turned != mirrored else c] - area)
            for (r, c), area in true.items()
        )

    wrong = [misfit(True, False), misfit(False, True), misfit(True, True)]
    assert misfit(False, False) < 0.2 * min(wrong)  # a tray laid out otherwise fits at least five times worse


@pytest.mark.parametrize("name", [FIRST, LAST])
def test_healthy_fragments_have_a_median_area_error_below_three_percent(name: str) -> None:
    found = areas(tray(name))
    errors = [
        abs(found[place] / float(row["live_mm2"]) - 1)  # exact geometry
        for place, row in tray_truth(name).items()
        if row["state"] == "healthy"
    ]
    assert len(errors) >= 35
    assert np.median(errors) <= 0.03
    assert np.percentile(errors, 90) <= 0.10


def test_interval_covers_the_true_area_of_most_healthy_fragments() -> None:
    healthy = [(name, place, row) for name in (FIRST, LAST) for place, row in tray_truth(name).items()]
    covered = [
        abs(fragment.live.area_mm2 - float(row["live_mm2"])) <= fragment.live.expanded_mm2
        for name, place, row in healthy
        if row["state"] == "healthy"
        for fragment in tray(name).fragments
        if fragment.position == place
    ]
    # 75 fragments of two photos: at a coverage of 95 %, fewer than 60 would come about less than once in a million
    # for independent errors; those of one photo share their scale, hence the wide margin
    assert len(covered) == 75
    assert sum(covered) >= 60


def test_lost_fragments_are_missing_and_all_others_are_not() -> None:
    true = {place: row["state"] == "missing" for place, row in tray_truth(LAST).items()}
    found = {f.position: f.status is FragmentStatus.MISSING for f in tray(LAST).fragments}
    assert sum(true.values()) == 2
    assert found == true


def test_dying_and_bleached_fragments_are_told() -> None:
    by_place = {fragment.position: fragment for fragment in tray(LAST).fragments}
    for place, row in tray_truth(LAST).items():
        if row["state"] == "dying back":
            assert by_place[place].status is FragmentStatus.PARTLY_DEAD
        if row["state"] == "bleaching":
            assert by_place[place].status is FragmentStatus.LIVE  # bleached tissue is live
            assert by_place[place].bleached_mm2 > 0.8 * float(row["bleached_mm2"])


def test_total_of_a_pad_is_that_of_its_patches() -> None:
    total = sum(fragment.live.area_mm2 for fragment in pad().fragments)
    assert total == pytest.approx(sum(float(row["live_mm2"]) for row in truth(PAD_PHOTO)), rel=0.03)  # exact geometry


def test_turf_in_a_corner_of_a_pad_does_not_make_its_corals_unsure() -> None:
    # geometry of the rendered scene: ten fragments, of 1 cm2 and more each; whatever else is found is none
    corals = [fragment for fragment in pad().fragments if fragment.live.area_mm2 > 100]
    assert len(corals) == 10
    for coral in corals:
        assert coral.confidence > 0.9
        assert "outline_unsure" not in {doubt.key for doubt in coral.doubts}
        assert coral.dead_mm2 == 0.0
    whole = sum(coral.live.area_mm2 for coral in corals)
    assert whole == pytest.approx(sum(float(row["live_mm2"]) for row in truth(PAD_PHOTO)), rel=0.02)


def test_known_shapes_have_their_nominal_areas() -> None:
    found = {fragment.label: fragment.live.area_mm2 for fragment in sheet().fragments}
    nominal = {row["place"]: float(row["live_mm2"]) for row in truth(SHEET_PHOTO)}  # exact geometry
    assert found.keys() == nominal.keys()
    for label, area_mm2 in nominal.items():
        assert abs(found[label] - area_mm2) <= max(0.005 * area_mm2, 0.3), label


def test_photo_turned_by_its_orientation_tag_gives_the_same_numbers() -> None:
    """Exact geometry: the same pixels stored turned by a quarter, with the tag that turns them back."""
    original = photo(TRAY_PHOTOS / LAST)
    data = (TRAY_PHOTOS / LAST).read_bytes()
    turned = read_photo_of(np.rot90(original.pixels), exif_of(data, orientation=6))
    assert np.array_equal(turned.pixels, original.pixels)
    measured = measure(turned)
    assert areas(measured) == areas(tray(LAST))
    assert measured.taken_at == tray(LAST).taken_at
    assert measured.tilt_deg == tray(LAST).tilt_deg


def exif_of(data: bytes, *, orientation: int) -> Image.Exif:
    with Image.open(io.BytesIO(data)) as image:
        exif = image.getexif()
        exif.get_ifd(0x8769)  # read with the rest before the file is closed
    exif[0x0112] = orientation
    return exif


def read_photo_of(pixels: np.ndarray, exif: Image.Exif) -> Photo:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "turned.png"
        Image.fromarray(np.ascontiguousarray(pixels)).save(path, exif=exif, compress_level=1)
        return read_photo(path)


# --- uncertainty


@pytest.mark.parametrize("measured", [lambda: tray(LAST), pad, sheet])
def test_budget_terms_combine_to_the_uncertainty(measured) -> None:
    for fragment in measured().fragments:
        terms = [term.u_mm2 for term in fragment.live.terms]
        # JCGM 100:2008, equation (10), uncorrelated inputs; 6.2.1 with k = 1.96 (table G.2, 95 %)
        assert fragment.live.area_u_mm2 == pytest.approx(math.sqrt(sum(u * u for u in terms)), rel=1e-9, abs=1e-12)
        assert fragment.live.expanded_mm2 == pytest.approx(1.96 * fragment.live.area_u_mm2, rel=1e-3)


def test_budget_names_every_source_and_the_result() -> None:
    fragment = tray(LAST).fragments[0]
    text = "\n".join(budget_lines(fragment.live))
    for term in fragment.live.terms:
        assert term.name in text
    assert {"scale", "print", "height", "outline"} <= {term.name for term in fragment.live.terms}


# --- the machine-readable record


SCHEMA = json.loads((Path(fragarea.report.__file__).parent / "measure-1.schema.json").read_text(encoding="utf-8"))


def records() -> list[dict]:
    measured = [tray(FIRST), tray(LAST), pad(), sheet()]
    lines = [json_line(measurement_to_json(one, budget=True)) for one in measured]
    return [json.loads(line) for line in lines]


def test_json_keeps_to_its_schema() -> None:
    Draft202012Validator.check_schema(SCHEMA)
    validator = Draft202012Validator(SCHEMA)
    refused = json.loads(json_line(refusal_to_json("a.jpg", "blurred. Hold still.", reference="frame-280x220")))
    for record in [*records(), refused]:
        assert [error.message for error in validator.iter_errors(record)] == []
    broken = {**refused, "fragments": [{"position": [0, 1]}]}
    assert not validator.is_valid(broken)


def test_json_outlines_are_valid_and_cover_the_stated_area() -> None:
    for record in records():
        for fragment in record["fragments"]:
            outline = wkt.loads(fragment["outline"])
            assert outline.geom_type == "MultiPolygon"
            assert outline.is_valid
            # coordinates have three decimals: each point is off by less than 0.0008 mm across the edge
            room = 0.0008 * outline.length + 1e-3
            assert outline.area == pytest.approx(fragment["area_mm2"], abs=room), fragment["position"]


def test_json_outlines_lie_around_their_plugs() -> None:
    for fragment in records()[0]["fragments"]:
        outline = wkt.loads(fragment["outline"])
        x, y = fragment["centre_mm"]
        middle = outline.centroid
        assert math.hypot(middle.x - x, middle.y - y) < 12.5  # exact geometry: half the plug's 25 mm


# --- doubts and refusals


def seen_from(tilt_deg: float) -> Photo:
    """The last tray photo as a camera tilted by `tilt_deg` would see its reference plane (pinhole geometry)."""
    original, plane = photo(TRAY_PHOTOS / LAST), tray(LAST).plane
    assert isinstance(plane, CameraPose)
    corners = np.array([[0.0, 0.0], [280.0, 0.0], [280.0, 220.0], [0.0, 220.0]])
    old = cv2.getPerspectiveTransform(corners.astype(np.float32), plane.project(corners, 0.0).astype(np.float32))
    turn, _ = cv2.Rodrigues(np.radians([tilt_deg, 0.0, 0.0]))
    place = np.array([0.0, 0.0, 470.0]) - turn @ np.array([140.0, 110.0, 0.0])
    new = plane.camera_matrix @ np.column_stack([turn[:, 0], turn[:, 1], place])
    height, width = original.pixels.shape[:2]
    return replace(original, pixels=cv2.warpPerspective(original.pixels, new @ np.linalg.inv(old), (width, height)))


def changed(pixels: np.ndarray) -> Photo:
    return replace(photo(TRAY_PHOTOS / LAST), pixels=pixels)


def with_tags(keep: int) -> np.ndarray:
    """The last tray photo with all tags but the first `keep` painted over."""
    pixels = photo(TRAY_PHOTOS / LAST).pixels.copy()
    plane = tray(LAST).plane
    assert plane is not None
    for tag in FRAME.tags[keep:]:
        half = tag.side_mm / 2 + 2
        square = np.array(tag.centre_mm) + half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
        cv2.fillPoly(pixels, [np.round(plane.project(square, 0.0)).astype(np.int32)], (235, 235, 235))
    return pixels


def pixel_of(position: tuple[int, int]) -> tuple[int, int]:
    measured = tray(LAST)
    (centre,) = (f.centre_mm for f in measured.fragments if f.position == position)
    assert measured.plane is not None
    x, y = measured.plane.project(np.array([centre]), 0.0)[0]
    return round(x), round(y)


def test_cut_off_frame_is_refused_with_the_tags_it_shows() -> None:
    with pytest.raises(ReferenceNotFound, match=r"frame cut off\.jpg: only 1 of 12 tags .* seen.*Retake"):
        measure(photo(TRAY_PHOTOS / CUT_OFF))


def test_single_tag_is_refused_and_two_tags_are_doubted() -> None:
    with pytest.raises(ReferenceNotFound, match="only 1 of 12 tags"):
        measure(changed(with_tags(1)))
    two = measure(changed(with_tags(2)))
    assert "few_tags" in photo_keys(two)
    assert "few_tags" not in photo_keys(tray(LAST))
    # the scale of the whole frame; a side of 280 mm is known to far better than the 18 mm of two tags
    assert two.mm_per_px == pytest.approx(tray(LAST).mm_per_px, rel=0.01)


def test_view_beyond_25_degrees_is_refused_and_one_beyond_15_is_doubted() -> None:
    with pytest.raises(ViewUnusable, match="30 degrees off the vertical; 25 is the most"):
        measure(seen_from(30.0))
    leaning = measure(seen_from(20.0))
    assert leaning.tilt_deg == pytest.approx(20.0, abs=0.5)  # exact geometry of the drawn view
    assert "tilted" in photo_keys(leaning)
    assert "tilted" not in photo_keys(tray(LAST))


def test_blurred_photo_is_doubted() -> None:
    smeared = measure(changed(cv2.GaussianBlur(photo(TRAY_PHOTOS / LAST).pixels, (0, 0), 4.0)))
    assert "blur" in photo_keys(smeared)
    assert "blur" not in photo_keys(tray(LAST))


def test_dark_photo_is_doubted() -> None:
    dark = measure(changed((photo(TRAY_PHOTOS / LAST).pixels * 0.12).astype(np.uint8)))
    assert any("dark" in keys_of(dark, position) for position in POSITIONS)
    assert not any("dark" in keys_of(tray(LAST), position) for position in POSITIONS)


def test_scale_below_three_pixels_per_mm_is_refused() -> None:
    small = cv2.resize(photo(TRAY_PHOTOS / LAST).pixels, None, fx=0.4, fy=0.4, interpolation=cv2.INTER_AREA)
    # exact geometry: 0.4 x 6.16 pixels per mm
    assert 0.4 / tray(LAST).mm_per_px == pytest.approx(2.46, abs=0.01)
    with pytest.raises(ViewUnusable, match=r"one mm covers only 2\.5 pixels; 3 are needed"):
        measure(changed(small))


def ending_at(position: tuple[int, int], inwards: float) -> np.ndarray:
    """The last tray photo cut near a plug of the outermost column, `inwards` pixels from the plug's middle."""
    pixels = photo(TRAY_PHOTOS / LAST).pixels
    towards = np.subtract(pixel_of(position), pixel_of((position[0], position[1] - 1)))
    axis = int(np.argmax(np.abs(towards)))  # 0: columns run along x of the photo
    end = round(pixel_of(position)[axis] - math.copysign(inwards, towards[axis]))
    part = slice(None, end) if towards[axis] > 0 else slice(end, None)
    return np.ascontiguousarray(pixels[:, part] if axis == 0 else pixels[part])


@pytest.mark.parametrize("beyond_middle", [0.3, 0.0, -0.6])
def test_plug_cut_by_the_edge_of_the_photo_is_doubted_and_never_called_missing(beyond_middle: float) -> None:
    """The photo ends that many plug diameters beyond the plug's middle."""
    position = (3, 8)
    measured = measure(changed(ending_at(position, -beyond_middle * 25 / tray(LAST).mm_per_px)))
    told = [doubt.detail for doubt in measured.doubts if doubt.key == "cut_off"]
    if position in areas(measured):
        assert "cut_off" in keys_of(measured, position)
    else:
        assert "row 3, column 8" in told[0]
    assert "cut_off" not in photo_keys(tray(LAST))
    assert "cut_off" not in keys_of(tray(LAST), position)


def test_plug_without_a_placement_is_doubted() -> None:
    measured = measure(photo(TRAY_PHOTOS / LAST), expected=POSITIONS - {(1, 1)})
    assert "plug_unexpected" in keys_of(measured, (1, 1))
    assert "plug_unexpected" not in keys_of(measured, (1, 2))


def test_recorded_plug_that_is_gone_is_doubted() -> None:
    position = (3, 4)
    x, y = pixel_of(position)
    pixels = photo(TRAY_PHOTOS / LAST).pixels.copy()
    hole = np.zeros(pixels.shape[:2], np.uint8)
    cv2.circle(hole, (x, y), round(13.7 / tray(LAST).mm_per_px), 255, -1)  # a plug of 25 mm and its edge
    pixels = cv2.inpaint(pixels, hole, 5, cv2.INPAINT_TELEA)
    recorded = measure(changed(pixels), expected=POSITIONS)
    assert "plug_missing" in keys_of(recorded, position)
    assert areas(recorded)[position] == 0.0
    assert "plug_missing" not in keys_of(recorded, (3, 5))
    empty = measure(changed(pixels), expected=POSITIONS - {position})
    assert position not in areas(empty)


def test_photo_without_known_shapes_is_refused() -> None:
    with pytest.raises(SiteNotFound, match="no known-area shape was found"):
        measure(photo(TRAY_PHOTOS / FIRST), SHEET)


def test_print_that_was_measured_is_not_doubted() -> None:
    checked = MeasureSettings(print_factor=1.001, print_u_rel=0.0008, print_checked=True)
    measured = measure_photo(photo(TRAY_PHOTOS / LAST), TRAY, checked, layout=FRAME)
    assert "print_unchecked" in photo_keys(tray(LAST))
    assert "print_unchecked" not in photo_keys(measured)
    # exact geometry: a print 0.1 % too large makes every length look 0.1 % too small
    assert measured.mm_per_px == pytest.approx(1.001 * tray(LAST).mm_per_px, rel=1e-4)


def test_two_points_by_hand_give_the_scale_that_the_tags_give() -> None:
    plane = tray(LAST).plane
    assert plane is not None
    ends = plane.project(np.array([FRAME.tags[0].centre_mm, FRAME.tags[1].centre_mm]), 0.0)
    length_mm = math.dist(FRAME.tags[0].centre_mm, FRAME.tags[1].centre_mm)
    by_hand = MeasureSettings(two_points_px=tuple(float(v) for v in ends.ravel()), two_points_mm=length_mm)
    measured = measure_photo(photo(TRAY_PHOTOS / LAST), replace(TRAY, reference=""), by_hand, layout=None)
    assert measured.method == "two points"
    assert photo_keys(measured) >= {"scale_by_hand"}
    # exact geometry but for the tilt of 6.7 degrees and the perspective: 3 %
    assert measured.mm_per_px == pytest.approx(tray(LAST).mm_per_px, rel=0.03)
